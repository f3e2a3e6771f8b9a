"""Weeks of cold that a tray got in its winter, by the weather written down."""

from __future__ import annotations

import pandas as pd

from germstats.forecast.weather import DailyWeather, cold_weeks

_UNTIL = (4, 1)
"""Month and day by which most of what is to come has begun to (common practice, no source)."""


def weeks_of_cold(
    weather: DailyWeather | None, sown: pd.Timestamp, season: int, by: pd.Timestamp | None = None
) -> float | None:
    """Weeks of cold from sowing to the end of March: the one measure by which winters are told from
    each other.

    A winter is compared with others counted in the same way, so that what a thermometer in the open
    adds or takes away is the same.

    Parameters
    ----------
    weather : DailyWeather or None
    sown : pandas.Timestamp
    season : int
        Year of the spring that follows.
    by : pandas.Timestamp, optional
        Nothing after this day is counted.

    Returns
    -------
    float or None
        None where a day of it is not known.
    """
    end = cold_ends(season)
    last = end if by is None else min(end, by)
    return None if weather is None or sown >= last else cold_weeks(weather, sown, last)


def cold_ends(season: int) -> pd.Timestamp:
    """The day on which weeks of cold are no longer counted."""
    return pd.Timestamp(season, *_UNTIL)
