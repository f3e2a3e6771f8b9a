"""A record book written and read again holds the same, as a folder and as a workbook, whatever words are in it."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from germstats.records.book import RecordBook, read_book
from germstats.records.tables import TABLES
from germstats.records.workbook import write_book

KINDS = ("book", "book.xlsx")

# what a spreadsheet may not hold (control characters, lone surrogates) and line ends it rewrites are left out
WORDS = st.text(
    st.characters(exclude_categories=("Cc", "Cs", "Co", "Cn")) | st.sampled_from("\n\"',;=+-@"), max_size=20
)


def full_book(words: list[str]) -> dict[str, pd.DataFrame]:
    """A small clean book with a row in every table and these words in its notes."""
    note, origin, place, client = words
    one = {
        "species": {"species": "MOFI", "light": "either", "two_winters": "no", "chill_weeks": "2.5", "caution": note},
        "lots": {"lot": "MOFI-24A", "species": "MOFI", "collected_on": "2024-09-02", "origin": origin,
                 "pinch_counts": "4 7 2", "purity_pct": "97.5", "note": note},
        "trays": {"tray": "T-1", "season": "2025", "lot": "MOFI-24A", "sown_on": "2024-12-03", "rows": "2",
                  "columns": "3", "seeds_per_cell": "2-3", "cover": "grit", "place": place, "note": note},
        "checks": {"tray": "T-1", "checked_on": "2025-04-20", "filled": "4", "seedlings": "6", "note": note},
        "cells": {"tray": "T-1", "cell": "B2", "checked_on": "2025-04-20", "emerged": "2", "note": note},
        "events": {"tray": "T-1", "on": "2025-06-01", "event": "sold", "cells": "", "note": note},
        "maps": {"tray": "T-1", "seen_on": "2025-05-30", "empty_cells": "A1 B3"},
        "orders": {"order": "7", "species": "MOFI", "plugs": "40", "due": "2025-09-01", "client": client},
        "weather": {"date": "2025-01-05", "tmin_c": "-7.5", "tmax_c": "-1"},
        "answers": {"rule": "dash", "table": "checks", "key": "T-1/2025-04-20", "value": "-", "answer": "0"},
    }  # fmt: skip
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
    read = [first.tables["trays"]["note"][0], first.tables["lots"]["origin"][0], first.tables["trays"]["place"][0]]
    assert read == [text.strip() for text in words[:3]]


def test_folder_and_workbook_hold_the_same(tmp_path: Path) -> None:
    tables = full_book(['a "quoted", note', "=cmd()", "two\nlines", "שלום, 🌱"])
    for kind in KINDS:
        write_book(tables, tmp_path / kind)
    folder, sheets = (read_book(tmp_path / kind) for kind in KINDS)
    same(folder, sheets)
    assert folder.tables["weather"]["tmin_c"].tolist() == [-7.5]
