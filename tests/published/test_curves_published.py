"""Breast cosmesis, intervals (left, right] (Finkelstein & Wolfe 1985, seen).

Masses and log-likelihoods: computed; Fay & Shaw 2010, J. Stat. Softw. 36(2) (memory); tolerance
5e-5. Weibull regression: computed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from germstats.engine.crosscheck_timing import regress_times
from germstats.engine.curves import interval_masses

DATA = pd.read_csv(Path(__file__).with_name("breast_cosmesis.csv"))
MASSES = {
    "RT": (
        {
            (4, 5): 0.0463,
            (6, 7): 0.0334,
            (7, 8): 0.0887,
            (11, 12): 0.0708,
            (24, 25): 0.0926,
            (33, 34): 0.0818,
            (38, 40): 0.1209,
        },
        -58.06002,
    ),
    "RCT": (
        {
            (4, 5): 0.0433,
            (5, 8): 0.0433,
            (11, 12): 0.0692,
            (16, 17): 0.1454,
            (18, 19): 0.1411,
            (19, 20): 0.1157,
            (24, 25): 0.0999,
            (30, 31): 0.0709,
            (35, 36): 0.1608,
            (44, 48): 0.0552,
            (48, 60): 0.0552,
        },
        -65.63696,
    ),
}


@pytest.mark.parametrize("group", MASSES)
def test_masses_and_log_likelihood(group):
    rows = DATA[DATA["treat"] == group]
    found = interval_masses(rows["left"].to_numpy(float), rows["right"].to_numpy(float))
    got = dict(zip(zip(found.left, found.right, strict=True), found.mass, strict=True))
    masses, log_likelihood = MASSES[group]
    for interval, mass in masses.items():
        assert got[interval] == pytest.approx(mass, abs=5e-5 + 5e-6), interval
    assert found.log_likelihood == pytest.approx(log_likelihood, abs=5e-5)
    assert found.came_by(np.inf) == pytest.approx(1.0)


def test_weibull_regression_of_the_libraries_road():
    """Computed: intercept 3.89928 (.14053), RCT -0.56755 (.17573), scale .61934, log-likelihood
    -143.3208.
    """
    named = {"RT": "1 RT", "RCT": "2 RCT"}  # the first in order is the baseline
    intervals = pd.DataFrame(
        {
            "group": DATA["treat"].map(named),
            "lo": DATA["left"].astype(float),
            "hi": DATA["right"].astype(float),
            "count": 1.0,
        }
    )
    found = regress_times(intervals, ("Weibull",))
    rt, rct = found.location
    sd = np.sqrt(np.diag(found.covariance))
    contrast = np.sqrt(found.covariance[0, 0] + found.covariance[1, 1] - 2 * found.covariance[0, 1])
    assert found.groups == ("1 RT", "2 RCT")
    assert rt == pytest.approx(3.89928, rel=1e-4)  # other software, another optimiser
    assert sd[0] == pytest.approx(0.14053, rel=1e-4)
    assert rct - rt == pytest.approx(-0.56755, rel=1e-4)
    assert contrast == pytest.approx(0.17573, rel=1e-4)
    assert found.scale == pytest.approx(0.61934, rel=1e-4)
    assert found.log_likelihood == pytest.approx(-143.3208, abs=5e-5)
    assert found.medians()["1 RT"][0] == pytest.approx(
        np.exp(3.89928) * np.log(2) ** 0.61934, rel=1e-4
    )


def test_weibull_regression_of_the_joint_model():
    """Computed: intercept 3.89928 (.14053), RCT -0.56755 (.17573), scale .61934, log-likelihood
    -143.3208.
    """
    from germstats.engine.arrays import compile_patterns
    from germstats.engine.timing import WEIBULL
    from tests.made_patterns import made_patterns
    from tests.published.maximum_likelihood import maximum

    # every one comes in the end: share held at 1, one row a group, one common sigma
    groups = ["RT", "RCT"]
    finite = DATA[np.isfinite(DATA["right"])].groupby(["treat", "left", "right"]).size()
    never = DATA[~np.isfinite(DATA["right"])].groupby(["treat", "left"]).size()
    patterns = made_patterns(
        [{}, {}],
        times=[(groups.index(t), lo, hi, n) for (t, lo, hi), n in finite.items()],
        finishes=[(groups.index(t), 0, 0, lo, "counts", n) for (t, lo), n in never.items()]
        + [
            (k, 0, 1, 1e9, "counts", int(n))
            for k, n in enumerate(finite.groupby(level=0).sum()[groups])
        ],
    )
    found = maximum(
        compile_patterns(patterns),
        WEIBULL,
        theta=np.array([30.0, 30.0]),
        mu=np.array([3.9, 3.3]),
        log_sigma=np.log(0.6),
        share_known=True,
    )
    rt, rct = found.mu
    assert rt == pytest.approx(3.89928, rel=1e-4)
    assert rct - rt == pytest.approx(-0.56755, rel=1e-4)
    assert np.exp(found.log_sigma) == pytest.approx(0.61934, rel=1e-4)
    assert found.value == pytest.approx(-143.3208, abs=5e-5)
    assert found.sd[0] == pytest.approx(0.14053, rel=1e-3)


def test_an_interval_that_ends_before_it_starts():
    with pytest.raises(ValueError, match="end after it starts"):
        interval_masses(np.array([3.0]), np.array([2.0]))
