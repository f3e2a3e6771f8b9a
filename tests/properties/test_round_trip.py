"""A record book written and read again holds the same, as a folder and as a workbook, whatever
words are in it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from germstats.demonstration import DEFAULT_SEED, simulate_demo
from germstats.records.book import RecordBook, read_book
from germstats.records.formats.copying import copy_book
from germstats.records.formats.reading import read_sheets
from germstats.records.formats.workbook import write_book, write_rows
from germstats.records.tables import TABLES

KINDS = ("book", "book.xlsx")

# what a spreadsheet may not hold (control characters, lone surrogates) and line ends it rewrites
# are left out
WORDS = st.text(
    st.characters(exclude_categories=("Cc", "Cs", "Co", "Cn")) | st.sampled_from("\n\"',;=+-@"),
    max_size=20,
)


def full_book(words: list[str]) -> dict[str, pd.DataFrame]:
    """A small clean book with a row in every table and these words in its notes."""
    note, origin, place, client = words
    one = {
        "species": {
            "species": "MOFI",
            "light": "either",
            "two_winters": "no",
            "chill_weeks": "2.5",
            "caution": note,
        },
        "lots": {
            "lot": "MOFI-24A",
            "species": "MOFI",
            "collected_on": "2024-09-02",
            "origin": origin,
            "pinch_counts": "4 7 2",
            "purity_pct": "97.5",
            "note": note,
        },
        "trays": {
            "tray": "T-1",
            "season": "2025",
            "lot": "MOFI-24A",
            "sown_on": "2024-12-03",
            "rows": "2",
            "columns": "3",
            "seeds_per_cell": "2-3",
            "cover": "grit",
            "place": place,
            "note": note,
        },
        "checks": {
            "tray": "T-1",
            "checked_on": "2025-04-20",
            "filled": "4",
            "seedlings": "6",
            "note": note,
        },
        "cells": {
            "tray": "T-1",
            "cell": "B2",
            "checked_on": "2025-04-20",
            "emerged": "2",
            "note": note,
        },
        "events": {"tray": "T-1", "on": "2025-06-01", "event": "sold", "cells": "", "note": note},
        "maps": {"tray": "T-1", "seen_on": "2025-05-30", "empty_cells": "A1 B3"},
        "orders": {
            "order": "7",
            "species": "MOFI",
            "plugs": "40",
            "due": "2025-09-01",
            "client": client,
        },
        "weather": {"date": "2025-01-05", "tmin_c": "-7.5", "tmax_c": "-1"},
        "answers": {
            "rule": "dash",
            "table": "checks",
            "key": "T-1/2025-04-20",
            "value": "-",
            "answer": "0",
        },
    }
    return {name: pd.DataFrame([row]) for name, row in one.items()}


def same(one: RecordBook, other: RecordBook) -> None:
    """Assert that two books hold the same records."""
    for name in TABLES:
        pd.testing.assert_frame_equal(one.tables[name], other.tables[name])


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=25, deadline=None)
@given(words=st.lists(WORDS, min_size=4, max_size=4))
@example(words=['a "quoted", note', "=cmd()", "two\nlines", "שלום, 🌱"])
@example(words=["'=x", "-", "+5", "@"])
@example(words=["None", "NA", "1-2", "2024-05-04"])
@example(words=["_x0041_", "a;b", "'", "0"])
def test_writing_and_reading_lose_nothing(kind: str, words: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        places = [Path(folder) / step / kind for step in ("first", "second")]
        write_book(full_book(words), places[0])
        first = read_book(places[0])
        write_book(first.tables, places[1])
        second = read_book(places[1])
        write_book(second.tables, places[1], force=True)
        same(first, second)
        same(second, read_book(places[1]))
    read = [
        first.tables["trays"]["note"][0],
        first.tables["lots"]["origin"][0],
        first.tables["trays"]["place"][0],
    ]
    assert read == [text.strip() for text in words[:3]]


def test_folder_and_workbook_hold_the_same(tmp_path: Path) -> None:
    tables = full_book(['a "quoted", note', "=cmd()", "two\nlines", "שלום, 🌱"])
    for kind in KINDS:
        write_book(tables, tmp_path / kind)
    folder, sheets = (read_book(tmp_path / kind) for kind in KINDS)
    same(folder, sheets)
    assert folder.tables["weather"]["tmin_c"].tolist() == [-7.5]


# --- values just as they stand, right or wrong
# -------------------------------------------------------------------

TYPED = WORDS | st.sampled_from(
    [
        "007",
        "1e5",
        "1E5",
        "1e-05",
        "3.0",
        "-0",
        ".5",
        "5.",
        "+5",
        "0",
        "",
        " ",
        "-",
        "2-3",
        "~3",
        "pinch",
        "3+",
        "1,5",
        "0.30000000000000004",
        "12345678901234567890",
        "1_000",
        "nan",
        "inf",
        "None",
        "NA",
        "NULL",
        "TRUE",
        "false",
        "2024-05-04",
        "2024-02-30",
        "1900-01-01",
        "9999-12-31",
        "04/05/2024",
        "2024-05-04T00:00",
        "12:30",
        "50 %",
        "=cmd()",
        "'=x",
        "''=x",
        "'",
        '"',
        '""',
        "@me",
        "+1+1",
        "#REF!",
        "_x0041_",
        "_x000D_",
        "<b>&amp;</b>",
        "]]>",
        "two\r\nlines",
        "one\rreturn",
        "\ttab",
        "a\tb",
        "\x0bv",
        "\x0cf",
        "\u2028",
        "\u202eabc",
        "\ufeffz",
        "\xa0",
        "🌱",
        "שלום",
        "x" * 500,
    ]
)
OWN = st.lists(TYPED.filter(str.strip), max_size=3)
RECORDS = st.lists(st.lists(TYPED, max_size=20), max_size=6)


@settings(max_examples=60, deadline=None)
@given(own=OWN, records=RECORDS, dates=st.sampled_from([None, "day-first", "month-first"]))
@example(own=["a;b;c;d;e;f;g;h;i;j;k;l;m;n;o;p;q;r"], records=[["T-1", "x;y"]], dates=None)
@example(
    own=["note\twith\ttabs"], records=[[], ["T-1"], [], [], ["T-2", "2025"]], dates="day-first"
)
@example(own=["=cmd()", "Sown on"], records=[["T-1"] + ["one\rreturn"] * 19], dates=None)
def test_copies_hold_every_text_in_its_place(
    own: list[str], records: list[list[str]], dates: str | None
) -> None:
    remembered = {"dates": dates} if dates else {}
    headings = [column.name for column in TABLES["trays"].columns] + own
    tables = {
        "trays": [headings, *records],
        "answers": [["rule", "answer"], *(record[:2] for record in records)],
    }
    with tempfile.TemporaryDirectory() as folder:
        first, sheets, back, plain = (
            Path(folder) / name for name in ("first", "book.xlsx", "back", "plain")
        )
        write_rows(tables, first, settings=remembered)
        before = read_sheets(first).tables
        for name, sheet in before.items():
            assert list(sheet.header) == tables[name][0]
            assert dict(sheet.rows) == {
                number: padded(line, len(sheet.header))
                for number, line in enumerate(tables[name][1:], start=2)
                if any(map(str.strip, line))
            }
        for source, copy in ((first, sheets), (sheets, back), (first, plain)):
            assert copy_book(source, copy).settings == remembered
        assert [sheet.rows for sheet in read_sheets(sheets).tables.values()] == [
            one.rows for one in before.values()
        ]
        assert read_sheets(back).tables == before
        assert {path.name: path.read_bytes() for path in back.iterdir()} == {
            path.name: path.read_bytes() for path in plain.iterdir()
        }


def padded(line: list[str], width: int) -> tuple[str, ...]:
    """A line as reading returns it: as long as the headings, and longer only where something stands
    beyond them.
    """
    beyond = line[width:]
    while beyond and not beyond[-1].strip():
        beyond.pop()
    return (*line[:width], *[""] * (width - len(line)), *beyond)


@pytest.fixture(scope="module")
def demonstration(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """The demonstration as CSV files, copied to a workbook, and copied back."""
    places = tuple(
        tmp_path_factory.mktemp("demonstration") / name for name in ("book", "book.xlsx", "back")
    )
    write_book(simulate_demo(DEFAULT_SEED).tables, places[0])
    copy_book(places[0], places[1])
    copy_book(places[1], places[2])
    return places


def test_the_demonstration_comes_back_byte_by_byte(demonstration: tuple[Path, Path, Path]) -> None:
    book, _, back = demonstration
    assert sorted(path.name for path in back.iterdir()) == sorted(
        path.name for path in book.iterdir()
    )
    assert [
        path.name for path in book.iterdir() if (back / path.name).read_bytes() != path.read_bytes()
    ] == []


def test_the_demonstration_is_judged_the_same_in_either_form(
    demonstration: tuple[Path, Path, Path],
) -> None:
    folder, sheets = read_book(demonstration[0]), read_book(demonstration[1])
    same(folder, sheets)
    assert len(folder.findings) > 20
    columns = ["severity", "table", "row", "column", "value", "rule", "remedy"]
    pd.testing.assert_frame_equal(folder.findings[columns], sheets.findings[columns])
    # the words are the same but for the name of the place: cells.csv, or sheet cells
    said = [
        message.replace(f"{table}.csv", f"sheet {table}")
        for message, table in folder.findings[["message", "table"]].itertuples(index=False)
    ]
    assert sheets.findings["message"].tolist() == said
    pd.testing.assert_frame_equal(folder.accounting, sheets.accounting)
    assert folder.left_out.keys() == sheets.left_out.keys()


def test_a_workbook_remembers_how_its_dates_are_read(tmp_path: Path) -> None:
    write_book(full_book(["", "", "", ""]), tmp_path / "b.xlsx", extra={"dates": "day-first"})
    assert read_book(tmp_path / "b.xlsx").dates == "day-first"
