"""One thing has no s, and a range of one number is no range."""

from __future__ import annotations

import pandas as pd
import pytest

from germstats.questions.compare.compare_text import _range
from germstats.questions.review.counts import Came, came_words
from germstats.questions.watch.spec import OrderWatch
from germstats.questions.watch.watch_text import order_words
from germstats.records.checking.parsing import so_many


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (1, "1 tray"),
        (2, "2 trays"),
        (0, "0 trays"),
        (1200, "1,200 trays"),
        (1.5, "1.5 trays"),
        ("1", "1 tray"),
        ("9-11", "9-11 trays"),
    ],
)
def test_so_many(number, words):
    assert so_many(number, "tray") == words


def test_one_seedling_of_one_seed_and_no_range_of_one():
    found = Came(
        trays=1,
        unit="seedlings",
        of_what="seeds",
        seen=1.0,
        of=1.0,
        expected=1.0,
        low=0.8,
        high=1.0,
    )
    assert came_words(found) == "1 seedling of 1 seed in 1 tray; an ordinary spring lets expect 1"
    more = Came(
        trays=2,
        unit="filled",
        of_what="cells",
        seen=30.0,
        of=40.0,
        expected=31.0,
        low=22.0,
        high=38.0,
    )
    assert (
        came_words(more)
        == "30 filled of 40 cells in 2 trays; an ordinary spring lets expect 31 (22 to 38)"
    )


def test_ranges_of_differences():
    assert _range(-4.2, 1.3) == "-4 to +1"
    assert _range(-1.4, -0.6) == "-1.4 to -0.6"
    assert _range(-1.01, -0.99) == "-1.0"
    assert _range(None, 2.0) == "-"


def test_one_plug_on_one_day():
    on, day = pd.Timestamp("2026-04-01"), pd.Timestamp("2026-05-03")
    words = order_words(OrderWatch("LILY", 1, 0.9, (day, day)), on)
    assert words == (
        "LILY, 1 plug: 90 % that this spring's trays bring them; the last plant needed is up on 3 "
        "May 2026."
    )
