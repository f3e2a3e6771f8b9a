"""Rows of a unit and a day -> what rose when, where each unit ended, and how often each pattern
occurs.

A *unit* is what one column of checks counts, a cell or a whole tray. Everything is whole numbers
in whole arrays: no step runs over rows in Python, so that millions of rows take less than a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Whole = NDArray[np.integer[Any]]
"""Any array of whole numbers, 0 or more."""

_KEY_BITS = 63


@dataclass(frozen=True)
class RunningMaximum:
    """What was ever seen of each unit: a staircase.

    Attributes
    ----------
    unit, lo, hi, rise : (R,) int arrays
        `rise` more had come by day `hi` than by the check before, on day `lo` (0 = sowing); by unit
        and day.
    units, level, last : (U,) int arrays
        Each unit once, ascending: the most ever seen of it, and the day of its last check.
    """

    unit: Whole
    lo: Whole
    hi: Whole
    rise: Whole
    units: Whole
    level: Whole
    last: Whole


def running_maximum(unit: Whole, day: Whole, level: Whole) -> RunningMaximum:
    """Running maximum of every unit, kept only where it rises and where it ends.

    Parameters
    ----------
    unit : (N,) int array
        Codes, in any order; rows that come by unit and day are not sorted again.
    day : (N,) int array
        Days from sowing; a unit has at most one row a day.
    level : (N,) int array
        Seen by that day: seeds of a cell, cells of a tray. A fall is a loss: the most ever seen
        stands.

    Returns
    -------
    RunningMaximum

    Raises
    ------
    ValueError
        For a number below 0, or numbers too large for one 64-bit key.
    """
    _refuse_negative((unit, day, level))
    if not _in_order(unit, day):
        unit, day, level = _sorted_rows((unit, day, level))
    ends = _differs_from_next(unit)
    starts = np.r_[True, ends][:-1]
    level = _ever_seen(level, starts)
    up = level > 0
    up[1:] &= starts[1:] | (level[1:] > level[:-1])
    rows, end = np.flatnonzero(up), np.flatnonzero(ends)
    first, before = starts[rows], rows - 1
    lo, rise = np.where(first, 0, day[before]), level[rows] - np.where(first, 0, level[before])
    return RunningMaximum(
        unit=unit[rows],
        lo=lo,
        hi=day[rows],
        rise=rise,
        units=unit[end],
        level=level[end],
        last=day[end],
    )


def count_distinct(
    columns: Sequence[Whole], times: Whole | None = None
) -> tuple[list[Whole], Whole]:
    """Distinct rows of `columns`, ascending, and how often each occurs.

    Parameters
    ----------
    columns : sequence of (N,) int arrays
    times : (N,) int array, optional
        How many rows each row stands for; once if not given, and 0 leaves it out.

    Returns
    -------
    distinct : list of (D,) int arrays
    count : (D,) int array

    Raises
    ------
    ValueError
        As `running_maximum`.
    """
    _refuse_negative(columns)
    key, bits = _packed(columns)
    key = np.sort(key if times is None else np.repeat(key, times))
    end = np.flatnonzero(_differs_from_next(key))
    return _unpacked(key[end], bits), np.diff(end, prepend=-1)


def _refuse_negative(columns: Sequence[Whole]) -> None:
    if any(part.min(initial=0) < 0 for part in columns):
        raise ValueError("codes, days and levels must be 0 or more")


def _in_order(unit: Whole, day: Whole) -> bool:
    """Whether rows come by unit, and by day within a unit."""
    within = unit[1:] == unit[:-1]
    within &= day[1:] > day[:-1]
    within |= unit[1:] > unit[:-1]
    return bool(within.all())


def _differs_from_next(codes: Whole) -> NDArray[np.bool_]:
    ends = np.ones(len(codes), dtype=bool)
    np.not_equal(codes[1:], codes[:-1], out=ends[:-1])
    return ends


def _sorted_rows(columns: Sequence[Whole]) -> list[Whole]:
    """Rows sorted by the columns from left to right: each row is one number while it is sorted, so
    none is fetched.
    """
    key, bits = _packed(columns)
    key.sort()
    return _unpacked(key, bits)


def _packed(columns: Sequence[Whole]) -> tuple[NDArray[np.int64], list[int]]:
    """One number per row that sorts as the columns do from left to right, and the bits each column
    takes in it.
    """
    bits = [int(part.max(initial=0)).bit_length() for part in columns]
    if sum(bits) > _KEY_BITS:
        raise ValueError(
            f"codes, days and levels take {sum(bits)} bits together; {_KEY_BITS} are the most"
        )
    key = np.zeros(len(columns[0]), dtype=np.int64)
    for part, width in zip(columns, bits, strict=True):
        key <<= width
        key |= part
    return key, bits


def _unpacked(key: NDArray[np.int64], bits: Sequence[int]) -> list[Whole]:
    columns: list[Whole] = []
    used = 0
    for width in reversed(bits):
        columns.append((key >> used) & ((1 << width) - 1))
        used += width
    return columns[::-1]


def _ever_seen(level: Whole, starts: NDArray[np.bool_]) -> Whole:
    """Running maximum that starts again where a unit does; the rows themselves where nothing ever
    fell.
    """
    if not (~starts[1:] & (level[1:] < level[:-1])).any():
        return level
    floor = np.cumsum(starts, dtype=np.int64) * (int(level.max()) + 1)
    return np.maximum.accumulate(level + floor) - floor
