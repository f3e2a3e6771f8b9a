"""What a fit takes as known beforehand: how far springs differ, and when seedlings usually come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from germstats.engine.likelihood import Origin
from germstats.engine.lots import LotRecords, groups_of
from germstats.engine.quantiles import weighted_values
from germstats.engine.timing import Array
from germstats.records.intervals.patterns import Patterns

_SOWN = 1.0
"""Day after sowing up to which a tray is taken as empty without a look."""
_UNSEEN_TIME_SD = 0.15
"""Of a species of which nothing was seen: "very late" must not stand in for "none"."""
_DAYS_TO_HALF = 60.0
"""From 1 February, where no seedling was ever seen; common practice, no source."""


@dataclass(frozen=True)
class Scatter:
    """Standard deviations that are settings, not learned from the records.

    Attributes
    ----------
    tray : float or None
        Between trays of one lot and treatment in one season, on logit p; None: learned.
    season : float
        Between seasons, on logit p.
    season_time : float
        Between seasons, on log time.
    late_spring : bool
        A season still under way may be late as a whole, by a number of days; off where days are
        measured by heat.
    """

    tray: float | None = None
    season: float = 0.35
    season_time: float = 0.15
    late_spring: bool = True


@dataclass(frozen=True)
class TimePriors:
    """Weak normal priors of a species' timing.

    Attributes
    ----------
    log_time, log_time_sd : float
        Of the log days to half of the seedlings; centered on those the records show.
    log_sigma, log_sigma_sd : float
        Of the log of the timing law's scale.
    """

    log_time: float
    log_time_sd: float = 0.5
    log_sigma: float = float(np.log(0.3))
    log_sigma_sd: float = 0.7


def time_priors(
    lots: tuple[LotRecords, ...], patterns: Patterns, origin: Origin
) -> dict[str, TimePriors]:
    """Weak priors of the timing of each species, on one clock.

    They are centered on the days by which half of what was seen had been seen. A species with no
    seedling takes the book's center, closely; a book with none takes 60 days from 1 February.

    Parameters
    ----------
    lots : tuple of LotRecords
    patterns : Patterns
    origin : {"sowing", "1 February"}

    Returns
    -------
    dict
        Group (species) -> TimePriors.
    """
    seen = _days_seen(patterns, origin)
    usual = _weighted_median(seen) if len(seen) else _days_without_a_seedling(patterns, origin)
    medians = {str(group): _weighted_median(own) for group, own in seen.groupby("group")}
    return {
        lot.group: TimePriors(float(np.log(medians[lot.group])))
        if lot.group in medians
        else TimePriors(float(np.log(usual)), log_time_sd=_UNSEEN_TIME_SD)
        for lot in lots
    }


def time_priors_under(
    lots: tuple[LotRecords, ...], patterns: Patterns, laws: Mapping[str, tuple[str, Origin]]
) -> dict[str, TimePriors]:
    """Weak priors of the timing of each species, on the clock of its own law.

    Parameters
    ----------
    lots : tuple of LotRecords
    patterns : Patterns
    laws : dict
        Group (species) -> family and origin.

    Returns
    -------
    dict
        Group (species) -> TimePriors.
    """
    origins = {origin for _, origin in laws.values()}
    by_origin = {origin: time_priors(lots, patterns, origin) for origin in origins}
    return {group: by_origin[origin][group] for group, (_, origin) in laws.items()}


def _days_seen(patterns: Patterns, origin: Origin) -> pd.DataFrame:
    """Days on the clock on which seedlings were seen: ``group``, ``day``, ``count``."""
    frames = []
    for seen in (patterns.times, patterns.occupied):
        trays = patterns.trays.iloc[seen["tray"]]
        shift = trays["origin_days"].to_numpy() if origin == "1 February" else 0.0
        days = np.maximum(_middle_days(seen) - shift, 1.0)
        counts = seen["count"].to_numpy(dtype=float)
        frames.append(
            pd.DataFrame({"group": groups_of(trays).to_numpy(), "day": days, "count": counts})
        )
    return pd.concat([frame for frame in frames if len(frame)] or frames[:1])


def _days_without_a_seedling(patterns: Patterns, origin: Origin) -> float:
    """Days to half on the clock, where no seedling of any species was seen."""
    to_february = patterns.trays["origin_days"]
    from_sowing = _DAYS_TO_HALF + float(to_february.clip(lower=0).mean())
    if origin == "sowing":
        return from_sowing
    return from_sowing + min(-float(to_february.mean()), 0.0)


def _middle_days(seen: pd.DataFrame) -> Array:
    """The day that represents each interval: its middle, but of a first look the look itself.

    What is up at a first look weeks after sowing came nearer to the look than to the sowing:
    nothing comes for most of the time between.
    """
    lo, hi = seen["lo"].to_numpy(dtype=float), seen["hi"].to_numpy(dtype=float)
    return np.where(lo <= _SOWN, hi, (lo + hi) / 2)


def _weighted_median(days: pd.DataFrame) -> float:
    """The first day by which half of the seedlings had been seen."""
    day, count = days["day"].to_numpy(dtype=float), days["count"].to_numpy(dtype=float)
    return float(weighted_values(day, count, np.array([0.5]))[0])
