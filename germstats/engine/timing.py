"""When seeds that emerge do emerge: three distributions of time on a standard scale.

With T the time of emergence, z = (log t - mu) / sigma and F a cdf of z. Every function takes arrays
of z of one shape and works far in both tails, where differences of plain cdfs would be 0. z = -inf
(time zero) is allowed and carries no density. Sources: Kalbfleisch & Prentice, The Statistical
Analysis of Failure Time Data, 2002, section 2.2 (memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_expit, log_ndtr, ndtri_exp

Array = NDArray[np.float64]

_LOG_SQRT_2PI = 0.5 * float(np.log(2 * np.pi))
_EARLIEST_Z = -500.0  # before which nothing has come, to double precision
_TINY_LOG = -30.0  # a share so small that log(-log(1 - share)) is its log
_LARGEST_Z = 40.0  # beyond it every tail is 0 to double precision; keeps exp(z) finite


@dataclass(frozen=True)
class TimingFamily:
    """One distribution of log time.

    Attributes
    ----------
    name : str
        ``log-logistic``, ``log-normal`` or ``Weibull``.
    log_difference : callable
        (z_lo, z_hi) -> log(F(z_hi) - F(z_lo)).
    log_density, log_survival : callable
        z -> log f(z), log(1 - F(z)).
    slope : callable
        z -> f'(z) / f(z).
    quantile : callable
        share -> z.
    position : callable
        (log share, log of the rest) -> z, exact in both tails.
    """

    name: str
    log_difference: Callable[[Array, Array], Array]
    log_density: Callable[[Array], Array]
    log_survival: Callable[[Array], Array]
    slope: Callable[[Array], Array]
    quantile: Callable[[float], float]
    position: Callable[[Array, Array], Array]

    def __reduce__(self) -> tuple[Callable[[str], TimingFamily], tuple[str]]:
        """Families are handed to another process by their names."""
        return family_named, (self.name,)

    def cdf(self, z: Array) -> Array:
        """Share of the emerging seeds that have emerged by z."""
        share: Array = -np.expm1(self.log_survival(z))
        return share

    def share_by(self, z: Array, horizon: Array) -> Array:
        """Share of the seeds that emerge by `horizon` that have emerged by z.

        Parameters
        ----------
        z, horizon : arrays
            Standardized times; a horizon of +inf is the end of all days.

        Returns
        -------
        array
        """
        z, horizon = np.broadcast_arrays(
            np.maximum(z, _EARLIEST_Z), np.maximum(horizon, _EARLIEST_Z)
        )
        before = np.full(z.shape, -np.inf)
        log_share = self.log_difference(before, np.minimum(z, horizon)) - self.log_difference(
            before, horizon
        )
        return np.where(z > _EARLIEST_Z, np.exp(np.minimum(log_share, 0.0)), 0.0)

    def time_of(self, share: Array | float, horizon: Array) -> Array:
        """z by which a share (0-1) of the seeds that emerge by `horizon` has emerged.

        Parameters
        ----------
        share : array or float
        horizon : array
            Standardized.

        Returns
        -------
        array
            Standardized.
        """
        horizon = np.maximum(horizon, _EARLIEST_Z)
        before = np.full(horizon.shape, -np.inf)
        with np.errstate(divide="ignore"):
            log_share = np.log(share) + self.log_difference(before, horizon)
            rest = np.log1p(-np.exp(np.minimum(log_share, 0.0)))
        return self.position(log_share, rest)


def _log1mexp(x: Array) -> Array:
    """log(1 - exp(-x)) for x > 0 (Machler 2012, memory); -inf at 0."""
    with np.errstate(divide="ignore"):
        return np.where(x < np.log(2), np.log(-np.expm1(-x)), np.log1p(-np.exp(-x)))


def _logistic_difference(lo: Array, hi: Array) -> Array:
    return np.asarray(log_expit(hi) + log_expit(-lo) + _log1mexp(hi - lo))


def _logistic_density(z: Array) -> Array:
    return np.asarray(log_expit(z) + log_expit(-z))


def _logistic_slope(z: Array) -> Array:
    return np.asarray(-np.tanh(z / 2))


def _normal_difference(lo: Array, hi: Array) -> Array:
    flip = lo > 0
    a, b = np.where(flip, -hi, lo), np.where(flip, -lo, hi)
    upper, lower = log_ndtr(b), log_ndtr(a)
    with np.errstate(invalid="ignore"):
        gap = np.where(np.isneginf(lower), np.inf, upper - lower)
    return np.asarray(upper + _log1mexp(gap))


def _normal_density(z: Array) -> Array:
    return np.asarray(-0.5 * z**2 - _LOG_SQRT_2PI)


def _weibull_difference(lo: Array, hi: Array) -> Array:
    low, high = np.exp(np.minimum(lo, _LARGEST_Z)), np.exp(np.minimum(hi, _LARGEST_Z))
    return np.asarray(-low + _log1mexp(high - low))


def _weibull_density(z: Array) -> Array:
    z = np.minimum(z, _LARGEST_Z)
    return np.asarray(z - np.exp(z))


def _normal_position(log_share: Array, log_rest: Array) -> Array:
    upper = log_share > log_rest
    tail = ndtri_exp(np.where(upper, log_rest, log_share))
    return np.asarray(np.where(upper, -tail, tail))


def _weibull_position(log_share: Array, log_rest: Array) -> Array:
    with np.errstate(divide="ignore"):
        return np.where(log_share < _TINY_LOG, log_share, np.log(-log_rest))


LOG_LOGISTIC = TimingFamily(
    name="log-logistic",
    log_difference=_logistic_difference,
    log_density=_logistic_density,
    log_survival=lambda z: np.asarray(log_expit(-z)),
    slope=_logistic_slope,
    quantile=lambda share: float(np.log(share / (1 - share))),
    position=lambda log_share, log_rest: np.asarray(log_share - log_rest),
)
"""F(t) = 1 / (1 + (t / T50)^(-1/sigma)); published fits often write b = -1/sigma and e = T50."""

LOG_NORMAL = TimingFamily(
    name="log-normal",
    log_difference=_normal_difference,
    log_density=_normal_density,
    log_survival=lambda z: np.asarray(log_ndtr(-z)),
    slope=lambda z: np.asarray(-z),
    quantile=lambda share: _normal_quantile(share),
    position=_normal_position,
)
"""F(t) = Phi((log t - mu) / sigma)."""

WEIBULL = TimingFamily(
    name="Weibull",
    log_difference=_weibull_difference,
    log_density=_weibull_density,
    log_survival=lambda z: np.asarray(-np.exp(np.minimum(z, _LARGEST_Z))),
    slope=lambda z: np.asarray(1 - np.exp(np.minimum(z, _LARGEST_Z))),
    quantile=lambda share: float(np.log(-np.log1p(-share))),
    position=_weibull_position,
)
"""F(t) = 1 - exp(-(t / scale)^(1/sigma)), mu = log scale: the smallest-extreme-value law of log
time.
"""

FAMILIES = {family.name: family for family in (LOG_LOGISTIC, LOG_NORMAL, WEIBULL)}


def family_named(name: str) -> TimingFamily:
    """The family of that name."""
    return FAMILIES[name]


def _normal_quantile(share: float) -> float:
    from scipy.special import ndtri

    return float(ndtri(share))
