"""Two other ways to ask whether levels differ: a t test on tray logits with blocks, and the exact
permutation test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb, prod

import numpy as np
import pandas as pd
from scipy import optimize
from scipy.special import expit

from germstats.engine.arrays import Index
from germstats.engine.timing import Array
from germstats.engine.treatment_model import RhoLaw, known_rho
from germstats.forecast.tray import empty_share
from germstats.records.seeds import SowingRate

_MOST_ARRANGEMENTS = 20_000
_SAME = 1e-9
_NEARLY_NONE = 1e-300  # share of cells left empty by hundreds of seeds


def tray_logits(
    trays: pd.DataFrame, rates: Sequence[SowingRate], rho: RhoLaw | None = None
) -> Array:
    """Logit of the share of seeds of each tray, from its seedlings or, where some trays tell only
    fill, from that.

    Where the seeds of a tray are known by their mean only (a pinch, a range), it is compared with
    that mean: a tray of pinches larger than usual may then show more seedlings than seeds, and
    counts as full. A tray whose cells were sown in several ways is taken as sown in its usual one.

    Parameters
    ----------
    trays : pandas.DataFrame
        Rows of `Patterns.trays`.
    rates : sequence of SowingRate
        How each tray was sown; by it a fill is turned into the share of seeds that would give it.
    rho : RhoLaw, optional
        How seeds of one cell share their fate, averaged over; by default not at all.

    Returns
    -------
    (T,) array
        With half a seed (or cell) added to both sides, so that empty and full trays stay finite.
    """
    rho = rho or known_rho(0.0)
    cells = trays["cells"].to_numpy(float)
    # its seedlings have no number to be a share of
    one_unit = any(rate.kind == "pinch_unmeasured" for rate in rates)
    filled, emerged = trays["filled"].to_numpy(float), trays["emerged"].to_numpy(float)
    by_seedlings = (
        np.isnan(filled) if one_unit or np.isnan(emerged).any() else np.ones(len(trays), dtype=bool)
    )
    expected = cells * np.array([rate.mean for rate in rates])
    seeds = trays["seeds"].fillna(pd.Series(expected, index=trays.index)).to_numpy(float)
    logits = np.log(emerged + 0.5) - np.log((seeds - emerged).clip(0.0) + 0.5)
    for k in np.flatnonzero(~by_seedlings).tolist():
        logits[k] = _from_empty(1 - (filled[k] + 0.5) / (cells[k] + 1.0), cells[k], rates[k], rho)
    return np.asarray(logits)


def _from_empty(empty: float, cells: float, rate: SowingRate, rho: RhoLaw) -> float:
    """Logit of the share of seeds that leaves so many cells empty, up to half a seed short of none
    or all.

    The end is met by pinches: more cells may be filled than a pinch of mean size fills with every
    seed coming up.
    """
    end = float(np.log(2 * cells * rate.mean + 1))

    def over(at: float) -> float:
        left = float(
            rho.weight @ empty_share(np.full(len(rho.values), expit(at)), rho.values, rate)
        )
        return float(np.log(max(left, _NEARLY_NONE)) - np.log(empty))

    if over(end) >= 0:
        return end
    return -end if over(-end) <= 0 else float(optimize.brentq(over, -end, end))


def t_test(logits: Array, level: Index, block: Index) -> tuple[float, float | None]:
    """Difference of level 1 from level 0 and its p by least squares with blocks (statsmodels); None
    without freedom.
    """
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
    """Every way of giving out the levels within blocks, judged by the difference of block-centred
    means.

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
    centered = logits.astype(float).copy()
    for at in members:
        centered[at] -= centered[at].mean()
    seen = abs(float(centered[level == 1].sum()))
    blocks = [(centered[at], k) for at, k in zip(members, taken, strict=True)]
    total = prod(comb(len(values), k) for values, k in blocks)
    if total <= _MOST_ARRANGEMENTS:
        reached = np.abs(_every_sum(blocks))
        smallest = float((reached >= reached.max() - _SAME).mean())
        p = float((reached >= seen - _SAME).mean())
        return Permuted(p=p, smallest=smallest, arrangements=total, exact=True)
    reached = np.abs(_random_sums(blocks, np.random.default_rng(seed)))
    p = (1 + int((reached >= seen - _SAME).sum())) / (1 + _MOST_ARRANGEMENTS)
    # with as many of one level as of the other in each block, every arrangement has a mirror
    mirrored = all(2 * k == len(values) for values, k in blocks)
    smallest = (2 if mirrored else 1) / total
    return Permuted(p=p, smallest=smallest, arrangements=total, exact=False)


def _every_sum(blocks: Sequence[tuple[Array, int]]) -> Array:
    """Sums of k values of each block, for every way to choose them."""
    sums = np.zeros(1)
    for values, k in blocks:
        own = np.array([values[list(some)].sum() for some in combinations(range(len(values)), k)])
        sums = (sums[:, None] + own).ravel()
    return sums


def _random_sums(blocks: Sequence[tuple[Array, int]], rng: np.random.Generator) -> Array:
    """(`_MOST_ARRANGEMENTS`,) sums of k values of each block, chosen at random."""
    sums = np.zeros(_MOST_ARRANGEMENTS)
    for values, k in blocks:
        order = rng.random((_MOST_ARRANGEMENTS, len(values))).argsort(axis=1)[:, :k]
        sums += values[order].sum(axis=1)
    return sums
