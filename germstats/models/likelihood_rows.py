"""Log-likelihood of intervals, cells and pinches, one row a pattern, with derivatives; symbols as in `likelihood`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from germstats.models.compiled import CellTerms, PinchTerms
from germstats.models.timing import Array, TimingFamily

_SMALLEST_LOG = -650.0  # exp() of it is still a normal double, so that ratios of such shares stay finite


@dataclass(frozen=True)
class Clock:
    """Standardised times of one set of patterns, with what the chain rule needs."""

    z_lo: Array
    z_hi: Array
    sigma: Array

    @property
    def ends(self) -> tuple[Array, Array]:
        """The two z with time zero replaced by 0: no term depends on it there."""
        return np.where(np.isfinite(self.z_lo), self.z_lo, 0.0), np.where(np.isfinite(self.z_hi), self.z_hi, 0.0)


@dataclass(frozen=True)
class Slopes:
    """Value and derivatives of log-likelihood rows with respect to eta (e), z_lo (a) and z_hi (b)."""

    value: Array
    e: Array
    a: Array
    b: Array
    ee: Array
    ea: Array
    eb: Array
    aa: Array
    ab: Array
    bb: Array


def log_gap(clock: Clock, family: TimingFamily) -> Array:
    """log(F(hi) - F(lo)); -inf where the interval ends before the clock starts."""
    impossible = np.isneginf(clock.z_hi)
    gap = family.log_difference(clock.z_lo, np.where(impossible, 0.0, clock.z_hi))
    return np.where(impossible, -np.inf, gap)


def time_slopes(clock: Clock, family: TimingFamily) -> Slopes:
    """Seen seeds: log dF(lo, hi]."""
    gap = log_gap(clock, family)
    lo, hi = clock.ends
    safe = np.where(np.isneginf(gap), 0.0, gap)
    f_lo = np.where(np.isfinite(clock.z_lo), np.exp(family.log_density(lo) - safe), 0.0)
    f_hi = np.where(np.isfinite(clock.z_hi), np.exp(family.log_density(hi) - safe), 0.0)
    zero = np.zeros_like(gap)
    return Slopes(
        value=gap,
        e=zero,
        a=-f_lo,
        b=f_hi,
        ee=zero,
        ea=zero,
        eb=zero,
        aa=-f_lo * family.slope(lo) - f_lo**2,
        ab=f_lo * f_hi,
        bb=f_hi * family.slope(hi) - f_hi**2,
    )


@dataclass(frozen=True)
class _Tail:
    """One end of the intervals: log S, hazard and slope f'/f; 0 hazard at time zero."""

    z: Array
    family: TimingFamily

    @cached_property
    def started(self) -> NDArray[np.bool_]:
        return np.isfinite(self.z)

    @cached_property
    def safe(self) -> Array:
        return np.where(self.started, self.z, 0.0)

    @cached_property
    def log_survival(self) -> Array:
        return np.where(self.started, self.family.log_survival(self.safe), 0.0)

    @cached_property
    def hazard(self) -> Array:
        return np.where(self.started, np.exp(self.family.log_density(self.safe) - self.log_survival), 0.0)

    @cached_property
    def slope(self) -> Array:
        return self.family.slope(self.safe)


@dataclass(frozen=True)
class _CellTimes:
    """Time part of each term: x^i for cells at their last check, x_lo^i - x_hi^i for a first filling."""

    first: _Tail
    last: _Tail
    is_interval: NDArray[np.bool_]
    impossible: NDArray[np.bool_]
    log_rest: Array
    log_bracket: Array
    log_time: Array


def _cell_times(cells: CellTerms, clock: Clock, family: TimingFamily) -> _CellTimes:
    row, i = cells.row, cells.power
    last, first = _Tail(clock.z_hi, family), _Tail(clock.z_lo, family)
    interval = cells.lo >= 0
    log_u = np.where(interval, np.maximum(log_gap(clock, family) - first.log_survival, _SMALLEST_LOG), -1.0)
    log_rest = np.where(
        log_u < -0.7, np.log1p(-np.exp(np.minimum(log_u, -0.7))), last.log_survival - first.log_survival
    )
    log_bracket = np.log(np.maximum(-np.expm1(i * log_rest[row]), np.exp(_SMALLEST_LOG)))
    is_interval = interval[row]
    log_time = np.where(is_interval, i * first.log_survival[row] + log_bracket, i * last.log_survival[row])
    return _CellTimes(first, last, is_interval, interval & np.isneginf(clock.z_hi), log_rest, log_bracket, log_time)


def _summed(cells: CellTerms, log_parts: Array) -> tuple[Array, Array]:
    """Log of each pattern's sum over its terms, and the terms' shares of it."""
    log_term = cells.log_weight + log_parts
    top = np.maximum.reduceat(log_term, cells.starts)
    weight = np.exp(log_term - top[cells.row])
    total = np.add.reduceat(weight, cells.starts)
    return top + np.log(total), weight / total[cells.row]


def cell_values(cells: CellTerms, eta: Array, rho: Array | float, clock: Clock, family: TimingFamily) -> Array:
    """Cells with a countable number of seeds: log A or log D, a sum over their terms."""
    times = _cell_times(cells, clock, family)
    return _with_impossible(times, _summed(cells, _log_share(cells, eta, rho) + times.log_time)[0])


def _with_impossible(times: _CellTimes, value: Array) -> Array:
    return np.where(times.impossible, -np.inf, value)


def cell_slopes(cells: CellTerms, eta: Array, rho: Array | float, clock: Clock, family: TimingFamily) -> Slopes:
    """The same with their derivatives."""
    row, i = cells.row, cells.power.astype(float)
    times = _cell_times(cells, clock, family)
    r_lo = np.where(times.is_interval, np.exp(-times.log_bracket), 0.0)
    r_hi = np.where(times.is_interval, -np.exp(i * times.log_rest[row] - times.log_bracket), 1.0)
    value, weight = _summed(cells, _log_share(cells, eta, rho) + times.log_time)
    p1, p2 = _share_slopes(cells, eta, rho)

    def mean(values: Array) -> Array:
        return np.add.reduceat(weight * values, cells.starts)

    def end(r: Array, tail: _Tail) -> tuple[Array, Array]:
        h, g = tail.hazard[row], tail.slope[row]
        return -i * h * r, r * (i * (i - 1) * h**2 - i * h * g)

    (a1, a2), (b1, b2) = end(r_lo, times.first), end(r_hi, times.last)
    p_mean, a_mean, b_mean = mean(p1), mean(a1), mean(b1)
    p = expit(eta)[cells.tray]
    pq, bend = p * expit(-eta)[cells.tray], expit(-eta)[cells.tray] - p
    return Slopes(
        value=_with_impossible(times, value),
        e=pq * p_mean,
        a=a_mean,
        b=b_mean,
        ee=pq**2 * (mean(p2 + p1**2) - p_mean**2) + pq * bend * p_mean,
        ea=pq * (mean(p1 * a1) - p_mean * a_mean),
        eb=pq * (mean(p1 * b1) - p_mean * b_mean),
        aa=mean(a2) - a_mean**2,
        ab=-a_mean * b_mean,
        bb=mean(b2) - b_mean**2,
    )


def _running(cells: CellTerms, base: Array, rho: Array | float, of: Callable[[Array], Array]) -> Array:
    """Sums of `of` over base, base + t, base + 2 t, ...: one row for each entry of `base`, from no step on."""
    t = np.reshape(rho, (-1, 1)) / (1 - np.reshape(rho, (-1, 1)))  # one, or one for each tray
    values = of(np.reshape(base, (-1, 1)) + t * np.arange(cells.most))
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def _log_share(cells: CellTerms, eta: Array, rho: Array | float) -> Array:
    """log G(a, b) of each term."""
    tray, a, b = cells.tray[cells.row], cells.successes, cells.failures
    up, down = (_running(cells, base, rho, np.log) for base in (expit(eta), expit(-eta)))
    norm = _running(cells, np.ones(1), rho, np.log)
    return np.asarray(up[tray, a] + down[tray, b] - norm[tray if len(norm) > 1 else 0, a + b])


def _share_slopes(cells: CellTerms, eta: Array, rho: Array | float) -> tuple[Array, Array]:
    """First and second derivatives of log G(a, b) with respect to p."""
    tray, a, b = cells.tray[cells.row], cells.successes, cells.failures
    (up, up2), (down, down2) = (
        [_running(cells, base, rho, of) for of in (np.reciprocal, lambda level: 1 / level**2)]
        for base in (expit(eta), expit(-eta))
    )
    return up[tray, a] - down[tray, b], -up2[tray, a] - down2[tray, b]


@dataclass(frozen=True)
class _PinchEnds:
    """m p F / k at both ends of the intervals, and the share of a first filling."""

    p: Array
    scale: Array
    lo: _Tail
    hi: _Tail
    y_lo: Array
    y_hi: Array
    closed: Array
    impossible: NDArray[np.bool_]


def _pinch_ends(pinches: PinchTerms, eta: Array, clock: Clock, family: TimingFamily) -> _PinchEnds:
    p, k, scale = expit(eta), pinches.k, pinches.mean / pinches.k
    lo, hi = _Tail(clock.z_lo, family), _Tail(clock.z_hi, family)
    y_lo, y_hi = (scale * p * np.where(end.started, family.cdf(end.safe), 0.0) for end in (lo, hi))
    interval = pinches.lo >= 0
    gap = np.where(interval, np.maximum(log_gap(clock, family), _SMALLEST_LOG), 0.0)
    closed = np.maximum(-np.expm1(-k * np.log1p(scale * p * np.exp(gap) / (1 + y_lo))), np.exp(_SMALLEST_LOG))
    return _PinchEnds(p, scale, lo, hi, y_lo, y_hi, closed, interval & np.isneginf(clock.z_hi))


def _at_ends(pinches: PinchTerms, ends: _PinchEnds) -> Array:
    k = pinches.k
    first_filled = np.where(ends.impossible, -np.inf, -k * np.log1p(ends.y_lo) + np.log(ends.closed))
    at_last = pinches.log_constant + pinches.seen * np.log(ends.p) - (k + pinches.seen) * np.log1p(ends.y_hi)
    return np.where(pinches.lo >= 0, first_filled, at_last)


def pinch_values(pinches: PinchTerms, eta: Array, clock: Clock, family: TimingFamily) -> Array:
    """Cells sown by the pinch: negative-binomial seeds, seen ones with mean m p F."""
    return _at_ends(pinches, _pinch_ends(pinches, eta, clock, family))


def pinch_slopes(pinches: PinchTerms, eta: Array, clock: Clock, family: TimingFamily) -> Slopes:
    """The same with their derivatives."""
    ends = _pinch_ends(pinches, eta, clock, family)
    p, q, interval = ends.p, expit(-eta), pinches.lo >= 0
    r_lo = np.where(interval, 1 / ends.closed, 0.0)
    r_hi = np.where(interval, 1 - r_lo, 1.0)
    k_all = np.where(interval, pinches.k, pinches.k + pinches.seen)

    def slopes(tail: _Tail, y: Array, r: Array) -> tuple[Array, Array, Array, Array]:
        density = np.where(tail.started, np.exp(family.log_density(tail.safe)), 0.0)
        z = ends.scale * p * density
        return -r * k_all / (1 + y), r * k_all * (k_all + 1) / (1 + y) ** 2, z, z * tail.slope

    f_lo, s_lo, z_lo, zz_lo = slopes(ends.lo, ends.y_lo, r_lo)
    f_hi, s_hi, z_hi, zz_hi = slopes(ends.hi, ends.y_hi, r_hi)
    e = f_lo * ends.y_lo * q + f_hi * ends.y_hi * q
    a, b = f_lo * z_lo, f_hi * z_hi
    ee = (s_lo * ends.y_lo**2 + s_hi * ends.y_hi**2) * q**2 + (f_lo * ends.y_lo + f_hi * ends.y_hi) * q * (q - p)
    return Slopes(
        value=_at_ends(pinches, ends),
        e=e + np.where(interval, 0.0, pinches.seen * q),
        a=a,
        b=b,
        ee=ee - e**2 - np.where(interval, 0.0, pinches.seen * p * q),
        ea=s_lo * ends.y_lo * q * z_lo + f_lo * z_lo * q - e * a,
        eb=s_hi * ends.y_hi * q * z_hi + f_hi * z_hi * q - e * b,
        aa=s_lo * z_lo**2 + f_lo * zz_lo - a**2,
        ab=-a * b,
        bb=s_hi * z_hi**2 + f_hi * zz_hi - b**2,
    )
