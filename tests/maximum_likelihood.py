"""The engine's likelihood of a few trays at its maximum, without priors or scatter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from germstats.engine.arrays import PatternArrays
from germstats.engine.likelihood import evaluate
from germstats.engine.timing import Array, TimingFamily


@dataclass(frozen=True)
class Maximum:
    """Where the likelihood is largest.

    Attributes
    ----------
    eta, mu : (T,) arrays
        Logit of the share and location of log time of each tray.
    log_sigma : float
        Common to all trays.
    log_likelihood : float
    covariance : (K, K) array
        Inverse of the observed information on the free ones of eta (T), mu (T) and log sigma.
    steepest : float
        Largest slope left.
    """

    eta: Array
    mu: Array
    log_sigma: float
    log_likelihood: float
    covariance: Array
    steepest: float


def maximum_likelihood(
    data: PatternArrays, family: TimingFamily, start: Array, eta: float | None = None
) -> Maximum:
    """Every tray with a share and a location of its own, and one spread; clocks start at sowing.

    Parameters
    ----------
    data : PatternArrays
        T trays.
    family : TimingFamily
    start : (2 T + 1,) array
        eta, mu and log sigma to start from.
    eta : float, optional
        Holds the logit of every share.
    """
    trays = data.trays
    free = np.arange(2 * trays + 1)[trays if eta is not None else 0 :]

    def whole(x: Array) -> Array:
        full = start.astype(float)
        full[:trays] = start[:trays] if eta is None else eta
        full[free] = x
        return full

    def terms(x: Array) -> tuple[float, Array, Array]:
        """Minus the log-likelihood, its slopes and its curvature on the free parameters."""
        full = whole(x)
        found = evaluate(
            data,
            full[:trays],
            mu=full[trays:-1],
            log_sigma=full[-1],
            rho=0.0,
            family=family,
            origin="sowing",
        )
        place = np.stack([np.arange(trays), trays + np.arange(trays), np.full(trays, 2 * trays)])
        slope, curvature = np.zeros(len(full)), np.zeros((len(full), len(full)))
        for tray in range(trays):
            at = place[:, tray]
            slope[at] += found.gradient[tray]
            curvature[np.ix_(at, at)] += found.hessian[tray]
        return -float(found.value.sum()), -slope[free], -curvature[np.ix_(free, free)]

    found = minimize(
        lambda x: terms(x)[0],
        start[free],
        jac=lambda x: terms(x)[1],
        hess=lambda x: terms(x)[2],
        method="trust-exact",
        options={"gtol": 1e-9},
    )
    value, slope, information = terms(found.x)
    full = whole(found.x)
    return Maximum(
        eta=full[:trays],
        mu=full[trays:-1],
        log_sigma=float(full[-1]),
        log_likelihood=-value,
        covariance=np.linalg.inv(information),
        steepest=float(np.abs(slope).max()),
    )
