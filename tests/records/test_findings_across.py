"""Rules within a table and across tables: one test for each thing a sheet holds, with its
message.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from small_books import CLEAN, added, balances, found, only, spoilt, write

from germstats.records.book import RecordBook, read_book
from germstats.records.intervals.patterns import find_patterns

FALL = "T-0412,A1,2025-05-18,3,,,3,"


def counts(book: RecordBook, cell: str, column: str = "emerged") -> list[int]:
    cells = book.tables["cells"]
    return cells.loc[cells["cell"] == cell, column].tolist()


# --- counts that fall
# ------------------------------------------------------------------------------------------


def test_emerged_that_falls_stops(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "cells", FALL, "T-0412,A1,2025-05-18,2,,,2,")
    stop = only(book, "emerged-falls")
    assert stop["severity"] == "stop"
    assert stop["message"] == (
        "cells.csv row 6, emerged: fell from 3 to 2 between 4 May and 18 May in tray T-0412 cell A1"
    )
    assert stop["remedy"] == "count seedlings ever seen, or note a thinning"
    assert book.left_out == {
        "T-0412": "fell from 3 to 2 between 4 May and 18 May in tray T-0412 cell A1"
    }
    assert counts(book, "A1") == counts(book, "A1", "emerged_raw") == [1, 3, 2]


@pytest.mark.parametrize(
    "event",
    [
        "T-0412,2025-05-10,thinned,,",
        "T-0412,2025-05-18,rodent,A1 A2,",
        "T-0412,2025-05-04,damping_off,,",
        "T-0412,2025-05-10,dried,A1,",
    ],
)
def test_emerged_may_fall_after_a_noted_loss_and_its_running_maximum_is_kept(
    tmp_path: Path, event: str
) -> None:
    book = spoilt(
        tmp_path,
        "cells",
        FALL,
        "T-0412,A1,2025-05-18,2,,,2,",
        events=CLEAN["events"] + event + "\n",
    )
    changed = only(book, "emerged-falls-explained")
    assert changed["severity"] == "changed"
    assert changed["message"] == (
        "cells.csv row 6, emerged: 2 stood there after a loss; the 3 seen before are kept in tray "
        "T-0412 cell A1"
    )
    assert book.left_out == {}
    assert (counts(book, "A1"), counts(book, "A1", "emerged_raw")) == ([1, 3, 3], [1, 3, 2])


@pytest.mark.parametrize(
    "event",
    [
        "T-0412,2025-05-19,thinned,,",
        "T-0412,2025-05-03,thinned,,",
        "T-0412,2025-05-10,thinned,B3,",
        "T-0413,2025-05-10,thinned,,",
        "T-0412,2025-05-10,transplanted_in,B3,",
        "T-0412,2025-05-10,uncovered,,",
    ],
)
def test_a_loss_elsewhere_or_at_another_time_explains_nothing(tmp_path: Path, event: str) -> None:
    book = spoilt(
        tmp_path,
        "cells",
        FALL,
        "T-0412,A1,2025-05-18,2,,,2,",
        events=CLEAN["events"] + event + "\n",
    )
    assert found(book, "emerged-falls")["row"].tolist() == [6]


def test_a_note_of_the_row_or_of_the_tray_explains_a_fall(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "cells", FALL, "T-0412,A1,2025-05-18,2,,,2,one died")
    assert only(book, "emerged-falls-explained")["row"] == 6
    checks = CLEAN["checks"] + "T-0412,2025-05-10,2,,thinned today\n"
    book = spoilt(tmp_path, "cells", FALL, "T-0412,A1,2025-05-18,2,,,2,", checks=checks)
    assert found(book, "emerged-falls-explained")["row"].tolist() == [6]
    assert found(book, "cells-count")["row"].tolist() == [5], (
        "the count beside the cells is not used, and is named"
    )


def test_after_an_explained_fall_the_column_holds_standing_plants(tmp_path: Path) -> None:
    more = "T-0412,A1,2025-05-25,1,,,1,\nT-0412,A1,2025-06-01,1,,,1,\n"
    cells = (CLEAN["cells"] + more).replace(FALL, "T-0412,A1,2025-05-18,2,,,2,")
    book = read_book(
        write(tmp_path, cells=cells, events=CLEAN["events"] + "T-0412,2025-05-10,thinned,,\n")
    )
    assert book.findings["rule"].tolist() == ["emerged-falls-explained"] * 3
    assert counts(book, "A1") == [1, 3, 3, 3, 3]


def test_occupied_falls_like_emerged(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "cells", "T-0412,B3,2025-05-18,1,,,1,", "T-0412,B3,2025-05-18,,0,,,")
    assert only(book, "emerged-falls")["message"] == (
        "cells.csv row 7, occupied: fell from 1 to 0 between 4 May and 18 May in tray T-0412 cell "
        "B3"
    )
    events = CLEAN["events"] + "T-0412,2025-05-10,rodent,B3,\n"
    book = spoilt(
        tmp_path,
        "cells",
        "T-0412,B3,2025-05-18,1,,,1,",
        "T-0412,B3,2025-05-18,,0,,,",
        events=events,
    )
    assert counts(book, "B3", "occupied")[-1] == 1


def test_alive_may_fall_but_not_stand_above_what_was_seen(tmp_path: Path) -> None:
    assert len(spoilt(tmp_path, "cells", FALL, "T-0412,A1,2025-05-18,3,,,0,").findings) == 0
    book = spoilt(tmp_path, "cells", "T-0412,B3,2025-05-18,1,,,1,", "T-0412,B3,2025-05-18,1,,,2,")
    assert (
        only(book, "alive-above-emerged")["message"]
        == "cells.csv row 7, alive: 2 alive, but only 1 ever seen"
    )


def test_filled_that_falls_is_a_loss_and_its_running_maximum_counts(tmp_path: Path) -> None:
    more = "T-0413,2025-05-25,3,8,\nT-0413,2025-06-01,4,8,\nT-0413,2025-06-08,2,8,\n"
    book = added(tmp_path, checks=more)
    watched = only(book, "filled-falls")
    assert watched["severity"] == "watch"
    assert watched["message"] == (
        "checks.csv row 5, filled: fell from 5 to 3 between 18 May and 25 May in tray T-0413, and "
        "1 more time later; a loss, and the largest number so far counts for emergence"
    )
    checks = book.tables["checks"]
    assert checks["filled"].tolist() == [1, 3, 5, 5, 5, 5]
    assert checks["filled_raw"].tolist() == [1, 3, 5, 3, 4, 2]
    assert book.left_out == {}


def test_seedlings_of_a_tray_fall_under_the_same_rules(tmp_path: Path) -> None:
    line = "T-0413,2025-05-25,5,6,\n"
    assert only(added(tmp_path, checks=line), "emerged-falls")["message"] == (
        "checks.csv row 5, seedlings: fell from 8 to 6 between 18 May and 25 May in tray T-0413"
    )
    book = added(tmp_path, checks=line, events="T-0413,2025-05-20,thinned,,\n")
    assert found(book, "emerged-falls-explained")["column"].tolist() == ["seedlings"]
    # what is not used for emergence is named: the count after the thinning, and so those before it
    assert book.findings["rule"].tolist()[1:] == ["seedlings-stop", "after-thinning"]
    assert book.tables["checks"]["seedlings"].dropna().tolist() == [4, 8, 8]
    assert book.tables["checks"]["seedlings_raw"].dropna().tolist() == [4, 8, 6]


# --- counts above what can be
# ----------------------------------------------------------------------------------------


def test_emerged_above_seeds_sown_stops(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "cells", FALL, "T-0412,A1,2025-05-18,4,,,4,")
    stop = only(book, "above-seeds")
    assert stop["severity"] == "stop"
    assert stop["message"] == (
        "cells.csv row 6, emerged: 4 seedlings in tray T-0412 cell A1, where at most 3 seeds were "
        "sown"
    )
    assert list(book.left_out) == ["T-0412"]
    assert counts(book, "A1") == [1, 3, 4]  # the review still sees it


@pytest.mark.parametrize(
    ("entry", "stops"), [("2-4", False), ("~3", False), ("pinch", False), ("2-3", True)]
)
def test_the_bound_of_a_range_is_its_largest_and_a_pinch_has_none(
    tmp_path: Path, entry: str, stops: bool
) -> None:
    trays = CLEAN["trays"].replace("3,grit", f"{entry},grit")
    book = spoilt(tmp_path, "cells", FALL, "T-0412,A1,2025-05-18,4,,,4,", trays=trays)
    assert len(found(book, "above-seeds")) == stops


def test_seeds_of_the_cell_itself_are_its_bound(tmp_path: Path) -> None:
    cells = CLEAN["cells"].replace("T-0412,A1,2025-04-20,1,,,,", "T-0412,A1,2025-04-20,1,,4,,")
    cells = cells.replace(FALL, "T-0412,A1,2025-05-18,4,,,4,")
    assert len(read_book(write(tmp_path, cells=cells)).findings) == 0
    book = read_book(write(tmp_path, cells=cells.replace("2025-05-18,4,,,", "2025-05-18,4,,5,")))
    assert found(book, "seeds-differ")["row"].tolist() == [2, 6]
    assert counts(book, "A1") == []
    assert balances(book)


def test_filled_above_the_cells_of_the_tray_stops(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "checks", "2025-05-18,5,8", "2025-05-18,7,8")
    stop = only(book, "above-cells")
    assert stop["severity"] == "stop"
    assert (
        stop["message"] == "checks.csv row 4, filled: 7 filled cells, but tray T-0413 has 6 cells"
    )
    assert list(book.left_out) == ["T-0413"]
    assert book.tables["checks"]["filled"].isna().tolist() == [False, False, True]
    assert book.tables["checks"]["filled_raw"].tolist() == [1, 3, 7]


def test_seedlings_above_the_seeds_of_the_tray_stop(tmp_path: Path) -> None:
    assert len(spoilt(tmp_path, "checks", "2025-05-18,5,8", "2025-05-18,5,18").findings) == 0
    book = spoilt(tmp_path, "checks", "2025-05-18,5,8", "2025-05-18,5,19")
    assert only(book, "above-seeds")["message"] == (
        "checks.csv row 4, seedlings: 19 seedlings in tray T-0413, where at most 18 seeds were sown"
    )
    # with rows of cells, only those listed are sown: two cells of three seeds
    book = added(tmp_path, checks="T-0412,2025-05-18,2,7,\n")
    (said,) = found(book, "above-seeds")["message"]
    assert said.endswith("7 seedlings in tray T-0412, where at most 6 seeds were sown")
    assert book.findings["rule"].tolist() == ["above-seeds", "cells-count"]


def test_seedlings_cannot_be_fewer_than_filled_cells(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "checks", "2025-05-18,5,8", "2025-05-18,5,4")
    assert only(book, "seedlings-below-filled")["message"] == (
        "checks.csv row 4, seedlings: 4 seedlings cannot fill 5 cells"
    )
    assert book.tables["checks"]["seedlings"].isna().tolist() == [True, False, True]


@pytest.mark.parametrize(
    ("table", "line", "message"),
    [
        (
            "cells",
            "T-0412,C1,2025-05-18,1,,,,",
            "cells.csv row 8, cell: tray T-0412 has no cell C1; it is 2 by 3",
        ),
        (
            "cells",
            "T-0412,A4,2025-05-18,1,,,,",
            "cells.csv row 8, cell: tray T-0412 has no cell A4; it is 2 by 3",
        ),
        (
            "maps",
            "T-0412,2025-05-30,A1 C1 B9",
            "maps.csv row 3, empty_cells: tray T-0412 has no cell C1 B9; it is 2 by 3",
        ),
        (
            "events",
            "T-0412,2025-05-30,bird,A1 A4,",
            "events.csv row 2, cells: tray T-0412 has no cell A4; it is 2 by 3",
        ),
    ],
)
def test_a_cell_outside_its_tray_stops(tmp_path: Path, table: str, line: str, message: str) -> None:
    book = added(tmp_path, **{table: line + "\n"})
    stop = only(book, "cell-outside-tray")
    assert (stop["severity"], stop["message"], list(book.left_out)) == ("stop", message, ["T-0412"])
    assert balances(book)


@pytest.mark.parametrize("entry", ["b3", "B03", " B 3"])
def test_cells_are_mended(tmp_path: Path, entry: str) -> None:
    book = spoilt(tmp_path, "cells", "T-0412,B3,2025-05-18", f"T-0412,{entry},2025-05-18")
    assert (
        only(book, "cell-spelling")["message"]
        == f"cells.csv row 7, cell: {entry.strip()} is read as B3"
    )
    assert counts(book, "B3") == [0, 1, 1]


@pytest.mark.parametrize("entry", ["7B", "12", "B0", "ABC1"])
def test_what_is_no_cell_asks(tmp_path: Path, entry: str) -> None:
    book = spoilt(tmp_path, "cells", "T-0412,B3,2025-05-18", f"T-0412,{entry},2025-05-18")
    assert only(book, "cell-form")["message"] == f"cells.csv row 7, cell: {entry!r} is no cell"
    assert balances(book)


def test_weeds_give_a_share_of_the_unsown_cells(tmp_path: Path) -> None:
    lines = [
        f"T-0412,{cell},2025-05-18,{n},,0,,"
        for cell, n in (("A2", 1), ("A3", 0), ("B1", 0), ("B2", 0))
    ]
    book = added(tmp_path, cells="\n".join(lines) + "\n")
    watched = only(book, "strays")
    assert watched["severity"] == "watch"
    assert watched["message"] == (
        "cells.csv row 8, emerged: a seedling where no seed was sown; 1 of 4 unsown cells had a "
        "seedling (25 %)"
    )
    assert book.left_out == {}


def test_a_seedling_moved_in_is_no_weed_and_no_double_sowing(tmp_path: Path) -> None:
    cells = (
        CLEAN["cells"].replace(FALL, "T-0412,A1,2025-05-18,4,,,4,")
        + "T-0412,A2,2025-05-18,1,,0,,\n"
    )
    events = CLEAN["events"] + "T-0412,2025-05-10,transplanted_in,A1 A2,\n"
    assert len(read_book(write(tmp_path, cells=cells, events=events)).findings) == 0


# --- rows twice, two values for one
# ----------------------------------------------------------------------------------


def test_the_same_cell_and_date_twice_alike_keeps_one(tmp_path: Path) -> None:
    book = added(tmp_path, cells=FALL + "\n", checks="T-0413,2025-05-18,5,8,again\n")
    changed = found(book, "written-twice")
    assert changed["severity"].unique().tolist() == ["changed"]
    assert changed["message"].tolist() == [
        "checks.csv row 5: the same as row 4, which is kept",
        "cells.csv row 8: the same as row 6, which is kept",
    ]
    assert book.accounting.set_index("table").loc[["checks", "cells"], "merged"].tolist() == [1, 1]
    assert balances(book)


def test_the_same_cell_and_date_twice_with_different_counts_asks(tmp_path: Path) -> None:
    book = added(tmp_path, cells="T-0412,A1,2025-05-18,2,,,3,\n", checks="T-0413,2025-05-18,6,8,\n")
    asked = found(book, "written-twice-different")
    assert asked["severity"].unique().tolist() == ["ask"]
    assert asked["message"].tolist() == [
        "checks.csv row 4, filled: row 5 is about the same tray and day, but filled differs",
        "checks.csv row 5, filled: row 4 is about the same tray and day, but filled differs",
        "cells.csv row 6, emerged: row 8 is about the same cell and day, but emerged differs",
        "cells.csv row 8, emerged: row 6 is about the same cell and day, but emerged differs",
    ]
    assert (counts(book, "A1"), book.tables["checks"]["filled"].tolist()) == ([1, 3], [1, 3])
    assert balances(book)


def test_a_tray_or_lot_defined_twice_differently_leaves_its_trays_out(tmp_path: Path) -> None:
    book = added(tmp_path, trays="T-0413,2025,GETR-23A,2024-12-03,2,3,2,none\n")
    assert found(book, "defined-twice")["message"].tolist() == [
        "trays.csv row 3, seeds_per_cell: row 4 is about the same tray, but seeds_per_cell differs",
        "trays.csv row 4, seeds_per_cell: row 3 is about the same tray, but seeds_per_cell differs",
    ]
    assert list(book.left_out) == ["T-0413"]
    assert book.tables["trays"]["tray"].tolist() == ["T-0412", "T-0413"]
    assert balances(book)
    book = added(tmp_path, lots="GETR-23A,MOFI,,,,\n")
    assert list(book.left_out) == ["T-0413"]


def test_emerged_and_occupied_both_filled_asks(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "cells", FALL, "T-0412,A1,2025-05-18,3,1,,3,")
    asked = only(book, "both-filled")
    assert asked["severity"] == "ask"
    assert asked["message"] == (
        "cells.csv row 6, occupied: emerged is filled in as well, and only one of them can count"
    )
    assert book.tables["cells"].loc[4, ["emerged", "occupied"]].isna().all()
    assert balances(book)


# --- dates out of place
# ------------------------------------------------------------------------------------------


def test_a_check_before_sowing_stops(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "checks", "2025-04-13", "2024-04-13")
    stop = only(book, "before-sowing")
    assert stop["severity"] == "stop"
    assert stop["message"] == (
        "checks.csv row 2, checked_on: 13 April 2024 is before the sowing of tray T-0413 on 3 "
        "December 2024"
    )
    assert list(book.left_out) == ["T-0413"]
    assert balances(book)


def test_an_event_before_sowing_stops(tmp_path: Path) -> None:
    book = added(tmp_path, events="T-0412,2023-05-30,thinned,,\n")
    assert only(book, "before-sowing")["message"].startswith(
        "events.csv row 2, on: 30 May 2023 is before the sowing"
    )


LOOKS = ["2025-03-05", "2025-04-20", "2025-05-04", "2025-05-18"]


@pytest.mark.parametrize(
    ("days", "row", "readings"),
    [
        (["2025-05-03", *LOOKS[1:]], 2, ("3 May 2025", "5 March 2025")),  # first: beyond the next
        (
            [*LOOKS[:2], "2025-04-05", LOOKS[3]],
            4,
            ("5 April 2025", "4 May 2025"),
        ),  # before the one above
        (
            ["2025-03-05", "2025-10-04", "2025-04-20"],
            3,
            ("4 October 2025", "10 April 2025"),
        ),  # beyond the next
        (
            ["2025-04-20", "2025-05-04", "2025-12-05"],
            4,
            ("5 December 2025", "12 May 2025"),
        ),  # last: far off
        (
            ["2025-01-05", "2025-05-18", "2025-05-25"],
            2,
            ("5 January 2025", "1 May 2025"),
        ),  # first: far off
    ],
)
def test_day_and_month_exchanged_ask_with_both_readings(
    tmp_path: Path, days: list[str], row: int, readings
) -> None:
    checks = "tray,checked_on,filled\n" + "".join(f"T-0413,{day},2\n" for day in days)
    book = read_book(write(tmp_path, checks=checks))
    asked = only(book, "day-month-exchanged")
    assert (asked["severity"], asked["row"]) == ("ask", row)
    assert asked["message"].startswith(f"checks.csv row {row}, checked_on: {readings[0]} does not ")
    assert asked["message"].endswith(f"with day and month exchanged it is {readings[1]}")
    assert len(book.tables["checks"]) == len(days) - 1
    assert balances(book)


def test_an_exchanged_date_before_sowing_asks(tmp_path: Path) -> None:
    trays = CLEAN["trays"].replace("2024-12-03,2,3,2-3", "2025-02-20,2,3,2-3")
    book = spoilt(tmp_path, "checks", "2025-04-13", "2025-02-04", trays=trays)
    assert only(book, "day-month-exchanged")["message"] == (
        "checks.csv row 2, checked_on: 4 February 2025 is before the sowing of tray T-0413 on 20 "
        "February 2025; with day and month exchanged it is 2 April 2025"
    )
    assert book.left_out == {}


def test_an_exchanged_sowing_date_asks_once(tmp_path: Path) -> None:
    trays = CLEAN["trays"].replace("2024-12-03,2,3,2-3", "2025-12-01,2,3,2-3")
    book = read_book(write(tmp_path, trays=trays, maps=None))
    asked = found(book, "day-month-exchanged")
    assert asked["message"].tolist() == [
        "trays.csv row 3, sown_on: 1 December 2025 is after the first look on 13 April 2025; with "
        "day and month exchanged it is 12 January 2025"
    ]
    assert book.left_out == {"T-0413": "sowing date in question"}
    assert len(book.tables["checks"]) == 3


def test_cells_in_either_order_of_the_sheet_show_an_exchanged_date(tmp_path: Path) -> None:
    lines = [line for line in CLEAN["cells"].splitlines()[1:] if line]
    for order in (lines, sorted(lines)):
        text = "\n".join([CLEAN["cells"].splitlines()[0], *order]) + "\n"
        book = spoilt(tmp_path, "cells", "T-0412,A1,2025-05-04", "T-0412,A1,2025-04-05", cells=text)
        assert only(book, "day-month-exchanged")["value"] == "2025-04-05"


def test_a_sheet_in_no_order_tells_nothing_of_exchanged_dates(tmp_path: Path) -> None:
    days = [
        "2025-05-04",
        "2025-06-02",
        "2025-04-05",
        "2025-05-20",
        "2025-04-28",
        "2025-03-06",
        "2025-06-03",
    ]
    checks = "tray,checked_on,filled\n" + "".join(f"T-0413,{day},2\n" for day in days)
    assert len(read_book(write(tmp_path, checks=checks)).findings) == 0


def test_a_late_round_over_all_trays_is_no_slip(tmp_path: Path) -> None:
    trays = CLEAN["trays"] + "".join(f"T-{n},2025,MOFI-24A,2024-12-03,2,3,3,grit\n" for n in (1, 2))
    days = ["2025-05-18", "2025-06-05", "2025-10-06"]
    lines = "".join(f"{tray},{day},2\n" for tray in ("T-0413", "T-1", "T-2") for day in days)
    book = read_book(write(tmp_path, trays=trays, checks="tray,checked_on,filled\n" + lines))
    assert len(book.findings) == 0


def test_a_date_that_goes_back_is_watched(tmp_path: Path) -> None:
    days = [f"2025-{month:02d}-{day}" for month in (3, 4, 5, 6) for day in (14, 17, 20, 23, 26, 29)]
    days[10], days[11] = days[11], days[10]
    checks = "tray,checked_on,filled\n" + "".join(f"T-0413,{day},2\n" for day in days)
    assert only(read_book(write(tmp_path, checks=checks)), "dates-go-back")["message"] == (
        "checks.csv row 13, checked_on: 26 April 2025 stands below 29 April 2025"
    )


def test_a_season_that_is_not_the_first_spring_is_watched(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "trays", "T-0413,2025", "T-0413,2024")
    assert only(book, "season")["message"] == (
        "trays.csv row 3, season: sown on 3 December 2024, yet the season is 2024"
    )


# --- lots, weather, the book
# -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "rule", "message"),
    [
        ("50,46", "50,56", "more-than-tested", "cut_test_full: 56 of 50 is more than were tested"),
        (
            "88 91 84",
            "88 191",
            "above-hundred",
            "germination_counts: more than 100 of 100 seeds cannot sprout",
        ),
        (
            "88 91 84",
            "88 good",
            "words-in-number",
            "germination_counts: '88 good' is no list of counts",
        ),
    ],
)
def test_tests_of_lots_that_cannot_be(
    tmp_path: Path, old: str, new: str, rule: str, message: str
) -> None:
    book = spoilt(tmp_path, "lots", old, new)
    finding = only(book, rule)
    assert finding["message"] == f"lots.csv row 2, {message}"
    unused = book.tables["lots"].loc[0, finding["column"]]
    assert pd.isna(unused) or unused == ""
    assert book.left_out == {}


def test_weather_upside_down_or_in_two_scales_asks(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "weather", "-7.5,1", "7.5,1")
    assert only(book, "coldest-above-warmest")["message"] == (
        "weather.csv row 2, tmin_c: the coldest, 7.5, is above the warmest, 1"
    )
    book = read_book(write(tmp_path, weather="date,tmin_c,tmin_f,tmax_c\n2025-01-05,1,33.8,4\n"))
    assert only(book, "both-filled")["column"] == "tmin_f"
    assert book.tables["weather"].loc[0, ["tmin_c", "tmin_f"]].isna().all()


def test_trays_never_checked_are_watched_with_the_share_checked(tmp_path: Path) -> None:
    book = read_book(write(tmp_path, checks=None, maps=None))
    watched = only(book, "never-checked")
    assert watched["severity"] == "watch"
    assert (
        watched["message"]
        == "trays.csv: 1 of 2 sown trays (50 %) were ever checked; never checked: T-0413"
    )


def test_a_book_without_any_check_is_readable_and_has_no_stop(tmp_path: Path) -> None:
    book = read_book(write(tmp_path, checks=None, maps=None, cells=None))
    assert only(book, "never-checked")["message"] == (
        "trays.csv: 0 of 2 sown trays (0 %) were ever checked; never checked: T-0412, T-0413"
    )
    assert book.left_out == {}
    assert list(book.accounting["table"]) == [
        "species",
        "lots",
        "trays",
        "events",
        "orders",
        "weather",
        "answers",
    ]


# --- what has no finding, and is read as it should
# -------------------------------------------------------------------


def test_a_skipped_check_is_a_longer_interval(tmp_path: Path) -> None:
    lines = CLEAN["cells"].replace("T-0412,A1,2025-05-04,3,,,3,\n", "")
    book = read_book(write(tmp_path, cells=lines))
    assert len(book.findings) == 0
    patterns = find_patterns(book)
    times = patterns.times[
        patterns.times["tray"] == patterns.trays["tray"].tolist().index("T-0412")
    ]
    april, may = 138, 166  # days from 3 December to 20 April and to 18 May
    assert times.loc[(times["lo"] == april) & (times["hi"] == may), "count"].tolist() == [2]


@pytest.mark.parametrize("event", ["dropped", "rodent", "washed", "flooded", "discarded", "sold"])
def test_a_loss_ends_what_the_tray_can_tell_at_the_check_before_it(
    tmp_path: Path, event: str
) -> None:
    book = added(tmp_path, events=f"T-0413,2025-05-18,{event},,\n")
    assert len(book.findings) == 0
    trays = find_patterns(book).trays.set_index("tray")
    assert trays.loc["T-0413", "last_day"] == 138  # 20 April
    assert trays.loc["T-0413", "filled"] == 3


def test_a_tray_total_stops_counting_at_the_first_plant_moved_in(tmp_path: Path) -> None:
    book = added(tmp_path, events="T-0413,2025-05-01,transplanted_in,A2,\n")
    assert len(book.findings) == 0
    assert book.tables["checks"]["filled"].tolist() == [1, 3, 5]  # it stays in the plug count
    assert find_patterns(book).trays.set_index("tray").loc["T-0413", "filled"] == 3


def test_a_tray_of_several_lots_is_one_row_per_lot(tmp_path: Path) -> None:
    lines = (
        "T1/MOFI-24A,2025,MOFI-24A,2024-12-03,2,3,3,grit\nT1/GETR-23A,2025,GETR-23A,2024-12-03,2,3,"
        "3,grit\n"
    )
    cells = "T1/MOFI-24A,A1,2025-05-18,1,,,,\nT1/GETR-23A,B1,2025-05-18,2,,,,\n"
    book = added(tmp_path, trays=lines, cells=cells)
    assert len(book.findings) == 0
    seeds = find_patterns(book).trays.set_index("tray")["seeds"]
    assert seeds[["T1/MOFI-24A", "T1/GETR-23A"]].tolist() == [3, 3]  # one cell of three seeds each
