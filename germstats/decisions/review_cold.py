"""Weeks of cold that a tray got in its winter, by the weather written down."""

from __future__ import annotations

import numpy as np
import pandas as pd

from germstats.models.weather import CHILL_C, DailyWeather

_UNTIL = (4, 1)
"""Month and day by which most of what is to come has begun to (common practice, no source)."""


def weeks_of_cold(weather: DailyWeather | None, sown: pd.Timestamp, season: int) -> float | None:
    """Weeks from sowing to the end of March whose days' mean is no warmer than chill may be.

    Frozen days count: under snow or a lid a moist tray stays close to freezing (common practice, no source). A winter
    is held against others counted in the same way, so that what a thermometer in the open adds or takes away is the
    same.

    Parameters
    ----------
    weather : DailyWeather or None
    sown : pandas.Timestamp
    season : int
        Year of the spring that follows.

    Returns
    -------
    float or None
        None where a day of it is not known.
    """
    last = pd.Timestamp(season, *_UNTIL)
    if weather is None or sown >= last:
        return None
    low, high = weather.between(sown, last)
    mean = (low + high) / 2
    return None if np.isnan(mean).any() else float((mean <= CHILL_C[1]).sum() / 7)
