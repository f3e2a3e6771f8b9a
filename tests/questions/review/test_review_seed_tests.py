"""Seed tests in a review: under half good is poor whatever is usual, and what failed does not teach
what is usual.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from germstats.questions.review.book import gather
from germstats.questions.review.gather import lot_file, under_review, usual_tests
from germstats.questions.review.lot_file import SeedTest, Usual
from germstats.questions.review.review import best_fits, judge
from germstats.questions.review.review_text import untold_words
from germstats.questions.review.rules import load_rules
from germstats.questions.review.sown import LotFacts
from tests.questions.review.test_review_books import FILLED, read, row_of, tables

RULES = load_rules()


def failing(told, lots, share, season=2025):
    """Only so much of what usually comes fills in the season's trays of these lots."""
    for k, row in enumerate(told["checks"]):
        tray, day, filled, note = row.split(",")
        if any(tray.startswith(f"T-{season}-{lot}-") for lot in lots):
            told["checks"][k] = f"{tray},{day},{round(share * int(filled))},{note}"
    return told


def with_tests(gathered, good):
    """Two tests of 50 seeds for each lot, so many of them good."""
    facts = {
        lot: LotFacts((SeedTest("cut test", 50, of), SeedTest("tetrazolium test", 50, of)))
        for lot, of in good.items()
    }
    return replace(gathered, lots=facts)


@pytest.fixture(scope="module")
def gathered(tmp_path_factory):
    """A-1 fails in 2025, the other three lots come as ever."""
    return gather(read(failing(tables(), ["A-1"], 0.1), tmp_path_factory.mktemp("failing")), RULES)


@pytest.mark.parametrize(("good", "reading"), [(24, "low"), (25, "middling"), (14, "low")])
def test_under_half_good_is_poor_whatever_is_usual(gathered, good, reading):
    """A species of which 40 % of the seed is good as a rule, lots 1 apart on the logit: 24 of 50 is
    usual there.
    """
    file = replace(lot_file(gathered, "A-2", 2025), tests=(SeedTest("cut test", 50, good),))
    usual = replace(file.usual, viable=float(np.log(0.4 / 0.6)), viable_sd=1.0)
    found = row_of(judge(file.judged_by(usual), RULES), "test")
    assert found.reading.removesuffix("_gap") == reading
    assert found.statistic > RULES.limits["test_z"]


def test_a_lot_under_review_does_not_teach_what_is_usual(gathered):
    """Whatever the tests of the failing lot find, and whatever came of it, the usual stays that of
    the others.
    """
    good = dict.fromkeys(FILLED, 42)
    one, other = (with_tests(gathered, {**good, "A-1": failed}) for failed in (42, 3))
    assert under_review(one, 2025) == under_review(other, 2025) == {"A-1"}
    assert under_review(other, 2024) == set()
    told = [lot_file(each, "A-1", 2025).usual for each in (one, other)]
    assert (told[0].viable, told[0].viable_sd) == (told[1].viable, told[1].viable_sd)
    all_in = usual_tests(other, frozenset())["A"]
    assert all_in.viable < told[1].viable - 0.1  # learned from the failing lot too, it lay lower


def test_a_species_of_which_all_lots_failed_is_held_to_the_stated_usual(gathered):
    without = with_tests(gathered, dict.fromkeys(FILLED, 42))
    usual = usual_tests(without, {"A-1", "A-2"})
    assert usual["A"].viable == Usual().viable and usual["A"].viable_sd > Usual().viable_sd
    assert usual["B"].viable == Usual().viable  # four tests of B are too few to learn from


def test_nothing_is_advised_for_a_cause_called_unlikely(gathered):
    """With no cause that stands, no line for next year, and the text says so; before, the two best
    were advised on.
    """
    none = replace(
        RULES, causes={name: replace(one, start=-60) for name, one in RULES.causes.items()}
    )
    found = judge(lot_file(gathered, "A-1", 2025), none)
    assert found.verdict == "poor" and {one.standing for one in found.causes} == {"unlikely"}
    assert found.next_year == () and best_fits(found.causes) == ()
    assert untold_words(found).endswith(", and none of the known causes fits.")


def test_advice_is_for_standing_causes_only(gathered):
    found = judge(lot_file(gathered, "A-1", 2025), RULES)
    stands = {
        RULES.causes[one.cause].next_year for one in found.causes if one.standing != "unlikely"
    }
    assert found.next_year and set(found.next_year) <= stands


def test_no_cover_is_advised_over_light_needing_seed():
    """What compare calls worse is not named as a remedy."""
    words = RULES.causes["cover"].next_year
    assert "grit" not in words and "surface" in words and "compare" in words
