"""The scatter that a fit is given instead of learning it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Scatter:
    """Standard deviations that a fit is given.

    Attributes
    ----------
    tray : float
        On logit p, between trays of one lot and treatment in one season; learned from the trays
        unless a fit is asked to hold it.
    season, season_time : float
        Between seasons, on logit p and on log time.
    late_spring : bool
        A season still under way may be late as a whole, by a number of days; off where days are
        counted by heat.
    """

    tray: float = 0.5
    season: float = 0.35
    season_time: float = 0.15
    late_spring: bool = True
