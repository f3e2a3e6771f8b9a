"""A record book copied into the other form, value by value as it stands, and proved by reading the
copy back.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from germstats.errors import UnreadableBookError, WrongUseError
from germstats.records.formats.reading import BookSheets, Sheet, read_sheets
from germstats.records.formats.workbook import book_files, is_workbook, put_book
from germstats.records.settings import EXPLANATIONS, read_settings
from germstats.records.writing import must_take_files


@dataclass(frozen=True)
class Copied:
    """What was copied.

    Attributes
    ----------
    files : tuple of Path
        The files written.
    rows : dict of str to int
        Table -> its rows.
    settings : dict of str to str
        What the book remembers, and the copy with it.
    left_behind : tuple of str
        Files or sheets of the book that are no table of a record book, and are not in the copy.
    formulas : int
        Cells whose formula reads as 0 or as nothing; the copy holds what was read.
    """

    files: tuple[Path, ...]
    rows: dict[str, int]
    settings: dict[str, str]
    left_behind: tuple[str, ...]
    formulas: int


def copy_book(book: str | Path, out: str | Path, *, force: bool = False) -> Copied:
    """Copy a record book, as a folder of CSV files or as a workbook where the name of the copy ends
    in `.xlsx`.

    Headings, values, own columns and the places of the rows are kept as they were typed; nothing is
    judged. The copy is first written to another place and read back; only where it holds the very
    same is it put where it belongs.

    Parameters
    ----------
    book : path
        Folder or workbook.
    out : path
        Folder, made where it is missing, or workbook.
    force : bool
        Overwrite a record book that is there.

    Returns
    -------
    Copied

    Raises
    ------
    UnreadableBookError
        There is no book.
    WrongUseError
        A file is in the way, the copy is the book itself, the place cannot be written to, or a form
        cannot hold it.
    """
    if not str(out).strip():
        raise WrongUseError(
            "Name a folder, or a workbook ending in .xlsx, for the copy; its name is empty."
        )
    book, out = Path(book), Path(out)
    must_take_files(out.parent)
    sheets = read_sheets(book)
    if os.path.exists(out) and out.samefile(book):  # noqa: PTH110 - bears a name that is too long
        raise WrongUseError(f"{out} is the book itself; name another place for its copy")
    settings = read_settings(book)
    files = book_files(
        {name: _lines(sheet) for name, sheet in sheets.tables.items()}, out, settings
    )
    _prove(sheets, settings, files, out)
    return Copied(
        files=put_book(files, out, force=force),
        rows={name: len(sheet.numbers) for name, sheet in sheets.tables.items()},
        settings=settings,
        left_behind=tuple(name for name in sheets.not_read if name.strip().lower() != EXPLANATIONS),
        formulas=sum(len(sheet.formula_zeros) for sheet in sheets.tables.values()),
    )


def _lines(sheet: Sheet) -> list[list[str]]:
    """The lines of a table, blank ones too, so that every row keeps the number a
    spreadsheet shows.
    """
    lines: list[list[str]] = [list(sheet.header)]
    for number, values in sheet.rows:
        lines.extend([] for _ in range(number - 1 - len(lines)))
        lines.append(list(values))
    return lines


def _prove(
    sheets: BookSheets, settings: Mapping[str, str], files: Mapping[Path, bytes], out: Path
) -> None:
    """Read the copy back at another place; refuse it where it does not hold the very same."""
    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder) / f"copy{out.suffix.lower()}"
        put_book(
            {
                trial if is_workbook(out) else trial / path.name: content
                for path, content in files.items()
            },
            trial,
        )
        try:
            differs = _difference(sheets, read_sheets(trial))
            differs = differs or (
                "the settings of the book" if read_settings(trial) != settings else ""
            )
        except UnreadableBookError as error:
            raise WrongUseError(
                f"{out} could not be read back, so it was not written. {error}"
            ) from error
    if differs:
        other = "a folder of CSV files" if is_workbook(out) else "a workbook ending in .xlsx"
        raise WrongUseError(
            f"{out} could not hold {differs} just as it stands; copy to {other} instead"
        )


def _difference(sheets: BookSheets, again: BookSheets) -> str:
    """Name the first place where two books differ; nothing where they are the same."""
    for name, sheet in sheets.tables.items():
        other = again.tables.get(name)
        if other is None or other.header != sheet.header:
            return f"the headings of {sheet.shown_as}"
        if other.rows != sheet.rows:
            pairs = zip(sheet.rows, other.rows, strict=False)
            row = next((one[0] for one, two in pairs if one != two), "at the end")
            return f"{sheet.shown_as} row {row}"
    return ""
