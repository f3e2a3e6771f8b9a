"""Seed tests in words: agreement, exact ranges, and refusals that say what to do."""

from __future__ import annotations

import pytest
from scipy import stats

from germstats.errors import WrongUseError
from germstats.forecast.seed_tests import (
    check_germination,
    judge_test,
    replicates_agree,
    two_tests_agree,
)


def test_a_cut_test_of_50_with_half_full_still_means_36_to_64():
    """The figure the growers' guide of the design gives; the ends by the beta law, from scipy."""
    test = judge_test(50, 25, "cut test")
    assert test.share == 0.5
    assert test.low == pytest.approx(stats.beta.ppf(0.025, 25, 26), rel=1e-9)
    assert test.high == pytest.approx(stats.beta.ppf(0.975, 26, 25), rel=1e-9)
    assert (
        test.sentence
        == "25 of 50 seeds good in the cut test: 36-64 % of the seed (exact 95 % range)."
    )


@pytest.mark.parametrize(
    ("good", "said"),
    [
        (0, "at most 7 %"),
        (50, "at least 93 %"),
        (49, "at least 89 %"),
        (1, "at most 11 %"),
        (40, "66-90 %"),
    ],
)
def test_ends_are_not_claimed_to_be_certain(good, said):
    test = judge_test(50, good)
    assert said in test.sentence
    assert 0 <= test.low <= test.share <= test.high <= 1


@pytest.mark.parametrize(
    ("tested", "good", "said"),
    [
        (50, 60, "cannot find 60 good seeds among 50"),
        (50, -1, "cannot find -1"),
        (0, 0, "0 seeds tells nothing"),
    ],
)
def test_impossible_tests_are_refused_with_what_to_do(tested, good, said):
    with pytest.raises(WrongUseError, match=said) as refused:
        judge_test(tested, good, "tetrazolium test")
    assert "mend the lots table" in str(refused.value) or "leave it blank" in str(refused.value)


def test_replicates_just_inside_and_just_outside():
    """Average 88 of four: 13 allowed (7 CFR 201.55, seen)."""
    inside, outside = replicates_agree([81, 94, 88, 89]), replicates_agree([81, 95, 88, 88])
    assert (inside.apart, inside.allowed, inside.agree) == (13, 13, True)
    assert (outside.apart, outside.allowed, outside.agree) == (14, 13, False)
    assert "tell the same" in inside.sentence
    assert "have it repeated" in outside.sentence


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ([90, 91, 92], "2 or 4 replicates"),
        ([90, 101], "101 is no count out of 100"),
        ([], "not for 0"),
    ],
)
def test_replicates_that_cannot_be_judged(counts, said):
    with pytest.raises(WrongUseError, match=said):
        replicates_agree(counts)


def test_germination_counts_outside_the_table_still_get_their_exact_range():
    test, agreement = check_germination([48, 50, 52, 51])
    assert (test.tested, test.good, agreement) == (400, 201, None)
    assert check_germination([88, 91, 84, 90])[1] == replicates_agree([88, 91, 84, 90])
    assert check_germination([88, 91, 84])[1] is None
    with pytest.raises(WrongUseError, match="120 is no count"):
        check_germination([120, 90])
    with pytest.raises(WrongUseError, match="tells nothing"):
        check_germination([])


def test_two_tests_say_what_to_do_next():
    assert "take the average, 88 %" in two_tests_agree(91, 85).sentence
    assert "third test" in two_tests_agree(92, 85).sentence
    with pytest.raises(WrongUseError, match="not both per cent"):
        two_tests_agree(120, 50)
