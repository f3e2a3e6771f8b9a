"""A seeded collection of cell x date rows of any size with the design of its trays, shared by the
benchmarks.
"""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from germstats.records.intervals.patterns import Patterns
from germstats.records.intervals.running_maximum import count_distinct, running_maximum
from germstats.records.seeds import SowingRate

REDUCED = os.environ.get("GERMSTATS_REDUCED") == "1"
CELLS, CHECKS = 72, 10
FULL_TRAYS, REDUCED_TRAYS = 13_056, 700  # 9.4 and 0.5 million rows
SPECIES, TREATMENTS, SEASONS = 40, 4, 3
SOWINGS = tuple(SowingRate("counted", (n,), float(n)) for n in (1, 2, 3))


@dataclass(frozen=True)
class BigSet:
    """Counts of seedlings ever seen, one row per cell and check, in whole-number codes.

    Attributes
    ----------
    tray, unit, day, level : (N,) int32 arrays
        Tray of the row, cell (numbered through all trays), days from sowing, seedlings ever seen
        there.
    sowing : (T,) int32 array
        Code of each tray's seeds per cell in `SOWINGS`.
    design : (T, P) array
        Species as one column each, then treatments and seasons but their first.
    """

    tray: np.ndarray
    unit: np.ndarray
    day: np.ndarray
    level: np.ndarray
    sowing: np.ndarray
    design: np.ndarray

    def shuffled(self) -> BigSet:
        order = np.random.default_rng(2).permutation(len(self.unit))
        rows = {name: getattr(self, name)[order] for name in ("tray", "unit", "day", "level")}
        return replace(self, **rows)


def big_set(trays: int, seed: int = 1) -> BigSet:
    """Trays of 72 cells with 1 to 3 seeds, looked at ten times, each tray from a weekday of its own
    on.
    """
    rng = np.random.default_rng(seed)
    species, treatment, season = (
        rng.integers(SPECIES, size=trays),
        np.arange(trays) % TREATMENTS,
        np.arange(trays) % SEASONS,
    )
    design = np.hstack(
        [
            np.eye(SPECIES)[species],
            np.eye(TREATMENTS)[treatment][:, 1:],
            np.eye(SEASONS)[season][:, 1:],
        ]
    )
    others = design.shape[1] - SPECIES
    eta = design @ np.r_[rng.normal(0.3, 0.8, SPECIES), rng.normal(0, 0.3, others)]
    mu = design @ np.r_[rng.normal(4.6, 0.15, SPECIES), rng.normal(0, 0.05, others)]
    sowing = rng.integers(len(SOWINGS), size=trays)
    days = rng.integers(0, 7, trays)[:, None] + 60 + 14 * np.arange(CHECKS)
    level = np.zeros((trays, CELLS, CHECKS), dtype=np.int32)
    for seed_number in range(len(SOWINGS)):
        sown = (sowing >= seed_number) & np.ones((CELLS, 1), dtype=bool)
        emerges = sown.T & (rng.random((trays, CELLS)) < 1 / (1 + np.exp(-eta[:, None])))
        when = np.where(emerges, np.exp(rng.logistic(mu[:, None], 0.12, (trays, CELLS))), np.inf)
        level += when[:, :, None] <= days[:, None, :]
    unit = np.repeat(np.arange(trays * CELLS, dtype=np.int32), CHECKS)
    return BigSet(
        tray=unit // np.int32(CELLS),
        unit=unit,
        day=np.repeat(days.astype(np.int32), CELLS, axis=0).ravel(),
        level=level.ravel(),
        sowing=sowing.astype(np.int32),
        design=design,
    )


def collapsed(rows: BigSet) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """By the product: columns of times (tray, lo, hi, count) and of finishes (tray, sowing, seen,
    last, count).
    """
    ran = running_maximum(rows.unit, rows.day, rows.level)
    tray_of = np.empty(int(rows.unit.max()) + 1, dtype=np.int32)
    tray_of[rows.unit] = rows.tray
    times, seeds = count_distinct((tray_of[ran.unit], ran.lo, ran.hi), ran.rise)
    tray = tray_of[ran.units]
    finishes, cells = count_distinct((tray, rows.sowing[tray], ran.level, ran.last))
    return [*times, seeds], [*finishes, cells]


def as_frames(rows: BigSet) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The cells table and the trays table that pandas starts from, in the same whole-number
    codes.
    """
    cells = pd.DataFrame({name: getattr(rows, name) for name in ("tray", "unit", "day", "level")})
    trays = pd.DataFrame(
        {"tray": np.arange(len(rows.sowing), dtype=np.int32), "sowing": rows.sowing}
    )
    return cells, trays


def collapsed_by_pandas(
    cells: pd.DataFrame, trays: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The same by merge, sort and groupby.shift; cheap forms chosen wherever pandas has several."""
    merged = cells.merge(trays, on="tray").sort_values(["unit", "day"])
    units = merged.groupby("unit", sort=False)
    before = units[["level", "day"]].shift(fill_value=0)
    # levels are "ever seen" and never fall here: no running maximum is needed
    rise = merged["level"] - before["level"]
    up = merged[["tray", "day"]].assign(lo=before["day"], rise=rise)[rise > 0]
    times = up.groupby(["tray", "lo", "day"])["rise"].sum().reset_index()
    last = merged.drop_duplicates("unit", keep="last")
    finishes = last.groupby(["tray", "sowing", "level", "day"]).size().reset_index()
    return times, finishes


def single_seeds(finishes: list[np.ndarray]) -> list[np.ndarray]:
    """Finishes of cells as finishes of their seeds, seen or not: the same likelihood where rho is
    0.
    """
    tray, sowing, seen, last, cells = finishes
    came, not_come = seen * cells, (sowing + 1 - seen) * cells  # code k of SOWINGS is k + 1 seeds
    seeds, zero = np.repeat([1, 0], len(tray)), np.zeros(2 * len(tray), dtype=int)
    distinct, count = count_distinct(
        (np.r_[tray, tray], zero, seeds, np.r_[last, last]), np.r_[came, not_come]
    )
    return [*distinct, count]


def merged(rows: BigSet) -> tuple[list[np.ndarray], list[np.ndarray], np.ndarray]:
    """Collapsed further for a model without scatter: trays of one design row add up, and cells fall
    into single seeds.

    Exact where no tray and no cell differs from what its design row says (tray sd 0, rho 0).
    Returns times, finishes and the distinct rows of the design.
    """
    times, finishes = collapsed(rows)
    # a column of 0 and 1 is a binary digit
    codes = rows.design @ 2.0 ** np.arange(rows.design.shape[1])
    _, first, alike = np.unique(codes, return_index=True, return_inverse=True)
    by_row, seeds = count_distinct((alike[times[0]], times[1], times[2]), times[3])
    return [*by_row, seeds], single_seeds([alike[finishes[0]], *finishes[1:]]), rows.design[first]


def as_patterns(trays: int, times: list[np.ndarray], finishes: list[np.ndarray]) -> Patterns:
    """What the models take; of the trays table only what the likelihood reads."""
    columns = dict(zip(("tray", "sowing", "seen", "last", "count"), finishes, strict=True))
    return Patterns(
        trays=pd.DataFrame({"origin_days": np.zeros(trays)}),
        times=pd.DataFrame(dict(zip(("tray", "lo", "hi", "count"), times, strict=True))),
        finishes=pd.DataFrame({**columns, "kind": "counts"}),
        occupied=pd.DataFrame({name: [] for name in ("tray", "sowing", "lo", "hi", "count")}),
        sowings=SOWINGS,
        notes={},
        left_out={},
    )


def median_seconds(work: Callable[[], object], times: int = 5) -> float:
    """Median of `times` runs by the clock."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return statistics.median(took)
