"""The demonstration record book: `simulate_demo` puts growth, looks, stories and mistakes
together.
"""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd

from germstats.demonstration.demo_growth import (
    Nursery,
    date_of_share,
    grow_nursery,
    sowing_rate,
    tell_rows,
    tell_trays,
)
from germstats.demonstration.dirt import DirtySheets, strew_dirt
from germstats.demonstration.looking import (
    Row,
    Watched,
    cell_rows,
    empty_cells,
    pick_days,
    total_rows,
    walk_days,
)
from germstats.demonstration.nursery import LOTS, ORDERS, SEASONS, SPECIES, TRAY_COLUMNS, TRAY_ROWS
from germstats.demonstration.plan import (
    DROPPED,
    PINCH_K,
    PINCH_MEAN,
    SOLD_EARLY,
    TRIAL,
    UNWEIGHED_PINCH,
    Tray,
)
from germstats.demonstration.sprouting import Generator, Growth, draw_sown
from germstats.demonstration.stories import KEPT_OVER, tell_stories
from germstats.demonstration.truth import Demo, DemoTruth, as_text
from germstats.demonstration.weather import InventedWeather
from germstats.records.seeds import SowingRate
from germstats.records.tables import Lots

DEFAULT_SEED = 780
TRIAL_LOOKS, CELL_LOOKS = 6, 7
_COUNTED_PINCHES = 10
_CHECKERS = ("Wren", "Ode")

Walks = dict[int, tuple[datetime.date, ...]]


def simulate_demo(seed: int = DEFAULT_SEED) -> Demo:
    """Simulate the record book of the invented demonstration nursery.

    Parameters
    ----------
    seed : int
        The same seed gives the same book.

    Returns
    -------
    Demo
        Every table as text, just as a grower typed it, mistakes included; and the truth.
    """
    nursery = grow_nursery(seed)
    # looks and mistakes draw from streams of their own, so that another mistake does not change
    # what grew
    looking, mistakes = (np.random.default_rng([seed, stream]) for stream in (1, 2))
    walks = {
        year: walk_days(
            datetime.date(year, 2, int(looking.integers(3, 9))),
            datetime.date(year, 7, int(looking.integers(16, 25))),
            looking,
        )
        for year in SEASONS
    }
    cells, checks, maps = _look_at_all(nursery, walks)
    sheets = DirtySheets(
        {
            "trays": _sheet(
                [_tray_row(*pair) for pair in zip(nursery.trays, nursery.growths, strict=True)]
            ),
            "checks": _sheet(checks),
            "cells": _sheet(cells),
            "events": _sheet(_events(nursery)),
        }
    )
    dirt = strew_dirt(sheets, nursery, mistakes)
    tables = as_text(
        {
            "species": _species_rows(),
            "lots": _lot_rows(looking),
            **sheets.tables,
            "maps": maps,
            "orders": list(ORDERS),
            "weather": _weather_rows(nursery.weather),
        }
    )
    rows, seasons = tell_rows(nursery)
    return Demo(
        tables,
        DemoTruth(
            rows=rows,
            seasons=seasons,
            trays=tell_trays(nursery),
            dirt=dirt,
            stories=tell_stories(nursery),
        ),
    )


def _sheet(rows: list[Row]) -> pd.DataFrame:
    """Rows as they come, whole numbers left whole beside blanks."""
    return pd.DataFrame(rows, dtype=object)


def _look_at_all(nursery: Nursery, walks: Walks) -> tuple[list[Row], list[Row], list[Row]]:
    cells: list[Row] = []
    checks: list[Row] = []
    maps: list[Row] = []
    for number, (tray, growth) in enumerate(zip(nursery.trays, nursery.growths, strict=True)):
        days = _look_days(tray, nursery.weather, walks)
        watched = Watched(
            tray=tray.tray, by=_CHECKERS[number % 2], sown_on=tray.sown_on, growth=growth, days=days
        )
        if tray.record in "co":
            cells += cell_rows(watched, counts=tray.record == "c")
            continue
        rows = total_rows(watched, seedlings=tray.record == "s")
        last = max(i for i, day in enumerate(days) if day.year == tray.sowing.season)
        if note := _last_note(tray):
            rows[last]["note"] = note
        checks += rows
        if tray.sowing.season == 2026 and (empty := empty_cells(watched, days[last])):
            maps.append(
                {"tray": tray.tray, "seen_on": days[last].isoformat(), "empty_cells": empty}
            )
    return cells, checks, maps


def _look_days(tray: Tray, weather: InventedWeather, walks: Walks) -> tuple[datetime.date, ...]:
    """Days on which a tray is looked at: every walk for tray totals, a few walks for single
    cells.
    """
    season = tray.sowing.season
    second = walks.get(season + 1, ()) if tray.role in KEPT_OVER else ()
    if tray.record not in "co":
        sold = [day for day in walks[season] if tray.role != SOLD_EARLY or day <= sold_on(tray)]
        return (*sold, *second[::2])
    looks = TRIAL_LOOKS if tray.sowing.trial else CELL_LOOKS
    if tray.lot.species.two_winters:
        first = walks[season][:: len(walks[season]) // 2]
        begins, ends = date_of_share(weather, tray, 0.01), date_of_share(weather, tray, 0.99)
        return (
            (*first, *pick_days(second, begins, ends, looks - len(first) + 1))
            if second
            else walks[season][::3]
        )
    begins, ends = date_of_share(weather, tray, 0.01), date_of_share(weather, tray, 0.99)
    days = pick_days(walks[season], begins, ends, looks)
    if not second:
        return days
    begins, ends = (date_of_share(weather, tray, share, second=True) for share in (0.01, 0.99))
    return (*days, *pick_days(second, begins, ends, 3))


def sold_on(tray: Tray) -> datetime.date:
    """Day on which the tray that was sold early left the nursery."""
    return datetime.date(tray.sowing.season, 4, 27)


def _last_note(tray: Tray) -> str:
    if tray.role in KEPT_OVER and not tray.lot.species.two_winters:
        return "dug 20 seeds from empty cells: 17 firm"
    return (
        "looks full of holes"
        if tray.sowing.lot == "BASA-24C" and tray.sowing.cover == "none"
        else ""
    )


def _tray_row(tray: Tray, growth: Growth) -> Row:
    sowing = tray.sowing
    row: Row = {
        "tray": tray.tray,
        "season": sowing.season,
        "lot": sowing.lot,
        "sown_on": tray.sown_on.isoformat(),
        "rows": TRAY_ROWS,
        "columns": TRAY_COLUMNS,
        "seeds_per_cell": sowing.seeds,
        "cover": sowing.cover,
        "cover_depth_mm": sowing.depth,
        "place": f"bench {tray.bench}",
    }
    if sowing.trial:
        row |= {"block": f"{sowing.season}-{(1, 3, 5, 6).index(tray.bench) + 1}", "trial": TRIAL}
    if sowing_rate(tray).k is not None and tray.role != UNWEIGHED_PINCH:
        row["grams"] = round(int(growth.sown.sum()) / tray.lot.species.seeds_per_gram, 4)
    if sowing.lot == "HECY-25A" and sowing.cover == "sand":
        row["note"] = "sand for a change; else same as always"
    return row


def _events(nursery: Nursery) -> list[Row]:
    events: list[Row] = []
    for number, tray in enumerate(nursery.trays):
        season = tray.sowing.season
        if season == 2024 and not tray.lot.species.two_winters and number % 2:
            note = "benches dried out for two weeks"
            events.append({"tray": tray.tray, "on": "2024-01-29", "event": "dried", "note": note})
        if tray.role == DROPPED:
            on = nursery.drop_day.isoformat()
            events.append(
                {"tray": tray.tray, "on": on, "event": "dropped", "note": "fell off the cart"}
            )
        if tray.role == SOLD_EARLY:
            events.append(
                {
                    "tray": tray.tray,
                    "on": sold_on(tray).isoformat(),
                    "event": "sold",
                    "note": "spring sale",
                }
            )
        if tray.role in KEPT_OVER:
            events.append({"tray": tray.tray, "on": f"{season}-07-31", "event": "kept_over"})
        elif season == 2024 and tray.sowing.lot in {lot for _, lot, _ in KEPT_OVER}:
            events.append({"tray": tray.tray, "on": f"{season}-08-01", "event": "discarded"})
    return events


def _species_rows() -> list[Row]:
    return [
        {
            "species": one.code,
            "scientific_name": one.scientific_name,
            "common_name": one.common_name,
            "light": one.light,
            "two_winters": "yes" if one.two_winters else "no",
            "chill_weeks": f"{one.note_weeks:g}",
            "seeds_per_gram": f"{one.seeds_per_gram:g}",
            "caution": one.caution,
        }
        for one in SPECIES.values()
    ]


def _lot_rows(rng: Generator) -> list[Row]:
    rows = []
    for lot in LOTS.values():
        row: Row = {
            "lot": lot.lot,
            "species": lot.species.code,
            "collected_on": lot.collected_on,
            "origin": lot.origin,
        }
        if lot.pinches_counted:
            rate = SowingRate("pinch", (), PINCH_MEAN, PINCH_K)
            row[Lots.pinch_counts] = " ".join(
                str(n) for n in draw_sown(rate, _COUNTED_PINCHES, rng)
            )
        rows.append(row | lot.noted)
    return rows


def _weather_rows(weather: InventedWeather) -> list[Row]:
    lows, highs = weather.tmin_c.tolist(), weather.tmax_c.tolist()
    return [
        {
            "date": (weather.first + datetime.timedelta(days=i)).isoformat(),
            "tmin_c": f"{low:g}",
            "tmax_c": f"{high:g}",
        }
        for i, (low, high) in enumerate(zip(lows, highs, strict=True))
    ]
