"""What the weather says: degree-days, weeks of cold, and springs timed by their heat."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from germstats.engine.arrays import Index
from germstats.engine.timing import Array
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Trays

BASE_C = 4.0
"""Temperature above which days count; between those of most cool-season species (common practice,
no source).
"""
COLD_C = 7.0
"""Mean of the warmest day that counts as cold (the design's setting)."""
_LONGEST_GAP = 3  # days of missing weather bridged by a straight line
_DAYS = 182  # from 1 February to the end of July
_CREEP = 0.05  # degree-days a day that even a frozen day is given, so that heat always rises


def degree_days(tmin_c: Array, tmax_c: Array, base_c: float) -> Array:
    """Degree-days of each day above a base temperature, by a single sine through its coldest and
    warmest hour.

    Parameters
    ----------
    tmin_c, tmax_c : numpy.ndarray, shape (days,)
        Any one unit of temperature, the same as `base_c`.
    base_c : float

    Returns
    -------
    numpy.ndarray, shape (days,)

    Notes
    -----
    With m the middle and w half the range of the day: m - base where the day stays above the base,
    0 where it stays below, else ((m - base)(pi/2 - theta) + w cos theta) / pi with sin theta =
    (base - m) / w (Baskerville & Emin 1969, Ecology 50:514-517, memory).
    """
    middle, half = (tmax_c + tmin_c) / 2, np.maximum((tmax_c - tmin_c) / 2, 1e-9)
    theta = np.arcsin(np.clip((base_c - middle) / half, -1, 1))
    heat: Array = ((middle - base_c) * (np.pi / 2 - theta) + half * np.cos(theta)) / np.pi
    return np.where(tmin_c >= base_c, middle - base_c, np.where(tmax_c <= base_c, 0.0, heat))


@dataclass(frozen=True)
class DailyWeather:
    """Coldest and warmest of consecutive days, degrees C; NaN where not known.

    Attributes
    ----------
    days : pandas.DatetimeIndex, (D,)
    tmin_c, tmax_c : (D,) arrays
    """

    days: pd.DatetimeIndex
    tmin_c: Array
    tmax_c: Array

    def between(self, first: pd.Timestamp, last: pd.Timestamp) -> tuple[Array, Array]:
        """Temperatures of the days from `first` to `last`, both in; NaN outside the record."""
        asked = pd.date_range(first, last)
        at = self.days.get_indexer(asked)
        known = at >= 0
        low, high = np.full(len(asked), np.nan), np.full(len(asked), np.nan)
        low[known], high[known] = self.tmin_c[at[known]], self.tmax_c[at[known]]
        return low, high


def daily_weather(table: pd.DataFrame) -> DailyWeather | None:
    """Weather of a book, in degrees C, gaps of up to three days bridged.

    Parameters
    ----------
    table : pandas.DataFrame
        The weather table of a record book.

    Returns
    -------
    DailyWeather or None
        None where no day is known.
    """
    low, high = (
        table[f"{name}_c"].astype(float).fillna((table[f"{name}_f"].astype(float) - 32) / 1.8)
        for name in ("tmin", "tmax")
    )
    frame = pd.DataFrame({"date": table["date"], "low": low, "high": high}).dropna()
    if frame.empty:
        return None
    frame = frame.drop_duplicates("date").set_index("date").sort_index()
    whole = frame.reindex(pd.date_range(frame.index[0], frame.index[-1]))
    whole = whole.interpolate(limit=_LONGEST_GAP, limit_area="inside")
    return DailyWeather(
        pd.DatetimeIndex(whole.index), whole["low"].to_numpy(float), whole["high"].to_numpy(float)
    )


def cold_weeks(weather: DailyWeather, first: pd.Timestamp, last: pd.Timestamp) -> float | None:
    """Weeks of days no warmer than `COLD_C` on average, from `first` to `last`; None where a day is
    not known.

    Frozen days count: under snow or a lid a moist tray stays close to freezing (common practice, no
    source).
    """
    low, high = weather.between(first, last)
    mean = (low + high) / 2
    return None if mean.size == 0 or np.isnan(mean).any() else float((mean <= COLD_C).sum() / 7)


@dataclass(frozen=True)
class HeatClock:
    """Springs timed by their heat instead of the calendar.

    Heat is written in *heat days*: degree-days from 1 February, divided by those of a mean day of
    an ordinary spring, so that an ordinary spring is as many heat days long as it has days.

    Attributes
    ----------
    base_c : float
    usual : (T,) array
        Degree-days from 1 February to the end of each day in an ordinary spring: the mean over
        those known.
    springs : dict
        Year -> the same in that spring; days to come are taken as ordinary.
    known_to : dict
        Year -> days known.
    """

    base_c: float
    usual: Array
    springs: dict[int, Array]
    known_to: dict[int, int]

    @property
    def per_day(self) -> float:
        """Degree-days of a heat day."""
        return float(self.usual[-1] / len(self.usual))

    def heat_days(self, year: int, day: Array) -> Array:
        """Heat days that `day` days from 1 February of `year` have brought; days before and after
        as they are.
        """
        heat = self.springs.get(year, self.usual)
        grid = np.arange(len(heat) + 1, dtype=float)
        told = np.interp(day, grid, np.concatenate([[0.0], heat])) / self.per_day
        beyond = told + np.maximum(day - grid[-1], 0.0)
        return np.where(day > 0, beyond, day)

    def onward(self, year: int, day: Array) -> Array:
        """(S, D) heat days of `day` days from 1 February of `year`, should it go on from the last
        day known as other springs did; S springs known to their end, or 1 where the whole of `year`
        is known.
        """
        known, usual = self.known_to[year], self.heat_days(year, day)
        whole = [
            heat
            for other, heat in self.springs.items()
            if other != year and self.known_to[other] == len(heat)
        ]
        if known == len(self.usual) or not whole:
            return usual[None]
        grid = np.arange(len(self.usual) + 1, dtype=float)
        others = [
            np.interp(np.maximum(day, known), grid, np.concatenate([[0.0], heat])) - heat[known - 1]
            for heat in whole
        ]
        later = (self.springs[year][known - 1] + np.array(others)) / self.per_day + np.maximum(
            day - grid[-1], 0.0
        )
        return np.where(day > known, later, usual)

    def days_early(self, year: int, day: float) -> float:
        """By how many days the spring is ahead of an ordinary one on that day; below 0 where it is
        late.
        """
        heat = float(np.interp(day, np.arange(1, len(self.usual) + 1), self.springs[year]))
        return float(np.interp(heat, self.usual, np.arange(1, len(self.usual) + 1)) - day)


def heat_clock(
    weather: DailyWeather, years: list[int], on: pd.Timestamp, base_c: float = BASE_C
) -> HeatClock | None:
    """Set a heat clock by the springs on record.

    Parameters
    ----------
    weather : DailyWeather
    years : list of int
        Springs asked for; those with a gap are left to the calendar.
    on : pandas.Timestamp
        Nothing after this day is used.
    base_c : float

    Returns
    -------
    HeatClock or None
        None where fewer than two springs are known.
    """
    sums: dict[int, Array] = {}
    for year in years:
        first = pd.Timestamp(year, 2, 1)
        last = min(first + pd.Timedelta(days=_DAYS - 1), on)
        if last < first:
            continue
        heat = degree_days(*weather.between(first, last), base_c) + _CREEP
        if not np.isnan(heat).any():
            sums[year] = heat
    whole = [heat for heat in sums.values() if len(heat) == _DAYS]
    if not whole or len(sums) < 2:
        return None
    daily = np.mean(whole, axis=0)
    springs = {
        year: np.cumsum(np.concatenate([heat, daily[len(heat) :]])) for year, heat in sums.items()
    }
    return HeatClock(
        base_c, np.cumsum(daily), springs, {year: len(heat) for year, heat in sums.items()}
    )


def by_heat(patterns: Patterns, clock: HeatClock) -> Patterns:
    """The records with days after 1 February told in heat days.

    A tray sown after 1 February is then as many heat days from it as had gone by, so that its
    sowing stays day 0.
    """
    trays = patterns.trays
    calendar = trays["origin_days"].to_numpy(dtype=float)
    years = (
        trays[Trays.sown_on] + pd.to_timedelta(trays["origin_days"], unit="D")
    ).dt.year.to_numpy()
    origin = calendar.copy()
    for year in np.unique(years):
        late = (years == year) & (calendar < 0)
        origin[late] = -clock.heat_days(int(year), -calendar[late])

    def told(codes: Index, days: Array) -> Array:
        moved = days.astype(float).copy()
        for year in np.unique(years):
            here = years[codes] == year
            after = days[here] - calendar[codes[here]]
            moved[here] = origin[codes[here]] + clock.heat_days(int(year), after)
        return moved

    def part(frame: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
        codes = frame["tray"].to_numpy(dtype=np.int64)
        return frame.assign(
            **{name: told(codes, frame[name].to_numpy(dtype=float)) for name in columns}
        )

    last = told(np.arange(len(trays)), trays["last_day"].to_numpy(dtype=float))
    return replace(
        patterns,
        trays=trays.assign(last_day=last, origin_days=origin),
        times=part(patterns.times, ("lo", "hi")),
        finishes=part(patterns.finishes, ("last",)),
        occupied=part(patterns.occupied, ("lo", "hi")),
        units=None,
    )
