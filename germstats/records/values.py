"""Values as text in a file, and the guard against text that a spreadsheet would run as a
formula.
"""

from __future__ import annotations

import datetime
import math
import numbers
import re

FORMULA_STARTS = ("=", "+", "-", "@", "\t")
"""A spreadsheet runs a cell that starts with one of these as a formula."""

CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f]")
"""Signs that no typed text has."""

LONGEST_TEXT = 32_767
"""Letters that a cell of an xlsx workbook can hold."""

GUARDED = re.compile(r"'+[=+\-@\t]")
"""What text starts with where a guard stands before it (`guarded`)."""

_PLAIN_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


def value_text(value: object) -> str:
    """Return the text of one value: dates in ISO form, whole numbers without a point, nothing for a
    missing value.
    """
    if isinstance(value, str):
        return value
    if value is None or _is_missing(value):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime.datetime):
        return value.date().isoformat() if value.time() == datetime.time() else value.isoformat(" ")
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, numbers.Integral):
        return str(int(value))
    if isinstance(value, numbers.Real):
        number = float(value)
        return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    return str(value)


def _is_missing(value: object) -> bool:
    if isinstance(value, numbers.Real):
        return math.isnan(value)
    # a missing date or number of pandas, told without importing it
    return str(value) in ("NaT", "<NA>")


def guarded(text: str, *, number: bool = False) -> str:
    """Put an apostrophe before text that a spreadsheet would run; `unguarded` takes it away again.

    Parameters
    ----------
    text : str
        The text of one CSV value.
    number : bool
        The column holds numbers, so that a plain ``-3`` stays a number.

    Notes
    -----
    Text that already looks guarded gets one more apostrophe, so that writing and reading lose
    nothing.
    """
    runs = text.startswith(FORMULA_STARTS) and not (number and _PLAIN_NUMBER.fullmatch(text))
    return f"'{text}" if runs or GUARDED.match(text) else text


def unguarded(text: str) -> str:
    """Take away the apostrophe that `guarded` put before a CSV value."""
    return text[1:] if GUARDED.match(text) else text
