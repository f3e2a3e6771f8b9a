"""The invented example: check finds nothing in it, it says it is invented, and it never lies among
real records.
"""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest

from germstats.errors import UnreadableBookError, WrongUseError
from germstats.records.book import read_book
from germstats.records.formats.example_rows import EXAMPLE_REMARK, example_rows
from germstats.records.formats.workbook import (
    BLANK_WORKBOOK,
    EXAMPLE_WORKBOOK,
    blank_book,
    example_book,
)
from germstats.records.tables import TABLES


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return example_book(tmp_path_factory.mktemp("example"))


def test_check_finds_nothing_in_it(example: Path) -> None:
    book = read_book(example)
    assert book.findings["message"].tolist() == []
    assert book.left_out == {}
    account = book.accounting.set_index("table")
    assert account["rows"].equals(account["used"].rename("rows"))
    # a row of every kind; answers wait for a question of check
    assert set(account.index[account["rows"] > 0]) == set(TABLES) - {"answers"}


def test_it_shows_every_way_to_write_seeds_a_zero_and_a_blank(example: Path) -> None:
    tables = read_book(example).tables
    assert set(map(str, tables["trays"]["seeds_per_cell"])) == {"2", "3", "2-3", "~3", "pinch"}
    assert (tables["checks"]["filled"] == 0).any()
    assert tables["checks"]["seedlings"].isna().any()
    assert {"none", "grit"} == set(tables["trays"]["cover"])


def test_ids_links_and_notes_say_that_it_is_invented() -> None:
    for name, (header, *rows) in example_rows().items():
        assert header == [column.name for column in TABLES[name].columns]
        first = TABLES[name].columns[0]
        assert all(row[0].startswith("EX-") for row in rows if first.type == "text"), name
    for name in ("lots", "trays"):
        header, *rows = example_rows()[name]
        assert all("invented example" in row[header.index("note")] for row in rows)


def test_the_first_line_of_the_workbook_says_so(example: Path) -> None:
    sheets = openpyxl.load_workbook(example)
    assert sheets.sheetnames[0] == "explanations"
    assert sheets["explanations"]["A1"].value == EXAMPLE_REMARK
    assert sheets["explanations"].freeze_panes == "A2"
    assert BLANK_WORKBOOK in EXAMPLE_REMARK


def test_it_lies_beside_a_blank_book_and_is_no_part_of_it(tmp_path: Path) -> None:
    blank_book(tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    path = example_book(tmp_path)
    assert path == tmp_path / EXAMPLE_WORKBOOK
    assert {
        place: content for place, content in before.items() if place.read_bytes() != content
    } == {}
    for place in (tmp_path, tmp_path / BLANK_WORKBOOK):
        assert all(table.empty for table in read_book(place).tables.values())
    with pytest.raises(WrongUseError, match=r"example_book\.xlsx is there already; .* --force"):
        example_book(tmp_path)
    assert example_book(tmp_path, force=True) == path


def test_a_folder_with_the_example_alone_is_no_book(example: Path) -> None:
    with pytest.raises(UnreadableBookError, match=r"name the workbook example_book\.xlsx itself"):
        read_book(example.parent)
