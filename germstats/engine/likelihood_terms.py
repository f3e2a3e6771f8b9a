"""Log-likelihood of intervals, cells and pinches with derivatives; symbols as in `likelihood`.

Each set of patterns comes back in the ten rows of `likelihood.TrayTerms`: value, slopes on eta, mu
and log sigma, and the six second derivatives; seen seeds, which speak of time alone, in six of
them. Time is worked out once for each tray and day, at the ends of its intervals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from germstats.engine.arrays import CellTerms, Index, PinchTerms, summed
from germstats.engine.clock import BENDS, Clock
from germstats.engine.timing import Array

_SMALLEST_LOG = (
    -650.0
)  # exp() of it is still a normal double, so that ratios of such shares stay finite


Places = tuple[Index, Index]
"""Places of the first and the last end of each interval among the times of a `Clock`."""


@dataclass(frozen=True)
class _Chain:
    """The chain rule from the two standardized ends (a, b) of intervals to mu and log sigma;
    motions are (5, N).
    """

    lo: Array
    hi: Array

    def alone(self, a: Array, b: Array, aa: Array, ab: Array, bb: Array) -> list[Array]:
        """Slopes on mu and log sigma, then mu mu, mu log sigma and twice log sigma."""
        rows = [a * self.lo[k] + b * self.hi[k] for k in range(5)]
        for row, (first, second) in enumerate(BENDS, start=2):
            rows[row] += self.lo[first] * (aa * self.lo[second] + ab * self.hi[second])
            rows[row] += self.hi[first] * (ab * self.lo[second] + bb * self.hi[second])
        return rows

    def with_share(self, ea: Array, eb: Array) -> list[Array]:
        """eta mu and eta log sigma."""
        return [ea * self.lo[k] + eb * self.hi[k] for k in (0, 1)]


def _chain(clock: Clock, ends: Places) -> _Chain:
    lo, hi = ends
    return _Chain(clock.motion[:, lo], clock.motion[:, hi])


def time_sums(clock: Clock, ends: Places) -> list[Array]:
    """Seen seeds, log dF(lo, hi]: the value and the five rows of time alone."""
    lo, hi = ends
    gap = clock.log_gap(lo, hi)
    safe = np.where(np.isneginf(gap), 0.0, gap)
    f_lo, f_hi = (
        np.where(clock.started[end], np.exp(clock.log_density[end] - safe), 0.0) for end in ends
    )
    bends = -f_lo * clock.bend[lo] - f_lo**2, f_lo * f_hi, f_hi * clock.bend[hi] - f_hi**2
    return [gap, *_chain(clock, ends).alone(-f_lo, f_hi, *bends)]


def _in_all(cells: CellTerms, log_parts: Array) -> tuple[Array, Array]:
    """Log of each pattern's sum over its terms, and the terms' shares of it."""
    log_term = cells.log_weight + log_parts
    top = np.maximum.reduceat(log_term, cells.starts)
    weight = np.exp(log_term - top[cells.row])
    total = np.bincount(cells.row, weight)
    return top + np.log(total), weight / total[cells.row]


@dataclass(frozen=True)
class Shares:
    """Logs of the products of G over seeds, with their slopes on p, tabulated for each tray.

    Attributes
    ----------
    p, q : (T,) arrays
    up, down : (3, most + 1, T) arrays
        Sums over r < a of log(p + r t), 1 / (p + r t) and 1 / (p + r t)^2 for a = 0, 1, ...; the
        same of q.
    norm : (most + 1, T) or (most + 1, 1) array
        Sums over r < a of log(1 + r t).
    """

    p: Array
    q: Array
    up: Array
    down: Array
    norm: Array

    def of(self, cells: CellTerms) -> Array:
        """(3, N) log G(a, b) of each term and its first and second derivatives on p."""
        up, down = self._of_terms(cells)
        found = np.stack([up[0] + down[0], up[1] - down[1], -up[2] - down[2]])
        found[0] -= self._norm_of(cells)
        return found

    def value_of(self, cells: CellTerms) -> Array:
        """(N,) log G(a, b) of each term."""
        up, down = self._of_terms(cells)
        return np.asarray(up[0] + down[0] - self._norm_of(cells))

    def _of_terms(self, cells: CellTerms) -> list[Array]:
        """What `up` says of each term's successes, and `down` of its failures: (3, N) each, or (1,
        N) of the logs.
        """
        trays, asked = len(self.p), ((self.up, cells.successes), (self.down, cells.failures))
        return [
            table.reshape(len(table), -1).take(seeds * trays + cells.tray_of_term, axis=1)
            for table, seeds in asked
        ]

    def _norm_of(self, cells: CellTerms) -> Array:
        together = cells.successes + cells.failures
        return np.asarray(self.norm[together, cells.tray_of_term if self.norm.shape[1] > 1 else 0])


def shares(eta: Array, rho: Array | float, most: int, slopes: bool = True) -> Shares:
    """The tables for cells of up to `most` seeds; without `slopes` of their logs alone, (1, most +
    1, T).
    """
    p, q = expit(eta), expit(-eta)
    t = np.atleast_1d(np.asarray(rho / (1 - rho)))  # one, or one for each tray
    up, down = (np.zeros((3 if slopes else 1, most + 1, len(p))) for _ in range(2))
    norm = np.zeros((most + 1, len(t)))
    for table, base in ((up, p), (down, q)):
        for seed in range(most):
            level = base + seed * t
            table[0, seed + 1] = table[0, seed] + np.log(level)
            if slopes:
                inverse = 1 / level
                table[1, seed + 1] = table[1, seed] + inverse
                table[2, seed + 1] = table[2, seed] + inverse**2
    for seed in range(most):
        norm[seed + 1] = norm[seed] + np.log1p(seed * t)
    return Shares(p=p, q=q, up=up, down=down, norm=norm)


def _share_rows(
    share: Shares, tray: Index, p1: Array, p2: Array, with_time: Sequence[Array]
) -> list[Array]:
    """Slopes and bend on eta, and the bends across, from those on p: p2 is E[p2 + p1^2] -
    E[p1]^2.
    """
    p, q = share.p[tray], share.q[tray]
    pq = p * q
    e = pq * p1
    return [e, pq**2 * p2 + (q - p) * e, *(pq * each for each in with_time)]


def finish_values(cells: CellTerms, share: Shares, clock: Clock, last: Index) -> Array:
    """Cells at their last check: log A, a sum over the seeds that may still come."""
    log_time = cells.power * clock.log_survival[last][cells.row]
    return _in_all(cells, share.value_of(cells) + log_time)[0]


def finish_sums(cells: CellTerms, share: Shares, clock: Clock, last: Index) -> list[Array]:
    """The same with derivatives: ten rows for each run of patterns with one tray and last day,
    counts in them.

    Only x^i speaks of time, so that the chain rule waits until the patterns of one day are added
    up.
    """
    i = cells.power
    log_share, p1, p2 = share.of(cells)
    value, weight = _in_all(cells, log_share + i * clock.log_survival[last][cells.row])
    by_p, by_i = weight * p1, weight * i
    each = [by_p, weight * p2 + by_p * p1, by_i, by_i * i, by_p * i]
    p_mean, p_square, i_mean, i_square, across = summed(each, cells.row, len(cells.tray))
    e, ee, cross = _share_rows(
        share, cells.tray, p1=p_mean, p2=p_square - p_mean**2, with_time=[across - p_mean * i_mean]
    )
    rows = [
        cells.count * row for row in (value, e, ee, i_mean, i_square - i_mean - i_mean**2, cross)
    ]
    day, starts = cells.days
    value, e, ee, come, spread, cross = summed(rows, day, len(starts))
    end = last[starts]
    hazard = clock.hazard[end]
    b, bb, eb = (
        -hazard * come,
        hazard**2 * spread - hazard * clock.bend[end] * come,
        -hazard * cross,
    )
    moved = clock.motion[:, end]
    bends = [
        bb * moved[first] * moved[second] + b * moved[row]
        for row, (first, second) in enumerate(BENDS, start=2)
    ]
    return [value, e, b * moved[0], b * moved[1], ee, eb * moved[0], eb * moved[1], *bends]


@dataclass(frozen=True)
class _Filling:
    """x_lo^i - x_hi^i of each term of a first filling."""

    log_rest: Array
    log_bracket: Array
    log_time: Array


def _filling(cells: CellTerms, clock: Clock, ends: Places) -> _Filling:
    lo, hi = ends
    before = clock.log_survival[lo]
    log_u = np.maximum(clock.log_gap(lo, hi) - before, _SMALLEST_LOG)
    log_rest = np.where(
        log_u < -0.7, np.log1p(-np.exp(np.minimum(log_u, -0.7))), clock.log_survival[hi] - before
    )
    log_bracket = np.log(
        np.maximum(-np.expm1(cells.power * log_rest[cells.row]), np.exp(_SMALLEST_LOG))
    )
    return _Filling(log_rest, log_bracket, cells.power * before[cells.row] + log_bracket)


def filling_values(cells: CellTerms, share: Shares, clock: Clock, ends: Places) -> Array:
    """Cells known only to be first filled in an interval: log D."""
    value = _in_all(cells, share.value_of(cells) + _filling(cells, clock, ends).log_time)[0]
    return np.where(clock.started[ends[1]], value, -np.inf)


def filling_sums(cells: CellTerms, share: Shares, clock: Clock, ends: Places) -> list[Array]:
    """The same with derivatives, ten rows a pattern."""
    lo, hi = ends
    i, time = cells.power, _filling(cells, clock, ends)
    log_share, p1, p2 = share.of(cells)
    value, weight = _in_all(cells, log_share + time.log_time)
    by_p, by_i = weight * p1, weight * i
    by_lo = by_i * np.exp(-time.log_bracket)
    by_hi = -by_i * np.exp(i * time.log_rest[cells.row] - time.log_bracket)
    each = [
        by_p,
        weight * p2 + by_p * p1,
        by_lo,
        i * by_lo,
        p1 * by_lo,
        by_hi,
        i * by_hi,
        p1 * by_hi,
    ]
    p_mean, p_square, *both = summed(each, cells.row, len(cells.tray))

    def end(place: Index, come: Array, square: Array, across: Array) -> tuple[Array, Array, Array]:
        h, g = clock.hazard[place], clock.bend[place]
        return -h * come, h**2 * (square - come) - h * g * come, -h * (across - p_mean * come)

    (a, aa, ea), (b, bb, eb) = end(lo, *both[:3]), end(hi, *both[3:])
    e, ee, ea, eb = _share_rows(
        share, cells.tray, p1=p_mean, p2=p_square - p_mean**2, with_time=[ea, eb]
    )
    value = np.where(clock.started[hi], value, -np.inf)
    return _ten(_chain(clock, ends), value, (e, a, b, ee, ea, eb, aa - a**2, -a * b, bb - b**2))


def _ten(chain: _Chain, value: Array, slopes: Sequence[Array]) -> list[Array]:
    e, a, b, ee, ea, eb, aa, ab, bb = slopes
    mu, log_sigma, *bends = chain.alone(a, b, aa, ab, bb)
    return [value, e, mu, log_sigma, ee, *chain.with_share(ea, eb), *bends]


@dataclass(frozen=True)
class _PinchEnds:
    """m p F / k at both ends of the intervals, and the share of a first filling."""

    p: Array
    scale: Array
    y_lo: Array
    y_hi: Array
    closed: Array
    impossible: NDArray[np.bool_]


def _pinch_ends(pinches: PinchTerms, eta: Array, clock: Clock, ends: Places) -> _PinchEnds:
    p, k, scale = expit(eta), pinches.k, pinches.mean / pinches.k
    y_lo, y_hi = (scale * p * -np.expm1(clock.log_survival[end]) for end in ends)
    interval = pinches.lo >= 0
    gap = np.where(interval, np.maximum(clock.log_gap(*ends), _SMALLEST_LOG), 0.0)
    closed = np.maximum(
        -np.expm1(-k * np.log1p(scale * p * np.exp(gap) / (1 + y_lo))), np.exp(_SMALLEST_LOG)
    )
    return _PinchEnds(
        p=p,
        scale=scale,
        y_lo=y_lo,
        y_hi=y_hi,
        closed=closed,
        impossible=interval & ~clock.started[ends[1]],
    )


def _at_ends(pinches: PinchTerms, ends: _PinchEnds) -> Array:
    k = pinches.k
    first_filled = np.where(
        ends.impossible, -np.inf, -k * np.log1p(ends.y_lo) + np.log(ends.closed)
    )
    at_last = (
        pinches.log_constant
        + pinches.seen * np.log(ends.p)
        - (k + pinches.seen) * np.log1p(ends.y_hi)
    )
    return np.where(pinches.lo >= 0, first_filled, at_last)


def pinch_values(pinches: PinchTerms, eta: Array, clock: Clock, ends: Places) -> Array:
    """Cells sown by the pinch: negative-binomial seeds, seen ones with mean m p F."""
    return _at_ends(pinches, _pinch_ends(pinches, eta, clock, ends))


def pinch_sums(pinches: PinchTerms, eta: Array, clock: Clock, ends: Places) -> list[Array]:
    """The same with derivatives, ten rows a pattern."""
    at = _pinch_ends(pinches, eta, clock, ends)
    p, q, interval = at.p, expit(-eta), pinches.lo >= 0
    r_lo = np.where(interval, 1 / at.closed, 0.0)
    r_hi = np.where(interval, 1 - r_lo, 1.0)
    k_all = np.where(interval, pinches.k, pinches.k + pinches.seen)

    def slopes(end: Index, y: Array, r: Array) -> tuple[Array, Array, Array, Array]:
        density = np.where(clock.started[end], np.exp(clock.log_density[end]), 0.0)
        z = at.scale * p * density
        return -r * k_all / (1 + y), r * k_all * (k_all + 1) / (1 + y) ** 2, z, z * clock.bend[end]

    f_lo, s_lo, z_lo, zz_lo = slopes(ends[0], at.y_lo, r_lo)
    f_hi, s_hi, z_hi, zz_hi = slopes(ends[1], at.y_hi, r_hi)
    e = f_lo * at.y_lo * q + f_hi * at.y_hi * q
    a, b = f_lo * z_lo, f_hi * z_hi
    ee = (s_lo * at.y_lo**2 + s_hi * at.y_hi**2) * q**2 + (f_lo * at.y_lo + f_hi * at.y_hi) * q * (
        q - p
    )
    return _ten(
        _chain(clock, ends),
        _at_ends(pinches, at),
        (
            e + np.where(interval, 0.0, pinches.seen * q),
            a,
            b,
            ee - e**2 - np.where(interval, 0.0, pinches.seen * p * q),
            s_lo * at.y_lo * q * z_lo + f_lo * z_lo * q - e * a,
            s_hi * at.y_hi * q * z_hi + f_hi * z_hi * q - e * b,
            s_lo * z_lo**2 + f_lo * zz_lo - a**2,
            -a * b,
            s_hi * z_hi**2 + f_hi * zz_hi - b**2,
        ),
    )
