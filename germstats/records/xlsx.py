"""A record book as the bytes of one workbook: drop-downs, dates, limits with words of their own, and explanations."""

from __future__ import annotations

import datetime
import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from germstats.errors import WrongUseError
from germstats.records.tables import TABLES, Column, Table

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

Rows = Sequence[Sequence[str]]
"""The rows of a table as text; the first one is the header."""

EXPLANATIONS = "explanations"

_ROOM = 3000  # rows below the header that get drop-downs and limits
_LONGEST_TEXT, _MOST_ROWS = 32_767, 1_048_576  # what one cell and one sheet of an xlsx file can hold
_FIRST_DATE, _LAST_DATE = datetime.date(1950, 1, 1), datetime.date(2199, 12, 31)
_NUMBERS = ("whole", "number")
_HOW_TO = (
    "This is a record book for germination trials: one sheet for each kind of record, one row for each thing written.",
    "Only trays and one of checks or cells are needed; every other sheet sharpens the answers.",
    "Columns with a dark heading must be filled in every row. A blank means not checked; 0 means checked, none seen.",
    "Keep the sheet names and the headings as they are. Columns of your own may stand to the right.",
)
_EXAMPLES = {
    "text": "text",
    "whole": "whole number",
    "number": "number",
    "date": "a day, such as 2025-05-04",
    "yes_no": "yes or no",
    "seeds": "3, 2-3, ~3 or pinch",
    "cell": "a cell, such as B7",
    "cells": "cells with blanks between, such as A1 A2 B1",
    "counts": "whole numbers with blanks between",
}


def workbook_bytes(tables: Mapping[str, Rows]) -> bytes:
    """Return the bytes of a workbook that holds these tables, the sheet of explanations first.

    Parameters
    ----------
    tables : mapping
        Table name -> rows of text, header first.

    Raises
    ------
    WrongUseError
        A table or a text is larger than a workbook can hold.
    """
    from xlsxwriter import Workbook  # takes a fifth of a second; only writers of workbooks pay it

    _check_room(tables)
    buffer = io.BytesIO()
    options = {"in_memory": True, "strings_to_numbers": False, "strings_to_formulas": False, "strings_to_urls": False}
    book = Workbook(buffer, options)
    # a fixed date keeps the same records the same file
    book.set_properties({"title": "Germination record book", "created": datetime.datetime(2000, 1, 1)})
    formats = _formats(book)
    _write_explanations(book.add_worksheet(EXPLANATIONS), list(tables), formats)
    for name, rows in tables.items():
        _write_table(book.add_worksheet(name), TABLES[name], rows, tables, formats)
    book.close()
    return buffer.getvalue()


def _check_room(tables: Mapping[str, Rows]) -> None:
    for name, rows in tables.items():
        if len(rows) > _MOST_ROWS:
            raise WrongUseError(f"{name} has more rows than a workbook can hold; write a folder of CSV files instead")
        if any(len(text) > _LONGEST_TEXT for row in rows for text in row):
            raise WrongUseError(f"{name} holds a text longer than a workbook cell; write a folder of CSV files instead")


def _formats(book: Workbook) -> dict[str, Format]:
    looks: dict[str, dict[str, Any]] = {
        "needed": {"bold": True, "bg_color": "#1F4E5F", "font_color": "#FFFFFF", "border": 1},
        "optional": {"bold": True, "bg_color": "#E4EEF1", "border": 1},
        "title": {"bold": True, "font_size": 14},
        "wrap": {"text_wrap": True, "valign": "top"},
        "date": {"num_format": "yyyy-mm-dd"},
        # a spreadsheet turns 2-3 into a date unless the cell is told to hold text
        "text": {"num_format": "@"},
        "plain": {},
    }
    return {name: book.add_format(look) for name, look in looks.items()}


def _write_explanations(sheet: Worksheet, names: Sequence[str], formats: Mapping[str, Format]) -> None:
    sheet.set_column(0, 1, 18)
    sheet.set_column(2, 2, 14)
    sheet.set_column(3, 4, 60, formats["wrap"])
    sheet.write_string(0, 0, "How to keep this book", formats["title"])
    for line, words in enumerate(_HOW_TO, start=1):
        sheet.write_string(line, 0, words)
    top = len(_HOW_TO) + 2
    for place, words in enumerate(("sheet", "column", "must be filled", "what it holds", "how it is written")):
        sheet.write_string(top, place, words, formats["optional"])
    entries = [(TABLES[name], column) for name in names for column in TABLES[name].columns]
    for line, (table, column) in enumerate(entries, start=top + 1):
        first = column is table.columns[0]
        needed = "yes" if column.required else ""
        meaning = f"{column.meaning} (one row is {table.row_is})" if first else column.meaning
        for place, words in enumerate((table.name, column.name, needed, meaning, _how_written(column))):
            sheet.write(line, place, words)


def _how_written(column: Column) -> str:
    words = _EXAMPLES.get(column.type, "one of: " + ", ".join(column.levels))
    if column.open_levels:
        words += ", or another word"
    return words + (f", {column.unit}" if column.unit else "") + _limits(column)


def _limits(column: Column) -> str:
    if column.low is not None and column.high is not None:
        return f", from {column.low:.12g} to {column.high:.12g}"
    return f", {column.low:.12g} or more" if column.low is not None else ""


def _write_table(
    sheet: Worksheet, table: Table, rows: Rows, tables: Mapping[str, Rows], formats: Mapping[str, Format]
) -> None:
    header, *records = rows
    sheet.freeze_panes(1, 0)
    known = {column.name: column for column in table.columns}
    last = max(_ROOM, len(records) + _ROOM // 3)
    for place, name in enumerate(header):
        column = known.get(name, Column(name, "text", "A column of your own"))
        look = formats[_look(column)]
        sheet.set_column(place, place, max(12, len(name) + 2), look)
        sheet.write_string(0, place, name, formats["needed" if column.required else "optional"])
        for line, record in enumerate(records, start=1):
            _write_value(sheet, (line, place), record[place], column, look)
        if name in known:
            sheet.data_validation(1, place, last, place, _validation(table, column, tables))


def _look(column: Column) -> str:
    if column.type in _NUMBERS:
        return "plain"
    return "date" if column.type == "date" else "text"


def _write_value(sheet: Worksheet, place: tuple[int, int], text: str, column: Column, look: Format) -> None:
    """Write one value as number, date or text; only what reads back as the very same text becomes a number or date."""
    if not text:
        return
    if column.type in _NUMBERS and (number := _number(text)) is not None:
        sheet.write_number(*place, number, look)
    elif column.type == "date" and (day := _day(text)) is not None:
        sheet.write_datetime(*place, day, look)
    else:
        sheet.write_string(*place, text, look)


def _number(text: str) -> float | None:
    try:
        number = float(text)
    except ValueError:
        return None
    same = text in (repr(number), repr(number).removesuffix(".0"))
    return number if same and abs(number) < 1e15 else None


def _day(text: str) -> datetime.datetime | None:
    try:
        day = datetime.date.fromisoformat(text)
    except ValueError:
        return None
    # days before March 1900 are counted wrongly by spreadsheets
    same = day.isoformat() == text and day >= datetime.date(1900, 3, 1)
    return datetime.datetime(day.year, day.month, day.day) if same else None


def _validation(table: Table, column: Column, tables: Mapping[str, Rows]) -> dict[str, Any]:
    rule = _list_rule(table, column, tables) or _limit_rule(column)
    must = "Must be filled. " if column.required else ""
    words = f"{must}{column.meaning} ({_how_written(column)})"
    message = words if len(words) <= 255 else f"{must}{column.meaning}"  # the most a message may hold
    return {"validate": "any", "input_title": column.name, "input_message": message[:255]} | rule


def _list_rule(table: Table, column: Column, tables: Mapping[str, Rows]) -> dict[str, Any]:
    """Drop-down of the column: its own words, or the ids that stand in the sheet it points to."""
    for own, other, key in table.links:
        if own == column.name and other in tables and key in tables[other][0]:
            letter = chr(ord("A") + list(tables[other][0]).index(key))
            last = max(_ROOM, len(tables[other]) + _ROOM // 3)
            return {
                "validate": "list",
                "source": f"={other}!${letter}$2:${letter}${last}",
                "error_type": "warning",
                "error_title": "Not known yet",
                "error_message": f"This is not in the sheet {other}. Write it there too, or mend the spelling.",
            }
    if column.type == "yes_no" or column.levels:
        levels = column.levels or ("yes", "no")
        return {
            "validate": "list",
            "source": list(levels),
            "error_type": "information" if column.open_levels else "stop",
            "error_title": "Another word" if column.open_levels else "Not one of the words",
            "error_message": f"Usual words: {', '.join(levels)}."[:255],
        }
    return {}


def _limit_rule(column: Column) -> dict[str, Any]:
    if column.type == "date":
        return {
            "validate": "date",
            "criteria": "between",
            "minimum": _FIRST_DATE,
            "maximum": _LAST_DATE,
            "error_title": "No date",
            "error_message": f"{column.name} is a day, written as year-month-day: 2025-05-04.",
        }
    if column.type not in _NUMBERS:
        return {}
    low = -1e9 if column.low is None else column.low
    high = 1e9 if column.high is None else column.high
    kind = "whole number" if column.type == "whole" else "number"
    return {
        "validate": "integer" if column.type == "whole" else "decimal",
        "criteria": "between",
        "minimum": int(low) if column.type == "whole" else low,
        "maximum": int(high) if column.type == "whole" else high,
        "error_title": f"Not a fitting {kind}"[:32],
        "error_message": f"{column.name} is a {kind}{_limits(column)}. Words belong in the column note.",
    }
