"""The prior of the tray sd that a comparison borrows."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from germstats.engine.treatment_model import borrowed


def test_the_borrowed_prior_is_as_wide_as_the_trays_it_was_learnt_from_leave_it():
    """From n trays beyond the first of their lots the log of a normal sample's sd has the standard
    error 1 / sqrt(2 n) (any statistics textbook), beside the prior's .6: with 10 trays 1 / sqrt(20
    + 2.78) = .2095.
    """
    (_, middle, spread), surprise = borrowed(0.3, 10).parts
    assert (middle, spread) == (0.3, pytest.approx(np.sqrt(0.25**2 + 0.2095**2), abs=1e-4))
    assert borrowed(0.3).parts == ((0.9, 0.3, 0.25), surprise)
    # one tray a lot tells nothing
    assert borrowed(0.3, 0).parts[0][2] == pytest.approx(np.hypot(0.25, 0.6), abs=1e-12)
    logs = np.log(np.random.default_rng(1).standard_normal((20000, 11)).std(axis=1, ddof=1))
    assert logs.std() == pytest.approx(1 / np.sqrt(20), rel=0.08)  # first order; .238 exactly


def test_the_density_is_that_of_the_mixture():
    """Half of the second part, and the normal tail of the first, lie below .5."""
    grid = np.linspace(-6.0, 4.0, 8001)
    density = np.exp(borrowed(0.3).log_density(np.exp(grid))) / np.sqrt(2 * np.pi)
    below = 0.9 * stats.norm.cdf((np.log(0.5) - np.log(0.3)) / 0.25) + 0.1 * 0.5
    assert np.trapezoid(density, grid) == pytest.approx(1.0, abs=1e-6)
    assert np.trapezoid(density[np.exp(grid) <= 0.5], grid[np.exp(grid) <= 0.5]) == pytest.approx(
        below, abs=2e-3
    )


def test_a_sd_twice_the_nurserys_is_kept_possible():
    grid = np.linspace(-6.0, 4.0, 8001)
    weight = np.exp(borrowed(0.3).log_density(np.exp(grid)))
    assert 0.02 < weight[np.exp(grid) >= 0.6].sum() / weight.sum() < 0.1
