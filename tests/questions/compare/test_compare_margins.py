"""What passes for the same: in points and in the ratio of the two emergences, and never against the
p.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from germstats.errors import WrongUseError
from germstats.questions.compare.compare_text import compare_text, verdict_sentences
from germstats.questions.compare.comparison import (
    CompareSpec,
    Comparison,
    ComparisonRow,
    ComparisonVerdict,
)
from germstats.questions.compare.contrast import trays_to_tell
from germstats.questions.compare.verdicts import judged, over_all
from tests.two_covers import judged_pair


def drawn(share: float, trays: int, seed: int, cells: int = 72) -> list[int]:
    """Seedlings of trays that scatter by .3 on the logit."""
    rng = np.random.default_rng(seed)
    logit = np.log(share / (1 - share)) + 0.3 * rng.standard_normal(trays)
    return rng.binomial(cells, 1 / (1 + np.exp(-logit))).tolist()


def test_a_third_of_the_seedlings_is_not_the_same_though_it_is_few_points():
    """11.6 % against 4.0 %: the whole 90 % range lies inside ten points, and the p is of the order
    of 1e-5.
    """
    reference, level = drawn(0.116, 16, seed=5), drawn(0.040, 16, seed=6)
    row = judged_pair(reference, level)
    assert -10 < row.points_90_low < row.points_90_high < 0
    assert row.p_main < 1e-4
    assert row.verdict == "worse"
    # a mean over logit-normal trays, drawn a little together
    assert row.ratio == pytest.approx(sum(level) / sum(reference), rel=0.1)
    assert row.ratio_high < 0.8
    [said] = verdict_sentences(Comparison((row,), (), (), CompareSpec()))
    assert f"{row.ratio:.2f} times as many seedlings" in said


def test_low_emergence_waits_for_the_ratio():
    """Alike at 7 %: five trays place the difference within ten points, but not within 1.25
    times.
    """
    trays = [5, 6, 4, 5, 5]
    row = judged_pair(trays, trays)
    assert -10 < row.points_90_low < row.points_90_high < 10
    assert row.ratio_90_low < 0.8 and row.ratio_90_high > 1.25
    assert (row.verdict, row.more_trays_scale) == (ComparisonVerdict.CANNOT_TELL, "ratio")
    assert row.emergence == (pytest.approx(25 / 360, abs=0.01), pytest.approx(25 / 360, abs=0.01))
    # the setting decides
    assert (
        judged_pair(trays, trays, spec=CompareSpec(ratio_margin=3.0)).verdict
        == ComparisonVerdict.SAME
    )


def test_high_emergence_waits_for_the_points():
    row = judged_pair([58, 60, 57, 59], [59, 57, 60, 58])
    assert 0.8 < row.ratio_90_low < row.ratio_90_high < 1.25
    assert row.verdict == ComparisonVerdict.SAME
    tight = judged_pair([58, 60, 57, 59], [59, 57, 60, 58], spec=CompareSpec(margin=5.0))
    assert (tight.verdict, tight.more_trays_scale) == (ComparisonVerdict.CANNOT_TELL, "points")


@pytest.mark.parametrize(
    ("points_sd", "log_ratio_sd", "more", "scale"),
    [
        (
            5.0,
            0.30,
            53,
            "ratio",
        ),  # 4 ((2.8 .30 / ln 1.25)^2 - 1) = 52.7, against 4 ((2.8 5 / 10)^2 - 1) = 3.8
        (5.0, 0.05, 4, "points"),
        (2.0, 0.05, None, ""),  # both margins would have shown
    ],
)
def test_more_trays_by_hand(points_sd, log_ratio_sd, more, scale):
    assert trays_to_tell(points_sd, log_ratio_sd, 4, CompareSpec()) == (more, scale)


def row(**values: object) -> ComparisonRow:
    plain = ComparisonRow(
        species="A",
        treatment="cover",
        reference="none",
        level="grit",
        trays=(4, 4),
        seeds=(288, 288),
        emerged=(100, 100),
        filled=(90, 90),
        points=-20.0,
        points_low=-23.92,
        points_high=-16.08,
        ratio=0.6,
        ratio_low=0.55,
        ratio_high=0.65,
        p_main=0.001,
        p_second=0.01,
        verdict=ComparisonVerdict.CANNOT_TELL,
        places_noted=True,
    )
    return replace(plain, **values)


def test_holm_decides_before_the_margins_do():
    """Two pairs inside both margins with p .04: .08 by Holm, so the same; one alone is told apart,
    if by little.
    """
    inside = row(points=-3.0, verdict=ComparisonVerdict.SAME, p_main=0.04)
    assert [one.verdict for one in judged([inside, inside], CompareSpec())] == [
        ComparisonVerdict.SAME,
        ComparisonVerdict.SAME,
    ]
    [alone] = judged([inside], CompareSpec())
    assert alone.verdict == "worse"
    assert "a real difference, but within 10 points and 1.25 times" in alone.notes


def test_the_row_over_all_species_may_be_firm():
    """With one standard error (2) for each the Hartung-Knapp test is the t test of the three (2002,
    memory).
    """
    points = (-20.0, -23.0, -17.0)
    rows = [
        row(species=name, points=at, points_low=at - 3.92, points_high=at + 3.92)
        for name, at in zip("ABC", points, strict=True)
    ]
    [mean] = over_all(rows, CompareSpec())
    assert mean.p_main == pytest.approx(stats.ttest_1samp(points, 0.0).pvalue, rel=1e-6)
    assert mean.p_second == pytest.approx(mean.p_main, rel=1e-6)
    assert mean.verdict == "worse"
    assert mean.notes == ("over A, B, C; species may differ",)
    [said] = verdict_sentences(Comparison((mean,), (), (), CompareSpec()))
    assert "usual scatter" not in said and "grit is worse" in said


def test_where_one_species_alone_does_not_agree_the_note_names_the_weights():
    """-20, -20 known well and -2 known badly: weighed alike p is .15, by hand t = 14 / (sqrt(108) /
    sqrt(3)) = 2.33.
    """
    rows = [
        row(species="A"),
        row(species="B"),
        row(species="C", points=-2.0, points_low=-41.2, points_high=37.2),
    ]
    [mean] = over_all(rows, CompareSpec())
    assert mean.p_main < 0.05 < mean.p_second
    assert mean.verdict == "probably worse"
    assert any("species known best" in note for note in mean.notes)
    assert not any("usual scatter" in note for note in mean.notes)
    [said] = verdict_sentences(Comparison((mean,), (), (), CompareSpec()))
    assert "comes from the species known best" in said and "usual scatter" not in said


def test_over_all_species_too_the_ratio_must_agree():
    near = {"points": -1.0, "points_low": -2.0, "points_high": 0.5, "p_main": 0.3}
    third = [row(species=name, ratio=0.5, ratio_low=0.3, ratio_high=0.9, **near) for name in "ABC"]
    alike = [
        row(species=name, ratio=at, ratio_low=at - 0.05, ratio_high=at + 0.05, **near)
        for name, at in zip("ABC", (0.98, 1.0, 0.96), strict=True)
    ]
    shifted = [replace(one, points=at) for one, at in zip(alike, (-1.0, 1.2, 0.3), strict=True)]
    assert over_all(shifted, CompareSpec())[0].verdict == ComparisonVerdict.SAME
    apart = [replace(one, points=at) for one, at in zip(third, (-1.0, 1.2, 0.3), strict=True)]
    assert over_all(apart, CompareSpec())[0].verdict == ComparisonVerdict.CANNOT_TELL


def test_holm_over_the_pairs_of_all_species():
    rows = [
        row(species=name, level=level, points=at, points_low=at - 3.92, points_high=at + 3.92)
        for level in ("grit", "sand")
        for name, at in zip("ABC", (-20.0, -23.0, -17.0), strict=True)
    ]
    first, second = over_all(rows, CompareSpec())
    assert first.p_adjusted == pytest.approx(2 * first.p_main)
    assert second.p_adjusted == pytest.approx(first.p_adjusted)


@pytest.mark.parametrize("wrong", [1.0, 0.8, float("nan"), float("inf")])
def test_a_senseless_ratio_is_refused(wrong):
    with pytest.raises(WrongUseError, match="above 1"):
        CompareSpec(ratio_margin=wrong)


@pytest.mark.parametrize(
    ("verdict", "benches"),
    [
        (ComparisonVerdict.WORSE, "it could also be a worse bench"),
        (ComparisonVerdict.PROBABLY_BETTER, "it could also be a better bench"),
        (ComparisonVerdict.SAME, "benches could hide a difference"),
    ],
)
def test_without_a_place_a_bench_cannot_be_told_from_a_cover(verdict, benches):
    noted, without = (
        verdict_sentences(
            Comparison((row(verdict=verdict, places_noted=known),), (), (), CompareSpec())
        )[0]
        for known in (True, False)
    )
    assert f"(no place is noted, so {benches})" in without
    assert "no place is noted" not in noted


def test_more_trays_than_anybody_sows_are_not_asked_for():
    one = row(more_trays=900, more_trays_scale="ratio", p_adjusted=0.5)
    [said] = verdict_sentences(Comparison((one,), (), (), CompareSpec()))
    assert (
        "It would take more trays than anybody sows to tell 1.25 times as many from no difference."
        in said
    )
    [few] = verdict_sentences(Comparison((replace(one, more_trays=30),), (), (), CompareSpec()))
    assert "About 30 more trays of each would tell 1.25 times as many from no difference." in few


def test_the_ratio_margin_is_shown():
    text = " ".join(
        compare_text(Comparison((row(),), (), (), CompareSpec(ratio_margin=1.5))).split()
    )
    text = text.replace("ratio- margin", "ratio-margin")  # folded at its hyphen
    assert "0.67 to 1.5 times (--ratio-margin)" in text
    assert "0.55 to 0.65" in text
