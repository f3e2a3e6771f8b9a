"""Seeded nurseries straight as patterns, with their truth: for studies that need hundreds of them.

Every number is invented. A tray's logit share is species + lot + spring + tray, its log time (days
from 1 February) likewise; seeds of a cell share a beta-distributed chance with correlation rho;
times are log-normal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from germstats.engine.timing import Array
from germstats.records.intervals.patterns import Patterns
from germstats.records.seeds import SowingRate
from germstats.records.tables import LEFT_COUNTS

CELLS = 72
_ORIGIN_DAYS = 60.0
_SIGMA = 0.22
_LOG_HALF = float(np.log(45.0))


@dataclass(frozen=True)
class World:
    """How a nursery's shares and times scatter.

    Attributes
    ----------
    species, lot, tray, season : float
        Sds on logit p.
    lot_time, tray_time, season_time : float
        Sds on log time.
    rho : float
    heavy_trays : bool
        Tray effects from a t law with 4 degrees of freedom and the same scale.
    late_days : float
        By how many days the last season is late.
    """

    species: float = 0.7
    lot: float = 0.5
    tray: float = 0.4
    season: float = 0.30
    lot_time: float = 0.08
    tray_time: float = 0.08
    season_time: float = 0.10
    rho: float = 0.05
    heavy_trays: bool = False
    late_days: float = 0.0


@dataclass(frozen=True)
class NurserySpec:
    """What a nursery sowed and how it looked.

    Attributes
    ----------
    seasons, trays : int
        Past seasons, and trays per lot in each.
    species, lots : int
        Species, and lots of each.
    seeds : int
        Seeds per cell.
    checks : tuple of float
        Days from 1 February on which every tray is looked at.
    last_checks : int or None
        Checks made so far in the last season; None for all.
    record : str
        ``counts`` by cell, or ``totals`` of filled cells.
    """

    seasons: int = 1
    trays: int = 2
    species: int = 3
    lots: int = 3
    seeds: int = 2
    checks: tuple[float, ...] = tuple(float(day) for day in range(24, 88, 7))
    last_checks: int | None = None
    record: str = "counts"


@dataclass(frozen=True)
class Nursery:
    """A nursery with its truth.

    Attributes
    ----------
    patterns : Patterns
    lots : pandas.DataFrame
        ``species``, ``lot``, ``theta`` (logit share in an average tray of an ordinary spring),
        ``known`` (sown before), ``species_theta`` (the same of an average lot).
    finals : (T,) int array
        Cells of each tray with a seedling by the end of the spring.
    """

    patterns: Patterns
    lots: pd.DataFrame
    finals: Array


def simulate_nursery(
    world: World, spec: NurserySpec, seed: int, luck: float | None = None
) -> Nursery:
    """Draw one nursery.

    Parameters
    ----------
    world : World
    spec : NurserySpec
    seed : int
    luck : float, optional
        Mean of the past springs' effects on the share, in its own sds; drawn by default. What a
        grower takes for an ordinary spring hangs on it more than on anything else: a study of few
        nurseries shares it out evenly.

    Returns
    -------
    Nursery
        With one lot per species that was never sown (``known`` False).
    """
    rng = np.random.default_rng(seed)
    species = rng.normal(0.4, world.species, spec.species)
    times = rng.normal(_LOG_HALF, 0.2, spec.species)
    springs = (
        rng.normal(0.0, world.season, spec.seasons),
        rng.normal(0.0, world.season_time, spec.seasons),
    )
    if luck is not None:
        springs[0][:] += luck * world.season / np.sqrt(spec.seasons) - springs[0].mean()
    lots: list[dict[str, object]] = []
    trays: list[dict[str, object]] = []
    finals: list[int] = []
    parts: dict[str, list[tuple[float, ...]]] = {"times": [], "finishes": [], "occupied": []}
    for s in range(spec.species):
        for number in range(spec.lots + 1):
            theta = species[s] + rng.normal(0.0, world.lot)
            known = number < spec.lots
            lots.append(
                {
                    "species": f"S{s}",
                    "lot": f"S{s}-{number}",
                    "theta": theta,
                    "known": known,
                    "species_theta": species[s],
                }
            )
            lot_time = times[s] + rng.normal(0.0, world.lot_time)
            for season in range(spec.seasons if known else 0):
                for _ in range(spec.trays):
                    eta = theta + springs[0][season] + _tray_effect(world, rng)
                    mu = lot_time + springs[1][season] + rng.normal(0.0, world.tray_time)
                    late = world.late_days if season == spec.seasons - 1 else 0.0
                    days = _seed_days(eta, mu, late=late, rho=world.rho, seeds=spec.seeds, rng=rng)
                    some = season == spec.seasons - 1 and spec.last_checks is not None
                    checks = np.array(spec.checks[: spec.last_checks] if some else spec.checks)
                    _record(parts, len(trays), days=days, checks=checks, record=spec.record)
                    finals.append(int((days <= 181.0).any(axis=1).sum()))
                    trays.append(
                        _tray_row(
                            len(trays),
                            s,
                            number=number,
                            season=season,
                            days=days,
                            checks=checks,
                            spec=spec,
                        )
                    )
    return Nursery(_patterns(trays, parts, spec), pd.DataFrame(lots), np.array(finals, dtype=float))


def _tray_effect(world: World, rng: np.random.Generator) -> float:
    return world.tray * float(rng.standard_t(4) if world.heavy_trays else rng.standard_normal())


def _seed_days(
    eta: float, mu: float, late: float, rho: float, seeds: int, rng: np.random.Generator
) -> Array:
    """(72, seeds) days from 1 February on which each seed emerges; inf for never."""
    p = 1 / (1 + np.exp(-eta))
    t = rho / (1 - rho)
    chance = rng.beta(p / t, (1 - p) / t, CELLS) if rho > 0 else np.full(CELLS, p)
    comes = rng.random((CELLS, seeds)) < chance[:, None]
    days = late + np.exp(mu + _SIGMA * rng.standard_normal((CELLS, seeds)))
    return np.where(comes, days, np.inf)


def _record(
    parts: dict[str, list[tuple[float, ...]]], tray: int, days: Array, checks: Array, record: str
) -> None:
    """Append a tray's patterns."""
    ends = np.concatenate([[0.0], _ORIGIN_DAYS + checks])
    last = ends[-1]
    # index of the check that first shows each seed; beyond the last for unseen
    came = np.searchsorted(checks, days)
    if record == "counts":
        seen, count = np.unique(came[came < len(checks)], return_counts=True)
        parts["times"] += [
            (tray, ends[k], ends[k + 1], c) for k, c in zip(seen, count, strict=True)
        ]
        per_cell, cells = np.unique((came < len(checks)).sum(axis=1), return_counts=True)
        parts["finishes"] += [
            (tray, 0, k, last, 0, c) for k, c in zip(per_cell, cells, strict=True)
        ]
        return
    first = came.min(axis=1)
    seen, count = np.unique(first[first < len(checks)], return_counts=True)
    parts["occupied"] += [
        (tray, 0, ends[k], ends[k + 1], c) for k, c in zip(seen, count, strict=True)
    ]
    if empty := int((first >= len(checks)).sum()):
        parts["finishes"].append((tray, 0, 0, last, 1, empty))


def _tray_row(
    code: int, s: int, number: int, season: int, days: Array, checks: Array, spec: NurserySpec
) -> dict[str, object]:
    seen = days <= checks[-1]
    year = 2024 + season
    return {
        "tray": f"T{code:04d}",
        "species": f"S{s}",
        "lot": f"S{s}-{number}",
        "season": year,
        "cover": "none",
        "cover_depth_mm": np.nan,
        "pretreatment": "",
        "treatment": "none",
        "chill_weeks": np.nan,
        "place": "",
        "block": "",
        "sown_on": pd.Timestamp(year - 1, 12, 3),
        "origin_days": _ORIGIN_DAYS,
        "cells": float(CELLS),
        "tray_cells": CELLS,
        "seeds": float(CELLS * spec.seeds),
        "emerged": float(seen.sum()) if spec.record == "counts" else np.nan,
        "filled": float(seen.any(axis=1).sum()),
        "last_day": _ORIGIN_DAYS + checks[-1],
        "looks": len(checks),
        "record": spec.record,
        "sowing": 0,
        **dict.fromkeys(LEFT_COUNTS, np.nan),
    }


def _patterns(
    trays: list[dict[str, object]], parts: dict[str, list[tuple[float, ...]]], spec: NurserySpec
) -> Patterns:
    finishes = pd.DataFrame(
        parts["finishes"], columns=["tray", "sowing", "seen", "last", "kind", "count"]
    )
    finishes["kind"] = np.where(finishes["kind"] == 0, "counts", "occupancy")
    whole = {"tray": np.int64}
    return Patterns(
        trays=pd.DataFrame(trays),
        times=pd.DataFrame(parts["times"], columns=["tray", "lo", "hi", "count"]).astype(whole),
        finishes=finishes.astype({**whole, "sowing": np.int64, "seen": np.int64}),
        occupied=pd.DataFrame(
            parts["occupied"], columns=["tray", "sowing", "lo", "hi", "count"]
        ).astype({**whole, "sowing": np.int64}),
        sowings=(SowingRate("counted", (spec.seeds,), float(spec.seeds)),),
        notes={},
        left_out={},
    )
