"""Timing with a share that never germinates.

Source: Ritz, Pipper & Streibig 2013, Europ. J. Agronomy 45:1-6, chickweed, 200 seeds, 34 checks
(seen). The fitted log-logistic F(t) = d / (1 + exp(b (ln t - ln e))) has sigma = -1/b and mu = ln
e; tolerance 1e-3 relative.
"""

from __future__ import annotations

import numpy as np
import pytest

from germstats.engine.arrays import compile_patterns
from germstats.engine.timing import LOG_LOGISTIC
from tests.made_patterns import made_patterns
from tests.published.maximum_likelihood import maximum

GERMINATED = {  # (lo, hi] hours: seeds; 160 of 200 never
    (133, 143): 2,
    (176.5, 182.5): 3,
    (182.5, 192.5): 10,
    (192.5, 200.5): 11,
    (200.5, 206.5): 6,
    (206.5, 216.5): 5,
    (216.5, 224.5): 2,
    (266.5, 276.5): 1,
}


@pytest.fixture(scope="module")
def chickweed():
    patterns = made_patterns(
        [{}],
        times=[(0, lo, hi, n) for (lo, hi), n in GERMINATED.items()],
        finishes=[(0, 0, 1, 281.5, "counts", 40), (0, 0, 0, 281.5, "counts", 160)],
    )
    return maximum(
        compile_patterns(patterns),
        LOG_LOGISTIC,
        theta=np.zeros(1),
        mu=np.array([np.log(196.0)]),
        log_sigma=np.log(0.3),
    )


def test_parameters_of_the_chickweed_curve(chickweed):
    assert 1 / (1 + np.exp(-chickweed.theta[0])) == pytest.approx(0.20011, rel=1e-3)
    assert np.exp(chickweed.mu[0]) == pytest.approx(196.053, rel=1e-3)
    assert -1 / np.exp(chickweed.log_sigma) == pytest.approx(-20.767, rel=1e-3)
    # log-likelihood, computed to five decimals
    assert chickweed.value == pytest.approx(-188.17186, abs=5e-5)


@pytest.mark.parametrize(("share", "hours"), [(0.1, 176.370), (0.5, 196.053), (0.9, 217.933)])
def test_hours_until_a_share_of_those_that_germinate(chickweed, share, hours):
    days = chickweed.mu[0] + np.exp(chickweed.log_sigma) * LOG_LOGISTIC.quantile(share)
    assert np.exp(days) == pytest.approx(hours, rel=1e-3)


def test_standard_errors_are_not_those_of_independent_cumulative_counts(chickweed):
    """Published: .0283 for d, 2.944 for b, 2.506 for e; treating cumulative counts as independent
    gives .0115 for d.
    """
    p = 1 / (1 + np.exp(-chickweed.theta[0]))
    theta_sd, mu_sd, log_sigma_sd = chickweed.sd
    assert p * (1 - p) * theta_sd == pytest.approx(0.0283, abs=5e-5)
    # the delta method on the log; published in hours
    assert np.exp(chickweed.mu[0]) * mu_sd == pytest.approx(2.506, rel=5e-3)
    assert np.exp(-chickweed.log_sigma) * log_sigma_sd == pytest.approx(2.944, rel=5e-3)
