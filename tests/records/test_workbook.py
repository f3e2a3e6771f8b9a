"""Writing record books: files, guards, drop-downs, and the way back through reading."""

from __future__ import annotations

import csv
import datetime
import json
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation

from germstats.errors import UnreadableBookError, WrongUseError
from germstats.records import writing
from germstats.records.checking.parsing import parse
from germstats.records.formats.workbook import (
    BLANK_WORKBOOK,
    blank_book,
    remember_dates,
    write_book,
)
from germstats.records.settings import read_settings
from germstats.records.tables import TABLES, Column
from germstats.records.values import FORMULA_STARTS, guarded, unguarded, value_text

KINDS = ("book", "book.xlsx")

# what a spreadsheet may not hold (control characters, lone surrogates) and line ends it rewrites
# are left out
WORDS = st.text(
    st.characters(exclude_categories=("Cc", "Cs", "Co", "Cn")) | st.sampled_from("\n\"',;=+-@"),
    max_size=20,
)


def trays(**columns: object) -> dict[str, pd.DataFrame]:
    """A book of one tray, never looked at."""
    tray = {
        "tray": "T-1",
        "season": 2025,
        "lot": "MOFI-24A",
        "sown_on": "2024-12-03",
        "rows": 6,
        "columns": 12,
    }
    return {"trays": pd.DataFrame([{**tray, "seeds_per_cell": "2-3", **columns}])}


def lines(path: Path) -> list[list[str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.reader(stream))


# --- values
# ------------------------------------------------------------------------------------------


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


# --- files
# ------------------------------------------------------------------------------------------


def test_a_folder_holds_the_tables_and_their_description(tmp_path: Path) -> None:
    written = write_book(trays(note="=cmd()"), tmp_path / "book", extra={"dates": "day-first"})
    assert [path.name for path in written] == ["trays.csv", "datapackage.json"]
    header, tray = lines(tmp_path / "book" / "trays.csv")
    assert dict(zip(header, tray, strict=True)) == {
        "tray": "T-1",
        "season": "2025",
        "lot": "MOFI-24A",
        "sown_on": "2024-12-03",
        "rows": "6",
        "columns": "12",
        "seeds_per_cell": "2-3",
        "note": "'=cmd()",
    }
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
    with pytest.raises(
        WrongUseError, match=r"(trays\.csv|book\.xlsx) is there already; .* --force"
    ):
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
def test_a_failure_half_way_leaves_the_old_files(
    tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_book(trays(), tmp_path / kind)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    def full_disk(part: Path, content: bytes) -> None:
        part.write_bytes(content[:3])
        raise OSError(28, "No space left on device", str(part))

    monkeypatch.setattr(writing, "_write_through", full_disk)
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
    with pytest.raises(
        WrongUseError, match=r"trays row 2 holds a text longer than the 32,767 letters"
    ):
        write_book(trays(note="x" * 32_768), tmp_path / "book.xlsx")
    assert list(tmp_path.iterdir()) == []


def test_the_same_records_give_the_same_workbook(tmp_path: Path) -> None:
    first, second = (
        write_book(trays(), tmp_path / f"{name}.xlsx")[0].read_bytes() for name in "ab"
    )
    assert first == second


def test_the_way_dates_are_written_is_remembered(tmp_path: Path) -> None:
    write_book(trays(), tmp_path)
    before = json.loads((tmp_path / "datapackage.json").read_text())
    remember_dates(tmp_path, "month-first")
    assert json.loads((tmp_path / "datapackage.json").read_text()) == {
        **before,
        "germstats": {"dates": "month-first"},
    }
    remember_dates(tmp_path / "nowhere", "month-first")
    assert not (tmp_path / "nowhere").exists()


# --- workbooks
# ------------------------------------------------------------------------------------------


def test_a_workbook_holds_dates_numbers_and_text_as_such(tmp_path: Path) -> None:
    (path,) = write_book(
        trays(note="=1+1", cover="007", cover_depth_mm="5 mm?"), tmp_path / "book.xlsx"
    )
    sheet = openpyxl.load_workbook(path)["trays"]
    tray = {header.value: cell for header, cell in zip(sheet[1], sheet[2], strict=True)}
    assert tray["sown_on"].is_date
    assert tray["sown_on"].number_format == "yyyy-mm-dd"
    assert tray["rows"].value == 6
    assert (tray["note"].value, tray["note"].data_type) == ("=1+1", "s")
    assert (tray["cover"].value, tray["cover_depth_mm"].value) == ("007", "5 mm?")
    # a cell that holds text keeps 2-3 from being turned into a date when it is typed again
    assert tray["seeds_per_cell"].number_format == "@"


@pytest.mark.parametrize(
    "text", ["3.0", "-0", "007", "1e5", "0.30000000000000004", "12345678901234567890", "1_000"]
)
def test_a_number_that_would_read_back_otherwise_stays_text(tmp_path: Path, text: str) -> None:
    (path,) = write_book(trays(grams=text), tmp_path / "book.xlsx")
    sheet = openpyxl.load_workbook(path)["trays"]
    grams = next(
        cell for header, cell in zip(sheet[1], sheet[2], strict=True) if header.value == "grams"
    )
    assert (grams.value, grams.data_type) == (text, "s")


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("blank") / "book"
    blank_book(folder)
    return folder


@pytest.fixture(scope="module")
def sheets(blank: Path) -> openpyxl.Workbook:
    return openpyxl.load_workbook(blank / BLANK_WORKBOOK)


Rules = dict[tuple[str, str], DataValidation]


@pytest.fixture(scope="module")
def rules(sheets: openpyxl.Workbook) -> Rules:
    return {
        (name, sheets[name].cell(1, min(part.min_col for part in rule.sqref.ranges)).value): rule
        for name in TABLES
        for rule in sheets[name].data_validations.dataValidation
    }


COLUMNS = [(table.name, column) for table in TABLES.values() for column in table.columns]


def test_a_blank_book_has_every_table_with_its_headers(
    blank: Path, sheets: openpyxl.Workbook
) -> None:
    for name, table in TABLES.items():
        assert lines(blank / f"{name}.csv") == [[column.name for column in table.columns]]
    assert sheets.sheetnames == ["explanations", *TABLES]
    for name, table in TABLES.items():
        assert [cell.value for cell in sheets[name][1]] == [column.name for column in table.columns]
        assert sheets[name].freeze_panes == "B2"  # the headings and the ids stay in sight


def test_the_first_sheet_explains_every_sheet_and_column(sheets: openpyxl.Workbook) -> None:
    rows = [tuple(value or "" for value in row) for row in sheets["explanations"].values]
    explained = {(row[0], row[1]): row for row in rows}
    for name, column in COLUMNS:
        row = explained[name, column.name]
        assert row[2] == ("must be filled" if column.required else "")
        assert row[3] == column.meaning
        assert row[5] == column.unit
        assert (row[6] != "") == (column.low is not None or column.high is not None)
    assert {(row[0], row[1]) for row in rows} >= {
        (table.name, table.row_is) for table in TABLES.values()
    }
    words = [row[0] for row in rows]
    assert words.index(next(line for line in words if line.startswith("1. species"))) < words.index(
        "The columns"
    )


def test_limits_of_years_and_of_large_numbers_can_be_read(sheets: openpyxl.Workbook) -> None:
    limits = {(row[0], row[1]): row[6] for row in sheets["explanations"].values}
    assert limits["trays", "season"] == "from 1900 to 2200"
    assert limits["species", "seeds_per_gram"] == "from 0.001 to 10,000,000"
    assert limits["orders", "plugs"] == "1 or more"


def test_every_cell_has_a_hint_and_no_text_is_cut(rules: Rules) -> None:
    assert set(rules) == {(name, column.name) for name, column in COLUMNS}
    for name, column in COLUMNS:
        rule = rules[name, column.name]
        assert rule.promptTitle == column.name
        assert column.meaning in rule.prompt
        assert rule.prompt.startswith("Must be filled. ") == column.required
        # the most a spreadsheet shows: 32 letters of a title, 255 of a message
        assert all(len(title or "") <= 32 for title in (rule.promptTitle, rule.errorTitle))
        assert all(len(message or "") <= 255 for message in (rule.prompt, rule.error))
        assert (rule.error is not None) == (rule.type is not None)


def test_every_heading_says_in_words_whether_it_must_be_filled(sheets: openpyxl.Workbook) -> None:
    for table in TABLES.values():
        for cell, column in zip(sheets[table.name][1], table.columns, strict=True):
            assert ("Must be filled" in cell.comment.text) == column.required
            assert ("May stay blank" in cell.comment.text) != column.required
            assert (cell.fill.fgColor.rgb == "FF1F4E5F") == column.required


def test_drop_downs_are_fed_by_the_book_itself(sheets: openpyxl.Workbook, rules: Rules) -> None:
    fed = {
        (name, column): rule.formula1
        for (name, column), rule in rules.items()
        if "ids_of" in str(rule.formula1)
    }
    assert fed == {
        ("lots", "species"): "ids_of_species",
        ("orders", "species"): "ids_of_species",
        ("trays", "lot"): "ids_of_lots",
        **{(name, "tray"): "ids_of_trays" for name in ("checks", "cells", "events", "maps")},
    }
    assert all(rules[place].errorStyle == "information" for place in fed)
    ids = "trays!$A$2:$A$100000"
    assert sheets.defined_names["ids_of_trays"].attr_text == (
        f'OFFSET(trays!$A$2,0,0,MAX(1,SUMPRODUCT(MAX(({ids}<>"")*ROW({ids})))-1),1)'
    )
    assert str(rules["checks", "tray"].sqref) == "A2:A100000"


def test_a_drop_down_follows_its_column_wherever_it_stands(tmp_path: Path) -> None:
    tables = trays() | {"lots": pd.DataFrame({"origin": ["hill"], "Lot": ["MOFI-24A"]})}
    (path,) = write_book(tables, tmp_path / "book.xlsx")
    book = openpyxl.load_workbook(path)
    assert book.defined_names["ids_of_lots"].attr_text.startswith("OFFSET(lots!$B$2,")
    assert set(book.defined_names) == {"ids_of_lots", "ids_of_trays"}


def test_a_book_without_lots_has_no_drop_down_of_lots(tmp_path: Path) -> None:
    (path,) = write_book(trays(), tmp_path / "book.xlsx")
    assert "ids_of_lots" not in openpyxl.load_workbook(path).defined_names
    assert b"ids_of_lots" not in zipfile.ZipFile(path).read("xl/worksheets/sheet2.xml")


def test_words_and_limits_have_messages_of_their_own(rules: Rules) -> None:
    assert rules["species", "light"].formula1 == '"needs,either,dark"'
    assert rules["species", "two_winters"].formula1 == '"yes,no"'
    assert rules["trays", "cover"].errorStyle == "information"
    assert rules["species", "light"].errorStyle == "warning"
    assert rules["species", "light"].error == "The words are: needs, either, dark."
    purity = rules["lots", "purity_pct"]
    assert (purity.type, float(purity.formula1), float(purity.formula2)) == ("decimal", 0, 100)
    assert purity.error.startswith(
        "purity_pct is a number from 0 to 100. Put words into the column note."
    )
    filled = rules["checks", "filled"]
    # refusing is the default
    assert (filled.type, filled.errorStyle, float(filled.formula1)) == ("whole", None, 0)
    assert filled.error == "filled is a whole number 0 or more. Put words into the column note."
    sown = rules["trays", "sown_on"]
    days = [
        datetime.date(1899, 12, 30) + datetime.timedelta(days=int(text))
        for text in (sown.formula1, sown.formula2)
    ]
    assert days == [datetime.date(1950, 1, 1), datetime.date(2100, 12, 31)]
    assert (sown.type, sown.errorStyle) == ("date", "warning")


@pytest.mark.parametrize(("name", "column"), COLUMNS, ids=lambda one: getattr(one, "name", one))
def test_a_cell_refuses_nothing_that_check_can_use(rules: Rules, name: str, column: Column) -> None:
    """A refusing cell lets through whole numbers within its limits, so check must be unable to use
    anything else.
    """
    rule = rules[name, column.name]
    refuses = rule.type is not None and rule.errorStyle is None
    assert refuses == (column.type == "whole")

    @given(
        st.text("0123456789.-+~eE/yesno pinch", max_size=6)
        | st.integers().map(str)
        | st.floats(0, 9).map(str)
    )
    @example("2-3")
    @example("~3")
    @example("pinch")
    def accepts(text: str) -> None:
        value = parse(column, text, None).value
        if refuses and value is not None:
            assert float(rule.formula1) <= int(value) <= float(rule.formula2)
            assert float(text) == value

    accepts()


def test_a_sheet_prints_with_its_headings_on_every_page(sheets: openpyxl.Workbook) -> None:
    for table in TABLES.values():
        sheet = sheets[table.name]
        assert sheet.print_title_rows == "$1:$1"
        assert sheet.page_setup.orientation == "landscape"
        assert (sheet.page_setup.fitToWidth or 1, sheet.page_setup.fitToHeight) == (1, 0)
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        needed = [column.name for column in table.columns if column.required]
        assert f"Must be filled: {', '.join(needed)}." in sheet.oddFooter.left.text


def test_columns_are_wide_enough_for_their_headings_and_values(
    tmp_path: Path, sheets: openpyxl.Workbook
) -> None:
    for table in TABLES.values():
        for place, column in enumerate(table.columns):
            assert sheets[table.name].column_dimensions[get_column_letter(place + 1)].width > len(
                column.name
            )
    (path,) = write_book(trays(place="the third bench from the door"), tmp_path / "book.xlsx")
    sheet = openpyxl.load_workbook(path)["trays"]
    place = next(cell.column_letter for cell in sheet[1] if cell.value == "place")
    assert sheet.column_dimensions[place].width > len("the third bench from the door")


# --- settings
# ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "settings", [{}, {"dates": "day-first"}, {"dates": "month-first", "other": "x, y"}]
)
def test_settings_are_remembered_in_either_form(
    tmp_path: Path, kind: str, settings: dict[str, str]
) -> None:
    write_book(trays(), tmp_path / kind, extra=settings)
    assert read_settings(tmp_path / kind) == settings


def test_a_book_without_a_place_for_settings_has_none(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    book.create_sheet("Explanations").append(["dates", "day-first"])
    book.save(tmp_path / "own.xlsx")
    assert read_settings(tmp_path / "own.xlsx") == {}
    (tmp_path / "datapackage.json").write_text('{"germstats": ["dates"]}')
    assert read_settings(tmp_path) == {}
    (tmp_path / "torn.xlsx").write_bytes(b"PK\x03\x04 torn")
    with pytest.raises(UnreadableBookError, match=r"torn\.xlsx is no workbook that can be read"):
        read_settings(tmp_path / "torn.xlsx")


# --- books beside each other
# -------------------------------------------------------------------------------------


def test_a_table_of_another_book_is_not_mixed_in_even_by_force(tmp_path: Path) -> None:
    (tmp_path / "Cells.CSV").write_text("tray,cell\n")
    with pytest.raises(WrongUseError, match=r"Cells\.CSV is there already"):
        write_book(trays(), tmp_path)
    with pytest.raises(
        WrongUseError, match=r"Cells\.CSV belongs to another book and would be mixed"
    ):
        write_book(trays(), tmp_path, force=True)
    assert [path.name for path in tmp_path.iterdir()] == ["Cells.CSV"]


def test_a_column_of_ones_own_is_kept(tmp_path: Path) -> None:
    (path,) = write_book(trays(moon="waning"), tmp_path / "book.xlsx")
    assert [cell.value for cell in openpyxl.load_workbook(path)["trays"][1]][-1] == "moon"
    write_book(trays(moon="waning"), tmp_path / "book")
    package = json.loads((tmp_path / "book" / "datapackage.json").read_text())
    assert package["resources"][0]["schema"]["fields"][-1] == {"name": "moon", "type": "string"}
