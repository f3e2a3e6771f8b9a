"""Heat and chill so far, in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from germstats.decisions.waiting_spec import WatchSpec
from germstats.models.weather import HeatClock, chill_weeks, daily_weather
from germstats.records.book import RecordBook
from germstats.records.parsing import spelled


def heat_words(
    book: RecordBook, trays: pd.DataFrame, clock: HeatClock | None, spec: WatchSpec, spring: int
) -> tuple[str, ...]:
    """Degree-days since 1 February against other springs, and weeks of chill since sowing.

    Parameters
    ----------
    book : RecordBook
        As of the day.
    trays : pandas.DataFrame
        Trays under way.
    clock : HeatClock or None
    spec : WatchSpec
    spring : int

    Returns
    -------
    tuple of str
        Empty without weather.
    """
    weather = daily_weather(book.tables["weather"])
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
        by_then = f"{others[0]:.0f} in the one" if len(others) == 1 else f"{min(others):.0f} to {max(others):.0f} in"
        springs = "spring before it" if len(others) == 1 else "other springs on record"
        said.append(
            f"heat since 1 February, above {clock.base_c:g} C: {heat:.0f} degree-days (single sine) to "
            f"{spelled(spec.on)}; {by_then} {springs} by then: this spring is {way}, and the forecasts follow it"
        )
    else:
        said.append(
            "too little weather is written down to tell this spring by its heat: forecasts allow for a late one"
        )
    one_winter = trays[~trays["two_winters"].astype(bool)]
    trays = one_winter if len(one_winter) else trays
    sown = trays["sown_on"].min()
    weeks = chill_weeks(weather, sown, min(spec.on, weather.days[-1]))
    if weeks is not None:
        need = trays["chill_weeks"].to_numpy(dtype=float)
        short = sorted({str(s) for s, n in zip(trays["species"], need, strict=True) if np.isfinite(n) and n > weeks})
        rest = f"; {', '.join(short)} need more" if short else ""
        said.append(f"weeks of chill (days of 0 to 7 C) since the first sowing on {spelled(sown)}: {weeks:.0f}{rest}")
    return tuple(said)
