"""One likelihood for counts, occupancy and tray totals.

Symbols: p = share of seeds that emerge by the end of the spring, eta = logit p; F = cdf of emergence time among those;
x = 1 - F(last check); rho = correlation of the fates of two seeds of one cell, t = rho / (1 - rho). With

    G(a, b) = prod_{r<a}(p + r t) prod_{r<b}(1 - p + r t) / prod_{r<a+b}(1 + r t) = E[P^a (1 - P)^b]

a cell of n seeds of which K were seen by its last check contributes, beside log dF of each seen seed's interval,

    A = sum_i C(n - K, i) x^i G(K + i, n - K - i)                                (i seeds alive and still to come)

and a cell known only to be first filled in (lo, hi]

    D = sum_i C(n, i) (x_lo^i - x_hi^i) G(i, n - i).

All terms are positive and exact at rho = 0. Where n is drawn per cell, A and D are averaged over its values (A with the
coefficient n!/(n - K)!, since the number of ways to have seen K depends on n). A pinch is negative binomial with mean m
and evenness k: its seen seeds are negative binomial with mean m p F, and rho is 0 there because k already is the
scatter.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import expit, log_expit

from germstats.models.compiled import CellTerms, Compiled, Index, PinchTerms, group_starts
from germstats.models.timing import Array, TimingFamily

Origin = Literal["sowing", "1 February"]
"""Where the clock of the timing distribution starts."""

_LARGEST_LOGIT = 30.0
_SMALLEST_LOG = -650.0  # exp() of it is still a normal double, so that ratios of such shares stay finite


@dataclass(frozen=True)
class TrayTerms:
    """Log-likelihood of each tray with its derivatives.

    Attributes
    ----------
    value : (T,) array
    gradient : (T, 3) array
        With respect to eta, mu and log sigma.
    hessian : (T, 3, 3) array
    """

    value: Array
    gradient: Array
    hessian: Array


@dataclass(frozen=True)
class _Clock:
    """Standardised times of one set of patterns, with what the chain rule needs."""

    z_lo: Array
    z_hi: Array
    sigma: Array

    @property
    def ends(self) -> tuple[Array, Array]:
        """The two z with time zero replaced by 0: no term depends on it there."""
        return np.where(np.isfinite(self.z_lo), self.z_lo, 0.0), np.where(np.isfinite(self.z_hi), self.z_hi, 0.0)


@dataclass(frozen=True)
class _Slopes:
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


def evaluate(
    data: Compiled,
    eta: Array,
    mu: Array,
    log_sigma: Array | float,
    rho: Array | float,
    family: TimingFamily,
    origin: Origin,
    delay: Array | None = None,
) -> TrayTerms:
    """Log-likelihood of every tray with analytic first and second derivatives.

    Parameters
    ----------
    data : Compiled
    eta : (T,) array
        Logit of the emergence share per seed.
    mu : (T,) array
        Location of log time (days).
    log_sigma : (T,) array or float
        Log of the scale of log time.
    rho : float or (T,) array
        Correlation of the fates of two seeds of one cell, 0 <= rho < 1.
    family : TimingFamily
    origin : {"sowing", "1 February"}
    delay : (T,) array, optional
        Days by which the spring is late: the clock shows softplus(elapsed - delay), with a scale of one day, instead of
        the elapsed days. NaN for a tray whose clock is exact.

    Returns
    -------
    TrayTerms
        ``value`` is -inf for a tray in which a seed was seen before the clock starts.
    """
    eta = np.clip(eta, -_LARGEST_LOGIT, _LARGEST_LOGIT)
    clock = _clock_of(data, mu, np.exp(np.broadcast_to(np.asarray(log_sigma, dtype=float), data.trays)), origin, delay)
    total = TrayTerms(np.zeros(data.trays), np.zeros((data.trays, 3)), np.zeros((data.trays, 3, 3)))
    if data.time_tray.size:
        times = clock(data.time_tray, data.time_lo, data.time_hi)
        _add(total, data.time_tray, data.time_count, times, _time_slopes(times, family))
    if data.cells.tray.size:
        cells = clock(data.cells.tray, data.cells.lo, data.cells.hi)
        _add(total, data.cells.tray, data.cells.count, cells, _cell_slopes(data.cells, eta, rho, cells, family))
    if data.pinches.tray.size:
        pinches = clock(data.pinches.tray, data.pinches.lo, data.pinches.hi)
        slopes = _pinch_slopes(data.pinches, eta[data.pinches.tray], pinches, family)
        _add(total, data.pinches.tray, data.pinches.count, pinches, slopes)
    return total


def _clock_of(
    data: Compiled, mu: Array, sigma: Array, origin: Origin, delay: Array | None
) -> Callable[[Index, Array, Array], _Clock]:
    """What turns the ends of intervals, in days from sowing, into standardised times."""
    shift = data.origin_days if origin == "1 February" else np.zeros(data.trays)
    late = None if delay is None or np.isnan(delay).all() else delay

    def z(tray: Index, day: Array) -> Array:
        elapsed = day - shift[tray]
        shown = np.maximum(elapsed, 0.0)
        if late is not None:
            shown = np.where(np.isnan(late[tray]), shown, np.logaddexp(0.0, elapsed - np.nan_to_num(late[tray])))
        with np.errstate(divide="ignore"):
            return np.asarray((np.log(shown) - mu[tray]) / sigma[tray])

    return lambda tray, lo, hi: _Clock(z(tray, lo), z(tray, hi), sigma[tray])


def _add(total: TrayTerms, tray: Index, count: Array, clock: _Clock, d: _Slopes) -> None:
    """Carry row derivatives over to (eta, mu, log sigma) by the chain rule and add them up per tray (ascending)."""
    s = clock.sigma
    lo, hi = clock.ends
    moved, stretched = d.a + d.b, lo * d.a + hi * d.b
    both_lo, both_hi = d.aa + d.ab, d.ab + d.bb
    rows = np.stack(
        [
            d.value, d.e, -moved / s, -stretched,
            d.ee, -(d.ea + d.eb) / s, -(lo * d.ea + hi * d.eb),
            (both_lo + both_hi) / s**2, (lo * both_lo + hi * both_hi + moved) / s,
            lo**2 * d.aa + 2 * lo * hi * d.ab + hi**2 * d.bb + stretched,
        ]
    )  # fmt: skip
    starts = group_starts(tray)
    summed, own = np.add.reduceat(count * rows, starts, axis=1), tray[starts]
    total.value[own] += summed[0]
    total.gradient[own] += summed[1:4].T
    total.hessian[own] += summed[_CURVATURES].transpose(2, 0, 1)


_CURVATURES = np.array([[4, 5, 6], [5, 7, 8], [6, 8, 9]])
"""Which of the ten sums is each entry of the Hessian."""


def _log_gap(clock: _Clock, family: TimingFamily) -> Array:
    """log(F(hi) - F(lo)); -inf where the interval ends before the clock starts."""
    impossible = np.isneginf(clock.z_hi)
    gap = family.log_difference(clock.z_lo, np.where(impossible, 0.0, clock.z_hi))
    return np.where(impossible, -np.inf, gap)


def _time_slopes(clock: _Clock, family: TimingFamily) -> _Slopes:
    """Seen seeds: log dF(lo, hi]."""
    gap = _log_gap(clock, family)
    lo, hi = clock.ends
    safe = np.where(np.isneginf(gap), 0.0, gap)
    f_lo = np.where(np.isfinite(clock.z_lo), np.exp(family.log_density(lo) - safe), 0.0)
    f_hi = np.where(np.isfinite(clock.z_hi), np.exp(family.log_density(hi) - safe), 0.0)
    zero = np.zeros_like(gap)
    return _Slopes(
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
    """log S, hazard and slope f'/f at one end of the intervals; 0 hazard at time zero."""

    log_survival: Array
    hazard: Array
    slope: Array


def _tail(z: Array, family: TimingFamily) -> _Tail:
    started = np.isfinite(z)
    safe = np.where(started, z, 0.0)
    log_survival = np.where(started, family.log_survival(safe), 0.0)
    hazard = np.where(started, np.exp(family.log_density(safe) - family.log_survival(safe)), 0.0)
    return _Tail(log_survival, hazard, family.slope(safe))


def _cell_slopes(cells: CellTerms, eta: Array, rho: Array | float, clock: _Clock, family: TimingFamily) -> _Slopes:
    """Cells with a countable number of seeds: log A or log D, by a weighted sum over their terms."""
    row, i = cells.row, cells.power.astype(float)
    starts = cells.starts
    last, first = _tail(clock.z_hi, family), _tail(clock.z_lo, family)
    interval = cells.lo >= 0

    # time part of each term: x^i for cells at their last check, x_lo^i - x_hi^i for a first filling
    log_u = np.where(interval, np.maximum(_log_gap(clock, family) - first.log_survival, _SMALLEST_LOG), -1.0)
    log_rest = np.where(
        log_u < -0.7, np.log1p(-np.exp(np.minimum(log_u, -0.7))), last.log_survival - first.log_survival
    )
    log_bracket = np.log(np.maximum(-np.expm1(i * log_rest[row]), np.exp(_SMALLEST_LOG)))
    is_interval = interval[row]
    log_time = np.where(is_interval, i * first.log_survival[row] + log_bracket, i * last.log_survival[row])
    r_lo = np.where(is_interval, np.exp(-log_bracket), 0.0)
    r_hi = np.where(is_interval, -np.exp(i * log_rest[row] - log_bracket), 1.0)

    log_share, p1, p2 = _share_part(cells, eta, rho)
    log_term = cells.log_weight + log_share + log_time
    top = np.maximum.reduceat(log_term, starts)
    weight = np.exp(log_term - top[row])
    total = np.add.reduceat(weight, starts)
    weight /= total[row]

    def mean(values: Array) -> Array:
        return np.add.reduceat(weight * values, starts)

    def end(r: Array, tail: _Tail) -> tuple[Array, Array]:
        h, g = tail.hazard[row], tail.slope[row]
        return -i * h * r, r * (i * (i - 1) * h**2 - i * h * g)

    (a1, a2), (b1, b2) = end(r_lo, first), end(r_hi, last)
    p_mean, a_mean, b_mean = mean(p1), mean(a1), mean(b1)
    p = expit(eta)[cells.tray]
    pq, bend = p * expit(-eta)[cells.tray], expit(-eta)[cells.tray] - p
    impossible = interval & np.isneginf(clock.z_hi)
    return _Slopes(
        value=np.where(impossible, -np.inf, top + np.log(total)),
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


def _share_part(cells: CellTerms, eta: Array, rho: Array | float) -> tuple[Array, Array, Array]:
    """log G(a, b) of each term with its first and second derivatives with respect to p."""
    tray, odds = cells.tray[cells.row], np.reshape(rho, (-1, 1)) / (1 - np.reshape(rho, (-1, 1)))
    steps = odds * np.arange(int((cells.successes + cells.failures).max(initial=0)))  # one row, or one for each tray

    def summed(values: Array) -> Array:
        return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)

    def running(base: Array) -> tuple[Array, Array, Array]:
        level = base[:, None] + steps
        return summed(np.log(level)), summed(1 / level), summed(1 / level**2)

    up, down, norm = running(expit(eta)), running(expit(-eta)), summed(np.log1p(steps))
    a, b = cells.successes, cells.failures
    value = up[0][tray, a] + down[0][tray, b] - norm[tray if len(norm) > 1 else 0, a + b]
    return value, up[1][tray, a] - down[1][tray, b], -up[2][tray, a] - down[2][tray, b]


@dataclass(frozen=True)
class _PinchEnd:
    """m p F / k at one end of the intervals, and its first and second derivatives with respect to z."""

    y: Array
    z: Array
    zz: Array


def _pinch_slopes(pinches: PinchTerms, eta: Array, clock: _Clock, family: TimingFamily) -> _Slopes:
    """Cells sown by the pinch: negative-binomial seeds, seen ones with mean m p F."""
    p, q, k, scale = expit(eta), expit(-eta), pinches.k, pinches.mean / pinches.k
    interval = pinches.lo >= 0

    def end(z: Array) -> _PinchEnd:
        started = np.isfinite(z)
        safe = np.where(started, z, 0.0)
        density = np.where(started, np.exp(family.log_density(safe)), 0.0)
        share = np.asarray(np.where(started, family.cdf(safe), 0.0))
        return _PinchEnd(scale * p * share, scale * p * density, scale * p * density * family.slope(safe))

    lo, hi = end(clock.z_lo), end(clock.z_hi)
    gap = np.where(interval, np.maximum(_log_gap(clock, family), _SMALLEST_LOG), 0.0)
    closed = np.maximum(-np.expm1(-k * np.log1p(scale * p * np.exp(gap) / (1 + lo.y))), np.exp(_SMALLEST_LOG))
    r_lo = np.where(interval, 1 / closed, 0.0)
    r_hi = np.where(interval, 1 - r_lo, 1.0)
    k_all = np.where(interval, k, k + pinches.seen)

    def first(end_: _PinchEnd, r: Array) -> Array:
        return np.asarray(-r * k_all / (1 + end_.y))

    def second(end_: _PinchEnd, r: Array) -> Array:
        return np.asarray(r * k_all * (k_all + 1) / (1 + end_.y) ** 2)

    f_lo, f_hi, s_lo, s_hi = first(lo, r_lo), first(hi, r_hi), second(lo, r_lo), second(hi, r_hi)
    e = f_lo * lo.y * q + f_hi * hi.y * q
    a, b = f_lo * lo.z, f_hi * hi.z
    ee = (s_lo * lo.y**2 + s_hi * hi.y**2) * q**2 + (f_lo * lo.y + f_hi * hi.y) * q * (q - p)
    impossible = interval & np.isneginf(clock.z_hi)
    first_filled = np.where(impossible, -np.inf, -k * np.log1p(lo.y) + np.log(closed))
    at_last = pinches.log_constant + pinches.seen * log_expit(eta) - k_all * np.log1p(hi.y)
    return _Slopes(
        value=np.where(interval, first_filled, at_last),
        e=e + np.where(interval, 0.0, pinches.seen * q),
        a=a,
        b=b,
        ee=ee - e**2 - np.where(interval, 0.0, pinches.seen * p * q),
        ea=s_lo * lo.y * q * lo.z + f_lo * lo.z * q - e * a,
        eb=s_hi * hi.y * q * hi.z + f_hi * hi.z * q - e * b,
        aa=s_lo * lo.z**2 + f_lo * lo.zz - a**2,
        ab=-a * b,
        bb=s_hi * hi.z**2 + f_hi * hi.zz - b**2,
    )
