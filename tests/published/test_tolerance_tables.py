"""Printed tables of seed-testing tolerances, row by row.

7 CFR 201.55, ranges between replicates of 100 seeds (seen); state rules that adopt the federal
tolerances, differences between two tests of 400 seeds (seen).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from germstats.errors import WrongUseError
from germstats.forecast.seed_tests import (
    judge_test,
    replicate_range,
    replicates_agree,
    two_tests_agree,
)

# average, its complement, range of four replicates, of two (None: not printed)
RANGES = (
    (99, 2, 5, None),
    (98, 3, 6, None),
    (97, 4, 7, 6),
    (96, 5, 8, 6),
    (95, 6, 9, 7),
    (94, 7, 10, 8),
    (93, 8, 10, 8),
    (92, 9, 11, 9),
    (91, 10, 11, 9),
    (90, 11, 12, 9),
    (89, 12, 12, 10),
    (88, 13, 13, 10),
    (87, 14, 13, 11),
    (86, 15, 14, 11),
    (85, 16, 14, 11),
    (84, 17, 14, 11),
    (83, 18, 15, 12),
    (82, 19, 15, 12),
    (81, 20, 15, 12),
    (80, 21, 16, 13),
    (79, 22, 16, 13),
    (78, 23, 16, 13),
    (77, 24, 17, 13),
    (76, 25, 17, 13),
    (75, 26, 17, 14),
    (74, 27, 17, 14),
    (73, 28, 17, 14),
    (72, 29, 18, 14),
    (71, 30, 18, 14),
)
# averages from, to; complements from, to; largest difference
DIFFERENCES = (
    (99, 99, 2, 2, 2),
    (97, 98, 3, 4, 3),
    (94, 96, 5, 7, 4),
    (91, 93, 8, 10, 5),
    (87, 90, 11, 14, 6),
    (82, 86, 15, 19, 7),
    (76, 81, 20, 25, 8),
    (70, 75, 26, 31, 9),
    (60, 69, 32, 41, 10),
    (51, 59, 42, 50, 11),
)
SHARED = Path(__file__).parents[3] / "shared" / "reference"


@pytest.mark.parametrize("row", RANGES, ids=lambda row: str(row[0]))
def test_ranges_between_replicates(row):
    average, complement, four, two = row
    for percent in (average, complement):
        assert replicate_range(percent, 4) == four
        if two is None:
            with pytest.raises(
                WrongUseError, match=f"no row for 2 replicates that average {percent} %"
            ):
                replicate_range(percent, 2)
        else:
            assert replicate_range(percent, 2) == two


@pytest.mark.parametrize("percent", [0, 1, 31, 50, 70, 100])
def test_beyond_the_table_of_ranges_nothing_is_made_up(percent):
    with pytest.raises(WrongUseError, match="no row for 4 replicates"):
        replicate_range(percent, 4)


def test_ranges_lie_near_the_studentized_range():
    """Its upper 2.5 % point times the binomial sd of a replicate, by scipy: within 1.04 of every
    row.
    """
    for average, _, four, two in RANGES:
        for replicates, allowed in ((4, four), (2, two)):
            if allowed is not None:
                point = stats.studentized_range.ppf(0.975, replicates, np.inf)
                assert abs(point * np.sqrt(average * (100 - average) / 100) - allowed) <= 1.04


@pytest.mark.parametrize("row", DIFFERENCES, ids=lambda row: str(row[0]))
def test_differences_between_two_tests(row):
    *ends, allowed = row
    for low, high in (ends[:2], ends[2:]):
        for average in range(low, high + 1):
            assert two_tests_agree(average, average).allowed == allowed
    middle = ends[2]  # low averages, so that neither test passes 100 %
    assert two_tests_agree(middle - allowed / 2, middle + allowed / 2).agree
    assert not two_tests_agree(middle - (allowed + 1) / 2, middle + (allowed + 1) / 2).agree


@pytest.mark.parametrize("percent", [0, 1, 100])
def test_beyond_the_table_of_differences_nothing_is_made_up(percent):
    with pytest.raises(WrongUseError, match="no row for two tests"):
        two_tests_agree(percent, percent)


def test_the_shipped_tables_are_the_shared_ones():
    if not SHARED.exists():
        pytest.skip("the shared reference tables are not beside this checkout")
    with (SHARED / "cfr_201_55_ranges.csv").open(encoding="utf-8") as file:
        ranges = [tuple(int(x) if x else None for x in row) for row in list(csv.reader(file))[1:]]
    with (SHARED / "two_test_tolerance_400.csv").open(encoding="utf-8") as file:
        differences = [tuple(int(x) for x in row) for row in list(csv.reader(file))[1:]]
    assert tuple(ranges) == RANGES
    assert tuple(differences) == DIFFERENCES


@pytest.mark.parametrize(
    ("good", "tested", "low", "high"),
    [
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
    ],
)
def test_exact_ranges(good, tested, low, high):
    """Clopper-Pearson limits in Newcombe 1998, Statistics in Medicine 17:857-872 (memory, confirmed
    by computing).
    """
    found = judge_test(tested, good)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5)


def test_a_series_in_the_middle_of_the_table():
    """Average 88.25, read as 88: 13 allowed between four replicates."""
    assert replicates_agree([88, 91, 84, 90]).allowed == 13
    assert not replicates_agree([96, 91, 82, 84]).agree
