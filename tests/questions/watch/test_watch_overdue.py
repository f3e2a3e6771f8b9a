"""Slow is not overdue: a tray is only overdue where its own records say that it will end short.

Cold in words.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from germstats.forecast.cold_weeks import weeks_of_cold
from germstats.forecast.weather import daily_weather
from germstats.questions.watch.advice import OtherTrays, TrayOutlook
from germstats.questions.watch.spec import WatchSpec
from germstats.questions.watch.weather import heat_words


def others(behind, out=1.0, earlier=True):
    return OtherTrays(by_now=20.0 * out, usual=20.0, behind=behind, out=out, earlier=earlier)


@pytest.mark.parametrize(
    ("behind", "short", "overdue"),
    [
        (0.01, 0.95, True),
        (
            0.01,
            0.60,
            False,
        ),  # far behind the others, and by its own records it may well catch up: slow
        (0.20, 0.99, False),  # one tray in five like it has so few by now
    ],
)
def test_overdue_needs_both_by_hand(behind, short, overdue):
    assert TrayOutlook(more=0.8, mean=9.0, short=short, others=others(behind)).overdue is overdue


def test_nothing_up_is_given_up_only_when_other_springs_are_over_by_then():
    late, early, first = (
        others(0.3, out=0.95),
        others(0.3, out=0.6),
        others(0.3, out=0.95, earlier=False),
    )
    assert [TrayOutlook(0.01, 0.0, 0.99, one).past for one in (late, early, first, None)] == [
        True,
        False,
        False,
        True,
    ]


def winter(mean):
    """A book's weather: from 1 December, so warm on each day, two degrees to either side."""
    days = pd.date_range("2025-12-01", periods=len(mean))
    mean = np.array(mean, dtype=float)
    frame = pd.DataFrame({"date": days, "tmin_c": mean - 2, "tmax_c": mean + 2})
    return SimpleNamespace(weather=frame.assign(tmin_f=np.nan, tmax_f=np.nan))


def cold_of(book, on, came=()):
    trays = pd.DataFrame(
        {
            "species": ["EARLY", "LATE"],
            "two_winters": False,
            "chill_weeks": [20.0, 20.0],
            "sown_on": pd.Timestamp("2025-12-01"),
        }
    )
    return heat_words(book, trays, came=came, clock=None, spec=WatchSpec(on), spring=2026)[-1]


def test_weeks_of_cold_are_those_of_the_review():
    """28 frozen days, 28 at 3 C, 14 at 9 C: eight weeks of cold on 8 February, by watch as by
    review.
    """
    book = winter([-8.0] * 28 + [3.0] * 28 + [9.0] * 80)
    words = cold_of(book, "2026-02-08")
    assert ": 8; EARLY, LATE need more, and nothing of them is up" in words
    weather = daily_weather(book.weather)
    assert weeks_of_cold(weather, pd.Timestamp("2025-12-01"), 2026) == pytest.approx(8.0)
    # nothing after March counts
    assert ": 8; EARLY, LATE needed more" in cold_of(book, "2026-04-10")


def test_a_species_that_is_up_needs_no_more_cold():
    book = winter([3.0] * 80)
    assert "LATE needs more, and nothing of it is up" in cold_of(book, "2026-02-08", {"EARLY"})
    assert "EARLY" not in cold_of(book, "2026-02-08", {"EARLY"})
    assert "more" not in cold_of(book, "2026-02-08", {"EARLY", "LATE"})
