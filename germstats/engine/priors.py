"""What a fit takes as known beforehand: how far springs differ, and when seedlings usually come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


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
