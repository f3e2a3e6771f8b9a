"""Reading: every way a book lies on a disk, as text with its place; one clear sentence where
nothing is readable.
"""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import openpyxl
import pytest
from small_books import CLEAN, write

from germstats.errors import UnreadableBookError, WrongUseError
from germstats.records.formats.reading import read_sheets

TRAYS = CLEAN["trays"]
NOTES = (
    "tray,season,lot,sown_on,rows,columns,seeds_per_cell,note\nT-1,2025,L,2024-12-03,6,12,2,"
    "Häuschen "
    "5 µm\n"
)


def folder(tmp_path: Path, content: bytes, name: str = "trays.csv") -> Path:
    (tmp_path / "book").mkdir()
    (tmp_path / "book" / name).write_bytes(content)
    return tmp_path / "book"


def workbook(tmp_path: Path, **sheets: list[list[object]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, lines in sheets.items():
        sheet = book.create_sheet(name)
        for line in lines:
            sheet.append(line)
    book.save(tmp_path / "book.xlsx")
    return tmp_path / "book.xlsx"


@pytest.mark.parametrize(
    "content",
    [
        NOTES.encode(),
        b"\xef\xbb\xbf" + NOTES.encode(),
        NOTES.encode("cp1252"),
        NOTES.replace(",", ";").encode(),
        NOTES.replace(",", ";").encode("cp1252"),
        NOTES.replace("\n", "\r\n").encode(),
        NOTES.replace("\n", "\r").encode(),
        (NOTES.replace("\n", ",,\n") + ",,,,,,,,,\n,,,,,,,,,\n").encode(),
    ],
    ids=[
        "utf-8",
        "with mark",
        "cp1252",
        "semicolons",
        "semicolons cp1252",
        "crlf",
        "cr",
        "trailing blanks",
    ],
)
def test_csv_is_read_whatever_its_form(tmp_path: Path, content: bytes) -> None:
    sheet = read_sheets(folder(tmp_path, content)).tables["trays"]
    assert sheet.shown_as == "trays.csv"
    assert sheet.header == tuple(NOTES.split("\n")[0].split(","))
    assert sheet.rows == ((2, ("T-1", "2025", "L", "2024-12-03", "6", "12", "2", "Häuschen 5 µm")),)


def test_rows_are_numbered_as_a_spreadsheet_shows_them(tmp_path: Path) -> None:
    text = 'tray,note\nT-1,"two\nlines"\n\n,\nT-2,x\n'
    rows = read_sheets(folder(tmp_path, text.encode())).tables["trays"].rows
    assert rows == ((2, ("T-1", "two\nlines")), (5, ("T-2", "x")))


def test_a_guarded_text_loses_its_guard(tmp_path: Path) -> None:
    rows = (
        read_sheets(folder(tmp_path, b"tray,note\nT-1,'=1+1\nT-2,'quoted'\n")).tables["trays"].rows
    )
    assert [values[1] for _, values in rows] == ["=1+1", "'quoted'"]


def test_names_of_files_may_be_in_capitals(tmp_path: Path) -> None:
    assert list(read_sheets(folder(tmp_path, TRAYS.encode(), "Trays.CSV")).tables) == ["trays"]


def test_a_workbook_gives_the_same_text(tmp_path: Path) -> None:
    import datetime

    lines = [
        ["tray", "sown_on", "rows", "grams", "note"],
        ["T-1", datetime.date(2024, 12, 3), 6, 0.5, "None"],
        [],
        ["T-2"],
    ]
    sheet = read_sheets(workbook(tmp_path, trays=lines)).tables["trays"]
    assert sheet.shown_as == "sheet trays"
    assert sheet.rows == (
        (2, ("T-1", "2024-12-03", "6", "0.5", "None")),
        (4, ("T-2", "", "", "", "")),
    )


def test_formulas_without_a_result_are_remembered(tmp_path: Path) -> None:
    lines = [["tray", "rows", "columns"], ["T-1", "=2*3", 12]]
    sheet = read_sheets(workbook(tmp_path, other=[["=1"]], trays=lines)).tables["trays"]
    assert sheet.formula_zeros == ((2, 1),)


def test_sheets_and_files_of_other_names_are_remembered(tmp_path: Path) -> None:
    assert read_sheets(workbook(tmp_path, trays=[["tray"]], chekcs=[["x"]])).not_read == ("chekcs",)
    write(tmp_path)
    (tmp_path / "book" / "chekcs.csv").write_text("x\n")
    assert read_sheets(tmp_path / "book").not_read == ("chekcs.csv",)


@pytest.mark.parametrize(
    ("package", "asked", "dates"),
    [
        ('{"germstats": {"dates": "day-first"}}', None, "day-first"),
        ('\ufeff{"germstats": {"dates": "day-first"}}', None, "day-first"),
        ('{"germstats": {"dates": "day-first"}}', "month-first", "month-first"),
        ('{"germstats": {"dates": "sideways"}}', None, None),
        ('{"germstats": 5}', None, None),
        ("[1]", None, None),
        ("not json", None, None),
    ],
)
def test_dates_are_as_asked_else_as_the_book_remembers(
    tmp_path: Path, package: str, asked, dates
) -> None:
    place = write(tmp_path)
    (place / "datapackage.json").write_text(package, encoding="utf-8")
    assert read_sheets(place, asked).dates == dates


def test_dates_in_another_order_are_wrong_use(tmp_path: Path) -> None:
    with pytest.raises(
        WrongUseError, match="dates can be day-first or month-first, not 'sideways'"
    ):
        read_sheets(write(tmp_path), "sideways")


# --- nothing readable
# ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (
            b"PK\x03\x04rest",
            r"trays.csv is a workbook under a CSV name; give it the ending .xlsx, or save as CSV\.",
        ),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "trays.csv is no CSV file; save the sheet as CSV"),
        (TRAYS.encode("utf-16"), "trays.csv is no CSV file; save the sheet as CSV"),
        (
            b'tray,note\nT-1,"never closed\n',
            r"trays.csv is no CSV file that can be read \(unexpected end of data\)",
        ),
    ],
)
def test_a_file_that_is_no_csv(tmp_path: Path, content: bytes, message: str) -> None:
    with pytest.raises(UnreadableBookError, match=message):
        read_sheets(folder(tmp_path, content))


def test_nothing_of_that_name(tmp_path: Path) -> None:
    with pytest.raises(
        UnreadableBookError, match=r"There is no folder or workbook called .*nowhere"
    ):
        read_sheets(tmp_path / "nowhere")


def test_an_empty_folder(tmp_path: Path) -> None:
    with pytest.raises(UnreadableBookError, match=r"The folder .* holds no CSV file\.$"):
        read_sheets(tmp_path)
    shutil.copy(workbook(tmp_path, trays=[["tray"]]), tmp_path / "mine.xlsx")
    with pytest.raises(UnreadableBookError, match=r"name the workbook book.xlsx itself to read it"):
        read_sheets(tmp_path)


def test_a_folder_without_trays_names_what_is_there(tmp_path: Path) -> None:
    with pytest.raises(
        UnreadableBookError, match=r"holds no trays.csv, only checks.csv\. `germstats new` writes"
    ):
        read_sheets(folder(tmp_path, b"tray\n", "checks.csv"))


def test_two_files_for_one_table(tmp_path: Path) -> None:
    place = write(tmp_path)
    (place / "Trays.csv").write_text(TRAYS)
    with pytest.raises(
        UnreadableBookError, match=r"Trays.csv and trays.csv both claim to be the table trays"
    ):
        read_sheets(place)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        (
            "book.xlsx",
            TRAYS.encode(),
            "book.xlsx is a text file under another name; give it the ending .csv",
        ),
        ("trays.csv", TRAYS.encode(), "trays.csv is one CSV file; name the folder it lies in"),
        ("book.xlsx", b"", "book.xlsx is no workbook; save it as .xlsx"),
        (
            "book.xls",
            b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 600,
            "book.xls is a workbook of the old kind",
        ),
        ("book.xlsx", b"PK\x03\x04 and then nonsense", "book.xlsx is no workbook that can be read"),
    ],
)
def test_a_file_that_is_no_workbook(
    tmp_path: Path, name: str, content: bytes, message: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(UnreadableBookError, match=message):
        read_sheets(tmp_path / name)


def test_a_zip_that_is_no_workbook(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "book.xlsx", "w") as archive:
        archive.writestr("letter.txt", "dear all")
    with pytest.raises(UnreadableBookError, match=r"book.xlsx is no workbook that can be read"):
        read_sheets(tmp_path / "book.xlsx")


def test_a_workbook_cut_short(tmp_path: Path) -> None:
    whole = workbook(tmp_path, trays=[["tray"]] * 50).read_bytes()
    (tmp_path / "book.xlsx").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(UnreadableBookError, match=r"book.xlsx is no workbook that can be read"):
        read_sheets(tmp_path / "book.xlsx")


def test_a_workbook_without_the_sheet_names_the_sheets(tmp_path: Path) -> None:
    with pytest.raises(
        UnreadableBookError, match=r"has no sheet called trays; its sheets are checks, my plans\."
    ):
        read_sheets(workbook(tmp_path, **{"checks": [["tray"]], "my plans": [["x"]]}))
