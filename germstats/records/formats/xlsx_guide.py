"""The first sheet of a workbook: what to fill first, what every sheet and column means, and the
book's settings.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from germstats.records.formats.xlsx_words import how_written, limits_of
from germstats.records.settings import SETTINGS_HEADING
from germstats.records.tables import TABLES

if TYPE_CHECKING:
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

HOW_TO = (
    "One sheet for each kind of record, one row for each thing written. Fill them in this order:",
    "1. species, then lots: one row for each; the drop-downs of the other sheets are fed from "
    "them.",
    "2. trays: one row for each sown tray, the day you sow it. At the end of its spring you may "
    "dig up what did not",
    "   come up, and write how many of those seeds were alive, dead and empty: left_alive, "
    "left_dead, left_empty.",
    "3. checks (filled cells of a whole tray) or cells (single cells): one row for each look, news "
    "or none.",
    "4. events: what happened to a tray (thinned, washed, sold). maps, orders and weather help, "
    "and can wait.",
    "Only trays and one of checks or cells are needed; every other sheet makes the answers "
    "sharper.",
    "A column with a dark heading must be filled in every row; its note and the list below say so "
    "too.",
    "A blank means not looked at. 0 means looked at, and none seen. Never fill blanks with 0.",
    "A range of seeds is written 2-3, about three is ~3, a pinch is pinch.",
    "A cell may ask whether you mean what you typed. If you do, keep it: germstats check will say "
    "how it is read.",
    "Keep the names of the sheets and the headings. Columns of your own may stand to the right.",
    "When you have written something: save, and run germstats check with the name of this file.",
)
_WHEN = {
    "species": "first; once for each species",
    "lots": "when seed is cleaned, weighed or tested",
    "trays": "on the day you sow",
    "checks": "each time you look over a tray",
    "cells": "instead of checks, where you look cell by cell",
    "events": "when something happens to a tray",
    "maps": "once, at the end of a tray's spring",
    "orders": "when an order comes, and when it is delivered",
    "weather": "any time; helps to tell a bad season from a bad tray",
    "answers": "only when germstats check asks a question",
}
_SETTINGS = {
    "dates": "How a date such as 04/05/2024 is read where it stands as "
    "text: day-first or month-first. "
    "Blank: such a date is refused, never guessed.",
}
_COLUMN_HEADS = (
    "sheet",
    "column",
    "must be filled",
    "what it holds",
    "how it is written",
    "unit",
    "limits",
)
_WIDTHS = (12, 24, 18, 62, 46, 13, 22)
_LINE_HEIGHT = 15  # points

Formats = Mapping[str, "Format"]


def write_guide(
    sheet: Worksheet,
    names: Sequence[str],
    settings: Mapping[str, str],
    formats: Formats,
    remark: str = "",
) -> None:
    """Write the sheet of explanations.

    Parameters
    ----------
    sheet : xlsxwriter.worksheet.Worksheet
    names : sequence of str
        The tables of the book, in the order of its sheets.
    settings : mapping
        What the book remembers, such as ``{"dates": "day-first"}``.
    formats : mapping
        Looks by name: ``title``, ``heading``, ``wrap``, ``link``, ``warning``.
    remark : str
        A line that stands above everything else.
    """
    for place, width in enumerate(_WIDTHS):
        sheet.set_column(place, place, width)
    line = 0
    if remark:
        sheet.write_string(line, 0, remark, formats["warning"])
        line += 2
    sheet.write_string(line, 0, "How to keep this book", formats["title"])
    for words in HOW_TO:
        line += 1
        sheet.write_string(line, 0, words)
    line = _write_sheets(sheet, names, formats, line + 2)
    line = _write_columns(sheet, names, formats, line + 2)
    _write_settings(sheet, settings, formats, line + 2)
    if remark:
        sheet.freeze_panes(1, 0)  # that the rows are invented stays in sight
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)


def _write_sheets(sheet: Worksheet, names: Sequence[str], formats: Formats, line: int) -> int:
    sheet.write_string(line, 0, "The sheets", formats["title"])
    line += 1
    for place, words in enumerate(("sheet", "one row is", "", "when to fill it")):
        sheet.write_string(line, place, words, formats["heading"])
    for name in names:
        line += 1
        sheet.write_url(line, 0, f"internal:'{name}'!A1", formats["link"], name)
        sheet.write_string(line, 1, TABLES[name].row_is)
        sheet.write_string(line, 3, _WHEN[name])
    return line


def _write_columns(sheet: Worksheet, names: Sequence[str], formats: Formats, line: int) -> int:
    sheet.write_string(line, 0, "The columns", formats["title"])
    line += 1
    for place, words in enumerate(_COLUMN_HEADS):
        sheet.write_string(line, place, words, formats["heading"])
    for table, column in (
        (TABLES[name], column) for name in names for column in TABLES[name].columns
    ):
        line += 1
        must = "must be filled" if column.required else ""
        said = (
            table.name,
            column.name,
            must,
            column.meaning,
            how_written(column),
            column.unit,
            limits_of(column),
        )
        _set_height(sheet, line, said)
        for place, words in enumerate(said):
            sheet.write(
                line, place, words, formats["must" if column.required and place < 3 else "wrap"]
            )
    return line


def _write_settings(
    sheet: Worksheet, settings: Mapping[str, str], formats: Formats, line: int
) -> None:
    sheet.write_string(line, 0, SETTINGS_HEADING, formats["title"])
    for name in dict.fromkeys((*_SETTINGS, *settings)):
        line += 1
        sheet.write_string(line, 0, name, formats["must"])
        sheet.write_string(line, 1, settings.get(name, ""), formats["field"])
        sheet.write_string(line, 3, _SETTINGS.get(name, ""), formats["wrap"])
        _set_height(sheet, line, ("", "", "", _SETTINGS.get(name, "")))
        if name == "dates":
            choices = {
                "validate": "list",
                "source": ["day-first", "month-first"],
                "error_type": "stop",
            }
            message = {
                "error_title": "One of the two",
                "error_message": "Write day-first, month-first, or nothing.",
            }
            sheet.data_validation(line, 1, line, 1, choices | message)


def _set_height(sheet: Worksheet, line: int, said: Sequence[str]) -> None:
    """Make a line high enough for its longest text; not every spreadsheet does so by itself."""
    needed = max(
        len(textwrap.wrap(words, width * 9 // 8))
        for words, width in zip(said, _WIDTHS, strict=False)
    )
    sheet.set_row(line, _LINE_HEIGHT * max(needed, 1))
