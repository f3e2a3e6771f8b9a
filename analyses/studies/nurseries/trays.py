"""Plain simulated trays: lots, seasons and trays with a known share, scatter and timing, for tests
and studies.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from germstats.demonstration.looking import Watched, cell_rows, total_rows
from germstats.demonstration.sprouting import (
    Array,
    Chances,
    Generator,
    Growth,
    draw_sown,
    grow,
    mean_share,
)
from germstats.demonstration.truth import DIRT_COLUMNS, STORY_COLUMNS, Demo, DemoTruth, as_text
from germstats.errors import WrongUseError
from germstats.records.seeds import DEFAULT_PINCH_K, SowingRate, parse_seeds

SPECIES = "SIMU"


@dataclass(frozen=True)
class TraySpec:
    """What to simulate.

    Attributes
    ----------
    p : float
        Share of seeds that emerge, without any effect.
    rho : float
        Correlation of seeds within a cell.
    lot_sd, tray_sd, season_sd : float
        Scatter on the logit of p.
    timing : {"log-normal", "log-logistic"}
        Law of the day of emergence.
    median_days, log_sigma : float
        Median days from sowing, and the scale of the law on log days.
    lots, trays, seasons : int
        Lots; trays of each lot in each season; seasons.
    rows, columns : int
        Cells of a tray.
    seeds_per_cell : str
        ``2``, ``2-3``, ``~3`` or ``pinch``.
    pinch_mean, pinch_k : float
        Size and evenness of a pinch (weighed: the book gives grams and seeds per gram).
    record : {"counts", "occupancy", "totals", "seedlings"}
        How the trays are recorded.
    check_days : tuple of int
        Days after sowing.
    """

    p: float = 0.6
    rho: float = 0.0
    lot_sd: float = 0.0
    tray_sd: float = 0.0
    season_sd: float = 0.0
    timing: Literal["log-normal", "log-logistic"] = "log-normal"
    median_days: float = 60.0
    log_sigma: float = 0.25
    lots: int = 1
    trays: int = 4
    seasons: int = 1
    rows: int = 6
    columns: int = 12
    seeds_per_cell: str = "2"
    pinch_mean: float = 5.0
    pinch_k: float = DEFAULT_PINCH_K
    record: Literal["counts", "occupancy", "totals", "seedlings"] = "counts"
    check_days: tuple[int, ...] = (20, 30, 40, 50, 60, 70, 80, 95, 110, 130, 150)


def simulate_trays(spec: TraySpec, seed: int) -> Demo:
    """Simulate trays with known truth; no seedling is lost, missed or mistaken.

    Parameters
    ----------
    spec : TraySpec
    seed : int
        The same seed gives the same records.

    Returns
    -------
    Demo
        Seeds are sown on 1 January of 2021 and the following years. The truth has one row per lot;
        ``emergence`` is its mean over tray and season effects, ``emergence_by_season`` over tray
        effects only.

    Raises
    ------
    WrongUseError
        A share outside 0-1, or seeds per cell that cannot be read.
    """
    rate = _rate(spec)
    rng = np.random.default_rng(seed)
    seasons = [2021 + i for i in range(spec.seasons)]
    season_effects = dict(
        zip(seasons, rng.normal(0, spec.season_sd, spec.seasons).tolist(), strict=True)
    )
    lots = {f"LOT-{i + 1:02d}": float(rng.normal(0, spec.lot_sd)) for i in range(spec.lots)}
    sown = [(lot, season) for lot in lots for season in seasons for _ in range(spec.trays)]
    trays = {f"T-{i + 1:04d}": place for i, place in enumerate(sown)}
    growths = {
        tray: _grown(
            spec, rate, lots[lot] + season_effects[season] + float(rng.normal(0, spec.tray_sd)), rng
        )
        for tray, (lot, season) in trays.items()
    }
    tables = as_text(
        {
            "species": [{"species": SPECIES, "two_winters": "no", "seeds_per_gram": 1000}],
            "lots": [{"lot": lot, "species": SPECIES, "seeds_per_gram": 1000} for lot in lots],
            "trays": [_tray_row(spec, tray, place, growths[tray]) for tray, place in trays.items()],
            **_looks(spec, trays, growths),
        }
    )
    return Demo(
        tables, _truth(spec, lots, season_effects=season_effects, trays=trays, growths=growths)
    )


def _rate(spec: TraySpec) -> SowingRate:
    if not 0 <= spec.p <= 1:
        raise WrongUseError(f"a share of {spec.p:g} is impossible; p lies between 0 and 1")
    try:
        rate = parse_seeds(spec.seeds_per_cell)
    except ValueError as error:
        raise WrongUseError(str(error)) from error
    if rate.kind == "pinch_unmeasured":
        return replace(rate, kind="pinch", mean=spec.pinch_mean, k=spec.pinch_k)
    return rate


def _grown(spec: TraySpec, rate: SowingRate, effect: float, rng: Generator) -> Growth:
    cells = spec.rows * spec.columns
    sown = draw_sown(rate, cells, rng)
    share = np.full(cells, expit(logit(spec.p) + effect))
    chances = Chances(first=share, alive=share, rho=spec.rho, missed=0.0, false=0.0)
    never = np.full(int(sown.sum()), np.inf)
    return grow(
        (spec.rows, spec.columns),
        sown,
        chances=chances,
        days=(_days(spec, len(never), rng), never),
        rng=rng,
    )


def _days(spec: TraySpec, count: int, rng: Generator) -> Array:
    z = rng.standard_normal(count) if spec.timing == "log-normal" else rng.logistic(size=count)
    return spec.median_days * np.exp(spec.log_sigma * z)


def _tray_row(
    spec: TraySpec, tray: str, place: tuple[str, int], growth: Growth
) -> dict[str, object]:
    lot, season = place
    weighed = (
        {"grams": round(int(growth.sown.sum()) / 1000, 4)} if spec.seeds_per_cell == "pinch" else {}
    )
    return {
        "tray": tray,
        "season": season,
        "lot": lot,
        "sown_on": _sown_on(season).isoformat(),
        "rows": spec.rows,
        "columns": spec.columns,
        "seeds_per_cell": spec.seeds_per_cell,
        "cover": "none",
    } | weighed


def _sown_on(season: int) -> datetime.date:
    return datetime.date(season, 1, 1)


def _looks(
    spec: TraySpec, trays: dict[str, tuple[str, int]], growths: dict[str, Growth]
) -> dict[str, list[dict[str, object]]]:
    cells: list[dict[str, object]] = []
    checks: list[dict[str, object]] = []
    for tray, (_, season) in trays.items():
        sown_on = _sown_on(season)
        days = tuple(sown_on + datetime.timedelta(days=day) for day in spec.check_days)
        watched = Watched(tray=tray, by="", sown_on=sown_on, growth=growths[tray], days=days)
        if spec.record in ("counts", "occupancy"):
            cells += cell_rows(watched, counts=spec.record == "counts")
        else:
            checks += total_rows(watched, seedlings=spec.record == "seedlings")
    return {"cells": cells, "checks": checks}


def _truth(
    spec: TraySpec,
    lots: dict[str, float],
    season_effects: dict[int, float],
    trays: dict[str, tuple[str, int]],
    growths: dict[str, Growth],
) -> DemoTruth:
    both = float(np.hypot(spec.tray_sd, spec.season_sd))
    shared = {"species": SPECIES, "cover": "none", "cover_depth_mm": np.nan, "pretreatment": ""}
    rows, seasons = [], []
    for lot, effect in lots.items():
        by_season = {
            season: mean_share(spec.p, spec.tray_sd, np.array([effect + other]))
            for season, other in season_effects.items()
        }
        median = float(spec.median_days)
        rows.append(
            shared
            | {
                "lot": lot,
                "seasons": tuple(season_effects),
                "trays": spec.trays * spec.seasons,
                "emergence": mean_share(spec.p, both, np.array([effect])),
                "median_days": median,
                "emergence_by_season": by_season,
                "median_days_by_season": dict.fromkeys(by_season, median),
                "planted": "",
                "bad_season": False,
            }
        )
        seasons += [
            shared | {"lot": lot, "season": season, "emergence": share, "median_days": median}
            for season, share in by_season.items()
        ]
    grown = [
        {
            "tray": tray,
            "lot": lot,
            "season": season,
            "cover": "none",
            "record": spec.record,
            "seeds": int(growths[tray].sown.sum()),
            "emerged": int((growths[tray].came < np.inf).sum()),
            "later": 0,
        }
        for tray, (lot, season) in trays.items()
    ]
    dirt, stories = (
        pd.DataFrame(columns=list(DIRT_COLUMNS)),
        pd.DataFrame(columns=list(STORY_COLUMNS)),
    )
    return DemoTruth(
        rows=pd.DataFrame(rows),
        seasons=pd.DataFrame(seasons),
        trays=pd.DataFrame(grown),
        dirt=dirt,
        stories=stories,
    )
