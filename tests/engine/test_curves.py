"""Curves without a distribution: against lifelines, against shares worked out by hand, and their
bands.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter

from germstats.engine.curves import emergence_curve, interval_masses
from germstats.records.seeds import SowingRate
from tests.made_patterns import made_patterns

COSMESIS = pd.read_csv(Path(__file__).parents[1] / "published" / "breast_cosmesis.csv")
TWO = SowingRate("counted", (2,), 2.0)


def counted(seen, seeds=72, day=60.0):
    """Trays of single seeds, `seen` of each come between days 50 and `day`."""
    return made_patterns(
        [{"emerged": float(n), "filled": float(n), "seeds": float(seeds)} for n in seen],
        times=[(k, 50.0, day, n) for k, n in enumerate(seen) if n],
        finishes=[
            (k, 0, s, 200.0, "counts", c)
            for k, n in enumerate(seen)
            for s, c in ((1, n), (0, seeds - n))
            if c
        ],
    )


@pytest.mark.parametrize("group", ["RT", "RCT"])
def test_masses_agree_with_lifelines_once_its_intervals_are_opened(group):
    """lifelines 0.30 takes intervals as closed; a nudge of the left ends opens them."""
    rows = COSMESIS[COSMESIS["treat"] == group]
    left, right = rows["left"].to_numpy(float), rows["right"].to_numpy(float)
    own = interval_masses(left, right)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = KaplanMeierFitter().fit_interval_censoring(left + 1e-6, right, tol=1e-10)
    beyond = fitted.survival_function_["NPMLE_estimate_lower"]
    for end in own.right[np.isfinite(own.right)]:
        # its own stopping rule
        assert own.came_by(end) == pytest.approx(1 - beyond.loc[end], abs=1e-5), end


def test_a_weight_is_so_many_seeds():
    left, right = np.array([0.0, 1.0, 1.0, 3.0]), np.array([2.0, 3.0, 3.0, np.inf])
    once = interval_masses(left, right)
    weighted = interval_masses(left[[0, 1, 3]], right[[0, 1, 3]], np.array([1.0, 2.0, 1.0]))
    np.testing.assert_allclose(weighted.mass, once.mass, rtol=0, atol=1e-12)
    assert weighted.log_likelihood == pytest.approx(once.log_likelihood, abs=1e-12)


def test_the_curve_of_finished_trays_ends_at_the_share_counted():
    curve = emergence_curve(counted([30, 42, 36]))
    assert (curve.unit, curve.trays) == ("seeds", 3)
    np.testing.assert_allclose(curve.day, [60.0])
    np.testing.assert_allclose(curve.came, [0.5], atol=1e-8)
    assert curve.low[0] < 30 / 72 < 42 / 72 < curve.high[0]
    assert curve.to_frame().columns.tolist() == ["day", "came", "low", "high"]


def test_a_tray_whose_checks_stopped_early_is_no_failure():
    """By hand: half of the first tray came by day 60, where the second was last seen empty on day
    40.
    """
    patterns = made_patterns(
        [{"emerged": 36.0}, {"emerged": 0.0}],
        times=[(0, 50.0, 60.0, 36)],
        finishes=[
            (0, 0, 1, 200.0, "counts", 36),
            (0, 0, 0, 200.0, "counts", 36),
            (1, 0, 0, 40.0, "counts", 72),
        ],
    )
    np.testing.assert_allclose(emergence_curve(patterns).came, [0.5], atol=1e-8)


def test_trays_are_the_units_of_the_band():
    """The same 108 of 216 seeds: trays far apart must give a wider band than trays that agree."""
    alike, apart = emergence_curve(counted([36, 36, 36])), emergence_curve(counted([10, 62, 36]))
    assert (apart.high - apart.low)[0] > 3 * (alike.high - alike.low)[0]
    # trays that happen to agree are no certainty: at least t(.975, 2) = 4.303 times the independent
    # seeds' error
    sd = 1 / np.sqrt(216 * 0.25)
    assert alike.high[0] == pytest.approx(1 / (1 + np.exp(-4.302653 * sd)), abs=1e-6)


def test_one_tray_gives_no_band():
    curve = emergence_curve(counted([36]))
    assert np.isnan(curve.low).all()
    assert np.isnan(curve.high).all()


def test_cells_and_seeds_are_not_mixed():
    """By hand: two trays record half of their cells filled; the one that counts seeds says another
    thing.
    """
    total = {"record": "totals", "emerged": np.nan, "filled": 36.0, "sowing": 1, "seeds": 144.0}
    patterns = made_patterns(
        [{"emerged": 18.0}, total, total],
        times=[(0, 50.0, 60.0, 18)],
        finishes=[
            (0, 0, 1, 200.0, "counts", 18),
            (0, 0, 0, 200.0, "counts", 54),
            *[(k, 1, 0, 200.0, "occupancy", 36) for k in (1, 2)],
        ],
        occupied=[(k, 1, 50.0, 60.0, 36) for k in (1, 2)],
        sowings=(SowingRate("counted", (1,), 1.0), TWO),
    )
    curve = emergence_curve(patterns)
    assert (curve.unit, curve.trays) == ("cells", 2)
    np.testing.assert_allclose(curve.came, [0.5], atol=1e-8)
    assert emergence_curve(patterns, [0]).unit == "seeds"


def test_nothing_to_draw():
    with pytest.raises(ValueError, match="no curve to draw"):
        emergence_curve(counted([0]))
