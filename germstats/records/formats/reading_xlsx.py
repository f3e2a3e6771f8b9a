"""A workbook -> lines of text, and the formulas in it that read back as 0 or as nothing."""

from __future__ import annotations

import datetime
import re
import zipfile
import zlib
from pathlib import Path
from xml.etree import ElementTree

from germstats.errors import UnreadableBookError
from germstats.records.values import value_text

_RELATION = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_FORMULA = re.compile(
    r'<c r="([A-Z]+)(\d+)"[^>]*>\s*<f\b[^>]*?(?:/>|>[^<]*</f>)\s*(?:<v\s*/>|<v>([^<]*)</v>)?'
)

_ERROR = re.compile(
    r'<c r="([A-Z]+)(\d+)"[^>]*\bt="e"[^>]*>(?:(?!</c>).)*?<v>([^<]*)</v>', re.DOTALL
)

Zeros = dict[str, tuple[tuple[int, int], ...]]


def read_lines(file: Path) -> tuple[dict[str, list[list[str]]], Zeros]:
    """Read every sheet of a workbook; a cell that ends in an error reads as the error's name, such
    as ``#REF!``.

    Returns
    -------
    sheets : dict
        Sheet -> lines of text from its first row and column on; dates in ISO form.
    zeros : dict
        Sheet -> (row number, column from 0) of formulas that read back as 0 or as nothing.

    Raises
    ------
    UnreadableBookError
        The file is no workbook, or it is damaged or locked.
    """
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        with file.open("rb") as stream:
            book = CalamineWorkbook.from_filelike(stream)
            sheets = {
                name: [[_text(value) for value in line] for line in _lines(book, name)]
                for name in book.sheet_names
            }
        parts = _sheet_parts(file)
        for name, text in parts.items():
            _name_errors(sheets.get(name, []), text)
        return sheets, {name: _formula_zeros(text) for name, text in parts.items()}
    except (
        CalamineError,
        zipfile.BadZipFile,
        zlib.error,
        ElementTree.ParseError,
        KeyError,
        EOFError,
    ) as error:
        raise UnreadableBookError(
            f"{file.name} is no workbook that can be read; save it as .xlsx again."
        ) from error


def _lines(book: object, name: str) -> list[list[object]]:
    sheet = book.get_sheet_by_name(name)  # type: ignore[attr-defined]
    return list(sheet.to_python(skip_empty_area=False))


def _text(value: object) -> str:
    return value.isoformat() if isinstance(value, datetime.time) else value_text(value)


def _sheet_parts(file: Path) -> dict[str, str]:
    """Sheet -> its cells as they stand in the file."""
    parts: dict[str, str] = {}
    with zipfile.ZipFile(file) as archive:
        targets = {
            one.get("Id", ""): one.get("Target", "")
            for one in ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        }
        for sheet in ElementTree.fromstring(archive.read("xl/workbook.xml")).iter():
            target = (
                targets.get(sheet.get(_RELATION, ""), "") if sheet.tag.endswith("}sheet") else ""
            )
            if target:
                part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
                parts[sheet.get("name", "")] = archive.read(part).decode("utf-8", "replace")
    return parts


def _name_errors(lines: list[list[str]], text: str) -> None:
    """Put the names of errors where the reader of workbooks leaves blanks."""
    for letters, row, error in _ERROR.findall(text) if 't="e"' in text else ():
        line, column = int(row) - 1, _column_number(letters)
        if line < len(lines) and column < len(lines[line]):
            lines[line][column] = error


def _formula_zeros(text: str) -> tuple[tuple[int, int], ...]:
    """Find formulas saved with 0 or nothing, as a program leaves them that never calculated."""
    found = _FORMULA.findall(text) if "<f" in text else []
    return tuple(
        (int(row), _column_number(letters))
        for letters, row, value in found
        if value in ("", "0", "0.0")
    )


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number - 1
