"""What really grew in the demonstration nursery, tray by tray, and the expected share and timing of
every row.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd
from scipy.special import expit, logit
from scipy.stats import norm

from germstats.demonstration.nursery import (
    BENCHES,
    DRIP_BENCH,
    LOTS,
    ORDINARY_CHILL_WEEKS,
    SEASONS,
    TRAY_COLUMNS,
    TRAY_ROWS,
    InventedSpecies,
)
from germstats.demonstration.plan import DROPPED, MOUSE, PINCH_K, WASHED, Tray, plan_trays
from germstats.demonstration.sprouting import (
    Array,
    Chances,
    Generator,
    Growth,
    draw_sown,
    edge_of,
    grow,
    mean_share,
)
from germstats.demonstration.weather import InventedWeather, ordinary_heat, simulate_weather
from germstats.records.seeds import SowingRate, parse_seeds

BAD_SEASON = 2024
LOT_SD, TRAY_SD, BENCH_SD, POSITION = 0.45, 0.35, 0.4, 0.3
SHAPE = (TRAY_ROWS, TRAY_COLUMNS)
CELLS = TRAY_ROWS * TRAY_COLUMNS
LAST_DAY = datetime.date(2026, 8, 31)
MOUSE_CELLS = np.array([r * TRAY_COLUMNS + c for r in range(2, 6) for c in range(3, 9)])
WASHED_COLUMNS = (6, 7)
SURVIVING_DROP = 0.4
_STORIES = {"BASA-24C": "1", "HECY-25A": "2", "PEAT-23B": "9"} | {
    lot: "4" for _, lot, _ in (MOUSE, DROPPED, WASHED)
}


@dataclass(frozen=True)
class Nursery:
    """The four seasons as they really were.

    Attributes
    ----------
    weather : InventedWeather
    lot_effects : dict
        Lot -> effect on the logit of emergence.
    trays : tuple of Tray
    growths : tuple of Growth
        What grew in each tray.
    drop_day : datetime.date
        Day on which one tray was dropped.
    """

    weather: InventedWeather
    lot_effects: dict[str, float]
    trays: tuple[Tray, ...]
    growths: tuple[Growth, ...]
    drop_day: datetime.date


def grow_nursery(seed: int) -> Nursery:
    """Draw weather, lots, benches and trays, and let everything grow; the same seed gives the same
    nursery.
    """
    rng = np.random.default_rng(seed)
    warmer = {year: season.warmer_c for year, season in SEASONS.items()}
    weather = simulate_weather(datetime.date(2022, 12, 1), LAST_DAY, warmer, rng)
    drawn = {name: float(rng.normal(0, LOT_SD)) for name in LOTS}
    lot_effects = {
        name: 0.0 if LOTS[name].fixed_share else effect for name, effect in drawn.items()
    }
    bench_effects = {
        (season, bench): float(rng.normal(0, BENCH_SD)) for season in SEASONS for bench in BENCHES
    }
    trays = plan_trays()
    growths = []
    drop_day = LAST_DAY
    for tray in trays:
        effect = (
            lot_effects[tray.lot.lot]
            + bench_effects[tray.sowing.season, tray.bench]
            + rng.normal(0, TRAY_SD)
        )
        growth = _grow_tray(tray, effect, weather, rng)
        if tray.role == DROPPED:
            drop_day = date_of_share(weather, tray, 0.85)
            growth = _dropped(growth, (drop_day - tray.sown_on).days, rng)
        growths.append(growth)
    return Nursery(
        weather=weather,
        lot_effects=lot_effects,
        trays=trays,
        growths=tuple(growths),
        drop_day=drop_day,
    )


def date_of_share(
    weather: InventedWeather, tray: Tray, share: float, *, second: bool = False
) -> datetime.date:
    """Day by which `share` of the seeds that emerge in the judged (or the following) spring have
    emerged.
    """
    species = tray.lot.species
    start = datetime.date(tray.judged + second, 2, 1)
    heat = weather.heat_since(start, species.heat_base)
    wanted = species.heat * np.exp(species.heat_log_sd * norm.ppf(share))
    return start + datetime.timedelta(days=min(int(np.searchsorted(heat, wanted)), 240))


def sowing_rate(tray: Tray) -> SowingRate:
    """How many seeds really went into a cell, a pinch included."""
    rate = parse_seeds(tray.sowing.seeds)
    if rate.kind != "pinch_unmeasured":
        return rate
    return SowingRate("pinch", (), tray.pinch_mean, PINCH_K)


def base_shares(tray: Tray, chill_weeks: float) -> tuple[float, float]:
    """Share of an average lot that comes in its first spring, and share that is alive, before
    random effects.
    """
    species, fixed = tray.lot.species, tray.lot.fixed_share
    if fixed is not None:
        return _centre_of(fixed), _centre_of(fixed)
    alive = species.best * species.covers[tray.sowing.cover]
    if species.two_winters:
        return 0.0, alive
    return alive * float(norm.cdf((chill_weeks - species.chill_weeks) / species.chill_sd)), alive


def expected_share(tray: Tray, chill_weeks: float, lot_effect: float) -> float:
    """Expected share of emerging seeds in the judged spring, over tray, bench and position
    effects.
    """
    first, alive = base_shares(tray, chill_weeks)
    sd = float(np.hypot(TRAY_SD, BENCH_SD))
    offsets = _all_positions() + lot_effect
    if tray.lot.species.two_winters:
        return tray.lot.species.second * mean_share(alive, sd, offsets)
    return mean_share(first, sd, offsets)


def median_days(weather: InventedWeather | None, tray: Tray) -> int:
    """Days from sowing until half of those that emerge are up, in the tray's own season or (None)
    an ordinary one.
    """
    species = tray.lot.species
    start = datetime.date(tray.judged, 2, 1)
    if weather is None:
        after = _ordinary_median(start, species.heat, species.heat_base)
    else:
        after = int(np.searchsorted(weather.heat_since(start, species.heat_base), species.heat))
    return (start - tray.sown_on).days + after


@cache
def _ordinary_median(start: datetime.date, heat: float, base_c: float) -> int:
    return int(np.searchsorted(ordinary_heat(start, base_c), heat))


def tell_rows(nursery: Nursery) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Expected share and timing of every lot and treatment, and the same by season (see
    `DemoTruth`).
    """
    groups: dict[tuple[str, str, str], list[Tray]] = {}
    for tray in nursery.trays:
        groups.setdefault((tray.sowing.lot, tray.sowing.cover, tray.sowing.depth), []).append(tray)
    rows, seasons = [], []
    for (lot, cover, depth), trays in sorted(groups.items()):
        effect = nursery.lot_effects[lot]
        names = {
            "species": lot[:4],
            "lot": lot,
            "cover": cover,
            "cover_depth_mm": float(depth or "nan"),
            "pretreatment": "",
        }
        by_season = {tray.sowing.season: tray for tray in trays}
        shares = {
            year: expected_share(tray, tray.season.chill_weeks, effect)
            for year, tray in by_season.items()
        }
        medians = {
            year: float(median_days(nursery.weather, tray)) for year, tray in by_season.items()
        }
        ordinary = expected_share(trays[0], ORDINARY_CHILL_WEEKS, effect)
        rows.append(
            names
            | {
                "seasons": tuple(by_season),
                "trays": len(trays),
                "emergence": ordinary,
                "median_days": float(np.mean([median_days(None, tray) for tray in trays])),
                "emergence_by_season": shares,
                "median_days_by_season": medians,
                "planted": "" if (lot, cover) == ("HECY-25A", "none") else _STORIES.get(lot, ""),
                "bad_season": shares.get(BAD_SEASON, 1.0) < ordinary - 0.05,
            }
        )
        seasons += [
            names
            | {
                "season": year,
                "chill_weeks": tray.season.chill_weeks,
                "emergence": shares[year],
                "median_days": medians[year],
            }
            for year, tray in by_season.items()
        ]
    return pd.DataFrame(rows), pd.DataFrame(seasons)


def tell_trays(nursery: Nursery) -> pd.DataFrame:
    """What was really sown and came up in each tray (see `DemoTruth`)."""
    rows = []
    for tray, growth in zip(nursery.trays, nursery.growths, strict=True):
        late = growth.second & (growth.came < np.inf)
        first = ~growth.second & (growth.came < np.inf)
        judged = late if tray.lot.species.two_winters else first
        rows.append(
            {
                "tray": tray.tray,
                "lot": tray.sowing.lot,
                "season": tray.sowing.season,
                "cover": tray.sowing.cover,
                "cover_depth_mm": float(tray.sowing.depth or "nan"),
                "bench": tray.bench,
                "record": tray.record,
                "seeds": int(growth.sown.sum()),
                "emerged": int(judged.sum()),
                "later": int(late.sum() if judged is first else 0),
            }
        )
    return pd.DataFrame(rows)


def _grow_tray(tray: Tray, effect: float, weather: InventedWeather, rng: Generator) -> Growth:
    species = tray.lot.species
    sown = draw_sown(sowing_rate(tray), CELLS, rng)
    first, alive = base_shares(tray, tray.season.chill_weeks)
    offsets = effect + _positions(tray.bench)
    chances = Chances(
        expit(logit(first) + offsets), expit(logit(alive) + offsets), species.second, species.loss
    )
    if tray.role == MOUSE:
        first_left, alive_left = chances.first.copy(), chances.alive.copy()
        first_left[MOUSE_CELLS] = alive_left[MOUSE_CELLS] = 0.0
        chances = replace(chances, first=first_left, alive=alive_left, false=0.0)
    count = int(sown.sum())
    springs = [datetime.date(tray.sowing.season + later, 2, 1) for later in (0, 1)]
    days = [
        _emergence_days(weather, tray, species=species, start=start, rng=rng, count=count)
        for start in springs
    ]
    if tray.role != WASHED:
        return grow(SHAPE, sown, chances=chances, days=(days[0], days[1]), rng=rng)
    moved = sown + _washed_onto(sown)
    growth = grow(SHAPE, moved, chances=chances, days=(days[0], days[1]), rng=rng)
    return replace(growth, sown=sown)


def _emergence_days(
    weather: InventedWeather,
    tray: Tray,
    species: InventedSpecies,
    start: datetime.date,
    rng: Generator,
    count: int,
) -> Array:
    wanted = species.heat * np.exp(species.heat_log_sd * rng.standard_normal(count))
    if start > LAST_DAY:
        return np.full(count, np.inf)
    heat = weather.heat_since(start, species.heat_base)[:240]
    place = np.searchsorted(heat, wanted)
    return np.where(place < len(heat), place + float((start - tray.sown_on).days), np.inf)


def _washed_onto(sown: np.ndarray) -> np.ndarray:
    """Change of seeds per cell when a strip is washed bare and its seeds come to lie in the cells
    beside it.
    """
    change = np.zeros((TRAY_ROWS, TRAY_COLUMNS), dtype=np.int64)
    seeds = sown.reshape(SHAPE)
    for column, beside in zip(
        WASHED_COLUMNS, (WASHED_COLUMNS[0] - 1, WASHED_COLUMNS[1] + 1), strict=True
    ):
        change[:, column] -= seeds[:, column]
        change[:, beside] += seeds[:, column]
    return change.ravel()


def _dropped(growth: Growth, day: int, rng: Generator) -> Growth:
    """Most of the tray falls out on `day`: its seedlings die, and what had not come never does."""
    lost = np.isin(growth.cell, np.flatnonzero(rng.random(len(growth.sown)) >= SURVIVING_DROP))
    came = np.where(lost & (growth.came > day), np.inf, growth.came)
    died = np.where(lost & (growth.came <= day), np.minimum(growth.died, day), growth.died)
    return replace(growth, came=came, died=died)


def _positions(bench: int) -> Array:
    """Offset of each cell: the outer ring dries, the middle columns of one bench stand under the
    drip line.
    """
    offsets = np.where(edge_of(*SHAPE), -POSITION, 0.0)
    if bench == DRIP_BENCH:
        offsets[np.arange(CELLS) % TRAY_COLUMNS // 2 == TRAY_COLUMNS // 4] += POSITION
    return offsets


def _all_positions() -> Array:
    return np.concatenate([_positions(bench) for bench in BENCHES])


@cache
def _centre_of(share: float) -> float:
    """The share without effects whose mean over effects and positions is `share`."""
    low, high = 1e-6, 1 - 1e-6
    sd = float(np.hypot(TRAY_SD, BENCH_SD))
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (
            (middle, high) if mean_share(middle, sd, _all_positions()) < share else (low, middle)
        )
    return (low + high) / 2
