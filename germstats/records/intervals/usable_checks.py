"""Which checks still count for a tray's first spring: inside its window, and before anything that
ended its records.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from germstats.records.book import RecordBook
from germstats.records.intervals.sowings import ending_dates, thinning_dates
from germstats.records.tables import Cells, Checks, Species, Trays

Dates = NDArray[np.datetime64]

_NEVER = pd.Timestamp.max
_CELL_COLUMNS = ["tray", "cell", "checked_on", "emerged", "occupied", "seeds"]
_TOTAL_COLUMNS = ["tray", "checked_on", "filled", "seedlings"]


@dataclass(frozen=True)
class UsableChecks:
    """Usable checks, sorted by tray, cell and day.

    Attributes
    ----------
    cells, totals : pandas.DataFrame
        Rows of the cells and checks tables, what shows emergence in them, with ``code`` (row of
        the trays frame) and ``day`` (days from sowing). A tray with cell records is not in
        ``totals``.
    notes : dict
        Tray -> sentences on what was cut.
    why_silent : dict
        Tray -> why none of its checks can be used.
    waiting : dict
        Tray that needs two winters and was not looked at since its second spring began -> the year
        of that spring.
    """

    cells: pd.DataFrame
    totals: pd.DataFrame
    notes: dict[str, tuple[str, ...]]
    why_silent: dict[str, str]
    waiting: dict[str, int]


def usable_looks(book: RecordBook, trays: pd.DataFrame) -> UsableChecks:
    """Keep the checks of `trays` (a frame of `sown_trays`, index 0..T-1) that count for their first
    spring.
    """
    cells = _dated(_seeds_throughout(book.cells), trays, _CELL_COLUMNS)
    totals = _dated(book.checks, trays, _TOTAL_COLUMNS)
    totals = totals[~totals["code"].isin(cells["code"].unique())]
    totals = _seedlings_before_thinning(book, trays, totals)

    looked_at = [*cells[Cells.tray].unique(), *totals[Checks.tray].unique()]
    why = dict.fromkeys(looked_at, "no check before its records or its spring ended")
    waiting = _waiting(trays, cells, totals)
    why |= {tray: f"needs two winters: due in spring {year}" for tray, year in waiting.items()}

    whole, by_cell = ending_dates(book)
    cell_ends = _cell_ends(by_cell, cells)
    total_ends = _of_rows(_first_of_cells(by_cell), trays, totals)
    notes: dict[str, tuple[str, ...]] = {}
    kept = []
    for looks, ends, value in ((cells, cell_ends, "emerged"), (totals, total_ends, "filled")):
        first_end = np.minimum(ends, _of_rows(whole, trays, looks))
        late = (looks["checked_on"] > looks["window_end"]).to_numpy()
        cut = looks["checked_on"].to_numpy() >= first_end
        for tray in looks["tray"][cut & ~late].unique():
            notes[tray] = ("checks after a loss, sale or move are not used",)
        for tray, more in _second_spring(looks, value, late).items():
            said = f"{more} more came after its spring had ended; not in the share"
            notes[tray] = (*notes.get(tray, ()), said)
        kept.append(looks[~late & ~cut & ~looks["tray"].isin(waiting)])
    return UsableChecks(cells=kept[0], totals=kept[1], notes=notes, why_silent=why, waiting=waiting)


def _seedlings_before_thinning(
    book: RecordBook, trays: pd.DataFrame, totals: pd.DataFrame
) -> pd.DataFrame:
    """Totals without the seedlings counted after a thinning: those are only the ones left."""
    thinned = _of_rows(thinning_dates(book), trays, totals)
    before = totals[Checks.checked_on].to_numpy() < thinned
    return totals.assign(seedlings=totals[Checks.seedlings].where(before))


def _first_of_cells(by_cell: Mapping[tuple[str, str], pd.Timestamp]) -> dict[str, pd.Timestamp]:
    """Tray -> the day the first of its cells ended."""
    first: dict[str, pd.Timestamp] = {}
    for (tray, _), on in by_cell.items():
        first[tray] = min(on, first.get(tray, on))
    return first


def _seeds_throughout(cells: pd.DataFrame) -> pd.DataFrame:
    """The seeds sown in a cell on all of its rows; they may be written on one only, such as that of
    its sowing.
    """
    if cells[Cells.seeds].notna().sum() in (0, len(cells)):
        return cells
    return cells.assign(
        seeds=cells.groupby([Cells.tray, Cells.cell], sort=False)[Cells.seeds].transform("first")
    )


def _of_rows(dates: Mapping[str, pd.Timestamp], trays: pd.DataFrame, looks: pd.DataFrame) -> Dates:
    """The date of the tray of each look; never, where it has none."""
    of_tray: Dates = np.array(
        [dates.get(tray, _NEVER) for tray in trays[Trays.tray]], dtype="datetime64[ns]"
    )
    rows: Dates = of_tray[looks["code"].to_numpy()]
    return rows


def _cell_ends(by_cell: Mapping[tuple[str, str], pd.Timestamp], cells: pd.DataFrame) -> Dates:
    """The date that ended the cell of each look; never, where none did."""
    ends = np.full(len(cells), _NEVER.to_datetime64())
    named = np.flatnonzero(cells[Cells.tray].isin({tray for tray, _ in by_cell}))
    for at, key in zip(
        named,
        zip(cells[Cells.tray].iloc[named], cells[Cells.cell].iloc[named], strict=True),
        strict=True,
    ):
        ends[at] = by_cell.get(key, _NEVER).to_datetime64()
    return ends


def within_spring(looks: pd.DataFrame, trays: pd.DataFrame, day: str) -> pd.DataFrame:
    """Dated looks at known trays, up to the end of the spring each is judged in.

    Parameters
    ----------
    looks : pandas.DataFrame
        Rows of any table of looks.
    trays : pandas.DataFrame
        One row a tray, with ``window_end``; where that is not known all looks are kept.
    day : str
        The column that dates a look.
    """
    end = trays.set_index(Trays.tray)["window_end"]
    known = looks[looks["tray"].isin(end.index) & looks[day].notna()]
    last = end.reindex(known["tray"]).to_numpy()
    kept: pd.DataFrame = known[(known[day].to_numpy() <= last) | np.isnat(last)]
    return kept


def _dated(looks: pd.DataFrame, trays: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    code = pd.Series(trays.index, index=trays[Trays.tray])
    looks = looks.loc[looks["tray"].isin(code.index) & looks["checked_on"].notna(), columns]
    rows = code.reindex(looks["tray"]).to_numpy(dtype=np.int64)
    days = (
        looks["checked_on"].to_numpy() - trays[Trays.sown_on].to_numpy()[rows]
    ) / np.timedelta64(1, "D")
    cell = (
        pd.factorize(looks["cell"], sort=True)[0]
        if "cell" in columns
        else np.zeros(len(looks), dtype=np.int64)
    )
    order = np.lexsort((days, cell, rows))
    order = order[days[order] > 0]
    looks = looks.iloc[order].reset_index(drop=True)
    return looks.assign(
        code=rows[order], day=days[order], window_end=trays["window_end"].to_numpy()[rows[order]]
    )


def _waiting(trays: pd.DataFrame, cells: pd.DataFrame, totals: pd.DataFrame) -> dict[str, int]:
    """Two-winter trays not looked at since the start of their second spring, and the year of that
    spring.
    """
    latest: dict[Hashable, pd.Timestamp] = {}
    for looks in (cells, totals):
        latest |= looks.groupby("tray")["checked_on"].max().to_dict()
    two = trays[trays[Species.two_winters] & trays[Trays.tray].isin(latest)]
    return {
        str(tray): int(start.year)
        for tray, start in zip(two["tray"], two["origin"], strict=True)
        if latest[tray] < start
    }


def _second_spring(looks: pd.DataFrame, value: str, late: NDArray[np.bool_]) -> dict[str, int]:
    """Tray -> how many more seedlings (or cells) were seen after its window closed."""
    looks = looks.assign(level=looks[value].astype(float), late=late)
    looks = looks[looks["tray"].isin(looks["tray"][late].unique())]
    unit = ["tray"]
    if "cell" in looks.columns:
        unit = ["tray", "cell"]
        looks = looks.assign(level=looks["level"].fillna(looks["occupied"].astype(float)))
    in_all, in_window = (
        looks.groupby(unit)["level"].max(),
        looks[~looks["late"]].groupby(unit)["level"].max(),
    )
    more = (in_all - in_window.reindex(in_all.index).fillna(0.0)).clip(lower=0.0)
    by_tray = more.groupby(level="tray").sum()
    return {str(tray): int(n) for tray, n in by_tray.items() if n > 0}
