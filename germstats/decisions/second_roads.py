"""Two other ways to ask whether levels differ: a t test on tray logits with blocks, and the exact permutation test."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb, prod

import numpy as np
import pandas as pd

from germstats.models.compiled import Index
from germstats.models.timing import Array

_MOST_ARRANGEMENTS = 20_000
_SAME = 1e-9


def tray_logits(trays: pd.DataFrame, seeds_per_cell: Array) -> Array:
    """Logit of the share of seeds of each tray, from counts or, where only fill is known, from filled cells.

    Parameters
    ----------
    trays : pandas.DataFrame
        Rows of `Patterns.trays`.
    seeds_per_cell : (T,) array
        Mean seeds per cell, by which a fill is turned into a share of independent seeds.

    Returns
    -------
    (T,) array
        With half a seed (or cell) added to both sides, so that empty and full trays stay finite.
    """
    counted = bool(trays[["emerged", "seeds"]].notna().to_numpy().all())
    if counted:
        emerged, seeds = trays["emerged"].to_numpy(float), trays["seeds"].to_numpy(float)
        return np.asarray(np.log(emerged + 0.5) - np.log(seeds - emerged + 0.5))
    fill = (trays["filled"].to_numpy(float) + 0.5) / (trays["cells"].to_numpy(float) + 1.0)
    empty_per_seed = np.log1p(-fill) / seeds_per_cell
    return np.asarray(np.log(-np.expm1(empty_per_seed)) - empty_per_seed)


def t_test(logits: Array, level: Index, block: Index) -> tuple[float, float | None]:
    """Difference of level 1 from level 0 and its p by least squares with blocks (statsmodels); None without freedom."""
    import statsmodels.api as sm

    design = np.column_stack([level, np.eye(int(block.max()) + 1)[block]]).astype(float)
    free = len(logits) - np.linalg.matrix_rank(design)
    fit = sm.OLS(logits, design).fit()
    if free < 1 or fit.ssr < _SAME:
        return float(fit.params[0]), None
    return float(fit.params[0]), float(fit.pvalues[0])


@dataclass(frozen=True)
class Permuted:
    """The permutation test within blocks.

    Attributes
    ----------
    p : float
        Two-sided.
    smallest : float
        The smallest p this design can reach.
    arrangements : int
        How many there are.
    exact : bool
        Whether all of them were gone through.
    """

    p: float
    smallest: float
    arrangements: int
    exact: bool


def permutation_test(logits: Array, level: Index, block: Index, seed: int = 0) -> Permuted:
    """Every way of giving out the levels within blocks, judged by the difference of block-centred means.

    Parameters
    ----------
    logits : (T,) array
    level : (T,) int array of 0 and 1
    block : (T,) int array
    seed : int
        For designs with more arrangements than are gone through one by one.

    Returns
    -------
    Permuted
    """
    members = [np.flatnonzero(block == b) for b in range(int(block.max()) + 1)]
    taken = [int(level[at].sum()) for at in members]
    centred = logits.astype(float).copy()
    for at in members:
        centred[at] -= centred[at].mean()
    total = prod(comb(len(at), k) for at, k in zip(members, taken, strict=True))
    seen = abs(float(centred[level == 1].sum()))
    if total <= _MOST_ARRANGEMENTS:
        sums = np.zeros(1)
        for at, k in zip(members, taken, strict=True):
            own = np.array([centred[list(some)].sum() for some in combinations(at, k)])
            sums = (sums[:, None] + own).ravel()
        reached = np.abs(sums)
        smallest = float((reached >= reached.max() - _SAME).mean())
        return Permuted(float((reached >= seen - _SAME).mean()), smallest, total, True)
    rng = np.random.default_rng(seed)
    reached = np.zeros(_MOST_ARRANGEMENTS)
    for at, k in zip(members, taken, strict=True):
        order = rng.random((_MOST_ARRANGEMENTS, len(at))).argsort(axis=1)[:, :k]
        reached += centred[at][order].sum(axis=1)
    p = (1 + int((np.abs(reached) >= seen - _SAME).sum())) / (1 + _MOST_ARRANGEMENTS)
    even = all(2 * k == len(at) for at, k in zip(members, taken, strict=True))  # then every arrangement has a mirror
    return Permuted(p, (2 if even else 1) / total, total, False)
