"""Do promised chances come true? The study of `analyses/studies/calibration.py` in small, with its
Monte-Carlo errors.

Bars from the design: reach the target at least as often as the perfectly informed rule less .01;
stated minus reached assurance within .05 (.065 for occupancy); at most .6 (.8) seeds per cell more
than perfectly informed; randomised PIT share in .05-.95 between .88 and .93; half-way |bias| <=
.015 and coverage within .03 of the stated mass. A small run can refute a bar only by more than its
own error: three standard errors are allowed on top, with nurseries as the units.
"""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest

from tests.studies import RESULTS, load_study

REDUCED = os.environ.get("GERMSTATS_REDUCED") == "1"
NURSERIES = 4 if REDUCED else 12

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def study():
    return load_study("calibration")


def by_nursery(rows: pd.DataFrame, column: pd.Series) -> tuple[float, float]:
    """Mean and standard error, nurseries as the units."""
    means = column.groupby(rows["nursery"]).mean()
    return float(means.mean()), float(means.std() / np.sqrt(len(means)))


@pytest.mark.parametrize(
    ("world", "overstated", "extra"), [("rho .05", 0.05, 0.6), ("occupancy only", 0.065, 0.8)]
)
def test_promises_for_known_lots(study, world, overstated, extra):
    jobs = [
        (world, *setup, nursery)
        for setup in study.SETUPS
        if setup[0] == 9
        for nursery in range(NURSERIES)
    ]
    rows = pd.DataFrame([row for job in jobs for row in study.sowing_rows(*job)])
    rows = rows[rows["known"]]
    gain, gain_se = by_nursery(rows, rows["reached"] - rows["informed"])
    assert gain >= -0.01 - 3 * gain_se
    gap, gap_se = by_nursery(rows, rows["stated"] - rows["reached"])
    assert abs(gap) <= overstated + 3 * gap_se
    more, more_se = by_nursery(rows, rows["seeds"] - rows["informed_seeds"])
    assert more <= extra + 3 * more_se
    pit, pit_se = by_nursery(rows, rows["pit"])
    assert 0.88 - 3 * pit_se <= pit <= 0.93 + 3 * pit_se
    pencil, _ = by_nursery(rows, rows["pencil"])
    assert pencil < 0.75  # the rule that knows no scatter falls short of the .8 it is asked for


@pytest.mark.parametrize("checks", [3, 5, 7])
def test_a_season_under_way(study, checks):
    world = "tray time sd 0.1"
    rows = pd.DataFrame(
        [row for k in range(NURSERIES) for row in study.halfway_rows(world, checks, "counts", k)]
    )
    bias, bias_se = by_nursery(rows, rows["bias"])
    assert abs(bias) <= 0.015 + 3 * bias_se
    gap, gap_se = by_nursery(rows, rows["covered"].astype(float) - rows["stated"])
    assert abs(gap) <= 0.03 + 3 * gap_se


def test_the_committed_table_is_whole(study):
    """Every world, set-up and kind of lot of the study is in the table that is committed."""
    table = pd.read_csv(RESULTS / "sowing.csv")
    assert len(table) == len(study.WORLDS) * len(study.SETUPS) * 2
    halfway = pd.read_csv(RESULTS / "halfway.csv")
    assert len(halfway) == len(study.HALFWAY) * 3 * 2
    told = pd.read_csv(RESULTS / "told.csv")
    assert len(told) == len(study.WORLDS) * 2 * 2
    assert not table.isna().to_numpy().any()


def test_a_season_under_way_holds_every_bar(study):
    """Of the committed table: 60 nurseries for each of four worlds, three checks and two kinds of
    record.
    """
    missed = study.missed(pd.read_csv(RESULTS / "halfway.csv"), study.halfway_bars)
    assert missed.empty, missed.to_string()
    worse = pd.DataFrame(
        [
            {
                "world": "tray time sd 0",
                "checks": 3,
                "record": "counts",
                "gap": -0.04,
                "gap_se": 0.01,
                "pit": 0.9,
                "pit_se": 0.01,
                "bias": 0.02,
                "bias_se": 0.01,
            }
        ]
    )
    assert study.missed(worse, study.halfway_bars)["bar"].tolist() == ["gap", "bias"]


@pytest.fixture(scope="module")
def as_large_as_the_designs(study):
    """The bars that the committed table misses for thirty lots, as many new trays a nursery as the
    design foretells.
    """
    table = pd.read_csv(RESULTS / "sowing.csv")
    return study.missed(table[table["lots"] == 30], study.sowing_bars)


def test_no_bar_is_refuted(as_large_as_the_designs):
    """None lies more than two of its Monte-Carlo standard errors beyond; of 408 bars one in forty
    would by chance, were every figure at its bar. The table is of 63 nurseries for each set-up.
    """
    assert (as_large_as_the_designs["errors_beyond"] < 2).all(), as_large_as_the_designs.to_string()


@pytest.mark.xfail(
    reason="11 of 408 are missed by up to 1.2 standard errors: "
    "forecasts whose true chance lies under "
    ".70 are .072 to .090 of known lots after one season x two trays (bar .07), .043 to .053 of "
    "new lots after three seasons x four trays (bar .04); told its scatters a nursery does no "
    "better"
)
def test_every_bar_holds(as_large_as_the_designs):
    assert as_large_as_the_designs.empty, as_large_as_the_designs.to_string()


def test_promises_come_true_where_the_priors_hold():
    """In the world whose scatters are drawn from the fit's priors stated and reached agree, with
    nine lots too.
    """
    table = pd.read_csv(RESULTS / "sowing.csv")
    drawn = table[table["world"] == "scatters drawn"]
    assert (drawn["overstated"].abs() <= 0.02).all() and len(drawn) == 24


def test_only_forecasts_of_a_low_true_chance_miss_their_bar(as_large_as_the_designs):
    assert set(as_large_as_the_designs["bar"]) <= {"short"}, as_large_as_the_designs.to_string()


def test_a_nursery_told_its_scatters_leaves_as_many_under(as_large_as_the_designs):
    """The bar missed is one on what a lot's own trays do not tell of it, not on how scatters are
    learnt: told how far trays, lots, species and springs lie apart the same nurseries leave about
    as many forecasts under .70.
    """
    setup = ["world", "seasons", "trays", "known"]
    told = pd.read_csv(RESULTS / "told.csv").set_index(setup)
    short = as_large_as_the_designs[as_large_as_the_designs["bar"] == "short"].set_index(setup)
    both = short.join(told[["short", "short_se"]], validate="one_to_one")
    assert ((both["measured"] - both["short"]).abs() < 2 * both["short_se"]).all(), both.to_string()
    assert (both["short"] > both["high"]).mean() > 0.5  # most of these bars are missed there too
