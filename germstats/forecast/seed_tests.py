"""Tests of the seed itself: how far replicates and repeated tests may lie apart, and what one test
can tell.

The tables are those of 7 CFR 201.55 (replicates of 100 seeds) and of the state rules that adopt the
federal tolerances (two tests of 400 seeds). No formula gives every row, so they are data; between
and beyond their rows nothing is made up. Averages are rounded to whole per cent, halves up.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
from scipy import stats

from germstats.errors import WrongUseError

REPLICATE_SEEDS = 100
"""Seeds of a replicate in the table."""
TEST_SEEDS = 400
"""Seeds of each of two tests in the table."""
_TABLED = (2, 4)


@dataclass(frozen=True)
class Agreement:
    """Whether counts that should tell the same lie close enough together.

    Attributes
    ----------
    agree : bool
    apart : float
        Largest less smallest, per cent.
    allowed : int
        The most that is tolerated, per cent.
    average : int
        Whole per cent.
    sentence : str
    """

    agree: bool
    apart: float
    allowed: int
    average: int
    sentence: str


@dataclass(frozen=True)
class SeedTestReading:
    """What a test of the seed says about the lot.

    Attributes
    ----------
    kind : str
    tested, good : int
        Seeds.
    share, low, high : float
        Good share and its exact 95 % range (Clopper and Pearson).
    sentence : str
    """

    kind: str
    tested: int
    good: int
    share: float
    low: float
    high: float
    sentence: str


def replicate_range(percent_mean: float, replicates: int) -> int:
    """Largest difference between replicates of 100 seeds that chance explains (7 CFR 201.55).

    Parameters
    ----------
    percent_mean : float
        Average of the replicates, per cent.
    replicates : {2, 4}

    Returns
    -------
    int
        Per cent.

    Raises
    ------
    WrongUseError
        The table has no such row; nothing is made up between or beyond its rows.
    """
    if replicates not in _TABLED:
        raise WrongUseError(
            f"The table of tolerances is for 2 or 4 replicates of {REPLICATE_SEEDS} seeds, not for "
            f"{replicates}; test the seed again in four replicates of 100."
        )
    average = _whole(percent_mean)
    allowed = _replicate_table().get((average, replicates))
    if allowed is None:
        raise WrongUseError(
            f"The table of tolerances has no row for {replicates} replicates that average "
            f"{average} %; look at the exact range of the whole test instead."
        )
    return allowed


def replicates_agree(counts: Sequence[int]) -> Agreement:
    """Do replicates of 100 seeds tell the same? Where not, the test was uneven and is to be
    repeated.

    Parameters
    ----------
    counts : sequence of int
        Sprouted seeds of each replicate; 2 or 4 of them.

    Raises
    ------
    WrongUseError
        A count is none out of 100 seeds, or the table has no such row.
    """
    _refuse_strange(counts)
    average = float(np.mean(counts)) if len(counts) else 0.0
    allowed = replicate_range(average, len(counts))
    apart = max(counts) - min(counts)
    listed = " ".join(str(count) for count in counts)
    if apart <= allowed:
        said = (
            f"The replicates {listed} lie {apart} apart, and {allowed} is allowed: they tell the "
            "same."
        )
    else:
        said = (
            f"The replicates {listed} lie {apart} apart, and only {allowed} is allowed: the test "
            "was uneven; have it repeated before you rely on it."
        )
    return Agreement(
        agree=apart <= allowed,
        apart=float(apart),
        allowed=allowed,
        average=_whole(average),
        sentence=said,
    )


def two_tests_agree(a: float, b: float) -> Agreement:
    """Do two tests of 400 seeds each of one lot tell the same?

    Parameters
    ----------
    a, b : float
        Good seeds, per cent.

    Raises
    ------
    WrongUseError
        Not a percentage, or the table has no row for their average.
    """
    if min(a, b) < 0 or max(a, b) > 100:
        raise WrongUseError(
            f"{a:g} and {b:g} are not both per cent of a test; write them as 0 to 100."
        )
    average = _whole((a + b) / 2)
    allowed = next((most for low, high, most in _two_test_table() if low <= average <= high), None)
    if allowed is None:
        raise WrongUseError(
            f"The table of tolerances has no row for two tests that average {average} %; look at "
            "the exact range of each test instead."
        )
    apart = abs(a - b)
    said = f"Tests of {a:g} and {b:g} % ({TEST_SEEDS} seeds each) lie {apart:g} apart"
    if apart <= allowed:
        said += (
            f", and {allowed} is allowed: they tell the same; take the average, {(a + b) / 2:g} %."
        )
    else:
        said += (
            f", and only {allowed} is allowed: chance does not explain it; have a third test made."
        )
    return Agreement(
        agree=apart <= allowed, apart=float(apart), allowed=allowed, average=average, sentence=said
    )


def judge_test(tested: int, good: int, kind: str = "test") -> SeedTestReading:
    """What a cut, viability or germination test says about its lot, by the exact binomial range.

    Parameters
    ----------
    tested, good : int
        Seeds tested, and those full, alive or sprouted.
    kind : str
        In words, such as ``cut test``.

    Raises
    ------
    WrongUseError
        No seed tested, or more good than tested.
    """
    if tested <= 0:
        raise WrongUseError(
            f"A {kind} of {tested} seeds tells nothing; leave it blank or write how many were "
            "tested."
        )
    if not 0 <= good <= tested:
        raise WrongUseError(
            f"A {kind} cannot find {good} good seeds among {tested}: perhaps the two were "
            "exchanged; look at the sheet and mend the lots table."
        )
    interval = stats.binomtest(good, tested).proportion_ci(0.95, "exact")
    low, high = float(interval.low), float(interval.high)
    said = (
        f"{good} of {tested} seeds good in the {kind}: {_range_words(low, high)} of the seed "
        "(exact 95 % range)"
    )
    return SeedTestReading(
        kind=kind,
        tested=tested,
        good=good,
        share=good / tested,
        low=low,
        high=high,
        sentence=f"{said}.",
    )


def check_germination(counts: Sequence[int]) -> tuple[SeedTestReading, Agreement | None]:
    """A germination test in replicates of 100 seeds, with their agreement where the table has a row
    for it.

    Raises
    ------
    WrongUseError
        A count is none out of 100 seeds, or there is none.
    """
    _refuse_strange(counts)
    test = judge_test(REPLICATE_SEEDS * len(counts), sum(counts), "germination test")
    tabled = (
        len(counts) in _TABLED
        and (_whole(float(np.mean(counts))), len(counts)) in _replicate_table()
    )
    return test, replicates_agree(counts) if tabled else None


def _refuse_strange(counts: Sequence[int]) -> None:
    for count in counts:
        if not 0 <= count <= REPLICATE_SEEDS:
            raise WrongUseError(
                f"{count} is no count out of {REPLICATE_SEEDS} seeds; mend the germination counts "
                "of the lot."
            )


def _range_words(low: float, high: float) -> str:
    first, last = f"{100 * low:.0f}", f"{100 * high:.0f}"
    if low < 0.005:
        return f"at most {'1' if high < 0.015 else last} %"
    return f"at least {first} %" if high > 0.995 else f"{first}-{last} %"


def _whole(percent: float) -> int:
    return int(np.floor(percent + 0.5))


def _rows(name: str) -> list[dict[str, str]]:
    text = files("germstats.forecast").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@lru_cache(maxsize=1)
def _replicate_table() -> dict[tuple[int, int], int]:
    """(average, replicates) -> allowed range, per cent; averages have a complement with the same
    range.
    """
    table = {}
    for row in _rows("replicate_ranges.csv"):
        for replicates, column in ((4, "max_range_4reps"), (2, "max_range_2reps")):
            if row[column]:
                for average in (row["avg_high"], row["avg_low_complement"]):
                    table[int(average), replicates] = int(row[column])
    return table


@lru_cache(maxsize=1)
def _two_test_table() -> tuple[tuple[int, int, int], ...]:
    """Lowest and highest average of a row, and the allowed difference, per cent."""
    ends = (("avg_from", "avg_to"), ("complement_from", "complement_to"))
    rows = _rows("two_test_differences.csv")
    return tuple(
        (int(row[low]), int(row[high]), int(row["max_difference"]))
        for row in rows
        for low, high in ends
    )
