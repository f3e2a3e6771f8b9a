"""Classical measures where the answer is known without a computer; published series are in
tests/published.
"""

from __future__ import annotations

import numpy as np
import pytest

from germstats.engine.measures import classical_measures


def test_all_on_one_day():
    found = classical_measures(np.array([4.0, 5.0]), np.array([0.0, 10.0]), 20)
    assert (found.percentage, found.mean_time, found.variance, found.variation) == (
        50.0,
        5.0,
        0.0,
        0.0,
    )
    assert (found.uncertainty, found.synchrony, found.speed) == (0.0, 1.0, 2.0)
    # 5.5 and 5 of the 10 that came between day 4 and 5
    assert (found.t50_coolbear, found.t50_farooq) == (4.55, 4.5)


def test_one_seed_on_each_of_four_days():
    found = classical_measures(np.arange(1.0, 5.0), np.ones(4), 4)
    assert found.uncertainty == pytest.approx(2.0, rel=1e-12)  # log2 of four equal shares
    assert found.synchrony == 0.0
    assert found.variance == pytest.approx(5 / 3, rel=1e-12)
    assert found.speed == pytest.approx(1 + 1 / 2 + 1 / 3 + 1 / 4, rel=1e-12)


@pytest.mark.parametrize(("day", "germinated"), [([], []), ([3.0], [0.0]), ([3.0], [1.0])])
def test_too_few_seeds(day, germinated):
    with pytest.raises(ValueError, match="fewer than two seeds germinated"):
        classical_measures(np.array(day), np.array(germinated), 20)


@pytest.mark.parametrize(
    ("day", "germinated"),
    [([0.0, 2.0], [1.0, 3.0]), ([2.0, 1.0], [1.0, 3.0]), ([1.0, 2.0], [3.0, -1.0])],
)
def test_counts_that_cannot_be(day, germinated):
    with pytest.raises(ValueError, match="days must rise from above 0"):
        classical_measures(np.array(day), np.array(germinated), 20)


def test_more_than_were_sown():
    with pytest.raises(ValueError, match="exceed the seeds sown"):
        classical_measures(np.array([3.0]), np.array([21.0]), 20)
