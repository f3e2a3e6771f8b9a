"""One likelihood for counts, occupancy and tray totals.

Symbols: p = share of seeds that emerge by the end of the spring, eta = logit p; F = cdf of
emergence time among those; x = 1 - F(last check); rho = correlation of the fates of two seeds of
one cell, t = rho / (1 - rho). With

    G(a, b) = prod_{r<a}(p + r t) prod_{r<b}(1 - p + r t) / prod_{r<a+b}(1 + r t) = E[P^a (1 - P)^b]

a cell of n seeds of which K were seen by its last check contributes, beside log dF of each seen
seed's interval,

    A = sum_i C(n - K, i) x^i G(K + i, n - K - i)                                (i seeds alive and
    still to come)

and a cell known only to be first filled in (lo, hi]

    D = sum_i C(n, i) (x_lo^i - x_hi^i) G(i, n - i).

Where a tray has a horizon H, a day from sowing, p is the share of seeds that emerge by H and F(t) /
F(H) takes the place of F(t): nothing depends on what comes after H, and the law of timing only
fills in days before it.

All terms are positive and exact at rho = 0. Where n is drawn per cell, A and D are averaged over
its values (A with the coefficient n!/(n - K)!, since the number of ways to have seen K depends on
n). A pinch is negative binomial with mean m and evenness k: its seen seeds are negative binomial
with mean m p F, and rho is 0 there because k already is the scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from germstats.engine.arrays import Index, PatternArrays, last_days, summed
from germstats.engine.clock import Clock
from germstats.engine.likelihood_terms import (
    filling_sums,
    filling_values,
    finish_sums,
    finish_values,
    pinch_sums,
    pinch_values,
    shares,
    time_sums,
)
from germstats.engine.timing import Array, TimingFamily

Origin = Literal["sowing", "1 February"]
"""Where the clock of the timing distribution starts."""

_LARGEST_LOGIT = 30.0


_CURVATURES = np.array([[4, 5, 6], [5, 7, 8], [6, 8, 9]])
"""Which of the ten sums is each entry of the Hessian."""
_OF_TIME = np.array([0, 2, 3, 7, 8, 9])
"""Which of them are the value and what concerns time alone."""


@dataclass(frozen=True)
class TrayTerms:
    """Log-likelihood of each tray with its derivatives.

    Attributes
    ----------
    sums : (10, T) array
        Value, slopes on eta, mu and log sigma, and the second derivatives in the order of the
        Hessian's upper half: one tray after the other in memory, since all that follows goes entry
        by entry.
    """

    sums: Array

    @property
    def value(self) -> Array:
        """(T,) log-likelihoods."""
        return np.asarray(self.sums[0])

    @property
    def gradient(self) -> Array:
        """(T, 3) slopes on eta, mu and log sigma."""
        return self.sums[1:4].T

    @cached_property
    def hessian(self) -> Array:
        """(T, 3, 3) second derivatives."""
        return np.asarray(self.sums[_CURVATURES].transpose(2, 0, 1))


def evaluate(
    data: PatternArrays,
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
    data : PatternArrays
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
        Days by which the spring is late: the clock shows softplus(elapsed - delay), with a scale of
        one day, instead of the elapsed days. NaN for a tray whose clock is exact.

    Returns
    -------
    TrayTerms
        ``value`` is -inf for a tray in which a seed was seen before the clock starts.
    """
    eta = np.clip(eta, -_LARGEST_LOGIT, _LARGEST_LOGIT)
    clock = _clock_of(data, mu, log_sigma=log_sigma, family=family, origin=origin, delay=delay)
    ends, finishes, fillings, pinches = data.ends, data.finishes, data.fillings, data.pinches
    sums = np.zeros((10, data.trays))
    if data.time_tray.size:
        rows = [data.time_count * row for row in time_sums(clock, ends.times)]
        sums[_OF_TIME] += summed(rows, data.time_tray, data.trays)
    if data.seeds:
        share = shares(eta, rho, data.seeds)
        if finishes.tray.size:
            rows = finish_sums(finishes, share, clock, ends.finishes)
            sums += summed(rows, finishes.tray[finishes.days[1]], data.trays)
        if fillings.tray.size:
            rows = filling_sums(fillings, share, clock, ends.fillings)
            sums += summed([fillings.count * row for row in rows], fillings.tray, data.trays)
    if pinches.tray.size:
        rows = pinch_sums(pinches, eta[pinches.tray], clock, ends.pinches)
        sums += summed([pinches.count * row for row in rows], pinches.tray, data.trays)
    return TrayTerms(sums)


def log_likelihood(
    data: PatternArrays,
    eta: Array,
    mu: Array,
    log_sigma: Array | float,
    rho: Array | float,
    family: TimingFamily,
    origin: Origin,
    delay: Array | None = None,
) -> Array:
    """Values of `evaluate` without their derivatives, at less than half the cost.

    Parameters are as there.

    Returns
    -------
    (T,) array
    """
    eta = np.clip(eta, -_LARGEST_LOGIT, _LARGEST_LOGIT)
    clock = _clock_of(data, mu, log_sigma=log_sigma, family=family, origin=origin, delay=delay)
    ends, finishes, fillings, pinches = data.ends, data.finishes, data.fillings, data.pinches
    total = np.zeros(data.trays)

    def add(tray: Index, count: Array, value: Array) -> None:
        total[:] += np.bincount(tray, count * value, minlength=data.trays)

    if data.time_tray.size:
        add(data.time_tray, data.time_count, clock.log_gap(*ends.times))
    if data.seeds:
        share = shares(eta, rho, data.seeds, slopes=False)
        if finishes.tray.size:
            values = finish_values(finishes, share, clock, ends.finishes)
            add(finishes.tray, finishes.count, values)
        if fillings.tray.size:
            values = filling_values(fillings, share, clock, ends.fillings)
            add(fillings.tray, fillings.count, values)
    if pinches.tray.size:
        values = pinch_values(pinches, eta[pinches.tray], clock, ends.pinches)
        add(pinches.tray, pinches.count, values)
    return total


def share_out_by(
    family: TimingFamily, origin: Origin, data: PatternArrays, mu: Array, sigma: Array | float
) -> Array:
    """Expected share of what emerges by the horizon that is out by each tray's last look.

    Parameters
    ----------
    family : TimingFamily
    origin : {"sowing", "1 February"}
    data : PatternArrays
    mu : (T,) array
        Location of log time.
    sigma : (T,) array or float

    Returns
    -------
    (T,) array
    """
    start = data.origin_days if origin == "1 February" else 0.0
    last, horizon = (
        (np.log(np.maximum(day - start, 1e-3)) - mu) / sigma
        for day in (last_days(data), data.horizon)
    )
    return family.share_by(last, horizon)


def _clock_of(
    data: PatternArrays,
    mu: Array,
    log_sigma: Array | float,
    family: TimingFamily,
    origin: Origin,
    delay: Array | None,
) -> Clock:
    """The clock at the ends of all intervals."""
    tray = data.ends.tray
    late = None if delay is None or np.isnan(delay).all() else delay
    sigma = np.broadcast_to(np.exp(np.asarray(log_sigma, dtype=float)), data.trays)

    def standardized(day: Array, of: Index | slice) -> Array:
        elapsed = day - data.origin_days[of] if origin == "1 February" else day
        shown = np.maximum(elapsed, 0.0)
        if late is not None:
            by = late[of]
            shown = np.where(np.isnan(by), shown, np.logaddexp(0.0, elapsed - np.nan_to_num(by)))
        with np.errstate(divide="ignore"):
            return np.asarray((np.log(shown) - mu[of]) / sigma[of])

    horizon = None
    if np.isfinite(data.horizon).any():
        end = standardized(data.horizon, slice(None))
        horizon = np.where(np.isneginf(end), np.inf, end)[tray]
    return Clock(standardized(data.ends.day, tray), sigma[tray], family, horizon)
