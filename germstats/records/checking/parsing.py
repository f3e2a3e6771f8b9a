"""One text -> one value, or why not. Rules about a single value live here and nowhere else."""

from __future__ import annotations

import datetime
import difflib
import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from germstats.records.checking.findings import Kind
from germstats.records.seeds import SowingRate, parse_seeds
from germstats.records.tables import Column
from germstats.records.values import CONTROL, LONGEST_TEXT

Value = str | int | float | datetime.date | SowingRate | None

NO_TEXT = Kind("ask", "no-text", "type the value anew")
TOO_LONG = Kind("ask", "too-long", "shorten it")
DASH = Kind("ask", "dash", "write 0 for checked and none seen, or leave it blank for not checked")
WORDS = Kind("ask", "words-in-number", "write the number, and put the words in the column note")
NOT_WHOLE = Kind("ask", "not-whole", "write a whole number")
COMMA = Kind("ask", "comma-in-number", "write a point for decimals and nothing between thousands")
DECIMAL_COMMA = Kind("changed", "decimal-comma", "leave it, if that is right")
LIMITS = Kind("stop", "out-of-limits", "mend the number")
ONE_OR_NONE = Kind("ask", "one-or-none", "write 1 or 0 here, and put a count in the column emerged")
IMPOSSIBLE_DATE = Kind("stop", "impossible-date", "mend the date")
TWO_WAY_DATE = Kind(
    "ask",
    "two-way-date",
    "write dates as 2025-04-05, or say --dates day-first or --dates month-first for the whole book",
)
DATE_FORM = Kind("ask", "date-form", "write dates as year-month-day, such as 2025-04-05")
DATE_SPELLING = Kind("changed", "date-spelling", "leave it, if that is right")
UNKNOWN_WORD = Kind("ask", "unknown-word", "write one of the words")
WORD_SPELLING = Kind("changed", "word-spelling", "leave it, if that is right")
SEEDS_FORM = Kind("ask", "seeds-form", "write 3, a range such as 2-3, ~3 for two to four, or pinch")
CELL_FORM = Kind("ask", "cell-form", "write the row letter and the column number, such as B7")
CELL_SPELLING = Kind("changed", "cell-spelling", "leave it, if that is right")

_YEAR_FIRST = re.compile(
    r"(\d{4})([-/.])(\d{1,2})\2(\d{1,2})(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?"
)
_TWO_WAY = re.compile(
    r"(\d{1,2})[/.\-](\d{1,2})[/.\-](\d{4}|\d{2})(?:[T ]\d{1,2}:\d{2}(?::\d{2})?)?"
)
_DAY_NUMBER = re.compile(r"[2-7]\d{4}")
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}")
_TURNED = re.compile(r"\d{4}-\d{2}-\d{2}.*|\d{1,2}[-. ][A-Za-z]{3}|[A-Za-z]{3}[-. ]\d{1,2}")
_COMMA = re.compile(r"[+-]?\d+,\d+")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(,\d{3})+")
_CELL = re.compile(r"([A-Za-z]{1,2})\s*0*([1-9]\d{0,3})")
_YES = {
    "yes": "yes",
    "y": "yes",
    "true": "yes",
    "1": "yes",
    "no": "no",
    "n": "no",
    "false": "no",
    "0": "no",
}
_MOST = 1e9  # beyond this a count is a slip, and whole numbers lose their last digits
_DAY_ZERO = datetime.date(1899, 12, 30)  # a spreadsheet counts days from here


@dataclass(frozen=True)
class Parsed:
    """A value (None where unusable), and what is wrong with it where something is."""

    value: Value
    kind: Kind | None = None
    wrong: str = ""


def parse(column: Column, text: str, dates: str | None) -> Parsed:
    """Read one entry of `column`; a blank comes back as None without a finding.

    Parameters
    ----------
    column : Column
    text : str
    dates : {"day-first", "month-first"} or None
        How ``04/05/2024`` is meant; None refuses to guess.

    Returns
    -------
    Parsed
        The value is a str, int, float, date or SowingRate, as the column's type says.
    """
    entry = text.strip()
    if not entry:
        return Parsed(None)
    if len(entry) > LONGEST_TEXT:
        return Parsed(
            None,
            TOO_LONG,
            f"{len(entry):,} letters, more than a workbook cell can hold ({LONGEST_TEXT:,})",
        )
    if odd := CONTROL.search(entry):
        return Parsed(None, NO_TEXT, f"a sign that nobody types (code {ord(odd[0])}) stands in it")
    if entry in ("-", "\u2013", "\u2014") and column.type != "text" and not column.open_levels:
        return Parsed(None, DASH, "a dash is neither a blank nor 0")
    return _READERS[column.type](column, entry, dates)


def _text(column: Column, entry: str, dates: str | None) -> Parsed:
    return Parsed(entry)


def _number(column: Column, entry: str, dates: str | None) -> Parsed:
    if _THOUSANDS.fullmatch(entry):
        both = f"{entry.replace(',', '', 1).replace(',', '')} or {entry.replace(',', '.')}"
        return Parsed(None, COMMA, f"{entry} may be {both}")
    plain = entry.replace(",", ".") if _COMMA.fullmatch(entry) else entry
    try:
        value = float(plain)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or "_" in plain:
        return Parsed(None, WORDS, f"{entry!r} is no number")
    if not _possible(column, value):
        if (column.low, column.high) == (0, 1):
            return Parsed(
                None, ONE_OR_NONE, f"{entry} is neither 1 (a seedling was seen) nor 0 (none)"
            )
        return Parsed(None, LIMITS, f"{entry} is not possible; it can be {_limits(column)}")
    if column.type == "whole":
        if abs(value) > _MOST:
            return Parsed(None, LIMITS, f"{entry} is more than anybody counts")
        whole = value == int(value)
        return (
            Parsed(int(value))
            if whole
            else Parsed(None, NOT_WHOLE, f"{entry} is not a whole number")
        )
    return (
        Parsed(value)
        if plain == entry
        else Parsed(value, DECIMAL_COMMA, f"{entry} is read as {value:g}")
    )


def _possible(column: Column, value: float) -> bool:
    return (column.low is None or value >= column.low) and (
        column.high is None or value <= column.high
    )


def _limits(column: Column) -> str:
    if column.low is not None and column.high is not None:
        return f"from {column.low:.12g} to {column.high:.12g}"
    return f"{column.low:.12g} or more" if column.low is not None else f"at most {column.high:.12g}"


def day_of(year: int, month: int, day: int) -> datetime.date | None:
    """The date, or None where there is no such day or the year is none of a record book."""
    try:
        found = datetime.date(year, month, day)
    except ValueError:
        return None
    return found if 1900 <= year <= 2200 else None


def both_readings(first: int, second: int, year: int) -> dict[str, datetime.date | None]:
    """What a date such as 4/5/2024 is by either order; None where there is no such day."""
    return {
        "day-first": day_of(year, second, first),
        "month-first": day_of(year, first, second),
    }


def spelled(day: datetime.date) -> str:
    """A date in words nobody misreads: 4 May 2024."""
    return f"{day.day} {day:%B %Y}"


def so_many(number: float | str, what: str) -> str:
    """A number of things, one of them without the s; a number in text is left as it is."""
    text = (
        number
        if isinstance(number, str)
        else f"{int(number):,}"
        if number == int(number)
        else f"{number:g}"
    )
    return f"{text} {what}" if text == "1" else f"{text} {what}s"


def _date(column: Column, entry: str, dates: str | None) -> Parsed:
    if match := _YEAR_FIRST.fullmatch(entry):
        day = day_of(int(match[1]), int(match[3]), int(match[4]))
        if day is None:
            return Parsed(None, IMPOSSIBLE_DATE, f"there is no day {entry}")
        return Parsed(day) if _ISO.match(entry) and _midnight(entry) else _respelled(day, entry)
    if match := _TWO_WAY.fullmatch(entry):
        return _two_way(match, entry, dates)
    if _DAY_NUMBER.fullmatch(entry):
        day = _DAY_ZERO + datetime.timedelta(days=int(entry))
        return Parsed(
            None,
            DATE_FORM,
            f"{entry} is no date; as a spreadsheet's day number it would be {spelled(day)}",
        )
    return Parsed(None, DATE_FORM, f"{entry!r} is no date")


def _midnight(entry: str) -> bool:
    return not entry[10:].strip("T 0:.")


def _respelled(day: datetime.date, entry: str) -> Parsed:
    return Parsed(day, DATE_SPELLING, f"{entry} is read as {day.isoformat()}")


def _two_way(match: re.Match[str], entry: str, dates: str | None) -> Parsed:
    first, second, year = (
        int(match[1]),
        int(match[2]),
        int(match[3]) + (2000 if len(match[3]) == 2 else 0),
    )
    readings = both_readings(first, second, year)
    if dates:
        day = readings[dates]
        return (
            Parsed(day)
            if day
            else Parsed(None, IMPOSSIBLE_DATE, f"there is no day {entry}, read {dates}")
        )
    said = list(dict.fromkeys(spelled(day) for day in readings.values() if day))
    if not said:
        return Parsed(None, IMPOSSIBLE_DATE, f"there is no day {entry}")
    may = (
        f"may be {said[0]} or {said[1]}"
        if len(said) == 2
        else f"can only be {said[0]}, but is not written so"
    )
    return Parsed(None, TWO_WAY_DATE, f"{entry} {may}")


def _choice(column: Column, entry: str, dates: str | None) -> Parsed:
    word = " ".join(entry.lower().split())
    if not column.open_levels:
        word = word.replace(" ", "_").replace("-", "_")
        if word not in column.levels:
            near = difflib.get_close_matches(word, column.levels, 1)
            meant = f"; did you mean {near[0]}?" if near else ""
            return Parsed(
                None, UNKNOWN_WORD, f"{entry!r} is none of {', '.join(column.levels)}{meant}"
            )
    return (
        Parsed(word)
        if word == entry
        else Parsed(word, WORD_SPELLING, f"{entry!r} is read as {word!r}")
    )


def _yes_no(column: Column, entry: str, dates: str | None) -> Parsed:
    word = _YES.get(entry.lower())
    return Parsed(word) if word else Parsed(None, UNKNOWN_WORD, f"{entry!r} is neither yes nor no")


def _seeds(column: Column, entry: str, dates: str | None) -> Parsed:
    try:
        return Parsed(parse_seeds(entry))
    except ValueError:
        why = "says no number of seeds that can be used"
        if _TURNED.fullmatch(entry):
            why = (
                "is a date; a spreadsheet makes one of a range such as 2-3 unless the cell is set "
                "to text"
            )
        return Parsed(None, SEEDS_FORM, f"{entry!r} {why}")


def _cell(column: Column, entry: str, dates: str | None) -> Parsed:
    match = _CELL.fullmatch(entry)
    if not match:
        return Parsed(None, CELL_FORM, f"{entry!r} is no cell")
    name = f"{match[1].upper()}{match[2]}"
    return (
        Parsed(name) if name == entry else Parsed(name, CELL_SPELLING, f"{entry} is read as {name}")
    )


def _cells(column: Column, entry: str, dates: str | None) -> Parsed:
    parts = [_cell(column, part, dates) for part in re.split(r"[\s,;]+", entry) if part]
    if bad := next((part for part in parts if part.value is None), None):
        return bad
    names = " ".join(dict.fromkeys(str(part.value) for part in parts))
    same = names == " ".join(entry.split())
    return Parsed(names) if same else Parsed(names, CELL_SPELLING, f"{entry} is read as {names}")


def _counts(column: Column, entry: str, dates: str | None) -> Parsed:
    parts = [part for part in re.split(r"[\s,;]+", entry) if part]
    if not parts or not all(part.isascii() and part.isdigit() for part in parts):
        return Parsed(None, WORDS, f"{entry!r} is no list of counts")
    return Parsed(" ".join(str(int(part)) for part in parts))


_READERS: dict[str, Callable[[Column, str, str | None], Parsed]] = {
    "text": _text,
    "whole": _number,
    "number": _number,
    "date": _date,
    "choice": _choice,
    "yes_no": _yes_no,
    "seeds": _seeds,
    "cell": _cell,
    "cells": _cells,
    "counts": _counts,
}


def cell_place(cell: str) -> tuple[int, int]:
    """Row and column of a cell name, from 1: ``B7`` -> (2, 7)."""
    letters = cell.rstrip("0123456789")
    row = 0
    for letter in letters:
        row = 26 * row + ord(letter) - ord("A") + 1
    return row, int(cell[len(letters) :])
