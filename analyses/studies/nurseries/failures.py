"""Seeded nurseries in which lots fail for planted causes, with the truth: for asking how honest a
lot review is.

Everything is invented. A nursery has past springs in which nothing happened and one in which things
may have: to a lot (dead seed, a deep cover over light-needing seed, checks that stopped early), to
its species (too few weeks of cold), or to one of its trays (`nurseries.failures_trays`). Decoys
lead away from the cause.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr

from germstats.maps.tray_map import TrayMap
from germstats.records.intervals.patterns import Patterns
from nurseries.failures_patterns import as_patterns
from nurseries.failures_trays import SIGMA, TrayFacts, TrayPlan, grow_and_look
from nurseries.failures_truth import LotTruth, lot_truth
from nurseries.failures_world import (
    CAUSES,
    CHECKS,
    FIRST_YEAR,
    ORDINARY_CHILL,
    SHORT_CHILL,
    TRAY_CAUSES,
    FailureSpec,
    LotDraw,
    SpeciesDraw,
    SpringDraw,
    lot_share,
    written_cold,
)
from nurseries.simulated import World

__all__ = ["CAUSES", "FailedNursery", "FailureSpec", "LotTest", "LotTruth", "simulate_failures"]

_NEEDS = (np.nan, 4.0, 8.0, 11.0)
_LOG_HALF = float(np.log(45.0))
_DEEP = 5.0
_SIZES = {
    "tray": (0.5, 1.0),
    "mouse": (12, 30),
    "dry": (0.4, 0.9),
    "damp": (0.2, 0.6),
    "miscount": (0.15, 0.4),
}


@dataclass(frozen=True)
class LotTest:
    """A cut test: seeds tested, and those full."""

    tested: int
    good: int
    kind: str = "cut test"


@dataclass(frozen=True)
class FailedNursery:
    """A nursery with its truth.

    Attributes
    ----------
    patterns : Patterns
        As collapsed from its records; trays with impossible records are left out of it, by name.
    trays : dict of str to TrayFacts
        Every tray.
    maps : dict of str to TrayMap
        Trays that were mapped.
    tests : dict of str to LotTest
        By lot.
    species : pandas.DataFrame
        ``species``, ``light`` (``needs`` or ``either``), ``chill_weeks`` (NaN for none).
    truth : tuple of LotTruth
        One per lot of the last spring.
    season : int
        Its year.
    spec : FailureSpec
    cold : dict of int to float
        Weeks of cold by the grower's weather, by season: what the seed got, within a week or two.
    winter : {"ordinary", "short", "looks short"}
        The last one; as a decoy it may look short by the weather and was not.
    """

    patterns: Patterns
    trays: dict[str, TrayFacts]
    maps: dict[str, TrayMap]
    tests: dict[str, LotTest]
    species: pd.DataFrame
    truth: tuple[LotTruth, ...]
    season: int
    spec: FailureSpec
    cold: dict[int, float]
    winter: str


def simulate_failures(spec: FailureSpec, seed: int) -> FailedNursery:
    """Draw one nursery.

    Parameters
    ----------
    spec : FailureSpec
    seed : int

    Returns
    -------
    FailedNursery
    """
    rng = np.random.default_rng(seed)
    world = spec.world
    species = [_draw_species(number, world, rng) for number in range(spec.species)]
    springs = [_draw_spring(season, spec, rng) for season in range(spec.seasons)]
    lots = [
        _draw_lot(one, number, spring=springs[-1], spec=spec, rng=rng)
        for one in species
        for number in range(spec.lots)
    ]
    facts: list[TrayFacts] = []
    for spring in springs:
        last = spring is springs[-1]
        for lot in lots:
            if (
                last
                or (lot.earlier and spring.season == spec.seasons - 2)
                or (lot.earlier and rng.random() < 0.7)
            ):
                facts += [
                    grow_and_look(plan, rng)
                    for plan in _plans(lot, spring, spec=spec, last=last, code=len(facts), rng=rng)
                ]
    now = [one for one in facts if one.plan.season == spec.seasons - 1]
    before = {one.plan.species for one in facts if one.plan.season < spec.seasons - 1}
    truth = tuple(
        lot_truth(
            lot,
            springs[-1],
            trays=[one for one in now if one.plan.lot == lot.lot],
            spec=spec,
            earlier=lot.species.code in before,
        )
        for lot in lots
    )
    table = pd.DataFrame(
        {
            "species": [one.code for one in species],
            "light": ["needs" if one.light else "either" for one in species],
            "chill_weeks": [one.need for one in species],
        }
    )
    maps = {one.plan.tray: one.seen_map for one in facts if one.seen_map is not None}
    needs = {one.code: one.need for one in species}
    cold, winter = written_cold(springs, spec, np.random.default_rng([seed, 1]))
    return FailedNursery(
        patterns=as_patterns(facts, needs, FIRST_YEAR),
        trays={one.plan.tray: one for one in facts},
        maps=maps,
        tests={lot.lot: _cut(lot, rng) for lot in lots} if spec.tests else {},
        species=table,
        truth=truth,
        season=FIRST_YEAR + spec.seasons - 1,
        spec=spec,
        cold={FIRST_YEAR + k: weeks for k, weeks in enumerate(cold)},
        winter=winter,
    )


def _draw_species(number: int, world: World, rng: np.random.Generator) -> SpeciesDraw:
    """Every second species needs light; needs of cold go round."""
    logit, log_time = rng.normal(0.6, world.species), rng.normal(_LOG_HALF, 0.15)
    return SpeciesDraw(
        code=f"S{number}",
        logit=float(logit),
        log_time=float(log_time),
        need=_NEEDS[number % len(_NEEDS)],
        light=number % 2 == 0,
    )


def _draw_spring(season: int, spec: FailureSpec, rng: np.random.Generator) -> SpringDraw:
    last = season == spec.seasons - 1
    late = 10.0 if last and spec.decoys and rng.random() < 0.25 else 0.0
    short = last and "chill" in spec.causes and rng.random() < spec.short_chill
    logit, log_time = rng.normal(0.0, spec.world.season), rng.normal(0.0, spec.world.season_time)
    return SpringDraw(
        season=season,
        logit=float(logit),
        log_time=float(log_time),
        late=late,
        chill=SHORT_CHILL if short else ORDINARY_CHILL,
    )


def _draw_lot(
    species: SpeciesDraw,
    number: int,
    spring: SpringDraw,
    spec: FailureSpec,
    rng: np.random.Generator,
) -> LotDraw:
    """A lot and what befell it; chill comes with the spring and needs no draw of its own."""
    base = LotDraw(
        lot=f"{species.code}-{number}",
        species=species,
        logit=species.logit + rng.normal(0.0, spec.world.lot),
        log_time=species.log_time + rng.normal(0.0, spec.world.lot_time),
        earlier=bool(rng.random() < 0.6) and spec.seasons > 1,
    )
    able = [one for one in spec.causes if one != "chill" and (one != "cover" or species.light)]
    count = (
        0
        if not able or rng.random() >= spec.hit
        else min(1 + int(rng.random() < spec.twice), len(able))
    )
    drawn = [str(one) for one in rng.choice(able, count, replace=False)] if count else []
    causes = list(dict.fromkeys(drawn))  # a cause may be listed twice, to come more often
    sizes = {
        "seed": rng.uniform(0.1, 0.45),
        "cover": rng.uniform(0.1, 0.4),
        "chill": species.chilled(spring.chill),
    }
    if sizes["chill"] < 0.75:
        causes.append("chill")
    decoys = []
    if spec.decoys:
        if spring.late:
            decoys.append("late spring")
        if not species.light and rng.random() < 0.3:
            decoys.append("harmless sand")
        decoys += [name for name, chance in (("note", 0.3), ("edge", 0.3)) if rng.random() < chance]
    return replace(
        base,
        causes=tuple(causes),
        decoys=tuple(decoys),
        factor={k: float(v) for k, v in sizes.items()},
    )


def _plans(
    lot: LotDraw,
    spring: SpringDraw,
    spec: FailureSpec,
    last: bool,
    code: int,
    rng: np.random.Generator,
) -> list[TrayPlan]:
    deep = _deep_trays(lot, spec.trays, rng) if last else np.zeros(spec.trays, dtype=bool)
    hit = int(rng.integers(spec.trays))
    own = {cause: _size(cause, rng) for cause in lot.causes if cause in TRAY_CAUSES} if last else {}
    checks = CHECKS
    if last and "unfinished" in lot.causes:
        out = ndtr(
            (
                np.log(np.maximum(np.array(CHECKS) - spring.late, 1.0))
                - lot.log_time
                - spring.log_time
            )
            / SIGMA
        )
        checks = CHECKS[: max(int((out <= 0.6).sum()), 2)]
    plans = []
    for number in range(spec.trays):
        share = lot_share(lot, spring, bool(deep[number]), last)
        logit = np.log(share / (1 - share)) + rng.normal(0.0, spec.world.tray)
        plans.append(
            TrayPlan(
                tray=f"T{code + number:04d}",
                lot=lot.lot,
                species=lot.species.code,
                season=spring.season,
                seeds=spec.seeds,
                share=float(np.clip(expit(logit), 0.002, 0.995)),
                mu=lot.log_time + spring.log_time + float(rng.normal(0.0, spec.world.tray_time)),
                late=spring.late,
                rho=spec.world.rho,
                checks=checks,
                cover="sand" if deep[number] else "none",
                depth_mm=_DEEP if deep[number] else np.nan,
                causes=own if number == hit else {},
                edge=-0.3 if last and "edge" in lot.decoys else 0.0,
                record=spec.record,
                note="same as always" if last and "note" in lot.decoys else "",
            )
        )
    return plans


def _deep_trays(lot: LotDraw, trays: int, rng: np.random.Generator) -> np.ndarray:
    """Under 5 mm of sand: all trays of the lot, or every second one; harmless where light is not
    needed.
    """
    if "cover" not in lot.causes and "harmless sand" not in lot.decoys:
        return np.zeros(trays, dtype=bool)
    every = trays == 1 or rng.random() < 0.5
    return np.ones(trays, dtype=bool) if every else np.arange(trays) % 2 == 0


def _size(cause: str, rng: np.random.Generator) -> float:
    """How hard a tray is hit; see `TrayPlan`."""
    if cause == "wash":
        return float(rng.integers(2, 4))
    low, high = _SIZES[cause]
    return float(rng.uniform(low, high))


def _cut(lot: LotDraw, rng: np.random.Generator) -> LotTest:
    """Full seeds among 50: most that do not emerge are full all the same, where the seed
    was good.
    """
    full = max(float(expit(lot.logit)), min(0.97, float(expit(lot.logit)) / rng.uniform(0.7, 0.95)))
    if "seed" in lot.causes:
        full *= lot.factor["seed"]
    return LotTest(50, int(rng.binomial(50, min(full, 0.99))))
