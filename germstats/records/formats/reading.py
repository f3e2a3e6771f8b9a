"""Files -> text with places.

Nothing is judged here: every value comes back as it was typed, with its row.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from germstats.errors import UnreadableBookError, WrongUseError
from germstats.records.settings import read_settings, settings_on
from germstats.records.suggesting import some_of
from germstats.records.tables import TABLES
from germstats.records.values import CONTROL, GUARDED, unguarded

DATE_ORDERS = ("day-first", "month-first")

EXAMPLE_WORKBOOK = "example_book.xlsx"
"""The workbook of invented records that may lie beside a book."""

SPREADSHEETS = (".xlsx", ".xlsm", ".xls", ".ods")
TEXT_TABLES = (".tsv", ".tab", ".txt")
"""Endings of files beside a book's CSV files that may hold records, though they are not read."""

_SOME = 0.05  # of the signs of a file; more that are no text, and it is no text file
_SEPARATORS = ",;\t"
_NEW = "`germstats new` writes a blank book."


@dataclass(frozen=True)
class Sheet:
    """One table as text.

    Attributes
    ----------
    name : str
    shown_as : str
        How messages call it: ``cells.csv`` or ``sheet cells``.
    header : tuple of str
        As typed.
    numbers : tuple of int
        Number of each row as the spreadsheet shows it, the header being row 1. Rows that are blank
        throughout are no rows.
    values : tuple of tuples of str
        Of each row at least as many values as the header, more where the row runs over.
    formula_zeros : tuple of (row number, place in the header)
        Workbook cells whose formula reads back as 0 or as nothing.
    """

    name: str
    shown_as: str
    header: tuple[str, ...]
    numbers: tuple[int, ...]
    values: tuple[tuple[str, ...], ...]
    formula_zeros: tuple[tuple[int, int], ...] = ()

    @property
    def rows(self) -> tuple[tuple[int, tuple[str, ...]], ...]:
        """Each row: its number, its values."""
        return tuple(zip(self.numbers, self.values, strict=True))


@dataclass(frozen=True)
class BookSheets:
    """A whole book as text.

    Attributes
    ----------
    source : str
        Name of the folder or workbook.
    tables : dict of str to Sheet
    dates : {"day-first", "month-first"} or None
        How dates such as 04/05/2024 are read: as asked for, else as the book remembers.
    not_read : tuple of str
        CSV files or sheets that bear the name of no table.
    """

    source: str
    tables: dict[str, Sheet]
    dates: str | None = None
    not_read: tuple[str, ...] = ()


def read_sheets(path: str | Path, dates: str | None = None) -> BookSheets:
    """Read a folder of CSV files or one xlsx workbook.

    Parameters
    ----------
    path : path
    dates : {"day-first", "month-first"}, optional
        How dates such as 04/05/2024 are meant; without it, as the book remembers
        (`germstats.records.settings`).

    Returns
    -------
    Sheets

    Raises
    ------
    UnreadableBookError
        Nothing is there, or nothing of it is a record table; the message is one sentence.
    WrongUseError
        `dates` is none of the two.
    """
    if dates is not None and dates not in DATE_ORDERS:
        raise WrongUseError(f"dates can be {' or '.join(DATE_ORDERS)}, not {dates!r}")
    place = Path(path)
    try:
        if place.is_dir():
            return _read_folder(place, dates)
        if not place.exists():
            raise UnreadableBookError(f"There is no folder or workbook called {path}.")
        return _read_file(place, dates)
    except OSError as error:
        raise UnreadableBookError(
            f"{error.filename or path} cannot be read: {error.strerror or error}."
        ) from error


def _read_folder(folder: Path, dates: str | None) -> BookSheets:
    files = sorted(
        file
        for file in folder.iterdir()
        if file.suffix.lower() == ".csv" and not file.name.startswith(".")
    )
    if not files:
        book = next(iter(sorted(folder.glob("*.xlsx"))), None)
        hint = f"; name the workbook {book.name} itself to read it" if book else ""
        raise UnreadableBookError(f"The folder {folder.name} holds no CSV file{hint}.")
    known = _by_table([(file.stem, file.name) for file in files])
    if "trays" not in known:
        there = some_of([file.name for file in files])
        raise UnreadableBookError(
            f"The folder {folder.name} holds no trays.csv, only {there}. {_NEW}"
        )
    tables = {name: _read_csv(folder / known[name], name) for name in TABLES if name in known}
    not_read = (
        *(file.name for file in files if file.name not in known.values()),
        *_other_records(folder),
    )
    return BookSheets(folder.name, tables, dates or _order(read_settings(folder)), not_read)


def _other_records(folder: Path) -> list[str]:
    """Files beside the CSV files that may hold records: spreadsheets not blank, and tables under
    other endings.

    The blank workbook that `new` puts there and the example with its invented rows are none.
    """
    others = sorted(
        file for file in folder.iterdir() if not file.name.startswith((".", "~")) and file.is_file()
    )
    texts = [
        file.name
        for file in others
        if file.suffix.lower() in TEXT_TABLES and file.stem.strip().lower() in TABLES
    ]
    sheets = [
        file
        for file in others
        if file.suffix.lower() in SPREADSHEETS and file.name != EXAMPLE_WORKBOOK
    ]
    return [*texts, *(file.name for file in sheets if not _is_blank(file))]


def _is_blank(workbook: Path) -> bool:
    """Whether a workbook has no row below its headings; one that cannot be read may have."""
    try:
        return not any(sheet.numbers for sheet in _read_file(workbook, None).tables.values())
    except UnreadableBookError:
        return False


def _by_table(names: list[tuple[str, str]]) -> dict[str, str]:
    """Table -> the file or sheet of that name, whatever its case."""
    known: dict[str, str] = {}
    for stem, name in names:
        table = stem.strip().lower()
        if table in known and table in TABLES:
            raise UnreadableBookError(
                f"{known[table]} and {name} both claim to be the table {table}; keep one."
            )
        if table in TABLES:
            known[table] = name
    return known


def _order(settings: dict[str, str]) -> str | None:
    """The order of dates a book remembers."""
    dates = settings.get("dates")
    return dates if dates in DATE_ORDERS else None


def _read_csv(file: Path, name: str) -> Sheet:
    raw = file.read_bytes()
    if raw[:4] == b"PK\x03\x04":
        raise UnreadableBookError(
            f"{file.name} is a workbook under a CSV name; give it the ending .xlsx, or save as CSV."
        )
    text = _decoded(raw)
    if odd := list(CONTROL.finditer(text)):
        if len(odd) > _SOME * len(text):
            raise UnreadableBookError(
                f"{file.name} is no CSV file; save the sheet as CSV (UTF-8) and try again."
            )
        line, code = text.count("\n", 0, odd[0].start()) + 1, ord(odd[0][0])
        raise UnreadableBookError(
            f"{file.name} line {line} holds a sign that nobody types (code {code}): delete it, or "
            "save the sheet as CSV (UTF-8) again."
        )
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(_SEPARATORS, key=first.count)
    lines: Iterable[list[str]] = csv.reader(
        io.StringIO(text, newline=""), delimiter=separator, strict=True
    )
    if "'" in text and GUARDED.search(text):
        lines = ([unguarded(value) for value in line] for line in lines)
    try:
        return sheet_of(name, file.name, lines)
    except csv.Error as error:
        if any(len(line) > csv.field_size_limit() for line in text.split(separator)):
            raise UnreadableBookError(
                f"{file.name} holds a value of more than {csv.field_size_limit():,} letters: look "
                "for a quotation mark that is never closed, and shorten what is longer than a "
                "note."
            ) from error
        raise UnreadableBookError(
            f"{file.name} is no CSV file that can be read ({error})."
        ) from error


def _decoded(raw: bytes) -> str:
    """UTF-8 with or without mark, else cp1252."""
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def sheet_of(
    name: str,
    shown_as: str,
    lines: Iterable[list[str]],
    formula_zeros: tuple[tuple[int, int], ...] = (),
) -> Sheet:
    """Make a `Sheet` of lines of text; blank lines, and blank columns to the right, are no part of
    it.
    """
    lines = iter(lines)
    header = _cut(next(lines, []))
    width = len(header)
    numbers: list[int] = []
    values: list[tuple[str, ...]] = []
    for number, line in enumerate(lines, start=2):
        if (line and line[0].strip()) or "".join(line).strip():  # an id nearly always stands first
            numbers.append(number)
            values.append(tuple(line) if len(line) == width else _fitted(line, width))
    return Sheet(
        name=name,
        shown_as=shown_as,
        header=header,
        numbers=tuple(numbers),
        values=tuple(values),
        formula_zeros=formula_zeros,
    )


def _fitted(line: list[str], width: int) -> tuple[str, ...]:
    """As many values as headings, more where the line runs over."""
    return (*line[:width], *[""] * (width - len(line)), *_cut(line[width:]))


def _cut(values: list[str]) -> tuple[str, ...]:
    """Values without the blank ones at the end."""
    width = len(values)
    while width and not values[width - 1].strip():
        width -= 1
    return tuple(values[:width])


def _read_file(file: Path, dates: str | None) -> BookSheets:
    """Read one workbook."""
    # only readers of workbooks pay for it
    from germstats.records.formats.reading_xlsx import read_lines

    with file.open("rb") as stream:
        start = stream.read(4096)
    if start[:4] != b"PK\x03\x04":
        raise UnreadableBookError(f"{file.name} {_what_else(file, start)}.")
    sheets, zeros = read_lines(file)
    known = _by_table([(name, name) for name in sheets])
    if "trays" not in known:
        raise UnreadableBookError(
            f"{file.name} has no sheet called trays; its sheets are {some_of(list(sheets))}."
        )
    tables = {
        name: sheet_of(name, f"sheet {name}", sheets[known[name]], zeros.get(known[name], ()))
        for name in TABLES
        if name in known
    }
    not_read = tuple(name for name in sheets if name not in known.values())
    return BookSheets(file.name, tables, dates or _order(settings_on(sheets)), not_read)


def _what_else(file: Path, start: bytes) -> str:
    if start[:4] == b"\xd0\xcf\x11\xe0":
        return "is a workbook of the old kind; save it as .xlsx and try again"
    if start and not CONTROL.search(start.decode("latin-1")):
        if file.suffix.lower() == ".csv":
            return "is one CSV file; name the folder it lies in"
        return (
            "is a text file under another name; give it the ending .csv and name the folder it "
            "lies in"
        )
    return "is no workbook; save it as .xlsx and try again"
