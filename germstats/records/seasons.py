"""When a spring ends: the day up to which what comes up belongs to a season."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

SPRING_ENDS = (7, 31)
"""Month and day on which a season's first spring ends; common practice, no source."""
FIRST_OF_FEBRUARY = (2, 1)
"""From this day on the heat of a spring is counted."""


def day_in_years(years: Iterable[Any], day: tuple[int, int]) -> pd.DatetimeIndex:
    """The same day in each of several years.

    Parameters
    ----------
    years : iterable of int, (T,)
        Missing where not known.
    day : (month, day)

    Returns
    -------
    pandas.DatetimeIndex, (T,)
        NaT where the year is missing.
    """
    month, of_month = day
    texts = [
        "" if pd.isna(year) else f"{int(year):04d}-{month:02d}-{of_month:02d}" for year in years
    ]
    return pd.to_datetime(pd.Index(texts, dtype=object), format="%Y-%m-%d", errors="coerce")
