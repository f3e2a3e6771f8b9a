"""How many cells of a new tray will fill: the posterior of a row carried through fresh tray and
season scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import expit

from germstats.engine.draws import NODE_WEIGHTS, NODES, RowDraws
from germstats.engine.timing import Array
from germstats.records.seeds import SowingRate

_LEGENDRE, _LEGENDRE_WEIGHTS = np.polynomial.legendre.leggauss(21)
_FAR = 7.0
"""Sds from the middle beyond which no spring is looked for."""


@dataclass(frozen=True)
class NewTray:
    """Share per seed in a tray not yet sown: equally shaped arrays of possible values.

    Attributes
    ----------
    p, rho, weight : (N,) arrays
        Share of seeds that emerge, within-cell correlation, probability (sums to 1).
    """

    p: Array
    rho: Array
    weight: Array


def new_tray(draws: RowDraws, worst: bool = False) -> NewTray:
    """A new tray of a known row in a spring not yet seen: fresh tray and season effects, by
    21-point Gauss-Hermite.

    With `worst`, the spring is no better than the worst on record (which must be known), as in
    `worst_spring`.
    """
    if worst:
        springs, chance = _held_down(draws)
        middle, known = (
            (draws.theta[:, None] + springs).ravel(),
            (draws.weight[:, None] * chance).ravel(),
        )
        sd, rho = (np.repeat(values, springs.shape[1]) for values in (draws.tray_sd, draws.rho))
    else:
        middle, sd = draws.theta, np.hypot(draws.tray_sd, draws.season_sd)
        rho, known = draws.rho, draws.weight
    logit = middle[:, None] + sd[:, None] * NODES
    weight = known[:, None] * NODE_WEIGHTS
    return NewTray(expit(logit).ravel(), np.repeat(rho, len(NODES)), weight.ravel())


def worst_spring(draws: RowDraws, springs: Array, pick: NDArray[np.intp]) -> Array:
    """What springs no better than the worst on record do to the logit of the share: min(spring, its
    shift).

    The worst spring on record may have been a middling one, and what it did is known better than
    what a spring to come will do: by itself it can promise more than an ordinary forecast, which
    counts worse springs too. So every spring to come is held down to it, draw by draw, and the
    chance is never above the ordinary one.

    Parameters
    ----------
    draws : RowDraws
        Its `worst` is not None.
    springs : (M,) array
        What ordinary springs do to the logit.
    pick : (M,) array of int
        Draw of each spring.

    Returns
    -------
    (M,) array
    """
    assert draws.worst is not None, "no worst spring is known"
    return np.minimum(springs, draws.worst.shift[pick])


def _held_down(draws: RowDraws) -> tuple[Array, Array]:
    """`worst_spring` as points (N, 22) with their chances: the springs below it by 21-point
    Gauss-Legendre, then the worst spring itself in the stead of all better ones.
    """
    assert draws.worst is not None, "no worst spring is known"
    shift, sd = draws.worst.shift[:, None], draws.season_sd[:, None]
    apart = np.divide(shift, sd, out=np.copysign(_FAR, shift), where=sd > 0).clip(-_FAR, _FAR)
    z = -_FAR + (apart + _FAR) * (_LEGENDRE + 1) / 2
    below = stats.norm.pdf(z) * (apart + _FAR) / 2 * _LEGENDRE_WEIGHTS
    chance = np.concatenate([below, stats.norm.sf(apart)], axis=1)
    springs = np.concatenate([sd * z, np.minimum(shift, sd * _FAR)], axis=1)
    return springs, chance / chance.sum(axis=1, keepdims=True)


def empty_share(p: Array, rho: Array, rate: SowingRate) -> Array:
    """Probability that a cell sown at `rate` stays empty.

    For n seeds with beta-binomial fates prod_{r<n} (1 - p + r t) / (1 + r t), t = rho / (1 - rho)
    (Skellam 1948, J. R. Statist. Soc. B 10:257-261, memory); for a pinch (1 + m p / k)^-k; for a
    range the mean over its numbers.

    Parameters
    ----------
    p, rho : (N,) arrays
    rate : SowingRate

    Returns
    -------
    (N,) array
    """
    if rate.k is not None:
        return np.asarray((1 + rate.mean * p / rate.k) ** -rate.k)
    t = rho / (1 - rho)
    empty, shares = np.ones_like(p), []
    for r in range(max(rate.numbers) + 1):
        if r in rate.numbers:
            shares.append(empty)
        empty = empty * (1 - p + r * t) / (1 + r * t)
    return np.asarray(np.mean(shares, axis=0))


def empty_by(p: Array, rho: Array, out: Array, rate: SowingRate) -> Array:
    """Probability that a cell sown at `rate` is still empty when a share `out` of what emerges has
    emerged.

    sum_i C(n, i) (1 - out)^i G(i, n - i) with G as in `germstats.engine.likelihood`; for a pinch (1
    + m p out / k)^-k.

    Parameters
    ----------
    p, rho : arrays of one shape
    out : array
        Of a shape that ends in theirs.
    rate : SowingRate

    Returns
    -------
    array
        Of the shape of `out`.
    """
    if rate.k is not None:
        return np.asarray((1 + rate.mean * p * out / rate.k) ** -rate.k)
    to_come = 1 - out
    still = []
    for n in rate.numbers:
        seedlings = seedlings_of_cell(n, p, rho)
        none_out = np.broadcast_to(seedlings[..., n], out.shape)
        for i in range(n - 1, -1, -1):
            none_out = none_out * to_come + seedlings[..., i]
        still.append(none_out)
    return np.asarray(np.mean(still, axis=0))


def seedlings_of_cell(n: int, p: Array, rho: Array, most: int | None = None) -> Array:
    """P(0, 1, ... seedlings) of a cell of n seeds: C(n, i) G(i, n - i), G as in
    `germstats.engine.likelihood`.

    Parameters
    ----------
    n : int
    p, rho : arrays of one shape
    most : int, optional
        Last number told, at least n; n by default.

    Returns
    -------
    (..., most + 1) array
    """
    t = rho / (1 - rho)
    pmf = np.zeros((*p.shape, (n if most is None else most) + 1))
    steps = np.arange(n)
    norm = np.prod(1 + steps * t[..., None], axis=-1)
    for i in range(n + 1):
        up = np.prod(p[..., None] + steps[:i] * t[..., None], axis=-1)
        down = np.prod(1 - p[..., None] + steps[: n - i] * t[..., None], axis=-1)
        pmf[..., i] = comb(n, i) * up * down / norm
    return pmf


def parts_of_tray(rates: tuple[SowingRate, ...], cells: int) -> list[tuple[SowingRate, int]]:
    """Cells of a tray sown at each of `rates` in turn (2, 3, 2, 3, ...)."""
    return [(rate, len(range(k, cells, len(rates)))) for k, rate in enumerate(rates)]


GRID = np.sin(np.linspace(0.0, np.pi / 2, 401)) ** 2
"""Fill probabilities at which forecasts are worked out, evenly spaced on the scale on which a
binomial share has one spread; a fifteenth of the spread of 72 cells.
"""


@dataclass(frozen=True)
class Fills:
    """Possible fills of a new tray's cells, one column per rate sown in turn.

    Attributes
    ----------
    fill : (M, R) array
        Probability that a cell sown at rate r fills.
    weight : (M,) array
        Sums to 1.
    """

    fill: Array
    weight: Array


def fills(tray: NewTray, rates: tuple[SowingRate, ...]) -> Fills:
    """Fills of a new tray, drawn together onto a fine grid of the first rate's fill, which keeps
    their means.

    Parameters
    ----------
    tray : NewTray
    rates : tuple of SowingRate
        Sown cell after cell in turn.
    """
    each = np.column_stack([1 - empty_share(tray.p, tray.rho, rate) for rate in rates]).clip(
        0.0, 1.0
    )
    above = np.searchsorted(GRID, each[:, 0], side="left").clip(1, len(GRID) - 1)
    part = (each[:, 0] - GRID[above - 1]) / (GRID[above] - GRID[above - 1])

    def gathered(values: Array) -> Array:
        low = np.bincount(above - 1, weights=(1 - part) * values, minlength=len(GRID))
        return np.asarray(low + np.bincount(above, weights=part * values, minlength=len(GRID)))

    weight = gathered(tray.weight)
    kept = weight > 0
    others = [gathered(tray.weight * each[:, r])[kept] / weight[kept] for r in range(1, len(rates))]
    return Fills(np.column_stack([GRID[kept], *others]), weight[kept])


def chance_of_filling(
    tray: NewTray, rates: tuple[SowingRate, ...], cells: int, wanted: int
) -> float:
    """P(at least `wanted` of `cells` filled), `rates` sown in turn."""
    if len(rates) == 1:
        possible = fills(tray, rates)
        return float(possible.weight @ stats.binom.sf(wanted - 1, cells, possible.fill[:, 0]))
    return float(filled_cells(tray, rates, cells)[wanted:].sum())


def filled_cells(tray: NewTray, rates: tuple[SowingRate, ...], cells: int) -> Array:
    """Distribution of the number of filled cells.

    Returns
    -------
    (cells + 1,) array
        P(0 filled), ..., P(all filled); a sum of binomials for each possible fill, averaged.
    """
    possible = fills(tray, rates)
    if len(rates) == 1:
        return np.asarray(
            possible.weight @ stats.binom.pmf(np.arange(cells + 1), cells, possible.fill)
        )
    transform: NDArray[np.complex128] = np.ones(1, dtype=np.complex128)
    for r, (_, part) in enumerate(parts_of_tray(rates, cells)):
        pmf = stats.binom.pmf(np.arange(part + 1), part, possible.fill[:, r, None])
        transform = transform * np.fft.rfft(pmf, n=cells + 1, axis=1)
    distribution = np.fft.irfft(possible.weight @ transform, n=cells + 1)
    positive = np.clip(distribution, 0.0, None)
    return np.asarray(positive / positive.sum())
