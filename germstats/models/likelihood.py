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

from germstats.models.compiled import Compiled, Index, group_starts
from germstats.models.likelihood_rows import (
    Clock,
    Slopes,
    cell_slopes,
    cell_values,
    log_gap,
    pinch_slopes,
    pinch_values,
    time_slopes,
)
from germstats.models.timing import Array, TimingFamily

Origin = Literal["sowing", "1 February"]
"""Where the clock of the timing distribution starts."""

_LARGEST_LOGIT = 30.0


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
    clock = _clock_of(data, mu, log_sigma, origin, delay)
    total = TrayTerms(np.zeros(data.trays), np.zeros((data.trays, 3)), np.zeros((data.trays, 3, 3)))
    if data.time_tray.size:
        times = clock(data.time_tray, data.time_lo, data.time_hi)
        _add(total, data.time_tray, data.time_count, times, time_slopes(times, family))
    if data.cells.tray.size:
        cells = clock(data.cells.tray, data.cells.lo, data.cells.hi)
        _add(total, data.cells.tray, data.cells.count, cells, cell_slopes(data.cells, eta, rho, cells, family))
    if data.pinches.tray.size:
        pinches = clock(data.pinches.tray, data.pinches.lo, data.pinches.hi)
        slopes = pinch_slopes(data.pinches, eta[data.pinches.tray], pinches, family)
        _add(total, data.pinches.tray, data.pinches.count, pinches, slopes)
    return total


def log_likelihood(
    data: Compiled,
    eta: Array,
    mu: Array,
    log_sigma: Array | float,
    rho: Array | float,
    family: TimingFamily,
    origin: Origin,
    delay: Array | None = None,
) -> Array:
    """(T,) values of `evaluate` without their derivatives, at less than half the cost; parameters as there."""
    eta = np.clip(eta, -_LARGEST_LOGIT, _LARGEST_LOGIT)
    clock = _clock_of(data, mu, log_sigma, origin, delay)
    total = np.zeros(data.trays)
    if data.time_tray.size:
        seen = log_gap(clock(data.time_tray, data.time_lo, data.time_hi), family)
        total += np.bincount(data.time_tray, data.time_count * seen, minlength=data.trays)
    if data.cells.tray.size:
        cells = cell_values(data.cells, eta, rho, clock(data.cells.tray, data.cells.lo, data.cells.hi), family)
        total += np.bincount(data.cells.tray, data.cells.count * cells, minlength=data.trays)
    if data.pinches.tray.size:
        ends = clock(data.pinches.tray, data.pinches.lo, data.pinches.hi)
        pinches = pinch_values(data.pinches, eta[data.pinches.tray], ends, family)
        total += np.bincount(data.pinches.tray, data.pinches.count * pinches, minlength=data.trays)
    return total


def _clock_of(
    data: Compiled, mu: Array, log_sigma: Array | float, origin: Origin, delay: Array | None
) -> Callable[[Index, Array, Array], Clock]:
    """What turns the ends of intervals, in days from sowing, into standardised times."""
    sigma = np.exp(np.broadcast_to(np.asarray(log_sigma, dtype=float), data.trays))
    shift = data.origin_days if origin == "1 February" else np.zeros(data.trays)
    late = None if delay is None or np.isnan(delay).all() else delay

    def z(tray: Index, day: Array) -> Array:
        elapsed = day - shift[tray]
        shown = np.maximum(elapsed, 0.0)
        if late is not None:
            shown = np.where(np.isnan(late[tray]), shown, np.logaddexp(0.0, elapsed - np.nan_to_num(late[tray])))
        with np.errstate(divide="ignore"):
            return np.asarray((np.log(shown) - mu[tray]) / sigma[tray])

    return lambda tray, lo, hi: Clock(z(tray, lo), z(tray, hi), sigma[tray])


def _add(total: TrayTerms, tray: Index, count: Array, clock: Clock, d: Slopes) -> None:
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
