"""Only occupied or empty is known: dilution assays and group testing are cells sown by the pinch,
or n to a cell.

Dilution tables: FDA BAM Appendix 2, Ridout 1994, Blodgett 2002, Haas 2014 (seen through a secondary
source): the number of organisms in a tube is Poisson, P(occupied) = 1 - exp(-lambda). Group
testing: p = 1 - (1 - y/n)^(1/s) (computed).
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

# an amount holds _BIG x amount possible organisms, each there with probability p: Poisson for small
# p
_BIG = 1e8
_EVEN = 1e9  # k of a pinch so even that it is Poisson

MPN = [  # positives, tubes, amount per tube, most probable number, tolerance (half the last digit)
    ((1, 0, 0), (3, 3, 3), (0.1, 0.01, 0.001), 3.6, 0.05),
    ((2, 2, 0), (3, 3, 3), (0.1, 0.01, 0.001), 21.1, 0.05),
    ((3, 1, 1), (3, 3, 3), (0.1, 0.01, 0.001), 74.9, 0.1),
    ((3, 3, 2), (3, 3, 3), (0.1, 0.01, 0.001), 1099.0, 0.6),
    ((5, 3, 0), (10, 10, 10), (0.1, 0.01, 0.001), 9.950764, 0.001),
    ((4, 2, 2), (5, 5, 4), (0.1, 0.01, 0.001), 31.918, 0.002),
    ((1, 5), (5, 5), (1, 0.1), 1.29, 0.005),
    ((5, 3, 0), (5, 5, 5), (10, 1, 0.1), 0.792, 0.0005),
    ((6, 2, 1, 0), (10, 10, 10, 10), (10, 1, 0.1, 0.01), 0.1215, 0.00005),
]


def best_logit(sowings, positives, tubes):
    """Maximum-likelihood logit p from one look at everything: Newton on the project's own
    derivatives.
    """
    rows = range(len(tubes))
    patterns = made_patterns(
        [{}],
        finishes=[
            (0, k, 0, 1e9, "occupancy", tubes[k] - positives[k])
            for k in rows
            if tubes[k] > positives[k]
        ],
        occupied=[(0, k, 0.0, 1e9, positives[k]) for k in rows if positives[k]],
        sowings=sowings,
    )
    data, eta = compile_patterns(patterns), np.array([-16.0])
    for _ in range(200):
        at = evaluate(
            data,
            eta,
            mu=np.array([4.0]),
            log_sigma=-1.0,
            rho=0.0,
            family=LOG_NORMAL,
            origin="sowing",
        )
        step = at.gradient[0, 0] / abs(at.hessian[0, 0, 0])
        eta = eta + np.clip(step, -1, 1)
        if abs(step) < 1e-10:
            return float(eta[0]), float(-at.hessian[0, 0, 0])
    raise AssertionError("no maximum found")


@pytest.mark.parametrize(("positives", "tubes", "amounts", "number", "tolerance"), MPN)
def test_most_probable_numbers(positives, tubes, amounts, number, tolerance):
    sowings = tuple(SowingRate("pinch", (), _BIG * amount, _EVEN) for amount in amounts)
    eta, _ = best_logit(sowings, positives, tubes)
    assert _BIG / (1 + math.exp(-eta)) == pytest.approx(number, abs=tolerance)


@pytest.mark.parametrize(
    ("positive", "pools", "share", "error"), [(45, 50, 0.205672, 0.033700), (1, 10, 0.010481, None)]
)
def test_group_testing(positive, pools, share, error):
    eta, curvature = best_logit((SowingRate("counted", (10,), 10.0),), (positive,), (pools,))
    p = 1 / (1 + math.exp(-eta))
    assert p == pytest.approx(share, abs=5e-7)
    if error:
        assert p * (1 - p) / math.sqrt(curvature) == pytest.approx(error, abs=5e-7)
