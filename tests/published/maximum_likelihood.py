"""Maximum likelihood of the joint model without scatter, for published fits that have none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from germstats.engine.likelihood import evaluate


@dataclass(frozen=True)
class Maximum:
    """Where the log-likelihood is highest: theta and mu of each tray, one log sigma for all.

    `sd` holds the standard errors in that order, those of theta only where it was sought.
    """

    theta: np.ndarray
    mu: np.ndarray
    log_sigma: float
    value: float
    sd: np.ndarray


def maximum(data, family, theta, mu, log_sigma, share_known=False):
    """Climb from a start by the likelihood's own gradient.

    Parameters
    ----------
    data : PatternArrays
        T trays.
    family : TimingFamily
    theta, mu : (T,) arrays
        Where to start.
    log_sigma : float
    share_known : bool
        Keep `theta`: every seed comes up.
    """
    trays = len(theta)

    def terms(x):
        at = theta if share_known else x[:trays]
        return evaluate(
            data,
            at,
            mu=x[trays : 2 * trays],
            log_sigma=float(x[-1]),
            rho=0.0,
            family=family,
            origin="sowing",
        )

    def loss(x):
        here = terms(x)
        by_tray, by_sigma = here.gradient[:, :2].T.ravel(), here.gradient[:, 2].sum()
        slope = np.append(by_tray, by_sigma)
        slope[:trays] *= not share_known
        return -float(here.value.sum()), -slope

    start = np.concatenate([theta, mu, [log_sigma]])
    found = minimize(loss, start, jac=True, method="BFGS", options={"gtol": 1e-8})
    sd = _standard_errors(terms(found.x).hessian, share_known)
    return Maximum(
        theta=found.x[:trays],
        mu=found.x[trays : 2 * trays],
        log_sigma=float(found.x[-1]),
        value=float(terms(found.x).value.sum()),
        sd=sd,
    )


def _standard_errors(hessian, share_known):
    """Of theta (left out where it is known), mu and log sigma, from a (T, 3, 3) Hessian."""
    trays = len(hessian)
    at = np.arange(trays)
    information = np.zeros((2 * trays + 1, 2 * trays + 1))
    information[at, at] = -hessian[:, 0, 0]
    information[trays + at, trays + at] = -hessian[:, 1, 1]
    information[at, trays + at] = information[trays + at, at] = -hessian[:, 0, 1]
    information[-1, :trays] = information[:trays, -1] = -hessian[:, 0, 2]
    information[-1, trays:-1] = information[trays:-1, -1] = -hessian[:, 1, 2]
    information[-1, -1] = -hessian[:, 2, 2].sum()
    if share_known:
        information = information[trays:, trays:]
    return np.sqrt(np.diag(np.linalg.inv(information)))
