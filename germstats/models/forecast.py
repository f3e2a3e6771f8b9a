"""How many cells of a new tray will fill: the posterior of a row carried through fresh tray and season scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from scipy.special import expit

from germstats.models.draws import RowDraws
from germstats.models.timing import Array
from germstats.records.seeds import SowingRate

_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_NODE_WEIGHTS = _NODE_WEIGHTS / _NODE_WEIGHTS.sum()


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
    """A new tray of a known row in a spring not yet seen: fresh tray and season effects, by 21-point Gauss-Hermite.

    With `worst`, the spring is like the worst on record instead (which must be known).
    """
    if worst:
        assert draws.worst is not None, "no worst spring is known"
        middle, sd = draws.theta + draws.worst.shift, draws.tray_sd
    else:
        middle, sd = draws.theta, np.hypot(draws.tray_sd, draws.season_sd)
    logit = middle[:, None] + sd[:, None] * _NODES
    weight = draws.weight[:, None] * _NODE_WEIGHTS
    return NewTray(expit(logit).ravel(), np.repeat(draws.rho, len(_NODES)), weight.ravel())


def empty_share(p: Array, rho: Array, rate: SowingRate) -> Array:
    """Probability that a cell sown at `rate` stays empty.

    For n seeds with beta-binomial fates prod_{r<n} (1 - p + r t) / (1 + r t), t = rho / (1 - rho) (Skellam 1948,
    J. R. Statist. Soc. B 10:257-261, memory); for a pinch (1 + m p / k)^-k; for a range the mean over its numbers.

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


def parts_of_tray(rates: tuple[SowingRate, ...], cells: int) -> list[tuple[SowingRate, int]]:
    """Cells of a tray sown at each of `rates` in turn (2, 3, 2, 3, ...)."""
    return [(rate, len(range(k, cells, len(rates)))) for k, rate in enumerate(rates)]


def chance_of_filling(tray: NewTray, rates: tuple[SowingRate, ...], cells: int, wanted: int) -> float:
    """P(at least `wanted` of `cells` filled), `rates` sown in turn."""
    if len(rates) == 1:
        sf = stats.binom.sf(wanted - 1, cells, 1 - empty_share(tray.p, tray.rho, rates[0]))
        return float(tray.weight @ sf)
    return float(filled_cells(tray, rates, cells)[wanted:].sum())


def filled_cells(tray: NewTray, rates: tuple[SowingRate, ...], cells: int) -> Array:
    """Distribution of the number of filled cells.

    Returns
    -------
    (cells + 1,) array
        P(0 filled), ..., P(all filled); a sum of binomials for each value of (p, rho), averaged.
    """
    transform: NDArray[np.complex128] = np.ones(1, dtype=np.complex128)
    for rate, part in parts_of_tray(rates, cells):
        fill = 1 - empty_share(tray.p, tray.rho, rate)
        pmf = stats.binom.pmf(np.arange(part + 1), part, fill[:, None])
        transform = transform * np.fft.rfft(pmf, n=cells + 1, axis=1)
    distribution = np.fft.irfft(tray.weight @ transform, n=cells + 1)
    positive = np.clip(distribution, 0.0, None)
    return np.asarray(positive / positive.sum())
