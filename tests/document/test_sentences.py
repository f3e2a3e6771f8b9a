"""Shares and ranges in print."""

from __future__ import annotations

import pytest

from germstats.document.sentences import percent, spread


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.001, 0.002, "<1"),
        (0.001, 0.0058, "0-1"),
        (0.001, 0.04, "1-4"),
        (0.4, 0.6, "40-60"),
        (0.9, 0.999, "90-99"),
        (0.992, 0.999, "99-100"),
        (0.998, 0.999, ">99"),
    ],
)
def test_a_range_holds_what_it_is_the_range_of(low: float, high: float, said: str) -> None:
    assert spread(percent(low), percent(high)) == said
