"""Classical measures of two published series of 20 seeds (formulae from memory, arithmetic
computed).

T50 conventions: wheat with a check that found none on day 3; rice with no check on day 8.
"""

from __future__ import annotations

import numpy as np
import pytest

from germstats.engine.measures import classical_measures

SERIES = {
    "wheat 16 C": (
        ([3, 4, 5, 7], [0, 11, 7, 1]),
        (95, 4.526316, 0.596491, 17.06307, 1.210810, 0.444444, 4.292857, 3.909091, 3.863636),
    ),
    "rice 16 C": (
        ([6, 7, 9, 10], [0, 4, 4, 2]),
        (50, 8.4, 1.6, 15.05847, 1.521928, 0.288889, 1.215873, 7.75, 7.5),
    ),
}


@pytest.mark.parametrize("name", SERIES)
def test_classical_measures(name):
    (day, germinated), expected = SERIES[name]
    found = classical_measures(np.array(day), np.array(germinated), 20)
    got = (
        found.percentage,
        found.mean_time,
        found.variance,
        found.variation,
        found.uncertainty,
        found.synchrony,
        found.speed,
        found.t50_coolbear,
        found.t50_farooq,
    )
    # half the last digit of the shortest entry
    np.testing.assert_allclose(got, expected, rtol=0, atol=5e-6)


def test_series_that_cannot_be_measured():
    with pytest.raises(ValueError, match="fewer than two seeds"):
        classical_measures(np.array([3.0]), np.array([1.0]), 20)
    with pytest.raises(ValueError, match="days must rise"):
        classical_measures(np.array([3.0, 3.0]), np.array([1.0, 4.0]), 20)
