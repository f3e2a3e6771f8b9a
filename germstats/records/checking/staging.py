"""Text of a sheet -> a table under judgement: headings mended, columns found, values parsed one by
one.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from germstats.errors import UnreadableBookError
from germstats.records.checking.findings import (
    SET_ASIDE,
    USED,
    Kind,
    Validation,
    Worktable,
    also_in,
)
from germstats.records.checking.parsing import Parsed, parse
from germstats.records.formats.headings import mended
from germstats.records.formats.reading import Sheet
from germstats.records.tables import TABLES, Column, Table

HEADING = Kind("changed", "heading-spelling", "leave it, if that is right")
TWICE = Kind("changed", "heading-twice", "keep one of the columns")
TWICE_DIFFERENT = Kind(
    "ask", "heading-twice-different", "keep one of the columns, with the right value", True
)
UNKNOWN_COLUMN = Kind(
    "watch", "unknown-column", "leave it, if it is a column of your own; else mend the heading"
)
MISSING_COLUMN = Kind("stop", "missing-column", "add the column, or mend its heading")
TOO_MANY = Kind(
    "ask",
    "too-many-values",
    "put a text that holds a comma between quotation marks, or clear the extra",
)
FORMULA_ZERO = Kind(
    "watch",
    "formula-zero",
    "open and save the workbook in a spreadsheet, or write the value itself",
)

Edits = Mapping[tuple[str, int, str], str]
"""(table, position, column) -> the text to read there instead, from the answers."""


def empty_worktable(spec: Table) -> Worktable:
    """Return the table of a book that has none of that name."""
    return _worktable(spec, f"{spec.name}.csv", texts={}, rows=[], headed=frozenset())


def add_worktable(validation: Validation, sheet: Sheet, edits: Edits) -> None:
    """Put a sheet into the judgement: its text under known headings, with findings about headings
    and widths.

    Raises
    ------
    UnreadableBookError
        The trays have no column ``tray``.
    """
    spec = TABLES[sheet.name]
    grid = _grid(sheet)
    headings = [mended(heading) for heading in sheet.header]
    known = [column.name for column in spec.columns]
    places = {
        name: [place for place, heading in enumerate(headings) if heading == name] for name in known
    }
    if sheet.name == "trays" and not places["tray"]:
        has = ", ".join(sheet.header) or "no columns at all"
        raise UnreadableBookError(f"{sheet.shown_as} has no column tray; it has {has}.")
    texts = {name: grid[:, found[0]] for name, found in places.items() if found}
    table = _worktable(
        spec, sheet.shown_as, texts=texts, rows=sheet.numbers, headed=frozenset(texts)
    )
    validation.tables[sheet.name] = table
    for name, found in places.items():
        for extra in found[1:]:
            _join_columns(validation, (sheet.name, name), grid[:, extra])
    table.ids = table.text[list(spec.key)].copy()
    _note_headings(validation, sheet, headings)
    _note_missing(validation, table)
    over = _too_wide(sheet) if grid.shape[1] > len(sheet.header) else []
    wrong = "more values than headings, so some may stand in wrong columns"
    validation.set_aside(sheet.name, validation.note(TOO_MANY, (sheet.name, ""), over, wrong))
    _note_formulas(validation, sheet, headings)
    for (name, position, column), text in edits.items():
        if name == sheet.name:
            table.text.iat[position, table.text.columns.get_loc(column)] = text  # type: ignore[index]


def _worktable(
    spec: Table,
    shown_as: str,
    texts: Mapping[str, np.ndarray[Any, Any]],
    rows: Sequence[int],
    headed: frozenset[str],
) -> Worktable:
    index = pd.RangeIndex(len(rows))
    blank = np.full(len(rows), "", dtype=object)
    text = pd.DataFrame(
        {column.name: texts.get(column.name, blank) for column in spec.columns},
        index=index,
        dtype=object,
    )
    values = pd.DataFrame({"row": np.array(rows, dtype=np.int64)}, index=index)
    status = np.full(len(rows), USED, dtype=f"<U{len(SET_ASIDE)}")
    return Worktable(
        spec=spec,
        shown_as=shown_as,
        text=text,
        values=values,
        status=status,
        headed=headed,
        ids=pd.DataFrame(index=index),
    )


def _grid(sheet: Sheet) -> np.ndarray[Any, Any]:
    """Rows of the sheet, each as wide as the widest."""
    widths = set(map(len, sheet.values)) | {len(sheet.header)}
    width, rows = max(widths), sheet.values
    if len(widths) > 1:
        rows = tuple((*values, *[""] * (width - len(values))) for values in rows)
    return np.array(rows, dtype=object).reshape(len(rows), width)


def _too_wide(sheet: Sheet) -> list[int]:
    """Positions of rows with more values than headings."""
    return [
        position for position, values in enumerate(sheet.values) if len(values) > len(sheet.header)
    ]


def _note_headings(validation: Validation, sheet: Sheet, headings: list[str]) -> None:
    known = [column.name for column in TABLES[sheet.name].columns]
    for place, (typed, name) in enumerate(zip(sheet.header, headings, strict=True)):
        if name in known:
            if typed != name:
                validation.note_table(
                    HEADING, sheet.name, f"the heading {typed!r} is read as {name}", name
                )
            if name in headings[:place]:
                wrong = (
                    "two columns bear this heading; the second fills what the first leaves blank"
                )
                validation.note_table(TWICE, sheet.name, wrong, name)
        elif name:
            near = difflib.get_close_matches(name, known, 1, cutoff=0.75)
            meant = f"; did you mean {near[0]}?" if near else ""
            validation.note_table(
                UNKNOWN_COLUMN, sheet.name, f"the column {typed.strip()!r} is not read{meant}"
            )
        else:
            wrong = f"column {place + 1} has no heading and is not read"
            if any(values[place].strip() for values in sheet.values):
                validation.note_table(UNKNOWN_COLUMN, sheet.name, wrong)


def _note_missing(validation: Validation, table: Worktable) -> None:
    name = table.spec.name
    missing = [
        column.name
        for column in table.spec.columns
        if column.required and column.name not in table.headed
    ]
    if name == "checks" and missing == ["filled"] and "seedlings" in table.headed:
        missing = []  # seedlings of the whole tray tell as much
    if name == "cells" and not table.headed & {"emerged", "occupied"}:
        missing.append("emerged (or occupied)")
    for column in missing:
        wrong = f"the column {column} is missing" + (
            ", so none of its rows can be used" if len(table.text) else ""
        )
        validation.note_table(MISSING_COLUMN, name, wrong)
    if not missing:
        return
    if name == "trays":
        for tray in table.text["tray"].str.split().str.join(" "):
            validation.leave_out(tray, f"{table.shown_as} lacks the column {missing[0]}")
    else:
        table.status[:] = SET_ASIDE


def _join_columns(
    validation: Validation, place: tuple[str, str], second: np.ndarray[Any, Any]
) -> None:
    """Fill a column from a second one of the same heading; ask where the two differ."""
    text = validation.tables[place[0]].text
    first = text[place[1]].str.strip()
    other = (
        pd.Series(second, index=text.index, dtype=object).astype(object).str.strip()
        if len(text)
        else first
    )
    differ = np.flatnonzero((first != "") & (other != "") & (first != other))
    said = [f"the two columns of this heading say {first[at]} and {other[at]}" for at in differ]
    validation.note(TWICE_DIFFERENT, place, differ, said, [""] * len(differ))
    joined = text[place[1]].where(first != "", other)
    joined.iloc[differ] = ""
    text[place[1]] = joined


def _note_formulas(validation: Validation, sheet: Sheet, headings: list[str]) -> None:
    if not sheet.formula_zeros:
        return
    position = {row: at for at, row in enumerate(sheet.numbers)}
    known = {column.name for column in TABLES[sheet.name].columns}
    for row, place in sheet.formula_zeros:
        if row in position and place < len(headings) and headings[place] in known:
            wrong = "a formula stands here and reads back as 0 or as nothing"
            validation.note(
                FORMULA_ZERO, (sheet.name, headings[place]), [position[row]], wrong, [""]
            )


def parse_columns(validation: Validation, name: str) -> None:
    """Parse every column of a table that has not been parsed yet, with findings about single
    values.
    """
    table = validation.tables[name]
    there = table.values
    if there.empty:
        table.values = _no_rows(table.spec).copy()
        return
    columns = {
        column.name: there[column.name]
        if column.name in there
        else _parsed(validation, (name, column))
        for column in table.spec.columns
    }
    table.values = pd.DataFrame({**columns, "row": there["row"]}, index=there.index)


@cache
def _no_rows(spec: Table) -> pd.DataFrame:
    """The parsed table of a book that has no row of it."""
    nothing = np.zeros(0, dtype=np.int64)
    columns = {column.name: typed_series(column, [], nothing) for column in spec.columns}
    return pd.DataFrame({**columns, "row": nothing})


def _parsed(validation: Validation, place: tuple[str, Column]) -> pd.Series[Any]:
    name, column = place
    codes, entries = validation.tables[name].distinct(column.name)
    results = [parse(column, str(entry), validation.dates) for entry in entries]
    _note_values(validation, (name, column.name), codes, results)
    return typed_series(column, [result.value for result in results], codes)


def _note_values(
    validation: Validation,
    place: tuple[str, str],
    codes: np.ndarray[Any, Any],
    results: list[Parsed],
) -> None:
    kinds = {result.kind for result in results if result.kind}
    for kind in sorted(kinds, key=lambda kind: kind.rule):
        of_kind = np.array([result.kind == kind for result in results])[codes]
        at = np.flatnonzero(of_kind)
        if kind.severity != "changed":
            validation.note(kind, place, at, [results[code].wrong for code in codes[at]])
            continue
        # one mended spelling may run through a whole sheet: it is listed once, with the number of
        # its rows
        first, counts = np.unique(codes[at], return_index=True, return_counts=True)[1:]
        for start, count in sorted(zip(at[first].tolist(), counts.tolist(), strict=True)):
            validation.note(kind, place, [start], results[codes[start]].wrong + also_in(count - 1))


def typed_series(column: Column, values: list[Any], codes: np.ndarray[Any, Any]) -> pd.Series[Any]:
    """Return the column with the type a record book gives it: value ``codes[i]`` at position i."""
    if column.type == "date":
        days = pd.Series(pd.to_datetime(pd.Series(values, dtype=object)).astype("datetime64[ns]"))
        return pd.Series(days.to_numpy()[codes], dtype="datetime64[ns]")
    if column.type in ("whole", "number"):
        numbers = pd.Series([np.nan if value is None else value for value in values], dtype=float)
        typed = numbers.astype("Int64") if column.type == "whole" else numbers
        return pd.Series(typed.array[codes])
    words = np.array([column.blank if value is None else value for value in values], dtype=object)
    return pd.Series(words[codes] if len(codes) else [], dtype=object)
