"""The whole job on the demonstration: the fit holds the truth, and `sow` answers from it."""

from __future__ import annotations

import numpy as np
import pytest

import germstats
from germstats.demonstration import simulate_demo
from germstats.forecast.seeds_per_cell import SowingSpec
from tests.test_datasets import DATASETS


@pytest.fixture(scope="module")
def fit():
    return germstats.fit_emergence(germstats.read_book(DATASETS / "demonstration"))


def test_ranges_hold_the_truth(fit):
    """At least nine of ten lot-treatment rows that are no planted story, for the share and for the
    days to half.
    """
    truth = simulate_demo().truth.rows
    held, timed = [], []
    for row in fit.rows:
        depth = row.treatment.get("cover_depth_mm", np.nan)
        same = truth["cover_depth_mm"].eq(depth) | (
            truth["cover_depth_mm"].isna() & np.isnan(depth)
        )
        (true,) = truth[
            (truth["lot"] == row.lot) & (truth["cover"] == row.treatment["cover"]) & same
        ].to_dict("records")
        if not true["planted"]:
            held.append(row.emergence_low <= true["emergence"] <= row.emergence_high)
            timed.append(row.median_days_low <= true["median_days"] <= row.median_days_high)
    assert len(held) >= 15
    assert np.mean(held) >= 0.9
    assert np.mean(timed) >= 0.9


def test_more_assurance_never_asks_for_fewer_seeds(fit):
    easy, hard = (
        germstats.seeds_per_cell(fit, SowingSpec(assurance=a, most_seeds=12)) for a in (0.6, 0.9)
    )
    for a, b in zip(easy.rows, hard.rows, strict=True):
        assert (a.seeds_per_cell or 99) <= (b.seeds_per_cell or 99)


def test_more_seeds_never_lower_the_chance(fit):
    for row in germstats.seeds_per_cell(
        fit, SowingSpec(assurance=0.99, most_seeds=10, mixes=True)
    ).rows:
        chances = [chance for _, chance in row.by_seeds]
        assert chances == sorted(chances)
        assert 0 < row.chance < 1


def test_trays_left_out_are_named(fit):
    assert set(fit.patterns.left_out) == set(
        germstats.read_book(DATASETS / "demonstration").left_out
    )
