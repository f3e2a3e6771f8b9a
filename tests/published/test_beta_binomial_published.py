"""Seeds of one cell share their fate: the beta-binomial in the likelihood of a cell counted once.

Closed forms (computed): n = 10, p = .3, rho = .1 has mean 3, variance n p (1 - p) (1 + (n - 1) rho)
= 3.99 and P(0) = .093133; n = 5, p = .6, rho = .05 has P(0) = .019107.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from germstats.engine.arrays import compile_patterns
from germstats.engine.likelihood import evaluate
from germstats.engine.timing import LOG_NORMAL
from germstats.records.seeds import SowingRate
from tests.made_patterns import made_patterns


def chance_of_each_count(n, p, rho):
    """P(K = 0..n) of one cell that was last seen when all had come, from the project's
    log-likelihood.
    """
    chances = []
    for seen in range(n + 1):
        patterns = made_patterns(
            [{}],
            finishes=[(0, 0, seen, 1e9, "counts", 1)],
            sowings=(SowingRate("counted", (n,), float(n)),),
        )
        eta = np.array([math.log(p / (1 - p))])
        at = evaluate(
            compile_patterns(patterns),
            eta,
            mu=np.array([4.0]),
            log_sigma=-1.0,
            rho=rho,
            family=LOG_NORMAL,
            origin="sowing",
        )
        # which of its seeds is not recorded
        chances.append(math.comb(n, seen) * math.exp(float(np.sum(at.value))))
    return np.array(chances)


@pytest.mark.parametrize(
    ("n", "p", "rho", "empty"), [(10, 0.3, 0.1, 0.093133), (5, 0.6, 0.05, 0.019107)]
)
def test_moments_and_empty_cells(n, p, rho, empty):
    chances, count = chance_of_each_count(n, p, rho), np.arange(n + 1)
    mean = chances @ count
    assert chances.sum() == pytest.approx(1.0, rel=1e-9)
    assert mean == pytest.approx(n * p, rel=1e-9)
    assert chances @ (count - mean) ** 2 == pytest.approx(
        n * p * (1 - p) * (1 + (n - 1) * rho), rel=1e-9
    )
    assert chances[0] == pytest.approx(empty, abs=5e-7)
