"""Heat and cold so far, in words."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pandas as pd

from germstats.forecast.cold_weeks import cold_ends, weeks_of_cold
from germstats.forecast.weather import DailyWeather, HeatClock, daily_weather
from germstats.questions.watch.spec import WatchSpec
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import spelled
from germstats.records.tables import Species, Trays


def heat_words(
    book: RecordBook,
    trays: pd.DataFrame,
    came: Collection[str],
    clock: HeatClock | None,
    spec: WatchSpec,
    spring: int,
) -> tuple[str, ...]:
    """Degree-days since 1 February against other springs, and weeks of cold since sowing.

    Parameters
    ----------
    book : RecordBook
        As of the day.
    trays : pandas.DataFrame
        Trays under way.
    came : collection of str
        Species of which a seedling is up this spring.
    clock : HeatClock or None
    spec : WatchSpec
    spring : int

    Returns
    -------
    tuple of str
        Empty without weather.
    """
    weather = daily_weather(book.weather)
    if weather is None:
        return ()
    said = []
    if clock is not None and spring in clock.springs:
        day = clock.known_to[spring]
        heat = float(clock.springs[spring][day - 1])
        others = [float(sums[day - 1]) for year, sums in clock.springs.items() if year != spring]
        early = clock.days_early(spring, float(day))
        days = "1 day" if round(abs(early)) == 1 else f"{abs(early):.0f} days"
        way = "as usual" if abs(early) < 1 else f"about {days} {'ahead' if early > 0 else 'behind'}"
        by_then = f"{others[0]:.0f} in the one" if len(others) == 1 else f"{_between(others)} in"
        springs = "spring before it" if len(others) == 1 else "other springs on record"
        said.append(
            f"heat since 1 February, above {clock.base_c:g} C: {heat:.0f} degree-days (single "
            f"sine) to {spelled(spec.day)}; {by_then} {springs} by then: this spring is {way}, and "
            "the forecasts follow it"
        )
    else:
        said.append(
            "too little weather is written down to tell this spring by its heat: forecasts allow "
            "for a late one"
        )
    return (*said, *_cold_words(weather, trays, came=came, on=spec.day, spring=spring))


def _cold_words(
    weather: DailyWeather, trays: pd.DataFrame, came: Collection[str], on: pd.Timestamp, spring: int
) -> tuple[str, ...]:
    """Weeks of cold since the first sowing, and the species not up yet that need more."""
    one_winter = trays[~trays[Species.two_winters].astype(bool)]
    trays = one_winter if len(one_winter) else trays
    sown = trays[Trays.sown_on].min()
    weeks = weeks_of_cold(weather, sown, spring, by=min(on, weather.days[-1]))
    if weeks is None:
        return ()
    need = trays[Species.chill_weeks].to_numpy(dtype=float)
    short = sorted(
        {
            str(one)
            for one, least in zip(trays["species"], need, strict=True)
            if np.isfinite(least) and least > weeks and str(one) not in came
        }
    )
    over = on > cold_ends(spring)
    verb = ("needs" if len(short) == 1 else "need") if not over else "needed"
    whom = "it" if len(short) == 1 else "them"
    rest = f"; {', '.join(short)} {verb} more, and nothing of {whom} is up" if short else ""
    until = " to the end of March" if over else ""
    return (
        "weeks of cold (days of 7 C or less, frozen ones too) from the first sowing on "
        f"{spelled(sown)}{until}: {weeks:.0f}{rest}",
    )


def _between(sums: list[float]) -> str:
    low, high = f"{min(sums):.0f}", f"{max(sums):.0f}"
    return low if low == high else f"{low} to {high}"
