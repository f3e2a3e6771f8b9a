"""What no estimate is read from is named: counts beside cells, looks at sowing, maps, half days,
other files.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import xlsxwriter

from germstats.records.book import RecordBook, read_book
from germstats.records.formats.workbook import blank_book, example_book, write_rows
from germstats.records.intervals.patterns import find_patterns
from germstats.records.tables import TABLES
from tests.records.small_books import CLEAN, added, balances, found, only, spoilt, write


def said(book: RecordBook, rule: str) -> list[str]:
    """What the findings of a rule say; the book has no other finding, and no row is lost."""
    assert book.findings["rule"].unique().tolist() == [rule], book.findings["message"].tolist()
    assert balances(book)
    return [str(message) for message in book.findings["message"]]


def test_a_look_on_the_day_of_sowing_is_named(tmp_path: Path) -> None:
    day = "2024-12-03"
    book = added(
        tmp_path,
        checks=f"T-0413,{day},0,,\n",
        cells=f"T-0412,A1,{day},0,,,,\nT-0412,B3,{day},0,,,,\n",
    )
    assert said(book, "on-sowing-day") == [
        "checks.csv row 5, checked_on: tray T-0413 was sown that day, so this check shows nothing "
        "yet and is not used",
        "cells.csv row 8, checked_on: tray T-0412 was sown that day, so this check shows nothing "
        "yet and is not used (and so in row 9)",
    ]


def test_totals_of_a_tray_read_from_its_cells_are_named(tmp_path: Path) -> None:
    book = added(tmp_path, checks="T-0412,2025-05-05,1,,\nT-0412,2025-05-19,2,,\n")
    assert said(book, "cells-count") == [
        "checks.csv row 5, filled: what came up in tray T-0412 is read from its rows in cells, not "
        "from this count (and so in row 6)"
    ]
    assert find_patterns(book).trays["record"].tolist() == ["counts", "seedlings"]


def test_seedlings_that_are_not_used_are_named(tmp_path: Path) -> None:
    book = added(tmp_path, checks="T-0413,2025-05-25,6,,\n")
    assert said(book, "seedlings-stop") == [
        "checks.csv row 3, seedlings: seedlings of tray T-0413 were not counted at its last check, "
        "so its filled cells are used instead (and so in row 4)"
    ]
    assert find_patterns(book).trays["record"].tolist() == ["counts", "totals"]
    events = CLEAN["events"] + "T-0413,2025-05-10,thinned,,\n"
    book = read_book(
        write(
            tmp_path,
            checks="tray,checked_on,seedlings\nT-0413,2025-04-20,8\nT-0413,2025-05-18,4\n",
            events=events,
            maps=None,
        )
    )
    (words,) = found(book, "after-thinning")["message"]
    assert words == (
        "checks.csv row 3, seedlings: seedlings counted after tray T-0413 was thinned are only "
        "those left, so they are not used for emergence"
    )
    assert find_patterns(book).trays.set_index("tray").at["T-0413", "emerged"] == 8


def test_alive_alone_asks_for_what_ever_came(tmp_path: Path) -> None:
    book = added(tmp_path, cells="T-0412,A2,2025-05-18,,,,2,\n")
    assert said(book, "alive-alone") == [
        "cells.csv row 8, emerged: only alive is filled in, which does not say how many seedlings "
        "ever came up"
    ]
    answers = CLEAN["answers"] + "alive-alone,cells,T-0412/A2/2025-05-18,emerged,,2\n"
    answered = read_book(
        write(tmp_path, cells=CLEAN["cells"] + "T-0412,A2,2025-05-18,,,,2,\n", answers=answers)
    )
    assert only(answered, "answered")["row"] == 8
    assert find_patterns(answered).trays["emerged"].tolist()[0] == 3 + 1 + 2


def test_seeds_written_on_a_row_without_a_count_are_used(tmp_path: Path) -> None:
    # three seeds a cell in the tray, five in A1 as its row of the sowing day says: 5 + 3 seeds in
    # the two cells
    book = added(tmp_path, cells="T-0412,A1,2024-12-03,,,5,,\n")
    assert find_patterns(book).trays["seeds"].tolist()[0] == 8


def test_maps_that_are_not_used_are_named(tmp_path: Path) -> None:
    book = added(tmp_path, maps="T-0413,2025-06-10,A1 A2\nT-0412,2025-06-10,A2\n")
    assert said(book, "map-idle") == [
        "maps.csv row 2, empty_cells: only the last map of a spring is used, and tray T-0413 has a "
        "later one, from 10 June 2025",
        "maps.csv row 4, empty_cells: the rows in cells say more about tray T-0412 than this map, "
        "so the map is not used",
    ]
    book = read_book(write(tmp_path, checks=None))
    assert said(book, "map-alone") == [
        "maps.csv row 2, empty_cells: tray T-0413 has a map but no check, and emergence is not "
        "estimated from a map"
    ]


@pytest.mark.parametrize(("cells", "named"), [("A2 B1", True), ("A1 A2", False), ("", False)])
def test_an_event_in_cells_nobody_listed_is_named(tmp_path: Path, cells: str, named: bool) -> None:
    book = added(tmp_path, events=f"T-0412,2025-06-01,bird,{cells},\n")
    words = (
        "events.csv row 2, cells: tray T-0412 has no row in cells for A2 B1: counted as not sown"
    )
    assert book.findings["message"].tolist() == ([words] if named else [])


def test_a_day_of_weather_with_one_end_only_is_named(tmp_path: Path) -> None:
    book = added(tmp_path, weather="2025-01-06,-2,\n2025-01-07,,4\n")
    assert said(book, "half-day") == [
        "weather.csv row 3, tmax_c: the high of the day is missing, so the day is not used",
        "weather.csv row 4, tmin_c: the low of the day is missing, so the day is not used",
    ]


def test_a_row_written_twice_keeps_the_words_of_both(tmp_path: Path) -> None:
    checks = (
        CLEAN["checks"].replace("2025-05-18,5,8,", "2025-05-18,5,8,sunny")
        + "T-0413,2025-05-18,5,8,mice near\n"
    )
    book = read_book(write(tmp_path, checks=checks))
    assert said(book, "written-twice") == ["checks.csv row 5: the same as row 4, which is kept"]
    assert book.tables["checks"]["note"].tolist() == ["", "", "sunny; mice near"]


def test_a_workbook_beside_the_csv_files_is_named_unless_it_is_blank(tmp_path: Path) -> None:
    place = write(tmp_path)
    blank_book(tmp_path / "new")
    example_book(place)
    shutil.copy(tmp_path / "new" / "record_book.xlsx", place)
    assert read_book(place).findings.empty
    rows = [[column.name for column in TABLES["trays"].columns], ["T-1", "2025"]]
    write_rows({"trays": rows}, place / "record_book.xlsx", force=True)
    (place / "checks.tsv").write_text("tray\tchecked_on\nT-1\t2025-05-01\n", encoding="utf-8")
    (place / "shopping.txt").write_text("grit\n", encoding="utf-8")
    assert said(read_book(place), "not-read") == [
        "checks.tsv: not read, because only the CSV files in a folder are read",
        "record_book.xlsx: not read, because only the CSV files in a folder are read",
    ]


def test_an_error_in_a_workbook_is_no_blank(tmp_path: Path) -> None:
    book = xlsxwriter.Workbook(tmp_path / "e.xlsx")
    for name, text in CLEAN.items():
        sheet = book.add_worksheet(name)
        for at, line in enumerate(text.splitlines()):
            sheet.write_row(at, 0, line.split(","))
        if name == "checks":
            sheet.write_formula(2, 3, "=1/0", None, "#DIV/0!")
            sheet.write_formula(3, 4, "=lost", None, "#NAME?")
    book.close()
    read = read_book(tmp_path / "e.xlsx")
    asked = only(read, "words-in-number")
    assert asked["message"] == "sheet checks row 3, seedlings: '#DIV/0!' is no number"
    assert read.tables["checks"]["note"].tolist() == ["", "", "#NAME?"]
    assert spoilt(tmp_path, "checks", "2025-04-20,3,4", "2025-04-20,3,#DIV/0!").findings[
        "rule"
    ].tolist() == ["words-in-number"]
