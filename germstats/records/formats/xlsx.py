"""A record book as the bytes of one workbook: explanations, then a sheet for each table, ready to
fill and print.
"""

from __future__ import annotations

import datetime
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from germstats.errors import WrongUseError
from germstats.records.formats.headings import mended
from germstats.records.formats.xlsx_guide import write_guide
from germstats.records.formats.xlsx_rules import ROOM, Headers, id_lists, validation
from germstats.records.formats.xlsx_words import heading_note
from germstats.records.settings import EXPLANATIONS
from germstats.records.tables import TABLES, Column, Table
from germstats.records.values import LONGEST_TEXT, value_text

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.workbook import Workbook
    from xlsxwriter.worksheet import Worksheet

Rows = Sequence[Sequence[str]]
"""The rows of a table as text, each as long as it happens to be; the first one is the header."""

_MOST_ROWS, _MOST_COLUMNS = 1_048_576, 16_384  # what an xlsx file can hold
_NUMBERS = ("whole", "number")
# in letters
_WIDTHS = {"whole": 8, "number": 8, "date": 12, "yes_no": 8, "cell": 8, "cells": 24, "counts": 20}
_ID_WIDTH, _NOTE_WIDTH, _WIDEST = 12, 24, 36
_NOTES = ("note", "caution", "origin", "scientific_name", "common_name", "pretreatment", "client")
_MARGIN = 0.4  # inches of a printed page


@dataclass(frozen=True)
class Extras:
    """What a workbook carries besides its tables.

    Attributes
    ----------
    settings : mapping
        What the book remembers, such as ``{"dates": "day-first"}``.
    remark : str
        A line that stands above the explanations.
    """

    settings: Mapping[str, str] = field(default_factory=dict)
    remark: str = ""


@dataclass(frozen=True)
class _SheetLayout:
    """What the sheets of one workbook share: looks by name, all headings, and the last row with
    drop-downs.
    """

    formats: Mapping[str, Format]
    headers: Headers
    last: int


def workbook_bytes(tables: Mapping[str, Rows], extras: Extras | None = None) -> bytes:
    """Return the bytes of a workbook that holds these tables, the sheet of explanations first.

    Parameters
    ----------
    tables : mapping
        Table name -> rows of text, header first.
    extras : Extras, optional

    Raises
    ------
    WrongUseError
        A table or a text is larger than a workbook can hold.
    """
    from xlsxwriter import Workbook  # takes a fifth of a second; only writers of workbooks pay it

    _check_room(tables)
    extras = extras or Extras()
    buffer = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_numbers": False,
        "strings_to_formulas": False,
        "strings_to_urls": False,
    }
    book = Workbook(buffer, options)
    # a fixed date keeps the same records the same file
    book.set_properties(
        {"title": "Germination record book", "created": datetime.datetime(2000, 1, 1)}
    )
    headers = {name: rows[0] for name, rows in tables.items()}
    longest = max((len(rows) for rows in tables.values()), default=0)
    layout = _SheetLayout(_formats(book), headers, min(max(ROOM, 2 * longest), _MOST_ROWS))
    write_guide(
        book.add_worksheet(EXPLANATIONS),
        list(tables),
        settings=extras.settings,
        formats=layout.formats,
        remark=extras.remark,
    )
    for name, rows in tables.items():
        _write_table(book.add_worksheet(name), TABLES[name], rows, layout)
    for name, formula in id_lists(headers, layout.last).items():
        book.define_name(name, formula)
    book.close()
    return buffer.getvalue()


def _check_room(tables: Mapping[str, Rows]) -> None:
    instead = "write a folder of CSV files instead"
    for name, rows in tables.items():
        if len(rows) > _MOST_ROWS or any(len(row) > _MOST_COLUMNS for row in rows):
            raise WrongUseError(
                f"{name} has more rows or columns than a workbook can hold; {instead}"
            )
        for line, row in enumerate(rows, start=1):
            if any(len(text) > LONGEST_TEXT // 2 and _letters(text) > LONGEST_TEXT for text in row):
                long = (
                    f"{name} row {line} holds a text longer than the {LONGEST_TEXT:,} letters of a "
                    "workbook cell"
                )
                raise WrongUseError(f"{long}: shorten it, or {instead}")


def _letters(text: str) -> int:
    # as spreadsheets count: an emoji is two
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


def _formats(book: Workbook) -> dict[str, Format]:
    looks: dict[str, dict[str, Any]] = {
        "needed": {
            "bold": True,
            "indent": 1,
            "bg_color": "#1F4E5F",
            "font_color": "#FFFFFF",
            "border": 1,
        },
        "optional": {"indent": 1, "bg_color": "#E4EEF1", "border": 1},
        "heading": {"bold": True, "bg_color": "#E4EEF1", "border": 1},
        "title": {"bold": True, "font_size": 14},
        "warning": {"bold": True, "font_size": 14, "font_color": "#8A3A00"},
        "wrap": {"text_wrap": True, "valign": "top"},
        "must": {"bold": True, "valign": "top"},
        "field": {"border": 1, "num_format": "@"},
        "link": {"font_color": "#0072B2", "underline": 1},
        "date": {"num_format": "yyyy-mm-dd"},
        # a spreadsheet turns 2-3 into a date unless the cell is told to hold text
        "text": {"num_format": "@", "indent": 1},
        "plain": {},
    }
    return {name: book.add_format(look) for name, look in looks.items()}


def _write_table(sheet: Worksheet, table: Table, rows: Rows, layout: _SheetLayout) -> None:
    header, *records = rows
    known = {column.name: column for column in table.columns}
    for place in range(max(map(len, rows))):
        name = header[place] if place < len(header) else ""
        column = known.pop(mended(name), Column(name, "text", "A column of your own"))
        look = layout.formats[_look(column)]
        values = [record[place] if place < len(record) else "" for record in records]
        sheet.set_column(place, place, _width(column, values), look)
        if name:
            sheet.write_string(
                0, place, name, layout.formats["needed" if column.required else "optional"]
            )
        for line, text in enumerate(values, start=1):
            _write_value(sheet, (line, place), text=text, column=column, look=look)
        if column in table.columns:
            sheet.data_validation(
                1, place, layout.last - 1, place, validation(table, column, layout.headers)
            )
            sheet.write_comment(
                0, place, heading_note(table, column), {"x_scale": 2, "y_scale": 1.5, "author": ""}
            )
    _set_page(sheet, table)


def _set_page(sheet: Worksheet, table: Table) -> None:
    """Headings and ids stay in sight; on paper, every page has the headings and says which must be
    filled.
    """
    sheet.freeze_panes(1, 1)
    sheet.set_landscape()
    sheet.set_margins(left=_MARGIN, right=_MARGIN)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.hide_gridlines(0)
    must = ", ".join(column.name for column in table.columns if column.required)
    sheet.set_header(f"&L&B{table.name}&B: one row is {table.row_is}&R&P of &N")
    sheet.set_footer(
        f"&LMust be filled: {must}. Blank = not looked at, 0 = looked at and none seen."
    )


def _width(column: Column, values: Sequence[str]) -> int:
    usual = _NOTE_WIDTH if column.name in _NOTES else _WIDTHS.get(column.type, _ID_WIDTH)
    longest = max((len(line) for text in values for line in text.split("\n")), default=0)
    return max(len(column.name) + 2, usual, min(longest + 2, _WIDEST))


def _look(column: Column) -> str:
    if column.type in _NUMBERS:
        return "plain"
    return "date" if column.type == "date" else "text"


def _write_value(
    sheet: Worksheet, place: tuple[int, int], text: str, column: Column, look: Format
) -> None:
    """Write one value as number, date or text; only what reads back as the very same text becomes a
    number or date.
    """
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
        # a workbook holds 16 digits at most
        number = float(f"{float(text):.16g}")
    except ValueError:
        return None
    return number if abs(number) < 1e15 and value_text(number) == text else None


def _day(text: str) -> datetime.datetime | None:
    try:
        day = datetime.date.fromisoformat(text)
    except ValueError:
        return None
    # days before March 1900 are counted wrongly by spreadsheets
    same = day.isoformat() == text and day >= datetime.date(1900, 3, 1)
    return datetime.datetime(day.year, day.month, day.day) if same else None
