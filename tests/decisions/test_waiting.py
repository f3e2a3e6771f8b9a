"""Give-up days and windows by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from germstats.decisions.waiting_course import Course, give_up_day, windows

DATES = pd.date_range("2026-03-01", periods=11)
ON = pd.Timestamp("2026-03-01")


def course(filled, now=0):
    """One tray of 40 cells, one draw: cells filled on each date."""
    filled = np.asarray(filled, dtype=float)[None, :, None]
    return Course(pd.DataFrame({"tray": ["T"]}), np.array([True]), np.array([40]), np.array([now]), np.array([60.0]),
                  filled[:, -1].astype(np.int64), np.ones(1), DATES, filled, ON)  # fmt: skip


def test_giving_up_by_hand():
    """40 cells are to come, four a day: 38 of them, all but 5 %, by the tenth day after the first."""
    day = give_up_day(course(np.arange(11) * 4.0), np.array([0]), ON)
    assert day == pd.Timestamp("2026-03-11")
    fast = [0, 20, 30, 38, 39, 40, 40, 40, 40, 40, 40]
    assert give_up_day(course(fast), np.array([0]), ON) == pd.Timestamp("2026-03-04")  # 38 of 40


def test_nothing_to_wait_for():
    assert give_up_day(course([10.0] * 11, now=10), np.array([0]), ON) is None


def test_the_rest_of_one_seed_by_the_closed_form():
    """P(more | none seen) = p (1 - F) / (1 - p F) per seed: p .6, F .5 -> .3 / .7 (statistics of the design, 6)."""
    from germstats.models.forecast import empty_by
    from germstats.records.seeds import SowingRate

    one = SowingRate("counted", (1,), 1.0)
    p, rho = np.array([0.6]), np.zeros(1)
    now, end = (empty_by(p, rho, np.array([out]), one)[0] for out in (0.5, 1.0))
    assert 1 - end / now == pytest.approx(0.3 / 0.7, abs=1e-12)


def test_windows_of_one_certain_course():
    first, half, most = windows(course(np.arange(11) * 4.0), np.array([0]))
    assert first == (pd.Timestamp("2026-03-02"),) * 2
    assert half == (pd.Timestamp("2026-03-06"),) * 2  # 20 of 40
    assert most == (pd.Timestamp("2026-03-10"),) * 2  # 36 of 40
