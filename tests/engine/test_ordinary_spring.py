"""From a share seen in an early or a late spring to that of an ordinary one, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import expit, logit

import germstats
from germstats.engine.draws import TimeDraws, in_ordinary_spring


def ordinary(seen: float, late: float, horizon: float) -> float:
    """The share by the horizon where seedlings come log-normally, half by day 60, with a log spread
    of .2.
    """
    one = np.ones(1)
    time = TimeDraws(
        mu=np.log(60) * one,
        sigma=0.2 * one,
        tray_sd=0.08 * one,
        season_sd=0.15 * one,
        family="log-normal",
        origin="sowing",
        horizon=horizon,
    )
    return float(expit(in_ordinary_spring(time, logit(seen) * one, late * one))[0])


@pytest.mark.parametrize("late", [-0.3, -0.1, 0.0, 0.1, 0.2])
def test_what_came_late_would_have_come_in_an_ordinary_spring(late: float):
    """Half is out by day 60 in an ordinary spring, Phi(-late / .2) of it in a late one."""
    exact = 0.1 * 0.5 / stats.norm.cdf(-late / 0.2)
    assert ordinary(0.1, late, horizon=60.0) == pytest.approx(exact, rel=1e-9)


def test_no_more_comes_than_is_out_by_then_of_every_seed():
    """Two in five by day 60 of a spring that late would be more seeds than were sown."""
    assert ordinary(0.4, late=0.3, horizon=60.0) == pytest.approx(0.5, rel=1e-6)


def test_lateness_says_nothing_where_all_is_out():
    assert ordinary(0.37, late=0.2, horizon=np.inf) == pytest.approx(0.37)
    assert ordinary(0.37, late=0.2, horizon=600.0) == pytest.approx(0.37, rel=1e-6)


def test_one_spring_stopped_half_way_promises_no_more_than_it_saw(tmp_path):
    """Springs are late as often as early: what a sharp flush shows half-way is not raised by it.

    With the slope of the middle taken for the whole, 40 of 100 on the steepest day were told as 44.
    """
    days = np.arange(60, 110, 3)
    out = stats.norm.cdf((np.log(days - 30.0) - np.log(78.0)) / 0.1) * 0.8
    trays = [(f"T{k}", 2025, "A", "2025-01-02", 10, 10, 1) for k in range(6)]
    checks = [
        (f"T{k}", pd.Timestamp("2025-01-02") + pd.Timedelta(days=int(day)), round(100 * share))
        for k in range(6)
        for day, share in zip(days, out, strict=True)
    ]
    columns = ["tray", "season", "lot", "sown_on", "rows", "columns", "seeds_per_cell"]
    pd.DataFrame(trays, columns=columns).to_csv(tmp_path / "trays.csv", index=False)
    pd.DataFrame(checks, columns=["tray", "checked_on", "seedlings"]).to_csv(
        tmp_path / "checks.csv", index=False
    )
    (row,) = germstats.fit_emergence(germstats.read_book(tmp_path)).rows
    seen = round(100 * out[-1]) / 100
    assert row.emergence_low < seen < row.emergence_high
    assert row.emergence < seen + 0.02


def test_a_law_that_all_seedlings_refute_moves_the_share_by_the_steepest_slope():
    """Half of the seeds by a day at which the law has a thousandth of them out: the logit moves by
    12 on log days.
    """
    late_law = 60.0 * np.exp(-0.2 * 3.2)
    assert ordinary(0.5, late=0.05, horizon=late_law) == pytest.approx(expit(12 * 0.05))
