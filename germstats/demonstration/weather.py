"""Invented weather of the demonstration nursery: daily temperatures and the heat they add up to."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from germstats.engine.timing import Array
from germstats.forecast.weather import degree_days

_MEAN_C, _SWING_C, _COLDEST_DAY = 8.5, 11.3, 20  # yearly course of the daily mean at about 780 m
_HALF_RANGE_C, _HALF_RANGE_SWING_C = 6.2, 2.3  # half the gap between night and day, wider in summer
# spread of a day about its mean, and how much of it lasts to the next day
_NOISE_SD_C, _NOISE_KEEPS = (3.0, 0.7)
# for means over the spread of single days
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(15)


@dataclass(frozen=True)
class InventedWeather:
    """Daily temperatures.

    Attributes
    ----------
    first : datetime.date
        Day of the first value.
    tmin_c, tmax_c : numpy.ndarray, shape (days,)
        Coldest and warmest of each day, degrees C.
    """

    first: datetime.date
    tmin_c: Array
    tmax_c: Array

    def heat_since(self, start: datetime.date, base_c: float) -> Array:
        """Degree-days above `base_c` summed from `start`; value i is the sum at the end of day
        ``start + i``.
        """
        skip = (start - self.first).days
        return np.cumsum(degree_days(self.tmin_c[skip:], self.tmax_c[skip:], base_c))


def simulate_weather(
    first: datetime.date,
    last: datetime.date,
    warmer_c: Mapping[int, float],
    rng: np.random.Generator,
) -> InventedWeather:
    """Draw daily temperatures from `first` to `last`.

    Parameters
    ----------
    first, last : datetime.date
    warmer_c : mapping of int to float
        Season (year of its spring; it runs from October to September) -> degrees above the ordinary
        course.
    rng : numpy.random.Generator

    Returns
    -------
    Weather
        Rounded to tenths, as it is written down.
    """
    days = [first + datetime.timedelta(days=i) for i in range((last - first).days + 1)]
    shift = np.array([warmer_c.get(day.year + (day.month >= 10), 0.0) for day in days])
    shocks = rng.normal(0, _NOISE_SD_C, len(days))
    noise = np.empty(len(days))
    noise[0] = shocks[0]
    for i in range(1, len(days)):
        noise[i] = _NOISE_KEEPS * noise[i - 1] + np.sqrt(1 - _NOISE_KEEPS**2) * shocks[i]
    mean, half = _ordinary(days)
    half = half * np.exp(rng.normal(0, 0.25, len(days)))
    return InventedWeather(
        first, np.round(mean + shift + noise - half, 1), np.round(mean + shift + noise + half, 1)
    )


def ordinary_heat(start: datetime.date, base_c: float, days: int = 240) -> Array:
    """Degree-days of an ordinary season summed from `start`, the spread of single days averaged
    over.

    Returns
    -------
    numpy.ndarray, shape (days,)
        Value i is the sum at the end of day ``start + i``.
    """
    mean, half = _ordinary([start + datetime.timedelta(days=i) for i in range(days)])
    daily = [
        degree_days(mean + _NOISE_SD_C * z - half, mean + _NOISE_SD_C * z + half, base_c)
        for z in _NODES
    ]
    return np.cumsum(_WEIGHTS / _WEIGHTS.sum() @ np.array(daily))


def _ordinary(days: list[datetime.date]) -> tuple[Array, Array]:
    """Mean of the day and half its range in an ordinary year."""
    course = -np.cos(
        2 * np.pi * (np.array([day.timetuple().tm_yday for day in days]) - _COLDEST_DAY) / 365
    )
    return _MEAN_C + _SWING_C * course, _HALF_RANGE_C + _HALF_RANGE_SWING_C * course
