"""Cell x date rows, tray totals and events -> distinct patterns with counts: all that a model ever sees.

The unit of observation is named per table: `trays` has one row per tray id, `times` one per distinct interval of seeds
seen, `finishes` and `occupied` one per distinct kind of cell.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from germstats.records.book import RecordBook
from germstats.records.looks import usable_looks
from germstats.records.seeds import SowingRate
from germstats.records.sown import SPRING_ENDS, sown_trays

ONE_SEED = SowingRate("counted", (1,), 1.0)


@dataclass(frozen=True)
class Patterns:
    """Sufficient statistics of a record book (first spring only; days are counted from sowing).

    Attributes
    ----------
    trays : pandas.DataFrame
        One row per tray id with information, index 0..T-1 (the *tray code* of the other tables). Columns: ``tray``,
        ``species`` (None without a lots table), ``lot``, ``season``, ``cover``, ``cover_depth_mm``, ``pretreatment``,
        ``treatment`` (label such as ``grit`` or ``sand 5 mm, scarified``), ``place``, ``block``, ``sown_on``,
        ``origin_days`` (days from sowing to 1 February of the spring it is judged in), ``cells`` (sown and seen),
        ``tray_cells`` (rows x columns), ``seeds`` (NaN where unknown), ``emerged`` (seedlings ever seen, NaN where only
        fill is known), ``filled`` (cells ever filled, NaN where unknown), ``last_day`` (last check that still counts),
        ``looks`` (days it was looked at), ``record`` (``counts``, ``occupancy``, ``totals``, ``seedlings``), ``sowing``
        (code in `sowings`, the tray's usual rate).
    times : pandas.DataFrame
        Count records, seeds seen to emerge: ``tray``, ``lo``, ``hi``, ``count``: `count` seeds in (lo, hi].
    finishes : pandas.DataFrame
        Cells at their last check: ``tray``, ``sowing``, ``seen`` (seeds emerged), ``last`` (day), ``kind`` (``counts``
        or ``occupancy``), ``count`` (cells). For occupancy only cells still empty are here (``seen`` 0).
    occupied : pandas.DataFrame
        Occupancy records, cells whose first seedling came in (lo, hi]: ``tray``, ``sowing``, ``lo``, ``hi``, ``count``.
    sowings : tuple of SowingRate
        Distinct sowing rates, indexed by the ``sowing`` codes.
    notes : dict
        Tray id -> tuple of sentences on how its records were read (cut by an event, second spring, ...).
    left_out : dict
        Tray id -> why nothing could be taken from it.
    """

    trays: pd.DataFrame
    times: pd.DataFrame
    finishes: pd.DataFrame
    occupied: pd.DataFrame
    sowings: tuple[SowingRate, ...]
    notes: dict[str, tuple[str, ...]]
    left_out: dict[str, str]


def find_patterns(book: RecordBook, spring_ends: tuple[int, int] = SPRING_ENDS) -> Patterns:
    """Collapse a record book to its distinct patterns.

    Parameters
    ----------
    book : RecordBook
    spring_ends : (month, day), default (7, 31)
        Records after this day of a tray's season belong to its second spring and are left out; two-winter species are
        judged a year later.

    Returns
    -------
    Patterns
        Trays that a finding stopped, that were never checked or that are not yet due are in ``left_out``, with why.
    """
    trays = sown_trays(book, spring_ends)
    left_out = dict(book.left_out)
    left_out |= _unusable(trays[~trays["tray"].isin(left_out)])
    trays = trays[~trays["tray"].isin(left_out)].reset_index(drop=True)
    looks = usable_looks(book, trays)
    sowings = _Sowings()
    units = _stacked([_cell_units(looks.cells, trays, sowings), _total_units(looks.totals, trays, sowings)])
    steps = _steps(units)
    times, finishes, occupied = _times(steps), _finishes(steps, trays, sowings), _occupied(steps)

    kept = np.sort(steps["tray"].unique()).astype(np.int64)
    left_out |= {
        tray: looks.why_silent.get(tray, "never checked")
        for code, tray in enumerate(trays["tray"])
        if code not in set(kept)
    }
    code = pd.Series(np.arange(len(kept)), index=kept)
    summary = _summary(trays.iloc[kept], steps, sowings)
    notes = {tray: said for tray, said in looks.notes.items() if tray not in left_out}

    def renumbered(part: pd.DataFrame) -> pd.DataFrame:
        return part.assign(tray=code.reindex(part["tray"]).to_numpy(dtype=np.int64))

    parts = renumbered(times), renumbered(finishes), renumbered(occupied)
    return Patterns(summary, *parts, sowings.rates, notes, left_out)


def _unusable(trays: pd.DataFrame) -> dict[str, str]:
    """Trays whose row lacks what every record needs, with the reason."""
    reasons = {
        "sown_on": "sowing date not known",
        "season": "season not known",
        "tray_cells": "number of cells not known",
        "rate": "seeds per cell not known",
    }
    left_out: dict[str, str] = {}
    for column, reason in reasons.items():
        left_out |= {tray: reason for tray in trays.loc[trays[column].isna(), "tray"] if tray not in left_out}
    return left_out


class _Sowings:
    """Codes of distinct sowing rates, numbered as they are met."""

    def __init__(self) -> None:
        self._codes: dict[SowingRate, int] = {}

    def code(self, rate: SowingRate) -> int:
        return self._codes.setdefault(rate, len(self._codes))

    @property
    def rates(self) -> tuple[SowingRate, ...]:
        return tuple(self._codes)


_UNIT_COLUMNS = {"tray": np.int64, "unit": np.int64, "day": float, "sowing": np.int64, "level": float, "cells": float}
"""A unit is what one column of checks speaks of: a cell, or a whole tray. ``level`` is what had come by that day, seeds
or cells; ``cells`` how many cells the unit holds; ``kind`` counts, occupancy, totals or seedlings; ``filled`` the cells
filled of a tray whose seedlings were counted as a whole."""


def _stacked(frames: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


def _cell_units(cells: pd.DataFrame, trays: pd.DataFrame, sowings: _Sowings) -> pd.DataFrame:
    """Cell records: counts where every look of the cell counted, occupancy otherwise."""
    emerged, occupied = cells["emerged"].astype(float), cells["occupied"].astype(float)
    usable = (emerged.notna() | occupied.notna()).to_numpy()
    cells, emerged, occupied = cells[usable], emerged[usable], occupied[usable]
    unit = cells.groupby(["code", "cell"], sort=False).ngroup()
    own = cells["seeds"].astype(float).groupby(unit).transform("first")  # may be written on one of its rows only
    tray_codes = np.array([sowings.code(rate) for rate in trays["rate"]], dtype=np.int64)
    sowing = tray_codes[cells["code"].to_numpy(dtype=np.int64)]
    for n in own.dropna().unique():
        sowing[(own == n).to_numpy()] = sowings.code(SowingRate("counted", (int(n),), float(n)))
    unmeasured = np.array([rate.kind == "pinch_unmeasured" for rate in sowings.rates], dtype=bool)[sowing]
    counted = emerged.notna().groupby(unit).transform("all").to_numpy(dtype=bool) & ~unmeasured
    filled = occupied.fillna((emerged > 0).astype(float))
    frame = pd.DataFrame(
        {
            "tray": cells["code"],
            "unit": unit,
            "day": cells["day"],
            "sowing": sowing,
            "level": emerged.where(counted, filled),
            "cells": 1.0,
            "kind": np.where(counted, "counts", "occupancy"),
            "filled": np.nan,
        }
    ).astype(_UNIT_COLUMNS)
    sown = np.array([rate.mean > 0 for rate in sowings.rates], dtype=bool)[sowing]
    kept: pd.DataFrame = frame[sown]
    return kept


def _total_units(totals: pd.DataFrame, trays: pd.DataFrame, sowings: _Sowings) -> pd.DataFrame:
    """Tray totals: seedlings of the whole tray where they were counted to the end, else its filled cells."""
    filled, seedlings = totals["filled"].astype(float), totals["seedlings"].astype(float)
    by_tray = totals["code"]
    last_filled = totals["day"].where(filled.notna()).groupby(by_tray).transform("max")
    last_counted = totals["day"].where(seedlings.notna()).groupby(by_tray).transform("max")
    measured = np.array([rate.kind != "pinch_unmeasured" for rate in trays["rate"]], dtype=bool)
    counted = (last_counted.notna() & ~(last_counted < last_filled)).to_numpy() & measured[by_tray.to_numpy(dtype=int)]
    level = seedlings.where(counted, filled)
    cells = trays["tray_cells"].to_numpy(dtype=float)[by_tray.to_numpy(dtype=int)]
    codes = np.array([sowings.code(rate) for rate in trays["rate"]], dtype=np.int64)
    frame = pd.DataFrame(
        {
            "tray": by_tray,
            "unit": -1 - by_tray,  # never the number of a cell
            "day": totals["day"],
            "sowing": codes[by_tray.to_numpy(dtype=int)],
            "level": level,
            "cells": cells,
            "kind": np.where(counted, "seedlings", "totals"),
            "filled": filled.groupby(by_tray).transform("max"),
        }
    )
    return frame[level.notna().to_numpy()].astype(_UNIT_COLUMNS)


def _steps(units: pd.DataFrame) -> pd.DataFrame:
    """Running maximum of each unit with its rise at each check and the day of the check before."""
    unit = units["unit"]
    level = units["level"].groupby(unit).cummax()
    return units.assign(
        level=level,
        rise=level - level.groupby(unit).shift(fill_value=0.0),
        lo=units["day"].groupby(unit).shift(fill_value=0.0),
        final=~unit.duplicated(keep="last"),
    )


def _collapsed(frame: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    frame = frame[frame["count"] > 0]
    return frame.groupby(by, sort=True)[["count"]].sum().reset_index()


def _times(steps: pd.DataFrame) -> pd.DataFrame:
    came = steps[steps["kind"].isin(["counts", "seedlings"])].rename(columns={"day": "hi"})
    return _collapsed(came.assign(count=came["rise"]), ["tray", "lo", "hi"])


def _occupied(steps: pd.DataFrame) -> pd.DataFrame:
    came = steps[steps["kind"].isin(["occupancy", "totals"])].rename(columns={"day": "hi"})
    return _collapsed(came.assign(count=came["rise"]), ["tray", "sowing", "lo", "hi"])


def _finishes(steps: pd.DataFrame, trays: pd.DataFrame, sowings: _Sowings) -> pd.DataFrame:
    final = steps[steps["final"]].rename(columns={"day": "last"})
    counts = final[final["kind"] == "counts"].assign(count=1.0)
    counts = counts.assign(seen=counts["level"])
    empty = final[final["kind"].isin(["occupancy", "totals"])].assign(seen=0.0, kind="occupancy")
    empty = empty.assign(count=empty["cells"] - empty["level"])
    whole = [_seedling_finish(row, trays, sowings) for row in final[final["kind"] == "seedlings"].to_dict("records")]
    parts = [part[["tray", "sowing", "seen", "last", "kind", "count"]] for part in (counts, empty)]
    joined = _stacked([*parts, *(pd.DataFrame(rows) for rows in whole)])
    joined = joined.astype({"tray": np.int64, "sowing": np.int64, "seen": np.int64})
    return _collapsed(joined, ["tray", "sowing", "seen", "last", "kind"])


def _seedling_finish(row: Mapping[Hashable, Any], trays: pd.DataFrame, sowings: _Sowings) -> list[dict[str, object]]:
    """Seedlings of a whole tray: pinches add up to one large pinch, counted seeds stand singly."""
    rate: SowingRate = trays["rate"].iloc[int(row["tray"])]
    base = {"tray": row["tray"], "last": row["last"], "kind": "counts"}
    if rate.k is not None:
        whole = SowingRate("pinch", (), rate.mean * row["cells"], rate.k * row["cells"], rate.k_measured)
        return [{**base, "sowing": sowings.code(whole), "seen": row["level"], "count": 1.0}]
    one = sowings.code(ONE_SEED)
    left = max(round(rate.mean * row["cells"]) - row["level"], 0.0)
    return [{**base, "sowing": one, "seen": seen, "count": count} for seen, count in ((1, row["level"]), (0, left))]


def _summary(trays: pd.DataFrame, steps: pd.DataFrame, sowings: _Sowings) -> pd.DataFrame:
    """The `trays` table of `Patterns`."""
    rates = sowings.rates
    final = steps[steps["final"]]
    exact = np.array([rate.mean if rate.kind == "counted" else np.nan for rate in rates])
    sowing = final["sowing"].to_numpy()
    counted = final["kind"].isin(["counts", "seedlings"]).to_numpy()
    single = exact[sowing] == 1  # a filled cell is one seedling there
    level = final["level"].to_numpy()
    filled = np.where(final["kind"] == "seedlings", final["filled"], np.where(counted, level > 0, level))
    parts = pd.DataFrame(
        {
            "tray": final["tray"],
            "cells": final["cells"],
            "seeds": exact[sowing] * final["cells"],
            "emerged": np.where(counted | single, level, np.nan),
            "filled": filled,
        }
    )
    by_tray = parts.groupby("tray")
    unknown = parts.isna().groupby(parts["tray"]).any().drop(columns="tray")
    sums = by_tray.sum().mask(unknown)
    kind = final.groupby("tray")["kind"].agg(lambda kinds: kinds.mode().iloc[0])
    columns = ["tray", "species", "lot", "season", "cover", "cover_depth_mm", "pretreatment", "treatment", "place",
               "block", "sown_on", "tray_cells"]  # fmt: skip
    summary = trays[columns].assign(
        **{name: sums[name] for name in sums.columns},
        origin_days=(trays["origin"] - trays["sown_on"]).dt.days.astype(float),
        last_day=final.groupby("tray")["day"].max(),
        looks=steps.groupby("tray")["day"].nunique(),
        record=kind,
        sowing=[sowings.code(rate) for rate in trays["rate"]],
    )
    return summary.reset_index(drop=True)
