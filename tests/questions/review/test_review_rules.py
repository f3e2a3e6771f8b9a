"""The review's rules as data: whole, and followed when they are edited."""

from __future__ import annotations

import csv
import shutil

import pytest

from germstats.errors import WrongUseError
from germstats.questions.review.evidence import ROWS
from germstats.questions.review.rules import DATA, load_rules
from germstats.questions.review.scoring import score

RULES = load_rules()
POOR_SEED = [
    ("lot_seen", "low"),
    ("lot_mates", "low"),
    ("tray", "alike"),
    ("test", "low"),
    ("map", "none"),
    ("trays", "several"),
]

TINY = {
    "causes": "cause,words,start,check,next_year,caution,source\n"
    "wet,too wet,-1,lift the tray,water less,,made up\ncold,too cold,-3,feel it,wait,,made up\n"
    "tray,one tray,-4,look,note it,,made up\n",
    "readings": "evidence,reading,words,limit,source\nnote,mouse,seen,,"
    "made up\ntest,low,low,,made up\n"
    "test,good,good,,made up\ntray,alike,alike,,made up\n",
    "points": "cause,evidence,reading,points,source\nwet,test,low,4,made "
    "up\nwet,note,mouse,-2,made up\n"
    "cold,test,low,2,made up\ncold,note,mouse,1,made up\ntray,note,mouse,3,made up\n",
    "doors": (
        "door,evidence,reading,below,with,words,source\nseed,test,low,-1,note:mouse,it is low,made "
        "up\n"
    ),
    "caps": (
        "cause,when,lifted_by,at_most,why,source\nwet,note:mouse,test:good,possible,mice "
        "drink,made up\n"
    ),
    "tests": "cause_a,cause_b,test,limit,wrong_answers,cost,spent_by,source\n"
    "wet,cold,squeeze it,drips: wet,.1,a bit,test,made up\nwet,cold,weigh it,heavy: wet,.2,a "
    "day,,made up\n",
}
"""Three made-up causes, small enough to add up in the head."""


@pytest.fixture
def tiny(tmp_path):
    for name, text in TINY.items():
        (tmp_path / f"review_{name}.csv").write_text(text, encoding="utf-8")
    return load_rules(tmp_path)


@pytest.fixture
def folder(tmp_path):
    for file in DATA.glob("review_*.csv"):
        shutil.copy(file, tmp_path)
    return tmp_path


def standing(readings, rules=RULES):
    return {one.cause: one.standing for one in score(readings, rules)}


def rows(name):
    with (DATA / f"review_{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def edit(folder, name, old, new):
    path = folder / f"review_{name}.csv"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


# By hand, on the tiny table.


def test_points_add_up_by_hand(tiny):
    """wet -1 + 4 = 3 likely; cold -3 + 2 = -1 possible; tray -4 unlikely."""
    found = score([("test", "low")], tiny)
    assert [(one.cause, one.points, one.standing) for one in found] == [
        ("wet", 3, "likely"),
        ("cold", -1, "possible"),
        ("tray", -4, "unlikely"),
    ]
    assert found[0].parts == ((("test", "low"), 4),)


def test_points_at_the_limits_by_hand(tiny):
    """Likely from 2 points on, possible from -2: cold -3 + 2 + 1 = 0, tray -4 + 3 = -1, wet -1
    alone.
    """
    assert standing([("test", "low"), ("note", "mouse")], tiny) == {
        "wet": "possible",
        "cold": "possible",
        "tray": "possible",
    }
    assert standing([("note", "mouse")], tiny) == {
        "wet": "unlikely",
        "cold": "possible",
        "tray": "possible",
    }


def test_a_cap_holds_down_by_hand_and_is_lifted(tmp_path, tiny):
    """wet -1 + 4 - 2 = 1 and, with 6 for the test, 3: likely but for the cap."""
    edit(tmp_path, "points", "wet,test,low,4", "wet,test,low,6")
    rules = load_rules(tmp_path)
    held = next(
        one for one in score([("test", "low"), ("note", "mouse")], rules) if one.cause == "wet"
    )
    assert (held.points, held.standing, held.capped) == (3, "possible", "mice drink")
    lifted = score([("test", "low"), ("note", "mouse"), ("test", "good")], rules)
    assert next(one for one in lifted if one.cause == "wet").standing == "likely"


def test_the_last_one_standing_by_hand(tmp_path, tiny):
    """wet -1 + 2 = 1, cold -3: the only one at -2 or more, with a point, is likely; at 0 points it
    is not.
    """
    edit(tmp_path, "points", "wet,test,low,4", "wet,test,low,2")
    edit(tmp_path, "points", "cold,test,low,2", "cold,test,low,0")
    assert standing([("test", "low")], load_rules(tmp_path)) == {
        "wet": "likely",
        "cold": "unlikely",
        "tray": "unlikely",
    }
    edit(tmp_path, "points", "wet,test,low,2", "wet,test,low,1")
    assert standing([("test", "low")], load_rules(tmp_path))["wet"] == "possible"


def test_a_cap_holds_the_last_one_standing_too(tmp_path, tiny):
    """wet -1 + 2 = 1 alone above -2, but held at possible while mice were noted."""
    edit(tmp_path, "points", "wet,note,mouse,-2", "wet,note,mouse,2")
    edit(tmp_path, "points", "cold,note,mouse,1", "cold,note,mouse,0")
    edit(tmp_path, "points", "tray,note,mouse,3", "tray,note,mouse,0")
    wet = score([("note", "mouse")], load_rules(tmp_path))[0]
    assert (wet.cause, wet.points, wet.standing, wet.capped) == ("wet", 1, "possible", "mice drink")


def test_a_tray_cause_is_no_rival_where_trays_are_alike(tmp_path, tiny):
    """tray -4 + 3 = -1 is possible and a rival of wet at 1; not so where all trays are alike."""
    edit(
        tmp_path, "caps", "wet,note:mouse,test:good,possible", "cold,note:mouse,test:good,unlikely"
    )
    edit(tmp_path, "points", "wet,note,mouse,-2", "wet,note,mouse,2")
    rules = load_rules(tmp_path)
    assert standing([("note", "mouse")], rules) == {
        "wet": "possible",
        "tray": "possible",
        "cold": "unlikely",
    }
    assert standing([("note", "mouse"), ("tray", "alike")], rules)["wet"] == "likely"


def test_the_cheapest_test_not_made_yet_is_named(tiny):
    assert tiny.test_between("cold", "wet").words == "squeeze it (a bit); drips: wet"
    assert tiny.test_between("cold", "wet", {"test"}).words == "weigh it (a day); heavy: wet"
    assert (
        tiny.check("wet", {"test"}) is None and tiny.check("wet", {"note"}).words == "lift the tray"
    )
    unlisted = tiny.test_between("wet", "tray", {"test"})  # squeezing told what lifting would
    assert unlisted.words == "look"


def test_a_door_opens_by_hand(tiny):
    """Reads low, lies under -1, and mice were noted: all three, or it stays shut."""
    door, mice = tiny.doors[0], [("note", "mouse")]
    assert door.opens("low", -1.5, mice)
    assert not door.opens("low", -1.0, mice)
    assert not door.opens("low", None, mice)
    assert not door.opens("good", -1.5, mice)
    assert not door.opens("low", -1.5, [])


# The package's own table.


def test_every_cause_has_words_a_start_a_check_and_a_line_for_next_year():
    assert len(RULES.causes) == 10
    for cause in RULES.causes.values():
        assert cause.words and cause.check and cause.next_year
        assert cause.start < 0
        assert RULES.points[cause.cause]


def test_every_row_names_its_source():
    for name in ("points", "causes", "readings", "limits", "doors", "caps", "tests"):
        assert all(row["source"] for row in rows(name)), name


def test_every_reading_of_the_rules_is_one_the_evidence_can_give_and_the_other_way_round():
    given = {(name, reading) for name, row in ROWS.items() for reading in row.readings}
    assert set(RULES.readings) == given
    for points in RULES.points.values():
        assert set(points) <= given


def test_every_limit_of_the_evidence_is_in_the_rules():
    assert {row.limit for row in ROWS.values() if row.limit} <= set(RULES.limits)


def test_every_door_can_open():
    for door in RULES.doors:
        assert door.readings <= set(ROWS[door.evidence].readings)
        assert door.readings or door.below is not None
        assert door.words


def test_every_cause_of_one_tray_has_a_caution_where_one_belongs():
    assert "hantavirus" in RULES.causes["mouse"].caution
    assert "dust" in RULES.causes["cover"].caution
    assert "trained" in RULES.causes["damp"].caution


def test_poor_seed_adds_up():
    """seed: -7 to begin with, +3 +4 +1 +4 = 5 (sum of the rows of the table)."""
    seed = next(one for one in score(POOR_SEED, RULES) if one.cause == "seed")
    assert seed.points == -7 + 3 + 4 + 1 + 4
    assert seed.standing == "likely"
    assert [size for _, size in seed.parts] == [3, 4, 1, 4]


def test_one_tray_cannot_tell_seed_from_tray_without_a_test():
    one_tray = [("lot_seen", "low"), ("lot_mates", "low"), ("trays", "one"), ("cover", "alike")]
    seed = next(one for one in score(one_tray, RULES) if one.cause == "seed")
    assert seed.points == 1 and seed.standing == "possible" and "one tray" in seed.capped
    assert standing([*one_tray, ("test", "low")])["seed"] == "likely"


@pytest.mark.parametrize(
    ("cause", "readings"),
    [
        (
            "mouse",
            [("block", "strong"), ("overfull", "none"), ("shape", "patch"), ("note", "mouse")],
        ),
        ("wash", [("block", "strong"), ("overfull", "strong"), ("shape", "strip")]),
        ("dry", [("edge", "strong"), ("loss_map", "edge")]),
    ],
)
def test_mouse_wash_and_drying_are_judged_with_a_map_only(cause, readings):
    assert standing([*readings, ("map", "some")])[cause] == "likely"
    assert standing([*readings, ("map", "none")])[cause] == "unlikely"


def test_a_harmless_cover_is_not_blamed_without_a_contrast():
    deep = [("lot_seen", "low"), ("cover_use", "deep_light"), ("lot_mates", "low")]
    cover = next(one for one in score(deep, RULES) if one.cause == "cover")
    assert cover.points >= 2 and cover.standing == "possible" and cover.capped
    assert standing([*deep, ("cover", "deep_low_bare_fine")])["cover"] == "likely"


def test_seed_that_always_lay_under_one_cover_is_not_blamed_without_a_test():
    low = [
        ("lot_seen", "low"),
        ("lot_mates", "low"),
        ("tray", "alike"),
        ("cover", "alike"),
        ("apart", "together"),
    ]
    seed = next(one for one in score(low, RULES) if one.cause == "seed")
    assert (
        seed.points >= 2 and seed.standing == "possible" and "always went together" in seed.capped
    )
    assert standing([*low, ("test", "low")])["seed"] == "likely"


def test_a_short_winter_is_not_blamed_where_the_lot_is_not_low():
    readings = [("season", "slope"), ("cold", "short"), ("loss_map", "clustered"), ("map", "some")]
    for seen in ([], [("lot_seen", "lowish")]):
        chill = next(one for one in score([*readings, *seen], RULES) if one.cause == "chill")
        assert (
            chill.points >= 2 and chill.standing == "possible" and "not clearly low" in chill.capped
        )
    assert standing([*readings, ("lot_seen", "low")])["chill"] == "likely"


def test_a_middling_seed_test_leaves_poor_seed_possible_at_most():
    low = [("lot_seen", "low"), ("lot_mates", "low"), ("tray", "alike"), ("trays", "several")]
    assert standing(low)["seed"] == "likely"
    assert standing([*low, ("test", "middling")])["seed"] == "possible"


def test_a_few_losses_do_not_make_damping_off():
    damp = next(
        one
        for one in score([("losses", "some"), ("lot_seen", "low")], RULES)
        if one.cause == "damp"
    )
    assert damp.standing == "possible"
    assert standing([("losses", "some"), ("loss_map", "clustered")])["damp"] == "likely"


def test_enough_cold_speaks_against_a_short_winter_and_little_need_holds_it_down():
    low = [("lot_seen", "low"), ("season", "slope")]
    assert standing(low)["chill"] == "likely"
    enough = next(one for one in score([*low, ("cold", "enough")], RULES) if one.cause == "chill")
    assert enough.standing == "possible" and "cold enough" in enough.capped
    assert standing([*low, ("cold", "little")])["chill"] == "possible"


def test_a_short_winter_is_blamed_where_more_than_one_lot_did_badly():
    """Where the winter was short and neither the species nor others that need cold did badly, a
    lot's own failing was short cold in little more than half of simulated lots.
    """
    short = [("lot_seen", "low"), ("cold", "short")]
    alone = next(one for one in score(short, RULES) if one.cause == "chill")
    assert alone.standing == "possible" and "others that need cold" in alone.capped
    for reading in (("season", "slope"), ("season", "down")):
        assert standing([*short, reading])["chill"] == "likely"
    # no other winter on record
    assert standing([("lot_seen", "low"), ("cold", "short_few")])["chill"] == "likely"


def test_more_losses_than_usual_leave_damping_off_possible():
    some = [("losses", "some"), ("course", "over_time")]
    assert standing(some)["damp"] == standing([*some, ("loss_map", "none")])["damp"] == "possible"
    assert standing([*some, ("loss_map", "edge")])["damp"] == "unlikely"


def test_losses_that_went_at_once_point_at_the_count_and_slow_ones_at_damping_off():
    at_once = standing([("losses", "strong"), ("course", "at_once"), ("record", "sudden")])
    over_time = standing([("losses", "strong"), ("course", "over_time")])
    assert (at_once["miscount"], at_once["damp"]) == ("likely", "possible")
    assert (over_time["miscount"], over_time["damp"]) == ("unlikely", "likely")


def test_what_happened_to_one_tray_says_nothing_against_what_befell_the_whole_lot():
    """A bare block, ring, losses or a faulty record leave seed, cover and cold where they stood."""
    low = [("lot_seen", "low"), ("lot_mates", "low"), ("test", "low")]
    hit = [
        ("block", "strong"),
        ("edge", "strong"),
        ("losses", "strong"),
        ("record", "falls"),
        ("overfull", "strong"),
    ]
    plain, beside = (
        {one.cause: one.points for one in score(rows, RULES)} for rows in (low, low + hit)
    )
    assert all(beside[cause] == plain[cause] for cause in ("seed", "cover", "chill"))


def test_the_season_is_blamed_before_the_seed():
    readings = [
        ("lot_seen", "low"),
        ("season", "slope"),
        ("tray", "alike"),
        ("map", "none"),
        ("trays", "several"),
    ]
    assert score(readings, RULES)[0].cause == "chill"


def test_the_test_between_two_causes_is_the_one_listed():
    assert RULES.test_between("seed", "tray").words.startswith("cut 50 seeds")
    assert RULES.test_between("tray", "seed") == RULES.test_between("seed", "tray")
    assert "squash" in RULES.test_between("chill", "seed").words
    unlisted = RULES.test_between("cover", "damp").words
    assert (
        RULES.causes["cover"].check.words in unlisted
        and RULES.causes["damp"].check.words in unlisted
    )


# Rules of the grower's own.


def test_an_edited_row_changes_the_outcome(folder):
    edit(folder, "points", "seed,test,low,4,", "seed,test,low,-6,")
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
        ("points", "seed,test,low,4,", "seed,test,low,five,", "points is a number"),
        ("points", "seed,test,low,4,", "seed,test,low,nan,", "points is a number"),
        ("points", "seed,test,low,4,", "seed,test,low,2.5,", "whole number"),
        ("points", "seed,test,low,4,", "seeds,test,low,4,", "names seeds, which is not listed"),
        ("points", "seed,test,low,4,", "seed,test,lower,4,", "names test:lower"),
        ("points", "seed,test,low,4,", "seed,test,good,4,", "both speak of seed test good"),
        ("limits", "not_over_z,", "not_over_zz,", "lacks not_over_z"),
        ("limits", "lot_low,-1.96,grades", "lot_low,inf,grades", "value is a number"),
        (
            "limits",
            "lot_lowish,",
            "spare,1,of no use,made up\nlot_lowish,",
            "names spare, which nothing asks for",
        ),
        ("caps", ",possible,one tray", ",perhaps,one tray", "at_most is one of"),
        ("caps", "seed,trays:one", "seed,trays:three", "caps.csv names trays:three"),
        ("doors", "block,block,,0.002,", "block,block,,,", "neither a reading nor a limit"),
        ("doors", "block,block,,0.002,", "block,blok,,0.002,", "doors.csv names blok"),
        ("doors", "company:some", "company:few", "doors.csv names company:few"),
        ("tests", "seed,chill,", "seed,cold,", "names cold"),
        ("tests", '50 seeds",test,', '50 seeds",tests,', "tests.csv names tests"),
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
    with pytest.raises(WrongUseError, match="holds no rules; copy a file there"):
        load_rules(tmp_path)


def test_a_misspelt_file_of_rules_is_not_passed_over(folder):
    (folder / "review_limit.csv").write_text("limit,value\n", encoding="utf-8")
    with pytest.raises(
        WrongUseError, match=r"holds review_limit.csv, which nothing reads.*review_limits.csv"
    ):
        load_rules(folder)


def test_rules_that_cannot_be_read(folder):
    (folder / "review_caps.csv").write_bytes("cause;when\nsämling".encode("utf-16"))
    with pytest.raises(WrongUseError, match=r"review_caps.csv cannot be read"):
        load_rules(folder)
    (folder / "review_caps.csv").write_text("", encoding="utf-8")
    with pytest.raises(WrongUseError, match=r"review_caps.csv holds no row"):
        load_rules(folder)
