"""Cell x date rows, tray totals and events -> distinct patterns with counts: all that a model ever
sees.

The unit of observation is named per table: `trays` has one row per tray id, `times` one per
distinct interval of seeds seen, `finishes` and `occupied` one per distinct kind of cell.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from germstats.records.book import RecordBook
from germstats.records.intervals.running_maximum import count_distinct, running_maximum
from germstats.records.intervals.sowings import sown_trays
from germstats.records.intervals.usable_checks import UsableChecks, usable_looks
from germstats.records.seasons import SPRING_ENDS
from germstats.records.seeds import SowingRate
from germstats.records.tables import LEFT_COUNTS, Cells, Trays

ONE_SEED = SowingRate("counted", (1,), 1.0)
_UNSIZED = (
    "only its seedlings were counted, from pinches of unknown size: weigh the seed, or count "
    "filled cells too"
)


@dataclass(frozen=True)
class Units:
    """The same records before they are added up, so that what was seen after a day can be taken out
    again.

    A unit is what one column of checks counts: a cell, or a whole tray.

    Attributes
    ----------
    rises : pandas.DataFrame
        What rose between two checks of a unit: ``tray``, ``unit``, ``lo``, ``hi``, ``count``.
    ends : pandas.DataFrame
        Each unit once: ``tray``, ``unit``, ``sowing``, ``cells``, ``kind``, ``filled``, ``level``
        (the most ever seen), ``last`` (day of its last check).
    looks : pandas.DataFrame
        The days on which each tray was looked at: ``tray``, ``day``.
    """

    rises: pd.DataFrame
    ends: pd.DataFrame
    looks: pd.DataFrame


@dataclass(frozen=True)
class Patterns:
    """Sufficient statistics of a record book (first spring only; days are counted from sowing).

    Attributes
    ----------
    trays : pandas.DataFrame
        One row per tray id with information, index 0..T-1 (the *tray code* of the other tables).
        Columns: ``tray``, ``species`` (None without a lots table), ``lot``, ``season``, ``cover``,
        ``cover_depth_mm``, ``pretreatment``, ``treatment`` (label such as ``grit`` or ``sand 5 mm,
        scarified``), ``place``, ``block``, ``sown_on``, ``chill_weeks`` (the species' need, NaN
        where unknown or where two winters are needed), ``origin_days`` (days from sowing to 1
        February of the spring it is judged in), ``cells`` (sown and seen), ``tray_cells`` (rows x
        columns), ``seeds`` (NaN where unknown), ``emerged`` (seedlings ever seen, NaN where only
        fill is known), ``filled`` (cells ever filled, NaN where unknown), ``last_day`` (last check
        that still counts), ``left_alive``, ``left_dead``, ``left_empty`` (seeds dug up at the end
        of its spring, NaN where not noted), ``looks`` (days it was looked at), ``record``
        (``counts``, ``occupancy``, ``totals``, ``seedlings``), ``sowing`` (code in `sowings`, the
        tray's usual rate).
    times : pandas.DataFrame
        Count records, seeds seen to emerge: ``tray``, ``lo``, ``hi``, ``count``: `count` seeds in
        (lo, hi].
    finishes : pandas.DataFrame
        Cells at their last check: ``tray``, ``sowing``, ``seen`` (seeds emerged), ``last`` (day),
        ``kind`` (``counts`` or ``occupancy``), ``count`` (cells). For occupancy only cells still
        empty are here (``seen`` 0).
    occupied : pandas.DataFrame
        Occupancy records, cells whose first seedling came in (lo, hi]: ``tray``, ``sowing``,
        ``lo``, ``hi``, ``count``.
    sowings : tuple of SowingRate
        Distinct sowing rates, indexed by the ``sowing`` codes.
    notes : dict
        Tray id -> tuple of sentences on how its records were read (cut by an event, second spring,
        ...).
    left_out : dict
        Tray id -> why nothing could be taken from it.
    due : dict
        Lot of which every tray needs two winters and waits for its second spring -> the year of
        that spring.
    units : Units or None
        None where the patterns were not read from a book: nothing can be taken out of them then.
    """

    trays: pd.DataFrame
    times: pd.DataFrame
    finishes: pd.DataFrame
    occupied: pd.DataFrame
    sowings: tuple[SowingRate, ...]
    notes: dict[str, tuple[str, ...]]
    left_out: dict[str, str]
    due: dict[str, int] = field(default_factory=dict)
    units: Units | None = None


def find_patterns(book: RecordBook, spring_ends: tuple[int, int] = SPRING_ENDS) -> Patterns:
    """Collapse a record book to its distinct patterns.

    Parameters
    ----------
    book : RecordBook
    spring_ends : (month, day), default (7, 31)
        Records after this day of a tray's season belong to its second spring and are left out;
        two-winter species are judged a year later.

    Returns
    -------
    Patterns
        Trays that a finding stopped, that were never checked or that are not yet due are in
        ``left_out``, with why.
    """
    trays = sown_trays(book, spring_ends)
    left_out = dict(book.left_out)
    left_out |= _unusable(trays[~trays[Trays.tray].isin(left_out)])
    trays = trays[~trays[Trays.tray].isin(left_out)].reset_index(drop=True)

    # checks of cells and of whole trays, tray codes those of all usable trays
    looks = usable_looks(book, trays)
    sowings = _Sowings()
    of_cells = _cell_checks(looks.cells, trays, sowings)
    of_trays = _total_checks(looks.totals, trays, sowings)
    checks = _stacked([of_cells, of_trays])
    rises, ends = _climbs(checks)

    # trays that tell nothing go, the others are renumbered
    kept = np.sort(ends["tray"].unique()).astype(np.int64)
    left_out |= _why_silent(trays[Trays.tray].drop(kept), looks)
    new_code = pd.Series(np.arange(len(kept)), index=kept)

    def renumbered(part: pd.DataFrame) -> pd.DataFrame:
        return part.assign(tray=new_code.reindex(part["tray"]).to_numpy(dtype=np.int64))

    looked = checks.groupby("tray")["day"].nunique()
    summary = _summary(trays.iloc[kept], ends, looked, sowings)
    return Patterns(
        trays=summary,
        times=renumbered(_times(rises)),
        finishes=renumbered(_finishes(ends, trays["rate"], sowings.code)),
        occupied=renumbered(_occupied(rises)),
        sowings=sowings.rates,
        notes={tray: said for tray, said in looks.notes.items() if tray not in left_out},
        left_out=left_out,
        due=_due(trays, looks, set(summary[Trays.lot])),
        units=Units(
            rises=renumbered(rises[["tray", "unit", "lo", "hi", "count"]]),
            ends=renumbered(ends),
            looks=renumbered(checks[["tray", "day"]].drop_duplicates()),
        ),
    )


def _why_silent(trays: pd.Series[str], looks: UsableChecks) -> dict[str, str]:
    """Tray -> why nothing could be taken from it, of trays without a usable count."""
    counted = looks.totals.loc[looks.totals["seedlings"].notna(), "tray"]
    why = {**looks.why_silent, **dict.fromkeys(counted, _UNSIZED)}
    return {tray: why.get(tray, "never checked") for tray in trays}


def _due(trays: pd.DataFrame, looks: UsableChecks, told: set[str]) -> dict[str, int]:
    """Lot -> the year of the spring for which all its trays wait."""
    lot_of = dict(zip(trays[Trays.tray], trays[Trays.lot], strict=True))
    return {
        str(lot_of[tray]): year for tray, year in looks.waiting.items() if lot_of[tray] not in told
    }


def seen_by(patterns: Patterns, days: NDArray[np.float64]) -> Patterns:
    """The patterns without what was seen after a day, as if each tray had not been looked at since.

    All units of a tray end at its last look not after the day: ending only those that rose later
    would depend on what came later.

    Parameters
    ----------
    patterns : Patterns
        With `Patterns.units`.
    days : (T,) array
        Days from sowing; inf keeps every look of the tray.

    Returns
    -------
    Patterns
        The same trays in the same order. In ``trays`` counts and ``last_day`` are those of the last
        look by the day; without one nothing was seen, on day 0. Filled cells noted beside a tray's
        seedlings are not known then.
    """
    units = patterns.units
    assert units is not None, "these patterns do not know what was seen when"
    cut = patterns.trays["last_day"].to_numpy(dtype=float) > days
    if not cut.any():
        return patterns
    day = units.looks["day"].to_numpy(dtype=float)
    tray = units.looks["tray"].to_numpy(dtype=np.int64)
    last = np.zeros(len(days))
    in_time = day <= days[tray]
    np.maximum.at(last, tray[in_time], day[in_time])
    last = np.where(cut, last, np.inf)
    rises, ends = _ended(units, last)
    codes = {rate: code for code, rate in enumerate(patterns.sowings)}
    rates = pd.Series([patterns.sowings[code] for code in patterns.trays["sowing"]], dtype=object)
    known = patterns.trays
    counts = _tray_counts(ends.assign(filled=np.nan), patterns.sowings).reindex(known.index)
    seen = {name: known[name].where(~cut, counts[name]) for name in ("emerged", "filled")}
    return replace(
        patterns,
        trays=known.assign(
            **seen, last_day=np.minimum(known["last_day"].to_numpy(dtype=float), last)
        ),
        times=_times(rises),
        finishes=_finishes(ends, rates, codes.__getitem__),
        occupied=_occupied(rises),
        units=Units(rises[["tray", "unit", "lo", "hi", "count"]], ends, units.looks[in_time]),
    )


def _ended(units: Units, last: NDArray[np.float64]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rises and ends of the units with nothing after the day `last` of their tray."""
    rises, ends = units.rises, units.ends
    day = last[rises["tray"].to_numpy(dtype=np.int64)]
    out = rises["hi"].to_numpy(dtype=float) > day
    lost = rises[out].groupby("unit").agg(lo=("lo", "min"), count=("count", "sum"))
    known = ends.set_index("unit")
    gone = lost["count"].reindex(known.index).fillna(0).to_numpy(dtype=np.int64)
    # the unit may have missed looks
    since = lost["lo"].reindex(known.index).fillna(np.inf).to_numpy(dtype=float)
    end = np.minimum(
        known["last"].to_numpy(dtype=float), last[known["tray"].to_numpy(dtype=np.int64)]
    )
    known = known.assign(level=known["level"] - gone, last=np.minimum(end, since).astype(np.int64))
    about = known[["sowing", "kind"]].reindex(rises["unit"][~out])
    kept = rises[~out].assign(sowing=about["sowing"].to_numpy(), kind=about["kind"].to_numpy())
    return kept.reset_index(drop=True), known.reset_index()


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
        left_out |= {
            tray: reason
            for tray in trays.loc[trays[column].isna(), Trays.tray]
            if tray not in left_out
        }
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


_CHECK_COLUMNS = {"tray": int, "unit": int, "day": int, "sowing": int, "level": int, "cells": float}
"""A unit is what one column of checks counts: a whole tray, numbered as the trays, or a cell,
numbered after them. ``level`` is what had come by that day, seeds or cells. The rest holds for the
unit at all its checks: ``cells`` is how many cells it holds; ``kind`` counts, occupancy, totals or
seedlings; ``filled`` the cells filled of a tray whose seedlings were counted as a whole, where they
were noted at its last count.
"""


def _stacked(frames: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


def _cell_checks(cells: pd.DataFrame, trays: pd.DataFrame, sowings: _Sowings) -> pd.DataFrame:
    """Cell records: counts where every look of the cell counted, occupancy otherwise."""
    emerged, occupied = cells[Cells.emerged].astype(float), cells[Cells.occupied].astype(float)
    usable = (emerged.notna() | occupied.notna()).to_numpy()
    cells, emerged, occupied = cells[usable], emerged[usable], occupied[usable]
    unit = cells.groupby(["code", Cells.cell], sort=False).ngroup()
    own = cells[Cells.seeds].astype(float)
    tray_codes = np.array([sowings.code(rate) for rate in trays["rate"]], dtype=np.int64)
    sowing = tray_codes[cells["code"].to_numpy(dtype=np.int64)]
    for n in own.dropna().unique():
        sowing[(own == n).to_numpy()] = sowings.code(SowingRate("counted", (int(n),), float(n)))
    unmeasured = np.array([rate.kind == "pinch_unmeasured" for rate in sowings.rates], dtype=bool)[
        sowing
    ]
    counted = emerged.notna().groupby(unit).transform("all").to_numpy(dtype=bool) & ~unmeasured
    filled = occupied.fillna((emerged > 0).astype(float))
    frame = pd.DataFrame(
        {
            "tray": cells["code"],
            "unit": len(trays) + unit,
            "day": cells["day"],
            "sowing": sowing,
            "level": emerged.where(counted, filled),
            "cells": 1.0,
            "kind": np.where(counted, "counts", "occupancy"),
            "filled": np.nan,
        }
    ).astype(_CHECK_COLUMNS)
    sown = np.array([rate.mean > 0 for rate in sowings.rates], dtype=bool)[sowing]
    kept: pd.DataFrame = frame[sown]
    return kept


def _total_checks(totals: pd.DataFrame, trays: pd.DataFrame, sowings: _Sowings) -> pd.DataFrame:
    """Tray totals: seedlings of the whole tray where they were counted to the end, else its filled
    cells.
    """
    filled, seedlings = totals["filled"].astype(float), totals["seedlings"].astype(float)
    by_tray = totals["code"]
    last_filled = totals["day"].where(filled.notna()).groupby(by_tray).transform("max")
    last_counted = totals["day"].where(seedlings.notna()).groupby(by_tray).transform("max")
    measured = np.array([rate.kind != "pinch_unmeasured" for rate in trays["rate"]], dtype=bool)
    counted = (last_counted.notna() & ~(last_counted < last_filled)).to_numpy() & measured[
        by_tray.to_numpy(dtype=int)
    ]
    stale = counted & (last_filled < last_counted).to_numpy()  # more may have filled since
    level = seedlings.where(counted, filled)
    cells = trays["tray_cells"].to_numpy(dtype=float)[by_tray.to_numpy(dtype=int)]
    codes = np.array([sowings.code(rate) for rate in trays["rate"]], dtype=np.int64)
    frame = pd.DataFrame(
        {
            "tray": by_tray,
            "unit": by_tray,
            "day": totals["day"],
            "sowing": codes[by_tray.to_numpy(dtype=int)],
            "level": level,
            "cells": cells,
            "kind": np.where(counted, "seedlings", "totals"),
            "filled": filled.mask(stale).groupby(by_tray).transform("max"),
        }
    )
    return frame[level.notna().to_numpy()].astype(_CHECK_COLUMNS)


def _climbs(checks: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What rose between two checks, and where each unit ended, each row with all that holds for its
    unit.
    """
    about = checks.drop(columns=["day", "level"]).drop_duplicates("unit").set_index("unit")
    ran = running_maximum(*(checks[name].to_numpy() for name in ("unit", "day", "level")))
    rises = about.loc[ran.unit].assign(unit=ran.unit, lo=ran.lo, hi=ran.hi, count=ran.rise)
    ends = about.loc[ran.units].assign(unit=ran.units, level=ran.level, last=ran.last)
    return rises.reset_index(drop=True), ends.reset_index(drop=True)


def _collapsed(frame: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Distinct rows of the columns `by`, whole numbers, with their ``count`` added up; days as
    decimal numbers.
    """
    whole = frame[[*by, "count"]].to_numpy(dtype=np.int64).T
    distinct, count = count_distinct(list(whole[:-1]), whole[-1])
    collapsed = pd.DataFrame({**dict(zip(by, distinct, strict=True)), "count": count})
    return collapsed.astype(
        {name: float for name in ("lo", "hi", "last", "count") if name in collapsed}
    )


def _times(rises: pd.DataFrame) -> pd.DataFrame:
    return _collapsed(rises[rises["kind"].isin(["counts", "seedlings"])], ["tray", "lo", "hi"])


def _occupied(rises: pd.DataFrame) -> pd.DataFrame:
    return _collapsed(
        rises[rises["kind"].isin(["occupancy", "totals"])], ["tray", "sowing", "lo", "hi"]
    )


_FINISH_KINDS = np.array(["counts", "occupancy"], dtype=object)


def _finishes(
    ends: pd.DataFrame, rates: pd.Series, code_of: Callable[[SowingRate], int]
) -> pd.DataFrame:
    """Cells at their last check; `rates` are the trays' usual ones."""
    counts = (
        ends[ends["kind"] == "counts"].rename(columns={"level": "seen"}).assign(kind=0, count=1)
    )
    empty = ends[ends["kind"].isin(["occupancy", "totals"])].assign(seen=0, kind=1)
    empty = empty.assign(count=(empty["cells"] - empty["level"]).clip(lower=0))
    seedlings = ends[ends["kind"] == "seedlings"].to_dict("records")
    whole = [finish for row in seedlings for finish in _seedling_finish(row, rates, code_of)]
    columns = ["tray", "sowing", "seen", "last", "kind", "count"]
    joined = _stacked([counts[columns], empty[columns], pd.DataFrame(whole, columns=columns)])
    finishes = _collapsed(joined, columns[:-1])
    return finishes.assign(kind=_FINISH_KINDS[finishes["kind"]])


def _seedling_finish(
    row: Mapping[Hashable, Any], rates: pd.Series, code_of: Callable[[SowingRate], int]
) -> list[dict[str, object]]:
    """Seedlings of a whole tray: pinches add up to one large pinch, counted seeds stand singly."""
    rate: SowingRate = rates.iloc[int(row["tray"])]
    base = {"tray": row["tray"], "last": row["last"], "kind": 0}
    if rate.k is not None:
        whole = SowingRate(
            kind="pinch",
            counts=(),
            mean=rate.mean * row["cells"],
            k=rate.k * row["cells"],
            k_measured=rate.k_measured,
        )
        return [{**base, "sowing": code_of(whole), "seen": row["level"], "count": 1}]
    one = code_of(ONE_SEED)
    left = max(round(rate.mean * row["cells"]) - row["level"], 0)
    return [
        {**base, "sowing": one, "seen": seen, "count": count}
        for seen, count in ((1, row["level"]), (0, left))
    ]


def _tray_counts(ends: pd.DataFrame, rates: Sequence[SowingRate]) -> pd.DataFrame:
    """Cells, seeds, seedlings and filled cells of each tray, NaN where one of its units does not
    say.
    """
    exact = np.array([rate.mean if rate.kind == "counted" else np.nan for rate in rates])
    sowing = ends["sowing"].to_numpy()
    counted = ends["kind"].isin(["counts", "seedlings"]).to_numpy()
    single = exact[sowing] == 1  # a filled cell is one seedling there
    level = ends["level"].to_numpy()
    of_seedlings = np.where(single, level, ends["filled"])
    filled = np.where(
        ends["kind"] == "seedlings", of_seedlings, np.where(counted, level > 0, level)
    )
    parts = pd.DataFrame(
        {
            "tray": ends["tray"],
            "cells": ends["cells"],
            "seeds": exact[sowing] * ends["cells"],
            "emerged": np.where(counted | single, level, np.nan),
            "filled": filled,
        }
    )
    unknown = parts.isna().groupby(parts["tray"]).any().drop(columns="tray")
    return parts.groupby("tray").sum().mask(unknown)


def _summary(
    trays: pd.DataFrame, ends: pd.DataFrame, looked: pd.Series[int], sowings: _Sowings
) -> pd.DataFrame:
    """The `trays` table of `Patterns`; `looked` holds the days on which each was."""
    sums = _tray_counts(ends, sowings.rates)
    # of the most of its units
    kind = ends.groupby(["tray", "kind"]).size().unstack(fill_value=0).idxmax(axis=1)
    columns = [
        "tray",
        "species",
        "lot",
        "season",
        "cover",
        "cover_depth_mm",
        "pretreatment",
        "treatment",
        "place",
        "block",
        "sown_on",
        "tray_cells",
        "chill_weeks",
    ]
    summary = trays[columns].assign(
        **{name: sums[name] for name in sums.columns},
        **{name: trays[name].astype(float) for name in LEFT_COUNTS},
        origin_days=(trays["origin"] - trays[Trays.sown_on]).dt.days.astype(float),
        last_day=ends.groupby("tray")["last"].max().astype(float),
        looks=looked,
        record=kind,
        sowing=[sowings.code(rate) for rate in trays["rate"]],
    )
    return summary.reset_index(drop=True)
