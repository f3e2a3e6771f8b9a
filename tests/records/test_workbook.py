"""Writing record books: files, guards, drop-downs, and the way back through reading."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from germstats.errors import WrongUseError
from germstats.records import workbook
from germstats.records.tables import TABLES
from germstats.records.values import FORMULA_STARTS, guarded, unguarded, value_text
from germstats.records.workbook import BLANK_WORKBOOK, blank_book, remember_dates, write_book

KINDS = ("book", "book.xlsx")

# what a spreadsheet may not hold (control characters, lone surrogates) and line ends it rewrites are left out
WORDS = st.text(
    st.characters(exclude_categories=("Cc", "Cs", "Co", "Cn")) | st.sampled_from("\n\"',;=+-@"), max_size=20
)


def trays(**columns: object) -> dict[str, pd.DataFrame]:
    """A book of one tray, never looked at."""
    tray = {"tray": "T-1", "season": 2025, "lot": "MOFI-24A", "sown_on": "2024-12-03", "rows": 6, "columns": 12}
    return {"trays": pd.DataFrame([{**tray, "seeds_per_cell": "2-3", **columns}])}


def lines(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


# --- values ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        (float("nan"), ""),
        (pd.NA, ""),
        (pd.NaT, ""),
        (3, "3"),
        (3.0, "3"),
        (2.5, "2.5"),
        (0.1 + 0.2, "0.30000000000000004"),
        (True, "yes"),
        (pd.Timestamp("2025-05-04"), "2025-05-04"),
        ("None", "None"),
        (" 04/05/2024 ", " 04/05/2024 "),
    ],
)
def test_values_as_text(value: object, text: str) -> None:
    assert value_text(value) == text


@pytest.mark.parametrize("text", ["=cmd()", "+1+1", "-2+3", "@SUM(A1)", "\t=1"])
def test_text_that_would_run_is_guarded(text: str) -> None:
    assert guarded(text) == f"'{text}"
    assert guarded(text, number=True) == f"'{text}"


@pytest.mark.parametrize("text", ["-3", "+0.5", "-1.5e-3", "-3,5"])
def test_negative_numbers_stay_numbers(text: str) -> None:
    assert guarded(text, number=True) == text
    assert guarded(text) == f"'{text}"


@given(WORDS | st.sampled_from(["'=x", "''=x", "'", "'mofi", "\t"]))
def test_the_guard_comes_off_again_and_nothing_runs(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert not guarded(text).startswith(FORMULA_STARTS)


# --- files -------------------------------------------------------------------------------------------------------


def test_a_folder_holds_the_tables_and_their_description(tmp_path: Path) -> None:
    written = write_book(trays(note="=cmd()"), tmp_path / "book", extra={"dates": "day-first"})
    assert [path.name for path in written] == ["trays.csv", "datapackage.json"]
    header, tray = lines(tmp_path / "book" / "trays.csv")
    assert dict(zip(header, tray, strict=True)) == {
        "tray": "T-1", "season": "2025", "lot": "MOFI-24A", "sown_on": "2024-12-03", "rows": "6", "columns": "12",
        "seeds_per_cell": "2-3", "note": "'=cmd()",
    }  # fmt: skip
    package = json.loads((tmp_path / "book" / "datapackage.json").read_text(encoding="utf-8"))
    assert package["germstats"] == {"dates": "day-first"}
    assert [field["name"] for field in package["resources"][0]["schema"]["fields"]] == header


def test_the_place_a_row_was_read_from_is_no_column(tmp_path: Path) -> None:
    write_book(trays(row=17), tmp_path / "book")
    assert "row" not in lines(tmp_path / "book" / "trays.csv")[0]


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_overwritten_without_force(tmp_path: Path, kind: str) -> None:
    place = tmp_path / kind
    written = write_book(trays(), place)
    before = [path.read_bytes() for path in written]
    with pytest.raises(WrongUseError, match=r"(trays\.csv|book\.xlsx) is there already; .* --force"):
        write_book(trays(tray="T-2"), place)
    assert [path.read_bytes() for path in written] == before
    write_book(trays(tray="T-2"), place, force=True)
    assert [path.read_bytes() for path in written] != before


def test_two_books_are_not_mixed_in_one_folder(tmp_path: Path) -> None:
    (tmp_path / "cells.csv").write_text("tray,cell\n")
    with pytest.raises(WrongUseError, match=r"cells\.csv is there already"):
        write_book(trays(), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["cells.csv"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_failure_half_way_leaves_the_old_files(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    write_book(trays(), tmp_path / kind)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    def full_disk(part: Path, content: bytes) -> None:
        part.write_bytes(content[:3])
        raise OSError(28, "No space left on device", str(part))

    monkeypatch.setattr(workbook, "_write_through", full_disk)
    with pytest.raises(WrongUseError, match="cannot be written: No space left on device"):
        write_book(trays(tray="T-2"), tmp_path / kind, force=True)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "notes").write_text("mine")
    with pytest.raises(WrongUseError, match="notes is a file; name a folder"):
        write_book(trays(), tmp_path / "notes", force=True)
    with pytest.raises(WrongUseError, match=r"would be a \.csv file; name a folder"):
        write_book(trays(), tmp_path / "trays.csv")
    assert (tmp_path / "notes").read_text() == "mine"


def test_an_unknown_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(WrongUseError, match="no table 'pots'; its tables are species, lots"):
        write_book({"pots": pd.DataFrame({"pot": [1]})}, tmp_path / "book")


def test_a_text_too_long_for_a_workbook_is_refused_not_cut(tmp_path: Path) -> None:
    with pytest.raises(WrongUseError, match="trays holds a text longer than a workbook cell"):
        write_book(trays(note="x" * 32_768), tmp_path / "book.xlsx")
    assert list(tmp_path.iterdir()) == []


def test_the_same_records_give_the_same_workbook(tmp_path: Path) -> None:
    first, second = (write_book(trays(), tmp_path / f"{name}.xlsx")[0].read_bytes() for name in "ab")
    assert first == second


def test_the_way_dates_are_written_is_remembered(tmp_path: Path) -> None:
    write_book(trays(), tmp_path)
    before = json.loads((tmp_path / "datapackage.json").read_text())
    remember_dates(tmp_path, "month-first")
    assert json.loads((tmp_path / "datapackage.json").read_text()) == {**before, "germstats": {"dates": "month-first"}}
    remember_dates(tmp_path / "nowhere", "month-first")
    assert not (tmp_path / "nowhere").exists()


# --- workbooks ---------------------------------------------------------------------------------------------------


def test_a_workbook_holds_dates_numbers_and_text_as_such(tmp_path: Path) -> None:
    (path,) = write_book(trays(note="=1+1", cover="007", cover_depth_mm="5 mm?"), tmp_path / "book.xlsx")
    sheet = openpyxl.load_workbook(path)["trays"]
    tray = {header.value: cell for header, cell in zip(sheet[1], sheet[2], strict=True)}
    assert tray["sown_on"].is_date
    assert tray["sown_on"].number_format == "yyyy-mm-dd"
    assert tray["rows"].value == 6
    assert (tray["note"].value, tray["note"].data_type) == ("=1+1", "s")
    assert (tray["cover"].value, tray["cover_depth_mm"].value) == ("007", "5 mm?")
    # a cell that holds text keeps 2-3 from being turned into a date when it is typed again
    assert tray["seeds_per_cell"].number_format == "@"


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("blank") / "book"
    blank_book(folder)
    return folder


def test_a_blank_book_has_every_table_with_its_headers(blank: Path) -> None:
    for name, table in TABLES.items():
        assert lines(blank / f"{name}.csv") == [[column.name for column in table.columns]]
    sheets = openpyxl.load_workbook(blank / BLANK_WORKBOOK)
    assert sheets.sheetnames == ["explanations", *TABLES]
    for name, table in TABLES.items():
        assert [cell.value for cell in sheets[name][1]] == [column.name for column in table.columns]
        assert sheets[name].freeze_panes == "A2"


def test_the_first_sheet_explains_every_column(blank: Path) -> None:
    rows = list(openpyxl.load_workbook(blank / BLANK_WORKBOOK)["explanations"].values)
    explained = {(row[0], row[1]): row for row in rows}
    for table in TABLES.values():
        for column in table.columns:
            row = explained[table.name, column.name]
            assert row[2] == ("yes" if column.required else None)
            assert str(row[3]).startswith(column.meaning)


def test_drop_downs_limits_and_messages(blank: Path) -> None:
    sheets = openpyxl.load_workbook(blank / BLANK_WORKBOOK)
    rules = {
        (name, sheets[name].cell(1, min(part.min_col for part in rule.sqref.ranges)).value): rule
        for name in TABLES
        for rule in sheets[name].data_validations.dataValidation
    }
    assert set(rules) == {(table.name, column.name) for table in TABLES.values() for column in table.columns}
    assert rules["species", "light"].formula1 == '"needs,either,dark"'
    assert rules["lots", "species"].formula1 == "species!$A$2:$A$3000"
    assert rules["cells", "tray"].formula1 == "trays!$A$2:$A$3000"
    assert rules["trays", "cover"].errorStyle == "information"
    assert rules["checks", "checked_on"].type == "date"
    purity = rules["lots", "purity_pct"]
    assert (purity.type, float(purity.formula1), float(purity.formula2)) == ("decimal", 0, 100)
    assert purity.error == "purity_pct is a number, from 0 to 100. Words belong in the column note."
    assert all(len(rule.prompt) > 10 for rule in rules.values())


def test_a_column_of_ones_own_is_kept(tmp_path: Path) -> None:
    (path,) = write_book(trays(moon="waning"), tmp_path / "book.xlsx")
    assert [cell.value for cell in openpyxl.load_workbook(path)["trays"][1]][-1] == "moon"
    write_book(trays(moon="waning"), tmp_path / "book")
    package = json.loads((tmp_path / "book" / "datapackage.json").read_text())
    assert package["resources"][0]["schema"]["fields"][-1] == {"name": "moon", "type": "string"}
