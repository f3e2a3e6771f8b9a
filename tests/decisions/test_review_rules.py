"""The review's rules as data: whole, and followed when they are edited."""

from __future__ import annotations

import csv
import shutil

import pytest

from germstats.decisions.review_rules import DATA, load_rules
from germstats.decisions.review_scoring import score
from germstats.errors import WrongUseError

RULES = load_rules()
POOR_SEED = [("lot_seen", "low"), ("lot_mates", "low"), ("tray", "alike"), ("test", "low"), ("map", "none"),
             ("trays", "several")]  # fmt: skip


def standing(readings, rules=RULES):
    return {one.cause: one.standing for one in score(readings, rules)}


def test_every_cause_has_words_a_check_and_a_line_for_next_year():
    assert len(RULES.causes) == 10
    for cause in RULES.causes.values():
        assert cause.words and cause.check and cause.next_year
        assert cause.start < 0
        assert RULES.points[cause.cause]


def test_every_row_names_its_source():
    for name in ("points", "causes", "limits", "tests"):
        with (DATA / f"review_{name}.csv").open(encoding="utf-8", newline="") as file:
            assert all(row["source"] for row in csv.DictReader(file)), name


def test_points_add_up_by_hand():
    """seed: -6 to begin with, +3 +3 +1 +5 = 6 (sum of the rows of the table)."""
    seed = next(one for one in score(POOR_SEED, RULES) if one.cause == "seed")
    assert seed.points == -6 + 3 + 3 + 1 + 5
    assert seed.standing == "likely"
    assert [size for _, size in seed.parts] == [3, 3, 1, 5]


def test_one_tray_cannot_tell_seed_from_tray_without_a_test():
    one_tray = [("lot_seen", "low"), ("lot_mates", "low"), ("trays", "one"), ("cover", "alike"), ("timing", "late")]
    seed = next(one for one in score(one_tray, RULES) if one.cause == "seed")
    assert seed.points == 2 and seed.standing == "possible" and "one tray" in seed.capped
    assert standing([*one_tray, ("test", "low")])["seed"] == "likely"


def test_mouse_wash_and_drying_are_judged_with_a_map_only():
    block = [("block", "strong"), ("overfull", "none"), ("shape", "patch")]
    assert standing([*block, ("map", "some")])["mouse"] == "likely"
    assert standing([*block, ("map", "none")])["mouse"] == "unlikely"


def test_a_harmless_cover_is_not_blamed_without_a_contrast():
    deep = [("lot_seen", "low"), ("cover_use", "deep_light"), ("lot_mates", "low")]
    cover = next(one for one in score(deep, RULES) if one.cause == "cover")
    assert cover.points >= 2 and cover.standing == "possible" and cover.capped
    assert standing([*deep, ("cover", "deep_low_bare_fine")])["cover"] == "likely"


def test_the_last_one_standing_is_likely():
    """seed 1 point, all rivals below -2 but tray causes, which are no rivals where trays are alike."""
    readings = [("lot_seen", "low"), ("lot_mates", "lowish"), ("tray", "alike"), ("cover", "alike"), ("map", "none"),
                ("trays", "several"), ("season", "slope")]  # fmt: skip
    edited = [("lot_seen", "low"), ("lot_mates", "low"), ("tray", "alike"), ("map", "none"), ("trays", "several")]
    found = {one.cause: one for one in score(edited, RULES)}
    assert found["seed"].points == 1
    assert found["seed"].standing == "likely"
    assert score(readings, RULES)[0].cause == "chill"


def test_the_test_between_two_causes_is_the_one_listed():
    assert RULES.test_between("seed", "tray").startswith("cut 50 seeds")
    assert RULES.test_between("tray", "seed") == RULES.test_between("seed", "tray")
    assert "squash" in RULES.test_between("chill", "seed")


@pytest.fixture
def folder(tmp_path):
    for file in DATA.glob("review_*.csv"):
        shutil.copy(file, tmp_path)
    return tmp_path


def edit(folder, name, old, new):
    path = folder / f"review_{name}.csv"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_an_edited_row_changes_the_outcome(folder):
    edit(folder, "points", "seed,test,low,5,", "seed,test,low,-5,")
    assert standing(POOR_SEED, load_rules(folder))["seed"] == "unlikely"
    assert standing(POOR_SEED)["seed"] == "likely"


def test_a_folder_may_hold_some_files_only(tmp_path):
    shutil.copy(DATA / "review_limits.csv", tmp_path)
    edit(tmp_path, "limits", "likely,2,", "likely,50,")
    edit(tmp_path, "limits", "last_standing,1,", "last_standing,50,")
    assert "likely" not in standing(POOR_SEED, load_rules(tmp_path)).values()


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("points", "seed,test,low,5,", "seed,test,low,five,", "points is a number"),
        ("points", "seed,test,low,5,", "seed,test,low,2.5,", "whole number"),
        ("points", "seed,test,low,5,", "seeds,test,low,5,", "names seeds, which is not listed"),
        ("points", "seed,test,low,5,", "seed,test,lower,5,", "names test:lower"),
        ("limits", "door_lot,", "door_lots,", "lacks door_lot"),
        ("caps", ",possible,one tray", ",perhaps,one tray", "at_most is one of"),
        ("tests", "seed,chill,", "seed,cold,", "names cold"),
        ("causes", "cause,words,start", "cause,word,start", "should have the columns"),
    ],
)
def test_bad_rules_are_refused_in_words(folder, name, old, new, said):
    edit(folder, name, old, new)
    with pytest.raises(WrongUseError, match=said):
        load_rules(folder)


def test_rules_that_are_nowhere(tmp_path):
    with pytest.raises(WrongUseError, match="is no folder"):
        load_rules(tmp_path / "none")
