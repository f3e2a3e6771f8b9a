"""Newton's method for fixed effects on logit p and log T, with the product's own likelihood and
derivatives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from germstats.engine.arrays import PatternArrays
from germstats.engine.likelihood import evaluate
from germstats.engine.timing import TimingFamily

_LONGEST_STEP = 1.0  # on the scale of a logit or a log


def usual_start(data: PatternArrays, share: np.ndarray, time: np.ndarray) -> np.ndarray:
    """Even chances, and the mean and scatter of the log of the days by which seeds were seen;
    intercept columns 0/1.
    """
    day, weight = np.log((data.time_lo + data.time_hi) / 2), data.time_count / data.time_count.sum()
    mean = day @ weight
    scale = np.sqrt((day - mean) ** 2 @ weight) * np.sqrt(3) / np.pi
    level, *_ = np.linalg.lstsq(time, np.full(len(time), mean), rcond=None)
    return np.r_[np.zeros(share.shape[1]), level, np.log(scale)]


@dataclass(frozen=True)
class FixedFit:
    """Maximum likelihood: coefficients (share, then time, then log sigma), largest score,
    log-likelihood.
    """

    coefficients: np.ndarray
    log_likelihood: float
    score: float
    steps: int


def fit_fixed(
    data: PatternArrays,
    share: np.ndarray,
    time: np.ndarray,
    start: np.ndarray,
    family: TimingFamily,
) -> FixedFit:
    """Fit eta = share @ b, mu = time @ g, one log sigma; stops on the decrement before a step."""
    p, q = share.shape[1], time.shape[1]
    at = np.array(start, dtype=float)

    def look(at: np.ndarray):
        return evaluate(
            data,
            share @ at[:p],
            mu=time @ at[p : p + q],
            log_sigma=at[-1],
            rho=0.0,
            family=family,
            origin="sowing",
        )

    terms = look(at)
    for steps in range(50):
        score, curvature = _gathered(terms.gradient, terms.hessian, share, time)
        move = _uphill(score, curvature)
        if score @ move < 1e-8:
            return FixedFit(at, float(terms.value.sum()), float(np.abs(score).max()), steps)
        size = min(1.0, _LONGEST_STEP / float(np.abs(move).max()))
        while (ahead := look(at + size * move)).value.sum() < terms.value.sum():
            size /= 2
        at, terms = at + size * move, ahead
    raise AssertionError("no convergence in 50 steps")


def _uphill(score: np.ndarray, curvature: np.ndarray) -> np.ndarray:
    """Newton's step; where the surface is not concave, with as much of the diagonal added as makes
    it so.
    """
    added = 0.0
    while True:
        try:
            return cho_solve(
                cho_factor(-curvature + added * np.diag(np.abs(np.diag(curvature)))), score
            )
        except np.linalg.LinAlgError:
            added = max(2 * added, 0.1)


def _gathered(
    g: np.ndarray, h: np.ndarray, share: np.ndarray, time: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Tray derivatives carried to the coefficients."""
    score = np.r_[share.T @ g[:, 0], time.T @ g[:, 1], g[:, 2].sum()]
    one = np.ones((len(g), 1))
    parts = (share, time, one)
    blocks = [[parts[j].T @ (h[:, j, k, None] * parts[k]) for k in range(3)] for j in range(3)]
    return score, np.block(blocks)
