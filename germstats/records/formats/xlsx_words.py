"""What a workbook says to the grower about a column: how it is written, its limits, hints and
messages.
"""

from __future__ import annotations

from germstats.records.tables import Column, Table

LONGEST_MESSAGE = 255  # the most a spreadsheet shows in a hint or message

_WRITTEN = {
    "text": "any text",
    "whole": "a whole number",
    "number": "a number",
    "date": "a day, such as 2025-05-04",
    "yes_no": "yes or no",
    "seeds": "3, 2-3, ~3 or pinch",
    "cell": "a cell, such as B7",
    "cells": "cells with blanks between, such as A1 A2 B1",
    "counts": "whole numbers with blanks between, such as 4 7 2",
}


def how_written(column: Column) -> str:
    """How a value of the column is written, without unit and limits."""
    words = _WRITTEN.get(column.type, "one of: " + ", ".join(column.levels))
    return words + (", or a word of your own" if column.open_levels else "")


def limits_of(column: Column) -> str:
    """The limits of a column in words, empty where it has none."""
    if column.low is None:
        return ""
    if column.high is None:
        return f"{column.low:.12g} or more"
    # 10,000,000, but the year 2200
    high = f"{column.high:,.0f}" if column.high > 10_000 else f"{column.high:.12g}"
    return f"from {column.low:.12g} to {high}"


def hint(column: Column) -> str:
    """What is shown beside a cell when it is selected: whether it must be filled, what it means,
    how it is written.
    """
    must = "Must be filled. " if column.required else ""
    unit = f" Unit: {column.unit}." if column.unit else ""
    limits = f", {limits_of(column)}" if limits_of(column) else ""
    full = f"{must}{column.meaning}. Write {how_written(column)}{limits}.{unit}"
    return full if len(full) <= LONGEST_MESSAGE else f"{must}{column.meaning}.{unit}"


def heading_note(table: Table, column: Column) -> str:
    """The note on a heading: the hint, and for the first column what one row of the sheet is."""
    row_is = f"One row is {table.row_is}. " if column is table.columns[0] else ""
    return row_is + ("" if column.required else "May stay blank. ") + hint(column)


def wrong_number(column: Column) -> tuple[str, str]:
    """Title and sentence where a number does not fit."""
    kind = "whole number" if column.type == "whole" else "number"
    limits = f" {limits_of(column)}" if limits_of(column) else ""
    blank = "" if column.required else " Leave the cell blank where you do not know."
    return (
        f"Not a fitting {kind}",
        f"{column.name} is a {kind}{limits}. Put words into the column note.{blank}",
    )


def wrong_date(column: Column) -> tuple[str, str]:
    """Title and sentence where a date does not fit."""
    return "Not a likely day", f"{column.name} is a day, best typed year-month-day: 2025-05-04."


def wrong_word(levels: tuple[str, ...], open_levels: bool) -> tuple[str, str]:
    """Title and sentence where a word is none of the list."""
    usual = ", ".join(levels)
    if open_levels:
        return (
            "A word of your own",
            f"Usual words: {usual}. Another one is fine, spelled the same way every time.",
        )
    return "Not one of the words", f"The words are: {usual}."


def unknown_id(table: str) -> tuple[str, str]:
    """Title and sentence where an id does not stand in the sheet it points to."""
    return (
        "Not there yet",
        f"This does not stand in the sheet {table} yet. Write it there too, or mend the spelling.",
    )
