"""Drop-downs, limits and hints of a workbook's columns, as the options of a spreadsheet's data
validation.

The cell refuses only what `germstats check` could not use either. Whatever check can read is let
in, after a question where it looks odd: a decimal comma, a date typed as text, ``Yes`` for ``yes``,
a tray that has no row yet.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

from germstats.records.formats.headings import mended
from germstats.records.formats.xlsx_words import (
    hint,
    unknown_id,
    wrong_date,
    wrong_number,
    wrong_word,
)
from germstats.records.tables import TABLES, Column, Table

ROOM = 100_000
"""Last row with drop-downs and limits; more where a book is longer."""

_FIRST_DATE, _LAST_DATE = datetime.date(1950, 1, 1), datetime.date(2100, 12, 31)

Headers = Mapping[str, Sequence[str]]
"""Table name -> the headings of its sheet."""


def id_lists(headers: Headers, last: int) -> dict[str, str]:
    """Names for the id columns that drop-downs are fed from: name -> formula.

    Parameters
    ----------
    headers : mapping
    last : int
        Last row of a sheet that is looked at.

    Returns
    -------
    dict
        Each formula ends at the last cell that is filled, blank lines in between or not, so a list
        grows with its sheet and has no blanks at its end.
    """
    from xlsxwriter.utility import xl_col_to_name

    formulas = {}
    for table, key in sorted({(link[1], link[2]) for one in TABLES.values() for link in one.links}):
        place = _place(headers, table, key)
        if place is None:
            continue
        letter = xl_col_to_name(place)
        ids = f"{table}!${letter}$2:${letter}${last}"
        filled = f'SUMPRODUCT(MAX(({ids}<>"")*ROW({ids})))-1'
        formulas[_list_name(table)] = f"=OFFSET({table}!${letter}$2,0,0,MAX(1,{filled}),1)"
    return formulas


def _list_name(table: str) -> str:
    return f"ids_of_{table}"


def _place(headers: Headers, table: str, key: str) -> int | None:
    names = [mended(name) for name in headers.get(table, ())]
    return names.index(key) if key in names else None


def validation(table: Table, column: Column, headers: Headers) -> dict[str, Any]:
    """The options of `xlsxwriter`'s ``data_validation`` for one column of one sheet."""
    rule = (
        _id_rule(table, column, headers)
        or _word_rule(column)
        or _number_rule(column)
        or _date_rule(column)
    )
    return {"validate": "any", "input_title": column.name, "input_message": hint(column)} | rule


def _id_rule(table: Table, column: Column, headers: Headers) -> dict[str, Any]:
    for own, other, key in table.links:
        if own == column.name and _place(headers, other, key) is not None:
            return {"validate": "list", "source": f"={_list_name(other)}"} | _message(
                "information", *unknown_id(other)
            )
    return {}


def _word_rule(column: Column) -> dict[str, Any]:
    levels = ("yes", "no") if column.type == "yes_no" else column.levels
    if not levels:
        return {}
    style = "information" if column.open_levels else "warning"
    return {"validate": "list", "source": list(levels)} | _message(
        style, *wrong_word(levels, column.open_levels)
    )


def _number_rule(column: Column) -> dict[str, Any]:
    if column.type not in ("whole", "number"):
        return {}
    whole = column.type == "whole"
    rule: dict[str, Any] = {"validate": "integer" if whole else "decimal"}
    low = -1e9 if column.low is None else column.low
    high = 1e9 if column.high is None and whole else column.high
    if high is None:
        rule |= {"criteria": ">=", "value": low}
    else:
        ends = (int(low), int(high)) if whole else (low, high)
        rule |= {"criteria": "between", "minimum": ends[0], "maximum": ends[1]}
    # check reads a decimal comma, which a spreadsheet set to points takes for text
    return rule | _message("stop" if whole else "warning", *wrong_number(column))


def _date_rule(column: Column) -> dict[str, Any]:
    if column.type != "date":
        return {}
    rule = {
        "validate": "date",
        "criteria": "between",
        "minimum": _FIRST_DATE,
        "maximum": _LAST_DATE,
    }
    return rule | _message("warning", *wrong_date(column))


def _message(style: str, title: str, sentence: str) -> dict[str, Any]:
    return {"error_type": style, "error_title": title, "error_message": sentence}
