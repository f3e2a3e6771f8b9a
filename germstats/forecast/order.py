"""How many plugs an order yields, and when: trays of one order share the spring, the lot and the
benches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import fft, stats
from scipy.special import expit, gammaln

from germstats.engine.arrays import Index
from germstats.engine.draws import RowDraws, even_draws
from germstats.engine.timing import FAMILIES, Array
from germstats.forecast.later_losses import beta_quantile
from germstats.forecast.springs import Luck, thinned
from germstats.forecast.tray import empty_share, seedlings_of_cell, worst_spring
from germstats.records.seeds import SowingRate

_SUREST = 0.001
_SPRINGS = 2
"""Springs for each draw of a lot."""
_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(15)
_NODE_WEIGHTS = _NODE_WEIGHTS / _NODE_WEIGHTS.sum()
GOLDEN = (5**0.5 - 1) / 2
_Z = np.linspace(-25.0, 25.0, 5001)  # standardized log days at which a law is turned round

Parts = tuple[tuple[SowingRate, int], ...]
"""What one tray holds: cells sown at each rate."""


@dataclass(frozen=True)
class SpringLaw:
    """Plugs of one tray on one bench, given the lot, the spring and the bench.

    Attributes
    ----------
    pmf : (M, cells + 1) array
        P(0 plugs), ..., P(all cells a plug) in each of the M springs of a `Luck`. Row m of two laws
        is the same spring and, where both come of one fit, the same draw of its scatters: trays of
        several lots are added row by row.
    """

    pmf: Array


def tray_in_a_spring(
    draws: RowDraws,
    parts: Parts,
    luck: Luck,
    prick_out: bool = False,
    bench: int = 0,
    worst: bool = False,
) -> SpringLaw:
    """Distribution of the plugs of a tray in springs not yet seen.

    Two springs of `luck` go with each of as many draws as there is room for; the tray's own effect
    is integrated by 15-point Gauss-Hermite, its losses over a grid.

    Parameters
    ----------
    draws : RowDraws
    parts : Parts
        Cells of the tray at each sowing rate.
    luck : Luck
        Spring, benches and losses, shared with every other tray of the species.
    prick_out : bool
        Whether seedlings beyond one per cell fill the tray's empty cells.
    bench : int
        Column of `luck.benches` on which the tray stands.
    worst : bool
        The spring is no better than the worst on record (which must be known).

    Returns
    -------
    SpringLaw
    """
    pick = np.repeat(even_draws(draws.weight, len(luck.spring) // _SPRINGS), _SPRINGS)
    middle = _middle(draws, pick, luck, worst) + draws.shared_sd[pick] * luck.benches[:, bench]
    p = expit(middle[:, None] + draws.own_sd[pick][:, None] * _NODES)
    rho = np.broadcast_to(draws.rho[pick][:, None], p.shape)
    pmf = (_pricked_out if prick_out else _filled)(p, rho, parts)
    return SpringLaw(thinned(np.einsum("mkc,k->mc", pmf, _NODE_WEIGHTS), luck))


def _middle(draws: RowDraws, pick: NDArray[np.intp], luck: Luck, worst: bool = False) -> Array:
    """(M,) logit of the share of an average tray on an average bench in each spring."""
    springs = draws.season_sd[pick] * luck.spring
    if worst:
        springs = worst_spring(draws, springs, pick)
    return np.asarray(draws.theta[pick] + springs)


def plugs_by_spring(laws: Sequence[tuple[SpringLaw, int]]) -> Array:
    """Distribution of the plugs of several trays in each spring, by exact convolution.

    Parameters
    ----------
    laws : sequence of (SpringLaw, number of trays)

    Returns
    -------
    (M, cells of all trays + 1) array
    """
    transform, size, most = _together(laws)
    return np.asarray(np.clip(fft.irfft(transform, n=size, axis=1)[:, : most + 1], 0.0, None))


def plugs_of_trays(laws: Sequence[tuple[SpringLaw, int]]) -> Array:
    """The mean over springs of `plugs_by_spring`.

    Returns
    -------
    (cells of all trays + 1,) array
    """
    transform, size, most = _together(laws)
    mean = np.broadcast_to(transform.mean(axis=0), (size // 2 + 1,))
    pmf = np.clip(fft.irfft(mean, n=size)[: most + 1], 0.0, None)
    return np.asarray(pmf / pmf.sum())


def _together(laws: Sequence[tuple[SpringLaw, int]]) -> tuple[NDArray[np.complex128], int, int]:
    """Transform of the sum of all trays in each spring, its length, and the most plugs there can
    be.
    """
    most = sum((law.pmf.shape[1] - 1) * trays for law, trays in laws)
    size = fft.next_fast_len(most + 1, real=True)
    transform: NDArray[np.complex128] = np.ones((1, 1), dtype=np.complex128)
    for law, trays in laws:
        transform = transform * _power(np.asarray(fft.rfft(law.pmf, n=size, axis=1)), trays)
    return transform, size, most


def chance_of_plugs(pmf: Array, wanted: int) -> float:
    """P(at least `wanted` plugs)."""
    return float(pmf[max(wanted, 0) :].sum())


def expected_delivered(pmf: Array, wanted: int) -> float:
    """E[min(plugs, wanted)]: plugs that can be handed over."""
    return float(pmf @ np.minimum(np.arange(len(pmf)), wanted))


def _power(base: NDArray[np.complex128], exponent: int) -> NDArray[np.complex128]:
    result = np.ones_like(base)
    while exponent:
        if exponent & 1:
            result = result * base
        base, exponent = base * base, exponent >> 1
    return result


def _binomial(n: int, share: Array) -> Array:
    """(..., n + 1) probabilities of 0..n; as exact as scipy's binom.pmf and several times
    as quick.
    """
    count = np.arange(n + 1)
    ways = gammaln(n + 1) - gammaln(count + 1) - gammaln(n - count + 1)
    inside = np.clip(share, 1e-300, 1 - 1e-16)[..., None]
    return np.asarray(np.exp(ways + count * np.log(inside) + (n - count) * np.log1p(-inside)))


def _joined(parts: Sequence[Array], most: int) -> Array:
    """Distribution of a sum of independent counts, each (..., some) long; sums reach `most`."""
    if len(parts) == 1:
        return parts[0]
    transform = np.prod([np.fft.rfft(part, n=most + 1, axis=-1) for part in parts], axis=0)
    return np.asarray(np.clip(np.fft.irfft(transform, n=most + 1, axis=-1), 0.0, None))


def _filled(p: Array, rho: Array, parts: Parts) -> Array:
    fills = [_binomial(cells, 1 - empty_share(p, rho, rate)) for rate, cells in parts]
    return _joined(fills, sum(cells for _, cells in parts))


def _pricked_out(p: Array, rho: Array, parts: Parts) -> Array:
    """min(cells, seedlings of the tray): every cell gets a plant as long as there are seedlings."""
    cells = sum(number for _, number in parts)
    most = sum(_most_seedlings(rate, number) for rate, number in parts)
    seedlings = _joined([_seedlings(p, rho, rate, number) for rate, number in parts], most)
    held = seedlings[..., : cells + 1].copy()
    if held.shape[-1] <= cells:
        held = np.concatenate(
            [held, np.zeros((*held.shape[:-1], cells + 1 - held.shape[-1]))], axis=-1
        )
    held[..., cells] = np.clip(1 - held[..., :cells].sum(axis=-1), 0.0, 1.0)
    return np.asarray(held)


def _most_seedlings(rate: SowingRate, cells: int) -> int:
    """Most seedlings told apart; of a pinch only up to one a cell matters."""
    return cells if rate.k is not None else max(rate.numbers) * cells


def _seedlings(p: Array, rho: Array, rate: SowingRate, cells: int) -> Array:
    """Distribution of the seedlings of `cells` cells; the tail beyond the last place told apart is
    put there.
    """
    if rate.k is not None:  # a sum of negative binomials with one k and mean is negative binomial
        chance = rate.k / (rate.k + rate.mean * p)
        pmf = np.asarray(stats.nbinom.pmf(np.arange(cells + 1), cells * rate.k, chance[..., None]))
        pmf[..., cells] = np.clip(1 - pmf[..., :cells].sum(axis=-1), 0.0, 1.0)
        return pmf
    most = max(rate.numbers)
    cell = np.mean([seedlings_of_cell(n, p, rho, most) for n in rate.numbers], axis=0)
    size = most * cells + 1
    transform = _power(np.asarray(np.fft.rfft(cell, n=size, axis=-1)), cells)
    return np.asarray(np.clip(np.fft.irfft(transform, n=size, axis=-1), 0.0, None))


@dataclass(frozen=True)
class TimedTrays:
    """Trays of one sowing for the calendar.

    Attributes
    ----------
    draws : RowDraws
        Its `time` is not None.
    parts : Parts
    benches : tuple of int
        Where each tray stands: a column of `Luck.benches`.
    clock : float
        Day on which the clock of the timing law starts.
    """

    draws: RowDraws
    parts: Parts
    benches: tuple[int, ...]
    clock: float


def first_seedling_share(share: Array, p: Array, rate: SowingRate) -> Array:
    """F at which a cell of known p gets its first seedling, when a share `share` of such cells is
    still empty then.

    The inverse in F of A(n, 0, F) = (1 - p F)^n, of (1 + m p F / k)^-k for a pinch, of the mean
    over its numbers for a range (interpolated on 2,001 points). Above 1 the cell never fills.

    Parameters
    ----------
    share, p : arrays that broadcast
    rate : SowingRate

    Returns
    -------
    array
    """
    p = np.maximum(p, 1e-300)
    if rate.k is not None:
        return np.asarray((share ** (-1 / rate.k) - 1) * rate.k / (rate.mean * p))
    if len(rate.numbers) == 1:
        return np.asarray((1 - share ** (1 / rate.numbers[0])) / p)
    seedling = np.linspace(1.0, 0.0, 2001)  # 1 - p F, the share of seeds not up
    empty = np.mean([seedling**n for n in rate.numbers], axis=0)
    return np.asarray((1 - np.interp(share, empty[::-1], seedling[::-1])) / p)


def day_of_plug(sowings: Sequence[TimedTrays], wanted: int, luck: Luck, seed: int = 0) -> Array:
    """Day on which the `wanted`-th plant that lives has come up, in simulated springs.

    Every spring takes a draw of the posterior and the luck that all trays share; drawn on top are
    the season's time, each tray's own share, time and losses, each cell's own share (beta, rho),
    and the cell's first seedling by inverting A(n, 0, F).

    Parameters
    ----------
    sowings : sequence of TimedTrays
    wanted : int
    luck : Luck
    seed : int

    Returns
    -------
    (M,) array
        Days on the scale of `TimedTrays.clock`, one for each spring of `luck`; infinite where so
        many never come.
    """
    rng = np.random.default_rng(seed)
    late = rng.standard_normal(len(luck.spring))
    days = np.concatenate([_first_days(one, luck, late, rng) for one in sowings], axis=1)
    if wanted > days.shape[1]:
        return np.full(len(luck.spring), np.inf)
    return np.asarray(np.partition(days, wanted - 1, axis=1)[:, wanted - 1])


def _first_days(one: TimedTrays, luck: Luck, season_late: Array, rng: np.random.Generator) -> Array:
    """(M, B * cells) days of each cell's first seedling in M springs, of B trays; infinite where
    none comes or its plant is lost.
    """
    springs, trays = len(luck.spring), len(one.benches)
    pick = even_draws(one.draws.weight, springs)
    share = _tray_shares(one, luck, pick, rng)  # (M, B)
    clock = _tray_clocks(one, season_late, pick, rng)
    lost = beta_quantile(
        rng.random((springs, trays)), luck.lost[:, None], luck.tray_losses[:, None]
    )
    rho = one.draws.rho[pick][:, None, None]
    parts = []
    for rate, cells in one.parts:
        shape = (springs, trays, cells)
        of_cells = _cell_shares(share, rho, rate=rate, shape=shape, rng=rng)
        empty_until = first_seedling_share(rng.random(shape), of_cells, rate)
        days = one.clock + clock.days_at(empty_until)
        lives = (empty_until < 1) & (rng.random(shape) >= lost[..., None])
        parts.append(np.where(lives, days, np.inf))
    return np.concatenate(parts, axis=2).reshape(springs, -1)


def _tray_shares(one: TimedTrays, luck: Luck, pick: Index, rng: np.random.Generator) -> Array:
    """(M, B) share of seeds that emerges: of the spring, the places that trays share, and each tray
    by itself.
    """
    own_sd, shared_sd = one.draws.own_sd[pick][:, None], one.draws.shared_sd[pick][:, None]
    spring = _middle(one.draws, pick, luck)[:, None]
    benches = shared_sd * luck.benches[:, list(one.benches)]
    own = own_sd * rng.standard_normal((len(pick), len(one.benches)))
    return np.asarray(expit(spring + benches + own))


@dataclass(frozen=True)
class _TrayClocks:
    """When the seedlings of B trays come in M springs.

    Attributes
    ----------
    mu, sigma : (M, B) and (M, 1) arrays
    family : str
    horizon : float
        Days up to which a share is counted.
    """

    mu: Array
    sigma: Array
    family: str
    horizon: float

    def days_at(self, share: Array) -> Array:
        """Days by which such a share (M, B, C) of what comes by the horizon is up."""
        share_of_all = share * self.out_by_horizon[..., None]
        standardized = np.interp(share_of_all, FAMILIES[self.family].cdf(_Z), _Z)
        return np.asarray(np.exp(self.mu[..., None] + self.sigma[..., None] * standardized))

    @cached_property
    def out_by_horizon(self) -> Array:
        """(M, B) share of all that ever comes that is up by the horizon."""
        return np.asarray(FAMILIES[self.family].cdf((np.log(self.horizon) - self.mu) / self.sigma))


def _tray_clocks(
    one: TimedTrays, season_late: Array, pick: Index, rng: np.random.Generator
) -> _TrayClocks:
    time = one.draws.time
    assert time is not None, "no timing is known"
    own = rng.standard_normal((len(pick), len(one.benches)))
    late = time.season_sd[pick][:, None] * season_late[:, None]
    mu = time.mu[pick][:, None] + late + time.tray_sd[pick][:, None] * own
    return _TrayClocks(
        mu=mu, sigma=time.sigma[pick][:, None], family=time.family, horizon=time.horizon
    )


def _cell_shares(
    share: Array,
    rho: Array,
    rate: SowingRate,
    shape: tuple[int, int, int],
    rng: np.random.Generator,
) -> Array:
    """(M, B, C) share of each cell: beta about its tray's; a pinch's k already is that scatter."""
    of_tray = np.broadcast_to(share[..., None], shape)
    if rate.k is not None or rho.max() <= 0:
        return of_tray
    tight = np.maximum((1 - rho) / np.maximum(rho, 1e-9), 1e-9)
    came, not_came = np.maximum(of_tray * tight, 1e-9), np.maximum((1 - of_tray) * tight, 1e-9)
    return rng.beta(came, not_came)


def never_certain(chance: float) -> float:
    """The chance, called no nearer to 0 or 1 than 1 in 1,000."""
    return min(max(chance, _SUREST), 1 - _SUREST)
