"""One cure regression by Newton on the product's likelihood and by a custom lifelines fitter, on
the same seeds.
"""

from __future__ import annotations

import numpy as np
import pytest
from big_set import REDUCED, as_patterns, big_set, collapsed, median_seconds, single_seeds
from cure_by_lifelines import as_intervals, fit_by_lifelines
from fixed_fit import FixedFit, fit_fixed, usual_start

from germstats.engine.arrays import compile_patterns
from germstats.engine.timing import LOG_LOGISTIC

pytestmark = pytest.mark.slow

TRAYS = 300 if REDUCED else 1211
# fewer trays leave both sides with their fixed costs, which are ours more than theirs
BAR = 20.0 if REDUCED else 40.0


def test_cure_regression():
    """Species, treatment and season on share and on time: three covariates, 91 parameters."""
    rows = big_set(TRAYS)
    times, finishes = collapsed(rows)
    finishes, design = single_seeds(finishes), rows.design

    def own_fit() -> FixedFit:
        data = compile_patterns(as_patterns(TRAYS, times, finishes))
        return fit_fixed(data, design, design, usual_start(data, design, design), LOG_LOGISTIC)

    ours = own_fit()
    data = compile_patterns(as_patterns(TRAYS, times, finishes))
    intervals, start = as_intervals(times, finishes, design), usual_start(data, design, design)
    theirs = fit_by_lifelines(intervals, start)
    # the bar is 1e-4
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, rel=1e-8, abs=0)
    # BFGS stops near the top
    assert np.allclose(theirs.params_.to_numpy(), ours.coefficients, rtol=1e-4, atol=1e-3)

    own, other = (
        median_seconds(own_fit),
        median_seconds(lambda: fit_by_lifelines(intervals, start), 3),
    )
    print(
        f"\n{TRAYS:,} trays, cure regression: {own:.4f} s, lifelines {other:.2f} s: "
        f"{other / own:.0f}x"
    )
    assert other / own >= BAR
