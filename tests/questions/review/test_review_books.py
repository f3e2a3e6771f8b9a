"""Reviews of small books: what stops, gaps and oddities in the records do to them."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from germstats.engine.fit import FitSpec
from germstats.errors import NotEnoughRecordsError
from germstats.questions.review.book import gather, seed_tests
from germstats.questions.review.gather import lot_file
from germstats.questions.review.maps import among, hit_trays
from germstats.questions.review.records import sudden_fall, usual_of
from germstats.questions.review.review import LotVerdict, ReviewSpec, judge, review
from germstats.questions.review.rules import load_rules
from germstats.questions.review.sown import always_together
from germstats.records.book import read_book

RULES = load_rules()
ROWS, COLUMNS = 4, 6
FILLED = {"A-1": (17, 18), "A-2": (19, 18), "B-1": (15, 16), "B-2": (16, 14)}
DAYS = ("03-10", "03-24", "04-07", "04-21", "05-05", "05-19", "06-02", "06-16")
COMING = (0.05, 0.25, 0.6, 0.85, 0.95, 1.0, 1.0, 1.0)


def tables(seasons=(2024, 2025), lots=tuple(FILLED)):
    """Two species, two lots each, two trays a lot and season, filled cells counted eight times, one
    seed in each.
    """
    sown = [
        (f"T-{y}-{lot}-{k}", y, lot, filled)
        for y in seasons
        for lot in lots
        for k, filled in enumerate(FILLED[lot])
    ]
    return {
        "species": ["species,light,two_winters,chill_weeks", "A,either,no,", "B,either,no,"],
        "lots": [
            "lot,species,cut_test_seeds,cut_test_full",
            *(f"{lot},{lot[0]},," for lot in lots),
        ],
        "trays": [
            "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover",
            *(f"{t},{y},{lot},{y - 1}-12-05,{ROWS},{COLUMNS},1,none" for t, y, lot, _ in sown),
        ],
        "checks": [
            "tray,checked_on,filled,note",
            *(
                f"{t},{y}-{day},{round(share * n)},"
                for t, y, _, n in sown
                for day, share in zip(DAYS, COMING, strict=True)
            ),
        ],
        "cells": ["tray,cell,checked_on,emerged,alive"],
        "events": ["tray,on,event,cells,note"],
        "maps": ["tray,seen_on,empty_cells"],
    }


def by_cell(told, tray, counts):
    """The tray's cells counted one by one instead: seedlings of each cell at each of its days."""
    told["checks"] = [row for row in told["checks"] if not row.startswith(f"{tray},")]
    for place, course in enumerate(counts):
        cell = f"{'ABCD'[place // COLUMNS]}{place % COLUMNS + 1}"
        told["cells"] += [f"{tray},{cell},2025-{day},{n}," for day, n in course]
    return told


def read(told, folder):
    for name, rows in told.items():
        (folder / f"{name}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return read_book(folder)


def row_of(found, evidence):
    return next(row for row in found.evidence if row.evidence == evidence)


def reviewed(book, lot="A-1", season=2025):
    return judge(lot_file(gather(book, RULES), lot, season), RULES)


def test_a_healthy_lot_comes_as_expected(tmp_path):
    found = reviewed(read(tables(), tmp_path))
    assert found.verdict == LotVerdict.AS_EXPECTED
    assert found.seen.startswith(
        "35 seedlings of 48 seeds in 2 trays; an ordinary spring lets expect"
    )
    assert found.causes == () and found.test == "" and found.next_year == ()


def test_the_lots_own_trays_of_the_season_are_left_out_of_what_is_expected(tmp_path):
    """However low they are, the expectation is the same: they have no say in it but through the
    scatters.
    """
    low = tables()
    low["checks"] = [
        row.rsplit(",", 2)[0] + ",0," if row.startswith("T-2025-A-1") else row
        for row in low["checks"]
    ]
    (tmp_path / "low").mkdir()
    gathered = gather(read(tables(), tmp_path), RULES)
    lowered = gather(read(low, tmp_path / "low"), RULES)
    same = replace(lowered, fit=replace(lowered.fit, pooled=gathered.fit.pooled))
    before, after = (lot_file(one, "A-1", 2025).expected for one in (gathered, same))
    assert before is not None and after is not None
    # the same equations, solved twice
    assert before.ordinary.mean() == pytest.approx(after.ordinary.mean(), abs=1e-9)


def test_falling_counts_keep_a_tray_out_of_the_estimates_but_not_out_of_the_review(tmp_path):
    courses = [((DAYS[3], 1), (DAYS[5], 0 if place < 6 else 1)) for place in range(17)]
    courses += [((DAYS[3], 0), (DAYS[5], 0))] * 7
    book = read(by_cell(tables(), "T-2025-A-1-0", courses), tmp_path)
    assert "T-2025-A-1-0" in book.left_out
    found = reviewed(book)
    assert found.verdict == LotVerdict.POOR and "the record contradicts itself" in found.doors
    assert found.named[0].cause == "miscount" and found.named[0].standing == "likely"
    row = row_of(found, "record")
    assert (row.reading, row.statistic, row.limit) == ("falls", 6.0, 3.0)
    assert "in 6 cells" in row.words and found.test.startswith("count the tray again")


def test_more_seedlings_than_seeds_are_evidence_too(tmp_path):
    """One seed a cell was sown; four cells hold two."""
    courses = [((DAYS[5], 2 if place < 4 else 1),) for place in range(17)] + [((DAYS[5], 0),)] * 7
    book = read(by_cell(tables(), "T-2025-A-1-0", courses), tmp_path)
    assert "T-2025-A-1-0" in book.left_out
    row = row_of(reviewed(book), "overfull")
    assert (row.reading, row.statistic) == ("strong", 4.0)
    assert row.words.endswith("(A1 A2 A3 A4)")


def test_the_first_lot_of_the_first_season_has_nothing_to_be_held_against(tmp_path):
    told = tables(seasons=(2025,), lots=("A-1",))
    found = reviewed(read(told, tmp_path))
    assert found.verdict == LotVerdict.NO_VERDICT
    assert any("this is the first" in note for note in found.notes)
    assert "nothing else on record tells what to expect" in found.seen


def test_a_first_season_of_several_lots_is_held_against_the_others(tmp_path):
    found = reviewed(read(tables(seasons=(2025,)), tmp_path))
    assert found.verdict == LotVerdict.AS_EXPECTED
    assert row_of(found, "company").reading == "some"  # A-2 stood beside it


def test_a_tray_seen_in_part_only_is_judged_by_the_cells_seen(tmp_path):
    courses = [((DAYS[5], 1),) for _ in range(9)] + [((DAYS[5], 0),) for _ in range(3)]
    found = reviewed(read(by_cell(tables(), "T-2025-A-1-0", courses), tmp_path))
    assert found.seen.startswith("27 seedlings of 36 seeds")  # 12 cells of the one, 24 of the other
    assert row_of(found, "map").statistic == 1.0


def test_more_full_seeds_than_tested_are_not_used_and_named(tmp_path):
    told = tables()
    told["lots"][1] = "A-1,A,50,60"
    found = reviewed(read(told, tmp_path))
    assert row_of(found, "test").reading == ""
    assert any("60 of 50 is more than were tested" in note for note in found.notes)


def test_a_test_without_its_number_of_seeds_is_named(tmp_path):
    told = tables()
    told["lots"] = [row.replace("A-1,A,,", "A-1,A,,20") for row in told["lots"]]
    found = reviewed(read(told, tmp_path))
    assert any(
        "20 good, but not of how many" in note and "cut_test_seeds" in note for note in found.notes
    )


def test_a_tray_never_checked_does_not_count_and_is_named(tmp_path):
    told = tables()
    told["checks"] = [row for row in told["checks"] if not row.startswith("T-2025-A-1-1,")]
    found = reviewed(read(told, tmp_path))
    assert found.seen.startswith("17 seedlings of 24 seeds in 1 tray")
    assert any("T-2025-A-1-1 does not count: it has no check" in note for note in found.notes)


def test_what_a_noted_accident_took_is_not_held_against_the_lot(tmp_path):
    """Ten of 17 filled cells are gone after the tray fell; without the note they are losses."""
    told = tables()
    told["checks"] = [row for row in told["checks"] if not row.startswith("T-2025-A-1-0,")]
    course = zip(DAYS, (1, 4, 10, 14, 17, 7, 7, 7), strict=True)
    told["checks"] += [f"T-2025-A-1-0,2025-{day},{n}," for day, n in course]
    unnoted = reviewed(read(told, tmp_path))
    assert row_of(unnoted, "losses").words.startswith("T-2025-A-1-0: 10 of 17 lost")
    assert row_of(unnoted, "record").reading == "sudden"
    told["events"].append("T-2025-A-1-0,2025-05-12,dropped,,")
    noted = reviewed(read(told, tmp_path))
    assert noted.verdict == LotVerdict.AS_EXPECTED
    assert row_of(noted, "losses").reading == "" and row_of(noted, "record").reading == ""


def test_a_tray_of_no_known_lot_is_named_not_dropped_in_silence(tmp_path):
    told = tables()
    told["trays"].append("T-9,2025,Z-9,2024-12-05,4,6,1,none")
    found = review(read(told, tmp_path))
    assert found.lotless == ("T-9",)
    assert {one.lot for one in found.lots} == set(FILLED)


def test_a_book_without_a_tray_is_refused(tmp_path):
    told = tables(seasons=())
    with pytest.raises(NotEnoughRecordsError, match="enter trays and their checks first"):
        review(read(told, tmp_path))


def test_a_lot_is_reviewed_without_pooling_too(tmp_path):
    book = read(tables(), tmp_path)
    alone, together = (
        review(book, ReviewSpec(fit=FitSpec(pooling=on))).lots for on in (False, True)
    )
    assert [one.lot for one in alone] == [one.lot for one in together]


def two_winters(told):
    told["species"][1] = "A,either,yes,"
    told["checks"] = [row for row in told["checks"] if not row.startswith("T-2025-A")]
    return told


def test_a_two_winter_lot_is_not_over_before_its_second_spring_and_unknown_after_it(tmp_path):
    told = two_winters(tables())
    found = reviewed(read(told, tmp_path))
    assert found.verdict == LotVerdict.NOT_OVER and any(
        "two winters" in note for note in found.notes
    )
    told["trays"].append("T-2026,2026,B-1,2025-12-05,4,6,1,none")
    # the second spring of 2025's trays has passed, unlooked at
    told["checks"].append("T-2026,2026-08-20,15,")
    assert reviewed(read(told, tmp_path)).verdict == LotVerdict.NO_VERDICT


def test_tests_of_a_lot_by_hand():
    lot = {
        "cut_test_seeds": 50,
        "cut_test_full": 46,
        "tz_seeds": pd.NA,
        "tz_viable": pd.NA,
        "germination_counts": "88 91 84",
    }
    assert [(one.kind, one.tested, one.good) for one in seed_tests(lot)] == [
        ("cut test", 50, 46),
        ("germination test", 300, 263),
    ]


@pytest.mark.parametrize(
    ("standing", "told"),
    [
        ((5, 10, 15, 9, 9), True),  # 6 of 15 at once
        ((5, 10, 15, 15, 13), False),  # 2 of 15 are no fifth
        ((5, 10, 15, 9, 5), False),  # and 4 more: seedlings go on dying
        ((15, 9), False),  # two looks tell too little
    ],
)
def test_a_sudden_fall_by_hand(standing, told):
    days = pd.date_range("2025-04-01", periods=len(standing), freq="7D")
    assert sudden_fall(pd.Series(standing, index=days, dtype=float), None, 24) is told


def test_nothing_fell_in_a_tray_of_unknown_size():
    days = pd.date_range("2026-03-01", periods=3, freq="7D")
    assert not sudden_fall(pd.Series([2.0, 2.0, 3.0], index=days), None, 0)


def test_a_sudden_fall_after_a_noted_accident_is_explained():
    days = pd.date_range("2025-04-01", periods=5, freq="7D")
    course = pd.Series([5.0, 10.0, 15.0, 9.0, 9.0], index=days)
    assert not sudden_fall(course, days[3], 24)


def test_limits_hold_for_up_to_four_trays_and_are_divided_beyond():
    assert among(0.001, range(1)) == among(0.001, range(4)) == 0.001
    # three times as many looked at
    assert among(0.001, range(12)) == pytest.approx(0.003, abs=1e-12)
    assert among(0.9, range(12)) == 1.0


def test_an_eaten_tray_has_no_say_in_what_is_expected(tmp_path):
    """Three rows of four are bare: a block from the edge that no chance makes."""
    courses = [((DAYS[5], 0 if place < 12 else 1),) for place in range(24)]
    book = read(by_cell(tables(), "T-2025-A-1-0", courses), tmp_path)
    gathered = gather(book, RULES)
    usual = usual_of(gathered.trays)
    assert hit_trays(gathered.trays, usual, RULES.limits) == {"T-2025-A-1-0"}
    assert "T-2025-A-1-0" in gathered.place and "T-2025-A-1-0" not in gathered.code
    found = judge(lot_file(gathered, "A-1", 2025), RULES)
    assert found.seen.startswith("30 seedlings of 48 seeds")  # it is counted all the same


def test_a_lot_is_refused_where_its_cover_was_never_tried_on_another(tmp_path):
    told = tables()
    told["trays"] = [
        row.replace(",none", ",grit") if ",A-1," in row else row for row in told["trays"]
    ]
    trays = gather(read(told, tmp_path), RULES).trays
    assert "only ever sown under grit, and no other lot of its species was" in always_together(
        trays, "A-1"
    )
    assert "only ever sown uncovered" in always_together(trays, "A-2")
    assert always_together(trays, "B-1") == ""  # its species knows no other cover


def test_what_is_usual_is_not_learnt_from_failures(tmp_path):
    """One tray of 16 in which next to nothing came: left out of the second fit, which finds trays
    more alike.
    """
    told = tables()
    told["checks"] = [row for row in told["checks"] if not row.startswith("T-2025-A-1-0,")]
    told["checks"] += [
        f"T-2025-A-1-0,2025-{day},{1 if k > 2 else 0}," for k, day in enumerate(DAYS)
    ]
    gathered = gather(read(told, tmp_path), RULES)
    left = set(gathered.fit.patterns.trays["tray"]) - set(gathered.typical.patterns.trays["tray"])
    assert left == {"T-2025-A-1-0"}
    with_it, without = (
        next(one.sd for one in fit.scatter if one.name == "tray")
        for fit in (gathered.fit, gathered.typical)
    )
    assert without < 0.8 * with_it
    found = judge(lot_file(gathered, "A-1", 2025), RULES)
    assert found.verdict == LotVerdict.POOR and "one tray is far below its sisters" in found.doors
    assert found.named[0].cause == "tray" and found.named[0].standing == "likely"


def test_a_range_that_leaves_room_for_anything_is_no_verdict(monkeypatch, tmp_path):
    """One tray of another lot a spring before: 5 of 48 may be few or usual, 41 are well enough
    whatever is usual.
    """
    monkeypatch.setitem(FILLED, "A-2", (10,))
    others = ("T-2024-A-1", "T-2025-A-2")
    for name, filled, verdict in (
        ("few", (2, 3), LotVerdict.NO_VERDICT),
        ("many", (20, 21), LotVerdict.AS_EXPECTED),
    ):
        monkeypatch.setitem(FILLED, "A-1", filled)
        told = tables(lots=("A-1", "A-2"))
        for table in ("trays", "checks"):
            told[table] = [row for row in told[table] if not row.startswith(others)]
        (tmp_path / name).mkdir()
        found = reviewed(read(told, tmp_path / name))
        assert found.verdict == verdict
        assert ("leaves room for nearly anything" in found.seen) == (
            verdict == LotVerdict.NO_VERDICT
        )
