"""Covers compared: who may be compared with whom, what is said, and what bad input meets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import germstats
from germstats.engine.treatment_model import Contrasts
from germstats.errors import WrongUseError
from germstats.questions.compare.blocking import levels_of, side_by_side
from germstats.questions.compare.compare import compare
from germstats.questions.compare.comparison import CompareSpec, ComparisonRow, ComparisonVerdict
from germstats.questions.compare.verdicts import judged, over_all, verdict_of
from tests.test_datasets import DATASETS

PAIR = ("none", "grit")


def trays(*rows: tuple[str, str, int, str]) -> pd.DataFrame:
    """(lot, cover, season, place) of each tray."""
    table = pd.DataFrame(rows, columns=["lot", "cover", "season", "place"])
    return table.assign(cover_depth_mm=np.nan, pretreatment="", block="")


def paired(table: pd.DataFrame, treatment: str = "cover"):
    return side_by_side(table, levels_of(table, treatment), PAIR, treatment)


def test_trays_of_one_lot_and_season_are_side_by_side():
    rows = [("A", cover, 2025, "") for cover in ("none", "none", "grit", "grit")]
    found = paired(trays(*rows, ("B", "grit", 2025, "")))
    assert found.refusal == ""
    assert found.codes.tolist() == [0, 1, 2, 3]  # B has no tray without cover beside it
    assert found.level.tolist() == [0, 0, 1, 1]
    assert found.blocked_by == "lot and season"


def test_benches_with_both_covers_are_blocks():
    rows = [("A", cover, 2025, f"bench {k}") for k in (1, 2, 3) for cover in PAIR]
    found = paired(trays(*rows))
    assert found.blocked_by == "lot, season and place"
    assert len(set(found.block.tolist())) == 3


@pytest.mark.parametrize(
    ("places", "blocks", "noted"),
    [
        (("", "", "", ""), ("", "", "", ""), False),
        (("bench 1", "bench 1", "bench 2", "bench 2"), ("", "", "", ""), True),
        (("", "", "", ""), ("I", "I", "II", "II"), True),
        (("bench 1", "bench 1", "bench 1", ""), ("", "", "", ""), False),
    ],
    ids=["none", "benches", "blocks", "all but one"],
)
def test_whether_a_bench_can_be_told_from_a_cover(places, blocks, noted):
    table = trays(*(("A", cover, 2025, "") for cover in ("none", "grit", "none", "grit")))
    found = paired(table.assign(place=places, block=blocks))
    assert (found.refusal, found.places_noted) == ("", noted)


def test_where_places_are_compared_no_place_is_missed():
    table = trays(
        *(("A", "none", 2025, place) for place in ("bench 1", "bench 1", "bench 2", "bench 2"))
    )
    found = side_by_side(table, levels_of(table, "place"), ("bench 1", "bench 2"), "place")
    assert found.refusal == "" and found.places_noted is None


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (
            [("A", "none", 2025, ""), ("A", "grit", 2025, ""), ("A", "grit", 2025, "")],
            "one tray only of none",
        ),
        ([("A", "grit", 2025, ""), ("A", "grit", 2025, "")], "A only ever under grit"),
        (
            [
                ("A", "none", 2025, ""),
                ("A", "none", 2025, ""),
                ("B", "grit", 2025, ""),
                ("B", "grit", 2025, ""),
            ],
            "grit was only ever used with lot B, none with lot A: lot and cover cannot be "
            "separated",
        ),
        (
            [
                ("A", "none", 2024, ""),
                ("A", "none", 2024, ""),
                ("A", "grit", 2025, ""),
                ("A", "grit", 2025, ""),
            ],
            "season and cover cannot be separated",
        ),
        (
            [
                ("A", "none", 2025, "bench 1"),
                ("A", "none", 2025, "bench 1"),
                ("A", "grit", 2025, "bench 2"),
                ("A", "grit", 2025, "bench 2"),
            ],
            "place and cover cannot be separated",
        ),
    ],
)
def test_what_cannot_be_separated_is_refused_with_a_remedy(rows, words):
    found = paired(trays(*rows))
    assert len(found.codes) == 0
    assert words in found.refusal
    assert "sow" in found.refusal


def row(**values: object) -> ComparisonRow:
    plain = ComparisonRow(
        species="S",
        treatment="cover",
        reference="none",
        level="grit",
        trays=(4, 4),
        seeds=(288, 288),
        emerged=(100, 100),
        filled=(90, 90),
        points=-20.0,
        points_low=-30.0,
        points_high=-10.0,
        p_main=0.01,
        p_adjusted=0.01,
        p_second=0.05,
        verdict=ComparisonVerdict.CANNOT_TELL,
        more_trays=5,
    )
    return replace(plain, **values)


@pytest.mark.parametrize(
    ("values", "verdict", "more"),
    [
        ({}, "worse", None),
        ({"points": 20.0}, "better", None),
        ({"p_second": 0.2}, "probably worse", None),
        ({"p_second": None}, "probably worse", None),
        ({"p_adjusted": 0.2}, ComparisonVerdict.CANNOT_TELL, 5),
        ({"verdict": ComparisonVerdict.SAME, "p_adjusted": 0.2}, ComparisonVerdict.SAME, None),
        (
            {"verdict": ComparisonVerdict.SAME},
            "worse",
            None,
        ),  # before, the ranges alone decided, whatever the p
    ],
)
def test_the_ladder(values, verdict, more):
    told = verdict_of(row(**values), CompareSpec())
    assert (told.verdict, told.more_trays) == (verdict, more)


def test_a_design_that_would_have_told_says_so():
    told = verdict_of(row(p_adjusted=0.2, more_trays=None), CompareSpec())
    assert any("would probably have shown" in note for note in told.notes)


def test_holm_is_within_one_species():
    """Two p of .04 each: .08 both by Holm; one alone stays .04."""
    both = judged([row(p_main=0.04), row(p_main=0.04)], CompareSpec())
    assert [one.p_adjusted for one in both] == [pytest.approx(0.08), pytest.approx(0.08)]
    assert judged([row(p_main=0.04)], CompareSpec())[0].p_adjusted == pytest.approx(0.04)


def test_over_all_stays_in_points():
    rows = [row(species="A"), row(species="B", points=40.0, points_low=20.0, points_high=60.0)]
    (mean,) = over_all(rows, CompareSpec())
    assert mean.species is None
    assert -100 <= mean.points_low <= mean.points <= mean.points_high <= 100
    assert mean.trays == (8, 8)


@pytest.fixture(scope="module")
def found():
    return compare(germstats.read_book(DATASETS / "demonstration"))


def test_the_demonstration_is_told_right(found):
    """MOFI sand, HECY sand and grit worse; PEAT grit cannot tell, with a number; PEAT-23B refused
    (planted).
    """
    verdicts = {(one.species, one.reference, one.level): one for one in found.rows}
    for species, level in (("MOFI", "sand"), ("HECY", "sand"), ("HECY", "grit")):
        assert verdicts[species, "none", level].verdict == "worse"
    undecided = verdicts["PEAT", "none", "grit"]
    assert undecided.verdict == ComparisonVerdict.CANNOT_TELL
    assert undecided.more_trays >= 1
    assert any(
        said.startswith("PEAT-23B") and "bench 2" in said and "refused" in said
        for said in found.apart
    )


def test_ranges_hold_the_planted_multipliers(found):
    """MOFI best share .82 with grit .85 and sand .45 of it; HECY .60 with .60 and .12 (invented,
    planted).
    """
    planted = {
        ("MOFI", "grit"): 82 * (0.85 - 1),
        ("MOFI", "sand"): 82 * (0.45 - 1),
        ("HECY", "grit"): 60 * (0.60 - 1),
        ("HECY", "sand"): 60 * (0.12 - 1),
    }
    for one in found.rows:
        if one.reference == "none" and (one.species, one.level) in planted:
            # trays scatter on logits
            assert one.points_low - 3 <= planted[one.species, one.level] <= one.points_high + 3


def test_refused_rows_carry_no_number(found):
    for one in found.rows:
        if one.verdict == ComparisonVerdict.REFUSED:
            assert one.points is None
            assert one.p_main is None
            assert one.notes
        else:
            assert 0 < one.p_main <= 1
            assert one.points_low <= one.points <= one.points_high


def test_a_row_says_what_was_noted_and_how_far_apart_the_two_are(found):
    for one in found.rows:
        if one.verdict == ComparisonVerdict.REFUSED:
            assert one.places_noted is one.ratio is None
            continue
        assert one.ratio_low <= one.ratio_90_low <= one.ratio <= one.ratio_90_high <= one.ratio_high
        assert (
            one.points_low
            <= one.points_90_low
            <= one.points
            <= one.points_90_high
            <= one.points_high
        )
        if one.verdict == ComparisonVerdict.SAME:
            assert one.p_adjusted >= 0.05
            assert CompareSpec().same(
                (one.points_90_low, one.points_90_high), (one.ratio_90_low, one.ratio_90_high)
            )
        if one.species is not None:
            # mean of logs, of shares
            assert one.ratio == pytest.approx(one.emergence[1] / one.emergence[0], rel=0.05)


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        (CompareSpec(species=("MOFY",)), "did you mean MOFI"),
        (CompareSpec(lots=("PEAT-24",)), "did you mean PEAT-24A"),
        (CompareSpec(reference="sandd"), "did you mean sand"),
    ],
)
def test_near_misses_are_suggested(spec, words):
    with pytest.raises(WrongUseError, match=words):
        compare(germstats.read_book(DATASETS / "demonstration"), spec)


@pytest.mark.parametrize(
    "values", [{"treatment": "colour"}, {"margin": 0}, {"margin": 100}, {"another_spring_sd": -1}]
)
def test_senseless_wishes_are_refused(values):
    with pytest.raises(WrongUseError, match=r"is one of|between 0 and 100|0 or more"):
        CompareSpec(**values)


def test_draws_have_the_spread_of_their_law():
    """One sd, four blocks, one contrast with law N(0, 1): its draws have that sd, whatever the
    seed.
    """
    one = Contrasts(
        weight=np.ones(1),
        sd=np.array([0.3]),
        mean=np.zeros((1, 5)),
        covariance=np.eye(5)[None],
        blocks=4,
        rho=np.zeros(1),
    )
    for seed in (0, 1, 2):
        draws = one.draws(seed)
        contrast = (draws.values[:, :, 1] - draws.values[:, :, 0]).mean(axis=1)
        assert float(draws.weight @ contrast) == pytest.approx(0.0, abs=1e-9)
        assert np.sqrt(float(draws.weight @ contrast**2)) == pytest.approx(1.0, abs=0.03)
