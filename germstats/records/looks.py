"""Which checks still speak of a tray's first spring: inside its window, and before anything that ended its records."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from germstats.records.book import RecordBook
from germstats.records.sown import ending_dates, thinning_dates

_NEVER = pd.Timestamp.max


@dataclass(frozen=True)
class Looks:
    """Usable checks, sorted by tray, cell and day.

    Attributes
    ----------
    cells, totals : pandas.DataFrame
        Rows of the cells and checks tables with ``code`` (row of the trays frame) and ``day`` (days from sowing). A
        tray with cell records is not in ``totals``.
    notes : dict
        Tray -> sentences on what was cut.
    why_silent : dict
        Tray -> why none of its checks can be used.
    """

    cells: pd.DataFrame
    totals: pd.DataFrame
    notes: dict[str, tuple[str, ...]]
    why_silent: dict[str, str]


def usable_looks(book: RecordBook, trays: pd.DataFrame) -> Looks:
    """Keep the checks of `trays` (a frame of `sown_trays`, index 0..T-1) that tell of their first spring."""
    cells = _dated(book.tables["cells"], trays, ["cell", "day"])
    totals = _dated(book.tables["checks"], trays, ["day"])
    totals = totals[~totals["tray"].isin(set(cells["tray"]))]
    thinned = thinning_dates(book)
    before_thinning = [on < thinned.get(t, _NEVER) for t, on in zip(totals["tray"], totals["checked_on"], strict=True)]
    totals = totals.assign(seedlings=totals["seedlings"].where(np.array(before_thinning, dtype=bool)))
    whole, by_cell = ending_dates(book)
    any_cell: dict[str, pd.Timestamp] = {}
    for (tray, _), on in by_cell.items():
        any_cell[tray] = min(on, any_cell.get(tray, _NEVER))
    cell_ends = [by_cell.get(key, _NEVER) for key in zip(cells["tray"], cells["cell"], strict=True)]
    total_ends = [any_cell.get(tray, _NEVER) for tray in totals["tray"]]

    looked_at = dict.fromkeys([*cells["tray"], *totals["tray"]])
    why = dict.fromkeys(looked_at, "no check before its records ended")
    waiting = _waiting(trays, cells, totals)
    why |= dict.fromkeys(waiting, "needs two winters and has not had its second spring yet")

    notes: dict[str, tuple[str, ...]] = {}
    kept = []
    for looks, ends, value in ((cells, cell_ends, "emerged"), (totals, total_ends, "filled")):
        first_end = np.array(
            [min(end, whole.get(tray, _NEVER)) for end, tray in zip(ends, looks["tray"], strict=True)],
            dtype="datetime64[ns]",
        )
        late = (looks["checked_on"] > looks["window_end"]).to_numpy()
        cut = looks["checked_on"].to_numpy() >= first_end
        for tray in dict.fromkeys(looks["tray"][cut & ~late]):
            notes[tray] = ("checks after a loss, sale or move are not used",)
        for tray, more in _second_spring(looks, value, late).items():
            notes[tray] = (*notes.get(tray, ()), f"{more} more came after its spring had ended; not in the share")
        kept.append(looks[~late & ~cut & ~looks["tray"].isin(waiting)])
    return Looks(kept[0], kept[1], notes, why)


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
    end = trays.set_index("tray")["window_end"]
    known = looks[looks["tray"].isin(end.index) & looks[day].notna()]
    last = end.reindex(known["tray"]).to_numpy()
    kept: pd.DataFrame = known[(known[day].to_numpy() <= last) | np.isnat(last)]
    return kept


def _dated(looks: pd.DataFrame, trays: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    code = pd.Series(trays.index, index=trays["tray"])
    looks = looks[looks["tray"].isin(code.index) & looks["checked_on"].notna()]
    rows = code.reindex(looks["tray"]).to_numpy(dtype=np.int64)
    days = (looks["checked_on"].to_numpy() - trays["sown_on"].to_numpy()[rows]) / np.timedelta64(1, "D")
    looks = looks.assign(code=rows, day=days, window_end=trays["window_end"].to_numpy()[rows])
    return looks[looks["day"] > 0].sort_values(["code", *by], kind="stable").reset_index(drop=True)


def _waiting(trays: pd.DataFrame, cells: pd.DataFrame, totals: pd.DataFrame) -> list[str]:
    """Two-winter trays not looked at since the start of their second spring."""
    latest: dict[Hashable, pd.Timestamp] = {}
    for looks in (cells, totals):
        latest |= looks.groupby("tray")["checked_on"].max().to_dict()
    two = trays[trays["two_winters"] & trays["tray"].isin(latest)]
    return [tray for tray, start in zip(two["tray"], two["origin"], strict=True) if latest[tray] < start]


def _second_spring(looks: pd.DataFrame, value: str, late: np.ndarray) -> dict[str, int]:
    """Tray -> how many more seedlings (or cells) were seen after its window closed."""
    if not late.any():
        return {}
    level = looks[value].astype(float)
    if "occupied" in looks.columns:
        level = level.fillna(looks["occupied"].astype(float))
    unit = looks["tray"] if value == "filled" else looks["tray"] + "\t" + looks["cell"]
    in_all, in_window = level.groupby(unit).max(), level[~late].groupby(unit[~late]).max()
    more = (in_all - in_window.reindex(in_all.index).fillna(0.0)).clip(lower=0.0)
    by_tray = more.groupby(more.index.str.split("\t").str[0]).sum()
    return {str(tray): int(n) for tray, n in by_tray.items() if n > 0}
