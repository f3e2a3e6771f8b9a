"""Patterns laid out as flat arrays, ready for the likelihood."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from germstats.models.timing import Array
from germstats.records.patterns import Patterns

Index = NDArray[np.int64]


@dataclass(frozen=True)
class CellTerms:
    """Cells with a countable number of seeds, each pattern spelled out as the terms of its sum.

    Row arrays have one entry per pattern, term arrays one per summand. ``lo`` is -1 for a pattern of cells at their
    last check (an A) and the day of the last empty check for a first filling (a D).
    """

    tray: Index
    lo: Array
    hi: Array
    count: Array
    row: Index
    successes: Index
    failures: Index
    power: Index
    log_weight: Array

    @cached_property
    def starts(self) -> Index:
        """Where each pattern's terms begin."""
        return group_starts(self.row)

    @cached_property
    def most(self) -> int:
        """Most seeds of a cell."""
        return int((self.successes + self.failures).max(initial=0))


def group_starts(codes: Index) -> Index:
    """Where each run of equal codes begins."""
    return np.flatnonzero(np.r_[True, np.diff(codes) > 0])


@dataclass(frozen=True)
class PinchTerms:
    """Cells sown by the pinch; one entry per pattern, ``lo`` as in `CellTerms`."""

    tray: Index
    lo: Array
    hi: Array
    count: Array
    seen: Array
    mean: Array
    k: Array
    log_constant: Array


@dataclass(frozen=True)
class Compiled:
    """Patterns laid out for evaluation, each kind sorted by tray.

    Attributes
    ----------
    trays : int
        Number of trays T.
    origin_days : (T,) array
        Days from sowing to the season's 1 February.
    time_tray, time_lo, time_hi, time_count : arrays
        Seen seeds of count records by interval.
    cells : CellTerms
    pinches : PinchTerms
    """

    trays: int
    origin_days: Array
    time_tray: Index
    time_lo: Array
    time_hi: Array
    time_count: Array
    cells: CellTerms
    pinches: PinchTerms


def compile_patterns(patterns: Patterns, trays: Index | None = None) -> Compiled:
    """Lay out `patterns` for evaluation, optionally only the trays with the given codes (renumbered in that order).

    Parameters
    ----------
    patterns : Patterns
    trays : (T,) int array, optional
        Tray codes to keep.

    Returns
    -------
    Compiled
    """
    codes = np.arange(len(patterns.trays)) if trays is None else np.asarray(trays)
    new_code = np.full(len(patterns.trays), -1)
    new_code[codes] = np.arange(len(codes))

    def kept(frame: pd.DataFrame) -> pd.DataFrame:
        frame = frame[new_code[frame["tray"].to_numpy(dtype=np.int64)] >= 0] if len(frame) else frame
        frame = frame.assign(tray=new_code[frame["tray"].to_numpy(dtype=np.int64)])
        return frame.sort_values("tray", kind="stable")

    times, finishes, occupied = kept(patterns.times), kept(patterns.finishes), kept(patterns.occupied)

    def both(finish: ArrayLike, first: ArrayLike, kind: type) -> Array:
        ends = [np.broadcast_to(np.asarray(finish), len(finishes)), np.broadcast_to(np.asarray(first), len(occupied))]
        return np.concatenate([end.astype(kind) for end in ends])

    cells = pd.DataFrame(
        {
            "tray": both(finishes["tray"], occupied["tray"], np.int64),
            "sowing": both(finishes["sowing"], occupied["sowing"], np.int64),
            "seen": both(finishes["seen"], 0, np.int64),
            "lo": both(-1.0, occupied["lo"], np.float64),
            "hi": both(finishes["last"], occupied["hi"], np.float64),
            "count": both(finishes["count"], occupied["count"], np.float64),
        }
    ).sort_values("tray", kind="stable", ignore_index=True)
    is_pinch = np.array([patterns.sowings[code].k is not None for code in cells["sowing"]], dtype=bool)
    return Compiled(
        trays=len(codes),
        origin_days=patterns.trays["origin_days"].to_numpy(dtype=float)[codes],
        time_tray=times["tray"].to_numpy(dtype=np.int64),
        time_lo=times["lo"].to_numpy(dtype=float),
        time_hi=times["hi"].to_numpy(dtype=float),
        time_count=times["count"].to_numpy(dtype=float),
        cells=_cell_terms(cells[~is_pinch], patterns),
        pinches=_pinch_terms(cells[is_pinch], patterns),
    )


def tiled(data: Compiled, times: int) -> Compiled:
    """`data` laid out `times` times over: tray i of copy k becomes tray i + k T, so that nodes go through at once."""

    def again(codes: Index, size: int) -> tuple[Index, Index]:
        moved = np.tile(codes, times) + np.repeat(np.arange(times) * size, len(codes))
        return np.tile(np.arange(len(codes)), times), moved

    trays = data.trays
    return _rearranged(
        data, np.tile(np.arange(trays), times), again(data.time_tray, trays), again(data.cells.tray, trays),
        again(data.cells.row, len(data.cells.tray)), again(data.pinches.tray, trays),
    )  # fmt: skip


def only(data: Compiled, trays: Index) -> Compiled:
    """The records of some trays (ascending), renumbered in that order."""

    def kept(codes: Index, chosen: Index, size: int) -> tuple[Index, Index]:
        code = np.full(size, -1)
        code[chosen] = np.arange(len(chosen))
        at = np.flatnonzero(code[codes] >= 0)
        return at, code[codes[at]]

    cells = kept(data.cells.tray, trays, data.trays)
    return _rearranged(
        data, trays, kept(data.time_tray, trays, data.trays), cells,
        kept(data.cells.row, cells[0], len(data.cells.tray)), kept(data.pinches.tray, trays, data.trays),
    )  # fmt: skip


def _rearranged(
    data: Compiled,
    trays: Index,
    times: tuple[Index, Index],
    cells: tuple[Index, Index],
    terms: tuple[Index, Index],
    pinches: tuple[Index, Index],
) -> Compiled:
    """The given trays, times, cells, terms and pinches in this order, each kind (places, new codes) but the trays."""

    def taken(part: object, names: tuple[str, ...], at: Index) -> dict[str, Any]:
        return {name: getattr(part, name)[at] for name in names}

    return Compiled(
        trays=len(trays), origin_days=data.origin_days[trays],
        time_tray=times[1], **taken(data, ("time_lo", "time_hi", "time_count"), times[0]),
        cells=CellTerms(
            tray=cells[1], **taken(data.cells, ("lo", "hi", "count"), cells[0]),
            row=terms[1], **taken(data.cells, ("successes", "failures", "power", "log_weight"), terms[0]),
        ),
        pinches=PinchTerms(tray=pinches[1], **taken(
            data.pinches, ("lo", "hi", "count", "seen", "mean", "k", "log_constant"), pinches[0])),
    )  # fmt: skip


def last_days(data: Compiled) -> Array:
    """Day of each tray's last look, (T,)."""
    last = np.zeros(data.trays)
    for tray, day in ((data.cells.tray, data.cells.hi), (data.pinches.tray, data.pinches.hi)):
        np.maximum.at(last, tray, day)
    return last


def _log_choose(n: Index, k: Index) -> Array:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))


def _cell_terms(cells: pd.DataFrame, patterns: Patterns) -> CellTerms:
    sowing, seen = cells["sowing"].to_numpy(dtype=np.int64), cells["seen"].to_numpy(dtype=np.int64)
    least = (cells["lo"].to_numpy() >= 0).astype(np.int64)  # a first filling takes a seed still to come
    codes, weights = [np.zeros((4, 0), dtype=np.int64)], [np.zeros(0)]
    for code in np.unique(sowing):
        counts = patterns.sowings[code].numbers
        for n in counts:
            at = np.flatnonzero((sowing == code) & (n - seen >= least))
            terms = n - seen[at] - least[at] + 1
            row = np.repeat(at, terms)
            power = np.arange(len(row)) - np.repeat(np.cumsum(terms) - terms, terms) + least[row]
            left = n - seen[row]
            ways = gammaln(n + 1) - gammaln(left + 1) if len(counts) > 1 else 0.0
            codes.append(np.stack([row, seen[row] + power, left - power, power]))
            weights.append(_log_choose(left, power) + ways - np.log(len(counts)))
    order = np.argsort(np.concatenate(codes, axis=1)[0], kind="stable")  # by row, each with its numbers in turn
    row, successes, failures, power = np.concatenate(codes, axis=1)[:, order]
    return CellTerms(
        tray=cells["tray"].to_numpy(),
        lo=cells["lo"].to_numpy(),
        hi=cells["hi"].to_numpy(),
        count=cells["count"].to_numpy(),
        row=row,
        successes=successes,
        failures=failures,
        power=power,
        log_weight=np.concatenate(weights)[order],
    )


def _pinch_terms(cells: pd.DataFrame, patterns: Patterns) -> PinchTerms:
    mean = np.array([patterns.sowings[code].mean for code in cells["sowing"]], dtype=float)
    k = np.array([patterns.sowings[code].k for code in cells["sowing"]], dtype=float)
    seen = cells["seen"].to_numpy(dtype=float)
    return PinchTerms(
        tray=cells["tray"].to_numpy(),
        lo=cells["lo"].to_numpy(),
        hi=cells["hi"].to_numpy(),
        count=cells["count"].to_numpy(),
        seen=seen,
        mean=mean,
        k=k,
        log_constant=np.asarray(gammaln(k + seen) - gammaln(k) + seen * np.log(mean / k)) if len(k) else np.zeros(0),
    )
