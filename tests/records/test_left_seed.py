"""Seed dug up at the end of a spring: alive, dead and empty, one count a tray."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from germstats.records.book import RecordBook, read_book
from germstats.records.intervals.patterns import find_patterns
from germstats.records.tables import LEFT_COUNTS
from tests.records.small_books import CLEAN, added, found, only, write

TRAYS = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,left_alive,left_dead,left_empty\n"


def dug(
    folder: Path, alive: str, dead: str, empty: str, seeds: str = "2-3", **tables: str
) -> RecordBook:
    """The clean book with these counts for tray T-0413, which has 6 cells and 8 seedlings."""
    trays = TRAYS + (
        "T-0412,2025,MOFI-24A,2024-12-03,2,3,3,,,\n"
        f"T-0413,2025,GETR-23A,2024-12-03,2,3,{seeds},{alive},{dead},{empty}\n"
    )
    return read_book(write(folder, trays=trays, **tables))


def test_the_counts_reach_the_patterns_and_a_blank_is_not_zero(tmp_path: Path) -> None:
    book = dug(tmp_path, "4", "0", "")
    assert len(book.findings) == 0
    trays = find_patterns(book).trays.set_index("tray")[list(LEFT_COUNTS)]
    assert trays.dtypes.tolist() == [np.dtype(float)] * 3
    np.testing.assert_array_equal(trays.loc["T-0413"], [4.0, 0.0, np.nan])
    assert trays.loc["T-0412"].isna().all()


@pytest.mark.parametrize(("empty", "rules"), [("5", []), ("6", ["left-above-seeds"])])
def test_with_those_that_came_no_more_than_were_sown(
    tmp_path: Path, empty: str, rules: list[str]
) -> None:
    # 6 cells of at most 3 seeds are 18; 8 seedlings came, 3 + 2 were dug up alive and dead: 5 more
    # may be empty
    book = dug(tmp_path, "3", "2", empty)
    assert book.findings["rule"].tolist() == rules
    kept = book.tables["trays"].loc[1, list(LEFT_COUNTS)].isna().tolist()
    assert kept == [bool(rules)] * 3
    assert book.left_out == {}


def test_the_question_names_all_its_numbers(tmp_path: Path) -> None:
    asked = only(dug(tmp_path, "9", "9", "9"), "left-above-seeds")
    assert (asked["severity"], asked["row"], asked["tray"]) == ("ask", 3, "T-0413")
    assert asked["message"] == (
        "trays.csv row 3, left_alive: 27 seeds dug up (left_alive, left_dead, left_empty) and 8 "
        "seedlings seen are more than the 18 seeds sown in tray T-0413"
    )


def test_seedlings_are_the_most_that_any_record_shows(tmp_path: Path) -> None:
    # T-0412 is listed by two cells of three seeds: A1 had 3 seedlings, B3 had 1, so 2 of 6 seeds
    # may be left
    for empty, asked in (("2", 0), ("3", 1)):
        trays = TRAYS + f"T-0412,2025,MOFI-24A,2024-12-03,2,3,3,,,{empty}\n"
        book = read_book(write(tmp_path, trays=trays, checks=None, maps=None))
        assert len(found(book, "left-above-seeds")) == asked


def test_no_bound_where_seeds_are_not_counted_or_plants_moved_in(tmp_path: Path) -> None:
    assert found(dug(tmp_path, "", dead="", empty="500", seeds="pinch"), "left-above-seeds").empty
    moved = CLEAN["events"] + "T-0413,2025-06-01,transplanted_in,A1,\n"
    assert found(dug(tmp_path, "", dead="", empty="12", events=moved), "left-above-seeds").empty


@pytest.mark.parametrize(
    ("typed", "rule"), [("1.5", "not-whole"), ("-1", "out-of-limits"), ("few", "words-in-number")]
)
def test_only_whole_numbers(tmp_path: Path, typed: str, rule: str) -> None:
    assert dug(tmp_path, typed, "", "").findings["rule"].tolist() == [rule]


def test_a_book_without_the_columns_has_none(tmp_path: Path) -> None:
    trays = find_patterns(added(tmp_path)).trays
    assert len(trays) == 2
    assert trays[list(LEFT_COUNTS)].isna().all(axis=None)
