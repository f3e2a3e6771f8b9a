"""What a fit says of one species, lot and treatment, beside the raw counts it rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
import pandas as pd

from germstats.engine.draws import RowDraws
from germstats.engine.horizon import Basis, Horizon
from germstats.engine.lots import LotRecords
from germstats.records.checking.parsing import spelled
from germstats.records.intervals.patterns import Patterns
from germstats.records.intervals.sowings import treatment_of
from germstats.records.seeds import SowingRate
from germstats.records.tables import Trays

FEW_SEEN = 0.7
"""Below this expected share seen at the last check, few and late seeds cannot be told apart (the
design's measurements: the spread of the share is then three times that of finished trays).
"""


@dataclass(frozen=True)
class RawCounts:
    """One species, lot and treatment, as the records have it.

    Attributes
    ----------
    species, lot : str or None, str
    treatment : dict
        cover, cover_depth_mm, pretreatment, as far as recorded.
    label : str
    trays, cells : int
    seeds, emerged, filled : int or None
        Raw counts; None where not known (a range, a pinch, occupancy only).
    last_season : int
        Latest season of its trays.
    rate : SowingRate
        How the latest tray was sown.
    tray_cells : int
        Cells of the latest tray.
    """

    species: str | None
    lot: str
    treatment: Mapping[str, str | float]
    label: str
    trays: int
    cells: int
    seeds: int | None
    emerged: int | None
    filled: int | None
    last_season: int
    rate: SowingRate
    tray_cells: int


@dataclass(frozen=True)
class RowEstimate(RawCounts):
    """What a fit says of one species, lot and treatment, beside its raw counts.

    Attributes
    ----------
    emergence, emergence_low, emergence_high, emergence_sd : float
        Share of seeds expected in an average tray of an ordinary season, its range and standard
        error.
    median_days, median_days_low, median_days_high, median_log_sd : float or None
        Days from sowing until half of the seeds that emerge have; standard error on the log.
    share_seen : float
        Expected share of the emerging seeds that had emerged at the last checks.
    notes : tuple of str
    draws : RowDraws
    horizon_on : pandas.Timestamp or None
        The day up to which emergence is counted, in the spring of the latest tray; None where it
        is counted to the end of all days.
    horizon_days : float or None
        The same in days from the latest tray's sowing.
    horizon_basis : Basis or None
        What that day comes from.
    plateau : bool
        Whether the last days of looking contradict the timing curve: it has seedlings where none
        came.
    later_low, later_high : float or None
        Range of the share that may still come between that day and the end of the spring; never in
        a chance.
    """

    emergence: float
    emergence_low: float
    emergence_high: float
    emergence_sd: float
    median_days: float | None
    median_days_low: float | None
    median_days_high: float | None
    median_log_sd: float | None
    share_seen: float
    notes: tuple[str, ...]
    draws: RowDraws
    horizon_on: pd.Timestamp | None = None
    horizon_days: float | None = None
    horizon_basis: Basis | None = None
    later_low: float | None = None
    later_high: float | None = None
    plateau: bool = False

    RECORD: ClassVar[tuple[str, ...]] = (
        "species",
        "lot",
        "treatment",
        "trays",
        "cells",
        "seeds",
        "emerged",
        "emergence",
        "emergence_low",
        "emergence_high",
        "median_days",
        "median_days_low",
        "median_days_high",
        "notes",
        "horizon_on",
        "horizon_days",
        "horizon_basis",
        "later_low",
        "later_high",
        "plateau",
    )

    def as_record(self) -> dict[str, object]:
        """The columns of `EmergenceFit.to_frame`."""
        return {name: getattr(self, name) for name in self.RECORD}


def raw_counts(lot: LotRecords, row: int, patterns: Patterns) -> RawCounts:
    """Raw counts of one treatment row of a lot.

    Parameters
    ----------
    lot : LotRecords
    row : int
        Treatment row of the lot.
    patterns : Patterns

    Returns
    -------
    RawCounts
    """
    trays = trays_of(lot, row, patterns)
    latest = trays.iloc[latest_of(trays)].to_dict()
    return RawCounts(
        species=lot.species,
        lot=lot.lot,
        treatment=treatment_of(latest),
        label=lot.labels[row],
        trays=len(trays),
        cells=int(trays["cells"].sum()),
        seeds=_whole(trays["seeds"]),
        emerged=_whole(trays["emerged"]),
        filled=_whole(trays["filled"]),
        last_season=int(latest["season"]),
        rate=patterns.sowings[int(latest["sowing"])],
        tray_cells=int(latest["tray_cells"]),
    )


def horizon_facts(horizon: Horizon | None, trays: pd.DataFrame) -> dict[str, Any]:
    """Fields of a `RowEstimate` that say up to when it is counted, for the latest of its trays.

    Parameters
    ----------
    horizon : Horizon or None
    trays : pandas.DataFrame
        Rows of `Patterns.trays`, with ``horizon`` where there is one.

    Returns
    -------
    dict
        Empty without a horizon.
    """
    if horizon is None:
        return {}
    latest = trays.iloc[latest_of(trays)]
    days = float(latest["horizon"])
    on = latest[Trays.sown_on] + pd.Timedelta(days=round(days))
    return {"horizon_on": on, "horizon_days": days, "horizon_basis": horizon.basis}


def horizon_notes(horizon: Horizon | None, on: pd.Timestamp | None) -> tuple[str, ...]:
    """What must be known of the day up to which a row is counted.

    Parameters
    ----------
    horizon : Horizon or None
    on : pandas.Timestamp or None
        Its day for the latest of the trays.

    Returns
    -------
    tuple of str
    """
    if horizon is None or on is None:
        return ()
    notes = []
    if horizon.basis == Basis.SEASON_NOT_OVER:
        notes.append(f"looked at up to {spelled(on)}, and the season is not over")
    if horizon.basis == Basis.SPECIES:
        notes.append(
            f"counted up to {spelled(on)}, as late as other lots of the species were looked at"
        )
    if horizon.mixed_looks:
        notes.append(
            "cannot tell a late lot from a poor one: each tray was looked at only once, over a "
            "week apart"
        )
    return tuple(notes)


def trays_of(lot: LotRecords, row: int, patterns: Patterns) -> pd.DataFrame:
    """The rows of `Patterns.trays` of one treatment row of a lot.

    Parameters
    ----------
    lot : LotRecords
    row : int
        Treatment row of the lot.
    patterns : Patterns

    Returns
    -------
    pandas.DataFrame
    """
    trays: pd.DataFrame = patterns.trays.iloc[lot.codes[lot.row == row]]
    return trays


def latest_of(trays: pd.DataFrame) -> int:
    """Position of the tray of the latest season among these, of several the one sown last."""
    return int(
        np.lexsort((trays[Trays.sown_on].to_numpy(), trays[Trays.season].to_numpy(dtype=int)))[-1]
    )


def any_seen(trays: pd.DataFrame) -> bool:
    """Whether a seedling was ever seen in these trays."""
    return any(
        bool((trays[name].to_numpy(dtype=float, na_value=np.nan) > 0).any())
        for name in ("emerged", "filled")
    )


def _whole(column: pd.Series) -> int | None:
    return None if column.isna().any() else int(column.sum())


def record_notes(
    trays: pd.DataFrame,
    patterns: Patterns,
    lot: LotRecords,
    share_seen: float,
    at_most: float | None,
) -> tuple[str, ...]:
    """What must be known to read a row's estimate.

    Parameters
    ----------
    trays : pandas.DataFrame
        Its rows of `Patterns.trays`.
    patterns : Patterns
    lot : LotRecords
    share_seen : float
        Expected share of the emerging seeds that had emerged at the last checks.
    at_most : float or None
        Upper limit of the share where nothing emerged.

    Returns
    -------
    tuple of str
    """
    notes = []
    if at_most is not None:
        notes.append(f"none emerged: at most {100 * at_most:.2g} % of seeds")
    if share_seen < FEW_SEEN:
        notes.append(
            f"checks stopped too early to tell few from late (about {100 * share_seen:.0f} % had "
            "come)"
        )
    if not lot.timed:
        notes.append("looked at once only: count taken as final, no timing")
    notes += _sowing_notes({patterns.sowings[code] for code in trays["sowing"]})
    if len(trays) == 1:
        notes.append("one tray only")
    for tray in trays[Trays.tray]:
        notes.extend(f"{tray}: {note}" for note in patterns.notes.get(tray, ()))
    return tuple(notes)


def _sowing_notes(rates: set[SowingRate]) -> list[str]:
    """What must be known of how trays were sown."""
    notes = []
    if any(rate.kind == "range" for rate in rates):
        notes.append("some trays sown with a range of seeds per cell: averaged over the range")
    pinches = [rate for rate in rates if rate.k is not None]
    if pinches:
        means = sorted({f"{rate.mean:.2g}" for rate in pinches}, key=float)
        size = means[0] if len(means) == 1 else f"{means[0]} to {means[-1]}"
        counted = all(rate.k_measured for rate in pinches)
        source = "from pinches counted" if counted else "assumed, no pinches counted"
        notes.append(
            f"sown by the pinch: mean {size} seeds, evenness k {pinches[0].k:.2g} ({source})"
        )
    if any(rate.kind == "pinch_unmeasured" for rate in rates):
        notes.append(
            "pinch of unknown size: the share is of pinches that fill a cell, not of seeds"
        )
    return notes
