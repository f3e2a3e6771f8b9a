"""The libraries' road: shares and times worked out by hand, the cases without an answer, and the
comparison.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from germstats.engine.crosscheck import compare_with_libraries, library_estimates
from germstats.engine.crosscheck_timing import regress_times
from germstats.engine.fit import fit_emergence
from germstats.records.seeds import SowingRate
from tests.made_patterns import ONE, made_patterns

TWO = SowingRate("counted", (2,), 2.0)
DAYS = ((50.0, 60.0, 0.25), (60.0, 70.0, 0.5), (70.0, 80.0, 0.25))


def counted(seen, seeds=72):
    """Trays of single seeds: a quarter, a half and a quarter of those seen come in three
    intervals.
    """
    return made_patterns(
        [{"emerged": float(n), "filled": float(n), "seeds": float(seeds)} for n in seen],
        times=[(k, lo, hi, part * n) for k, n in enumerate(seen) for lo, hi, part in DAYS if n],
        finishes=[
            (k, 0, s, 200.0, "counts", c)
            for k, n in enumerate(seen)
            for s, c in ((1, n), (0, seeds - n))
            if c
        ],
    )


def filled(cells, sowing=TWO):
    """Trays of 72 cells of which only the fill is known."""
    return made_patterns(
        [
            {"record": "totals", "emerged": np.nan, "filled": float(n), "seeds": np.nan}
            for n in cells
        ],
        finishes=[(k, 0, 0, 200.0, "occupancy", 72 - n) for k, n in enumerate(cells) if n < 72],
        occupied=[
            (k, 0, lo, hi, part * n) for k, n in enumerate(cells) for lo, hi, part in DAYS if n
        ],
        sowings=(sowing,),
    )


def only(patterns):
    (row,) = library_estimates(patterns).to_frame().to_dict("records")
    return row


def test_share_and_cluster_error_of_three_trays_by_hand():
    """Pooled share 108/216; sandwich error of the logit: sqrt(3/2 sum (y - 36)^2) / (216 x .25)."""
    row = only(counted([28, 44, 36]))
    assert row["share"] == pytest.approx(0.5, rel=1e-9)
    logit_sd = np.sqrt(3 / 2 * (64 + 64)) / 54
    assert row["share_sd"] == pytest.approx(logit_sd / 4, rel=1e-6)
    assert row["share_high"] == pytest.approx(1 / (1 + np.exp(-1.959964 * logit_sd)), rel=1e-6)
    assert row["share_low"] == pytest.approx(1 - row["share_high"], rel=1e-6)


def test_one_tray_has_the_error_of_independent_seeds():
    row = only(counted([36]))
    assert row["share_sd"] == pytest.approx(np.sqrt(0.25 / 72), rel=1e-6)
    assert "one tray, errors of independent seeds" in row["note"]


def test_filled_cells_of_two_seeds_by_hand():
    """36 of 72 cells filled: share per seed 1 - sqrt(1/2)."""
    row = only(filled([36, 36]))
    assert row["share"] == pytest.approx(1 - np.sqrt(0.5), rel=1e-6)
    assert row["note"] == "filled cells"
    assert row["curve"] == pytest.approx(0.5, rel=1e-9)
    assert row["curve_of"] == "cells, 2 trays"


def test_a_range_of_seeds_stands_for_its_mean():
    row = only(filled([36, 36], SowingRate("range", (2, 3), 2.5)))
    assert row["share"] == pytest.approx(1 - 0.5 ** (1 / 2.5), rel=1e-6)
    assert "each sown with its mean" in row["note"]


def test_a_share_rests_on_every_tray_though_only_some_were_counted():
    """By hand: 18, 54 and 36 of 72 cells, two of the trays counted; the third may not be
    forgotten.
    """
    patterns = made_patterns(
        [
            {"emerged": 18.0, "filled": 18.0},
            {"emerged": 54.0, "filled": 54.0},
            {"record": "totals", "emerged": np.nan, "filled": 36.0, "seeds": np.nan, "sowing": 1},
        ],
        times=[(0, 50.0, 60.0, 18), (1, 50.0, 60.0, 54)],
        finishes=[
            (0, 0, 1, 200.0, "counts", 18),
            (0, 0, 0, 200.0, "counts", 54),
            (1, 0, 1, 200.0, "counts", 54),
            (1, 0, 0, 200.0, "counts", 18),
            (2, 1, 0, 200.0, "occupancy", 36),
        ],
        occupied=[(2, 1, 50.0, 60.0, 36)],
        sowings=(ONE, SowingRate("range", (1,), 1.0)),
    )
    row = only(patterns)
    assert row["share"] == pytest.approx(0.5, rel=1e-6)
    assert (row["curve"], row["curve_of"]) == (pytest.approx(0.5, rel=1e-9), "seeds, 2 trays")


@pytest.mark.parametrize(
    ("seen", "word", "low", "high"), [(0, "none", 0.0, 0.1684), (20, "all", 0.8316, 1.0)]
)
def test_all_or_none_has_no_regression_and_says_why(seen, word, low, high):
    """Exact range 0 of 20: 0-.1684 (Newcombe 1998, memory, confirmed by computing); 20 of 20 its
    mirror image.
    """
    row = only(counted([seen], seeds=20))
    assert np.isnan(row["share"])
    assert row["share_low"] == pytest.approx(low, abs=5e-5)
    assert row["share_high"] == pytest.approx(high, abs=5e-5)
    assert f"{word} came, for which these regressions have no answer" in row["note"]
    assert np.isnan(row["curve_low"])  # no width is no certainty


def test_pinches_counted_as_seedlings_of_a_whole_tray_have_no_share_here():
    pinch = SowingRate("pinch", (), 360.0, 100.0)
    patterns = made_patterns(
        [{"record": "seedlings", "emerged": 90.0, "filled": np.nan, "seeds": np.nan}],
        times=[(0, lo, hi, 90 * part) for lo, hi, part in DAYS],
        finishes=[(0, 0, 90, 200.0, "counts", 1)],
        sowings=(pinch,),
    )
    row = only(patterns)
    assert np.isnan(row["share"])
    assert "not known" in row["note"]
    assert row["curve_of"] == ""
    assert 60 < row["median_days"] < 70


def test_median_lies_where_half_of_what_emerged_had_come():
    """By hand: a quarter by day 60, three quarters by day 70."""
    row = only(counted([40, 40]))
    assert 63 < row["median_days"] < 67
    assert 0 < row["median_days_sd"] < 2


def test_two_intervals_place_no_median():
    patterns = counted([40, 40])
    row = only(dataclasses.replace(patterns, times=patterns.times[patterns.times["hi"] < 80]))
    assert np.isnan(row["median_days"])
    assert "too few different intervals to time" in row["note"]


@pytest.mark.parametrize("law", ["LogNormal", "LogLogistic", "Weibull"])
def test_starting_values_change_no_regression(law):
    """The plain lifelines 0.30 regression, with starting values of its own."""
    import lifelines

    rng = np.random.default_rng(8)
    days = np.concatenate(
        [np.exp(4 + 0.2 * rng.normal(size=60)), np.exp(4.2 + 0.2 * rng.normal(size=60))]
    )
    lo = 5 * np.floor(days / 5)
    intervals = pd.DataFrame(
        {"group": ["a"] * 60 + ["b"] * 60, "lo": lo, "hi": lo + 5, "count": 1.0}
    )
    found = regress_times(intervals, (law,))
    plain = getattr(lifelines, f"{law}AFTFitter")()
    frame = intervals[["lo", "hi"]].assign(b=(intervals["group"] == "b").astype(float))
    options = {"ftol": 1e-10} if law == "LogLogistic" else {}  # its own, 1e-6, stops .01 days short
    plain.fit_interval_censoring(frame, "lo", "hi", fit_options=options)
    assert found.log_likelihood == pytest.approx(plain.log_likelihood_, rel=1e-6)
    medians = plain.predict_median(pd.DataFrame({"b": [0.0, 1.0]})).to_numpy()
    got = found.medians()
    np.testing.assert_allclose([got["a"][0], got["b"][0]], medians, rtol=1e-4)  # two optimisers


def test_seeds_that_came_before_the_first_check_can_be_timed():
    """A lower bound of exactly 0 fails lifelines' log-normal regression."""
    found = regress_times(
        pd.DataFrame({"group": "a", "lo": [0.0, 10, 20], "hi": [10.0, 20, 30], "count": [9, 9, 2]}),
        ("LogNormal",),
    )
    assert 8 < found.medians()["a"][0] < 13


def test_nothing_to_time():
    assert regress_times(pd.DataFrame({"group": [], "lo": [], "hi": [], "count": []})) is None


def test_roads_that_agree_and_roads_that_part():
    patterns = counted([28, 44, 36])
    rows, road = fit_emergence(patterns).rows, library_estimates(patterns)
    (line,) = compare_with_libraries(rows, road).to_dict("records")
    assert line["points_agree"] is True
    assert line["days_agree"] is True
    assert line["why"] == ""
    moved = tuple(dataclasses.replace(row, emergence=0.99, share_seen=0.3) for row in rows)
    apart = compare_with_libraries(moved, road)
    assert apart["points_agree"].tolist() == [False]
    assert "checks stopped early" in apart["why"].iloc[0]
    (row,) = apart.to_dict("records")
    assert abs(row["points"]) > row["points_limit"]
    assert row["days_agree"]
    assert abs(row["days"]) <= row["days_limit"]


def test_no_answer_is_neither_agreement_nor_parting():
    patterns = counted([0, 0])
    compared = compare_with_libraries(fit_emergence(patterns).rows, library_estimates(patterns))
    assert compared["points_agree"].tolist() == [None]
    assert compared["days_agree"].tolist() == [None]
    assert "none came" in compared["why"].iloc[0]
