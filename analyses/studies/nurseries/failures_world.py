"""What befalls the lots of a simulated nursery: the causes, how often, and the draws of species,
springs and lots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.special import expit, ndtr

from nurseries.simulated import World

CAUSES = (
    "seed",
    "chill",
    "cover",
    "tray",
    "mouse",
    "wash",
    "dry",
    "damp",
    "unfinished",
    "miscount",
)
"""Names of the causes, as in the table of the review's rules."""
TRAY_CAUSES = ("tray", "mouse", "wash", "dry", "damp", "miscount")
ORDINARY_CHILL, SHORT_CHILL = 15.0, 8.0
_MILD_CHANCE, _MILD_WEEKS, _COLD_SD = 0.1, 5.0, 1.5
FIRST_YEAR = 2024
CHECKS = tuple(float(day) for day in range(24, 108, 7))


@dataclass(frozen=True)
class FailureSpec:
    """What a nursery sowed, how it wrote it down, and how much befell it.

    Attributes
    ----------
    trays : int
        Per lot and spring.
    record : {"cells", "totals", "maps"}
        Seedlings by cell; filled cells of a tray; the same with one map at the end.
    tests : bool
        Each lot of the last spring has a cut test of 50 seeds.
    scatter : {"assumed", "wider"}
        Trays differ by .35 on logit, or by .5; a fit that is to know it takes `world`.
    hit : float
        Share of lots to which something happened in the last spring.
    twice : float
        Share of those to which two things did.
    causes : tuple of str
        What may happen; each as often as the next.
    short_chill : float
        Chance of a last spring with too few weeks of cold (where ``chill`` is among the causes).
    decoys : bool
        Late springs, harmless sand, empty notes, an ordinary edge effect of -.3.
    species, lots, seasons, seeds : int
        Species; lots of each; springs; seeds per cell.
    """

    trays: int = 2
    record: Literal["cells", "totals", "maps"] = "cells"
    tests: bool = True
    scatter: Literal["assumed", "wider"] = "assumed"
    hit: float = 0.5
    twice: float = 0.1
    causes: tuple[str, ...] = CAUSES
    short_chill: float = 0.15
    decoys: bool = True
    species: int = 4
    lots: int = 3
    seasons: int = 2
    seeds: int = 2

    @property
    def world(self) -> World:
        """How shares and times really scatter."""
        return World(tray=0.5 if self.scatter == "wider" else 0.35)


@dataclass(frozen=True)
class SpringDraw:
    """What all lots of a spring share: effects on logit share and log time, days late, weeks of
    cold.
    """

    season: int
    logit: float
    log_time: float
    late: float
    chill: float


def written_cold(
    springs: Sequence[SpringDraw], spec: FailureSpec, rng: np.random.Generator
) -> tuple[tuple[float, ...], str]:
    """Weeks of cold before each spring by the grower's thermometer, which tells of the seed's own
    within a week or two, and whether the last winter was ``ordinary``, ``short``, or only ``looks
    short``.

    The last is a decoy: the trays stood colder than the thermometer.
    """
    told = np.array([one.chill for one in springs]) + rng.normal(0.0, _COLD_SD, len(springs))
    mild = rng.random() < _MILD_CHANCE
    winter = "ordinary" if springs[-1].chill == ORDINARY_CHILL else "short"
    if spec.decoys and mild and winter == "ordinary":
        winter = "looks short"
        told[-1] -= _MILD_WEEKS
    return tuple(float(weeks) for weeks in told), winter


@dataclass(frozen=True)
class SpeciesDraw:
    """A species: logit share and log days of its average lot, weeks of cold needed (NaN for none),
    need of light.
    """

    code: str
    logit: float
    log_time: float
    need: float
    light: bool

    def chilled(self, weeks: float) -> float:
        """Factor on the share after so many weeks of cold, 1 in an ordinary spring."""
        if np.isnan(self.need):
            return 1.0
        return float(ndtr((weeks - self.need) / 2.5) / ndtr((ORDINARY_CHILL - self.need) / 2.5))


@dataclass(frozen=True)
class LotDraw:
    """A lot, what befalls it in the last spring, and by which factor that lowers the share of its
    seeds.
    """

    lot: str
    species: SpeciesDraw
    logit: float
    log_time: float
    earlier: bool
    causes: tuple[str, ...] = ()
    decoys: tuple[str, ...] = ()
    factor: dict[str, float] = field(default_factory=dict)


def lot_share(lot: LotDraw, spring: SpringDraw, deep: bool, last: bool) -> float:
    """Share after what befell the whole lot, on average over trays."""
    share = float(expit(lot.logit + spring.logit)) * lot.species.chilled(spring.chill)
    if last and "seed" in lot.causes:
        share *= lot.factor["seed"]
    if deep and lot.species.light:
        share *= lot.factor["cover"]
    return float(np.clip(share, 0.002, 0.995))
