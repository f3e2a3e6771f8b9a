"""The book as a whole: answers, an account of every row, workbooks, the demonstration's dirt,
speed.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_books import CLEAN, added, balances, found, only, spoilt, write

from germstats.demonstration import Demo, simulate_demo
from germstats.records.book import RecordBook, read_book
from germstats.records.checking.findings import SEVERITIES
from germstats.records.formats.workbook import write_book
from germstats.records.tables import TABLES

ANSWERS = CLEAN["answers"]


# --- answers
# ------------------------------------------------------------------------------------------


def test_an_answer_replaces_the_value_it_answers(tmp_path: Path) -> None:
    answer = ANSWERS + "words-in-number,checks,T-0413/2025-04-20,filled,mice ate?,2\n"
    book = spoilt(tmp_path, "checks", "2025-04-20,3,4", "2025-04-20,mice ate?,4", answers=answer)
    assert book.tables["checks"]["filled"].tolist() == [1, 2, 5]
    changed = only(book, "answered")
    assert changed["severity"] == "changed"
    assert changed["message"] == "checks.csv row 3, filled: 'mice ate?' is read as '2', as answered"


@pytest.mark.parametrize(
    "answer",
    [
        "words-in-number,checks,T-0413/2025-04-20,filled,mice!,2",  # the value has changed
        "words-in-number,checks,T-0413/2025-04-27,filled,mice ate?,2",  # another day
        "dash,checks,T-0413/2025-04-20,filled,mice ate?,2",  # another rule
        "words-in-number,checks,T-0413/2025-04-20,seedlings,mice ate?,2",  # another column
    ],
)
def test_an_answer_to_another_question_is_not_used(tmp_path: Path, answer: str) -> None:
    book = spoilt(
        tmp_path,
        "checks",
        "2025-04-20,3,4",
        "2025-04-20,mice ate?,4",
        answers=f"{ANSWERS}{answer}\n",
    )
    assert len(found(book, "words-in-number")) == 1
    assert found(book, "answer-unused")["message"].tolist() == [
        "answers.csv row 2: this answers no question that is asked"
    ]


def test_an_answer_to_a_value_never_in_question_changes_nothing(tmp_path: Path) -> None:
    book = read_book(
        write(tmp_path, answers=ANSWERS + "dash,checks,T-0413/2025-04-20,filled,3,2\n")
    )
    assert book.tables["checks"]["filled"].tolist() == [1, 3, 5]
    assert only(book, "answer-unused")["severity"] == "watch"


def test_an_answer_that_is_no_value_either_is_asked_again(tmp_path: Path) -> None:
    answer = ANSWERS + "dash,checks,T-0413/2025-04-20,filled,-,two or three\n"
    book = spoilt(tmp_path, "checks", "2025-04-20,3,4", "2025-04-20,-,4", answers=answer)
    assert set(book.findings["rule"]) == {"words-in-number", "answered"}
    assert book.tables["checks"]["filled"].isna().tolist() == [False, True, False]


def test_the_answer_blank_empties_a_value(tmp_path: Path) -> None:
    answer = ANSWERS + "both-filled,cells,T-0412/A1/2025-05-18,occupied,1,blank\n"
    book = spoilt(
        tmp_path,
        "cells",
        "T-0412,A1,2025-05-18,3,,,3",
        "T-0412,A1,2025-05-18,3,1,,3",
        answers=answer,
    )
    assert book.findings["rule"].tolist() == ["answered"]
    assert book.tables["cells"]["emerged"].tolist() == [1, 0, 3, 1, 3, 1]
    assert book.tables["cells"]["occupied"].isna().all()


def test_an_answered_id_brings_its_tray_back(tmp_path: Path) -> None:
    answer = ANSWERS + "id-look-alike,checks,T-O413/2025-04-20,tray,T-O413,T-0413\n"
    book = spoilt(tmp_path, "checks", "T-0413,2025-04-20", "T-O413,2025-04-20", answers=answer)
    assert book.findings["rule"].tolist() == ["answered"]
    assert book.left_out == {}
    assert len(book.tables["checks"]) == 3


def test_an_answered_blank_date_brings_its_row_back(tmp_path: Path) -> None:
    answer = ANSWERS + "blank-date,checks,T-0413/,checked_on,,2025-04-20\n"
    book = spoilt(tmp_path, "checks", "2025-04-20", "", answers=answer)
    assert book.findings["rule"].tolist() == ["answered"]
    assert book.tables["checks"]["checked_on"].dt.strftime("%m-%d").tolist() == [
        "04-13",
        "04-20",
        "05-18",
    ]


@pytest.mark.parametrize(("answer", "day"), [("2025-05-04", "05-04"), ("2025-04-05", "04-05")])
def test_an_answer_mends_or_confirms_a_date_out_of_place(
    tmp_path: Path, answer: str, day: str
) -> None:
    checks = (
        "tray,checked_on,filled\nT-0413,2025-04-20,2\nT-0413,2025-04-05,2\nT-0413,2025-05-18,2\n"
    )
    answers = (
        f"{ANSWERS}day-month-exchanged,checks,T-0413/2025-04-05,checked_on,2025-04-05,{answer}\n"
    )
    book = read_book(write(tmp_path, checks=checks, answers=answers))
    assert "day-month-exchanged" not in set(book.findings["rule"])
    assert book.tables["checks"]["checked_on"].dt.strftime("%m-%d").tolist() == [
        "04-20",
        day,
        "05-18",
    ]


def test_of_two_rows_about_the_same_an_answer_makes_one(tmp_path: Path) -> None:
    answer = ANSWERS + "written-twice-different,checks,T-0413/2025-05-18,filled,6,5\n"
    book = added(tmp_path, checks="T-0413,2025-05-18,6,8,\n", answers=answer.removeprefix(ANSWERS))
    assert sorted(book.findings["rule"]) == ["answered", "written-twice"]
    assert book.tables["checks"]["filled"].tolist() == [1, 3, 5]
    assert balances(book)


def test_an_answer_may_lead_to_the_next_question(tmp_path: Path) -> None:
    answers = (
        ANSWERS + "id-look-alike,checks,T-O413/2025-04-20,tray,T-O413,T-0413\n"
        "written-twice-different,checks,T-O413/2025-04-20,filled,2,3\n"
    )
    checks = CLEAN["checks"] + "T-O413,2025-04-20,2,4,\n"
    book = read_book(write(tmp_path, checks=checks, answers=answers))
    assert sorted(book.findings["rule"]) == ["answered", "answered", "written-twice"]


def test_answers_that_differ_are_not_used(tmp_path: Path) -> None:
    lines = "".join(f"dash,checks,T-0413/2025-04-20,filled,-,{n}\n" for n in (2, 3))
    book = spoilt(tmp_path, "checks", "2025-04-20,3,4", "2025-04-20,-,4", answers=ANSWERS + lines)
    assert found(book, "answers-differ")["row"].tolist() == [2, 3]
    assert len(found(book, "dash")) == 1


# --- every finding at once, every row accounted for
# ------------------------------------------------------------------


def test_all_findings_are_collected_worst_first(tmp_path: Path) -> None:
    checks = CLEAN["checks"] + (
        "T-9,2025-05-18,1,,\nT-0413,2025-02-30,1,,\nT-0413,2025-06-01,-,,\n t-0413,2025-06-08,5,,\n"
    )
    book = read_book(write(tmp_path, checks=checks, maps=None))
    assert book.findings["rule"].tolist() == [
        "unknown-id",
        "impossible-date",
        "dash",
        "id-spelling",
        "seedlings-stop",
    ]
    assert book.findings["row"].tolist() == [5, 6, 7, 8, 3]
    assert book.findings["remedy"].str.len().min() > 0


ENTRIES = {
    "tray": ["T-0412", "T-0413", "T-O413", "t-0413 ", "T-9", ""],
    "cell": ["A1", "b3", "B03", "C9", "7B", ""],
    "checked_on": [
        "2025-04-20",
        "2025-05-04",
        "2025-04-05",
        "04/05/2025",
        "2024-01-01",
        "2025-02-30",
        "May",
        "",
    ],
    "filled": ["0", "3", "5", "9", "-", "mice", "-4", ""],
    "seedlings": ["", "0", "4", "8", "99", "2"],
    "emerged": ["0", "1", "3", "5", "-", "", "x"],
    "occupied": ["", "", "1", "0", "3"],
    "seeds": ["", "", "", "0", "4"],
    "alive": ["", "0", "2"],
    "on": ["2025-05-01", "2025-05-10", "", "2023-01-01"],
    "event": ["thinned", "Rodent", "sold", "transplanted_in", "kept", ""],
    "cells": ["", "A1", "A1 b3", "Z9", "x"],
    "seen_on": ["2025-05-30", "", "30/05/2025"],
    "empty_cells": ["A1", "A1 A9", "", "?"],
    "note": ["", "thinned", "None"],
}


def rows_of(*columns: str) -> st.SearchStrategy[list[tuple[str, ...]]]:
    return st.lists(
        st.tuples(*(st.sampled_from(ENTRIES[column]) for column in columns)), max_size=12
    )


COLUMNS = {
    "checks": ("tray", "checked_on", "filled", "seedlings", "note"),
    "cells": ("tray", "cell", "checked_on", "emerged", "occupied", "seeds", "alive", "note"),
    "events": ("tray", "on", "event", "cells", "note"),
    "maps": ("tray", "seen_on", "empty_cells"),
}
COUNTS = {"checks": (2, 3), "cells": (3, 4, 5, 6)}
"""Places of the counts in a row."""


@settings(max_examples=60, deadline=None)
@given(dirty=st.fixed_dictionaries({name: rows_of(*columns) for name, columns in COLUMNS.items()}))
def test_every_row_of_a_dirty_book_is_accounted_for(
    tmp_path_factory: pytest.TempPathFactory, dirty: dict
) -> None:
    texts = {
        name: ",".join(COLUMNS[name]) + "\n" + "".join(f"{','.join(row)}\n" for row in rows)
        for name, rows in dirty.items()
    }
    book = read_book(write(tmp_path_factory.mktemp("dirty"), **texts))
    assert balances(book)
    account = book.accounting.set_index("table")
    assert {name: sum(any(row) for row in rows) for name, rows in dirty.items()} == account["rows"][
        list(dirty)
    ].to_dict()
    assert set(book.findings["severity"]) <= set(SEVERITIES)
    # nothing is dropped in silence: a row that is gone has a finding of its own
    for name, rows in dirty.items():
        said = set(book.findings.loc[book.findings["table"] == name, "row"])
        kept = set(book.tables[name]["row"])
        gone = {place for place, row in enumerate(rows, start=2) if any(row)} - kept - said
        uncounted = [
            place for place in gone if not any(rows[place - 2][at] for at in COUNTS.get(name, ()))
        ]
        # rows without any count are listed once per tray
        assert len(gone) == len(uncounted)
        assert not gone or "not-checked" in set(
            book.findings.loc[book.findings["table"] == name, "rule"]
        )


# --- workbooks, the demonstration, speed
# -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo() -> Demo:
    return simulate_demo()


@pytest.fixture(scope="module")
def demo_book(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> RecordBook:
    place = tmp_path_factory.mktemp("demo") / "book"
    write_book(demo.tables, place)
    return read_book(place)


def test_folder_and_workbook_are_judged_alike(
    demo: Demo, demo_book: RecordBook, tmp_path: Path
) -> None:
    write_book(demo.tables, tmp_path / "book.xlsx")
    sheets = read_book(tmp_path / "book.xlsx")
    for name in TABLES:
        pd.testing.assert_frame_equal(sheets.tables[name], demo_book.tables[name])
    said = demo_book.findings["message"].str.replace(r"^(\w+)\.csv", r"sheet \1", regex=True)
    assert sheets.findings["message"].tolist() == said.tolist()
    assert sheets.left_out == demo_book.left_out


RULE_OF_DIRT = {
    "above_cells": "above-cells",
    "blank_date": "blank-date",
    "day_month_swapped": "day-month-exchanged",
    "duplicate_same": "written-twice",
    "duplicate_different": "written-twice-different",
    "fall_unexplained": "emerged-falls",
    "letter_for_digit": "id-look-alike",
    "words_in_number": "words-in-number",
    "pinch_without_grams": "pinch-unweighed",
}


@pytest.mark.parametrize("kind", RULE_OF_DIRT)
def test_planted_dirt_is_found_in_its_place(demo: Demo, demo_book: RecordBook, kind: str) -> None:
    dirt = demo.truth.dirt
    planted = dirt[dirt["kind"] == kind]
    rule = found(demo_book, RULE_OF_DIRT[kind])
    assert len(planted) > 0
    assert set(zip(planted["table"], planted["row"], strict=True)) <= set(
        zip(rule["table"], rule["row"], strict=True)
    )


def test_falls_after_a_thinning_keep_the_running_maximum(demo: Demo, demo_book: RecordBook) -> None:
    """Where the true count had been seen before the thinning, it is restored; a seedling never seen
    cannot be.
    """
    dirt = demo.truth.dirt.query("kind == 'fall_after_thinning'")
    cells = demo_book.tables["cells"].set_index("row")
    rows = dirt["row"].astype(int)
    seen = cells["emerged_raw"].groupby([cells["tray"], cells["cell"]]).cummax()[rows]
    assert (seen.to_numpy() == cells.loc[rows, "emerged"].to_numpy()).all()
    raised = set(found(demo_book, "emerged-falls-explained")["row"])
    lower = {
        row
        for row, best, raw in zip(rows, seen, cells.loc[rows, "emerged_raw"], strict=True)
        if raw < best
    }
    assert lower
    assert lower <= raised
    assert set(dirt["tray"]) & set(demo_book.left_out) == set()


def test_every_row_of_the_demonstration_is_accounted_for(demo: Demo, demo_book: RecordBook) -> None:
    assert balances(demo_book)
    assert demo_book.accounting.set_index("table")["rows"].to_dict() == {
        n: len(t) for n, t in demo.tables.items()
    }


def test_two_hundred_thousand_rows_take_seconds(tmp_path: Path) -> None:
    days = [f"2025-{month:02d}-{day:02d}" for month in (3, 4, 5) for day in (1, 9, 20)]
    trays = [f"T-{n}" for n in range(310)]
    cells = [f"{row}{column}" for row in "ABCDEF" for column in range(1, 13)]
    index = pd.MultiIndex.from_product([trays, days, cells], names=["tray", "checked_on", "cell"])
    frame = index.to_frame(index=False).assign(
        emerged=np.repeat(np.tile(np.arange(9) // 4, 310), 72)
    )
    place = tmp_path / "book"
    sown = pd.DataFrame(
        {
            "tray": trays,
            "season": 2025,
            "lot": "L",
            "sown_on": "2024-12-03",
            "rows": 6,
            "columns": 12,
        }
    )
    write_book({"trays": sown.assign(seeds_per_cell="2"), "cells": frame}, place)
    start = time.perf_counter()
    book = read_book(place)
    seconds = time.perf_counter() - start
    assert len(book.tables["cells"]) == 310 * 9 * 72 > 200_000
    assert book.findings["rule"].tolist() == ["lot-alone"]  # it has no table lots
    assert seconds < 20  # about two and a half on two slow cores; the bar is for a busy machine
