"""Trays whose checks stopped before all was out: the committed tables of
`analyses/studies/unfinished_trays.py`.

Bars, for each law of timing and each share out when checks stopped (30 books a cell, two standard
errors): by the day that was looked at the 95 % range holds the true share in .92 of rows, the mean
error lies within .03, and stated less reached chance within .05. What may still come holds in .88
over the three laws, at a mean width of .5, .3 and .15 at 50, 70 and 90 % out; a second flush cannot
be foreseen and is reported.
"""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest

from tests.studies import RESULTS, load_study

REDUCED = os.environ.get("GERMSTATS_REDUCED") == "1"


@pytest.fixture(scope="module")
def study():
    return load_study("unfinished_trays")


@pytest.fixture(scope="module")
def committed(study):
    cells = pd.read_csv(RESULTS / "unfinished_trays.csv")
    assert len(cells) == len(study.LAWS) * len(study.STOPS) and (cells["books"] >= 30).all()
    return cells, pd.read_csv(RESULTS / "unfinished_trays_later.csv")


def test_the_committed_tables_hold_every_bar(study, committed):
    """Of books 60 to 89, which had no say in the method; two flushes held to the bars by the day
    looked at too.
    """
    assert study.missed(*committed) == []


def test_a_missed_bar_is_named(study, committed):
    """The check bites: a cell made worse than its bar is reported."""
    cells, later = committed
    fine, good = (
        later.assign(later_width=0.1, later_inside=0.9),
        cells.assign(inside=0.95, error=0.0, gap=0.0),
    )
    assert study.missed(good, fine) == []
    assert len(study.missed(good.assign(inside=np.where(good.index == 0, 0.5, 0.95)), fine)) == 1
    assert len(study.missed(good, fine.assign(later_width=0.9))) == 3


def test_the_true_law_of_two_flushes_has_its_second_part_later(study):
    """By hand: six in ten come about day 50 and four about day 95, with few in between."""
    timing = study.Timing("two flushes", 50.0, 0.2)
    days = np.exp(timing.log_quantile(np.array([0.3, 0.59, 0.61, 0.8])))
    assert days[0] == pytest.approx(50.0)
    assert days[3] == pytest.approx(95.0)
    assert days[1] < 62 and days[2] > 75


@pytest.mark.slow
def test_a_small_run_refutes_no_bar(study):
    """A few books of each cell; three standard errors, over all cells together."""
    books = range(40, 43 if REDUCED else 52)
    rows = pd.DataFrame(
        [
            row
            for k in books
            for law in study.LAWS
            for stop in study.STOPS
            for row in study.rows_of(law, stop, k)
        ]
    )
    whole = study.summary(rows.astype({"later_low": float, "later_high": float}), ["uneven"])
    mean = whole[["inside", "error", "gap"]].mean()
    error = whole[["inside_se", "error_se", "gap_se"]].mean()
    assert mean["inside"] + 3 * error["inside_se"] >= 0.92
    assert abs(mean["error"]) - 3 * error["error_se"] <= 0.03
    assert abs(mean["gap"]) - 3 * error["gap_se"] <= 0.05
