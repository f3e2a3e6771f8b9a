"""Patterns laid out as flat arrays, ready for the likelihood."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln

from germstats.engine.timing import Array
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Cells

Index = NDArray[np.int64]

_AFTER_ALL = 1e9  # a day by which everything that ever comes has come


@dataclass(frozen=True)
class CellTerms:
    """Cells with a countable number of seeds, each pattern spelled out as the terms of its sum.

    Row arrays have one entry per pattern, term arrays one per summand. ``lo`` is -1 for cells at
    their last check (an A) and the day of the last empty check for a first filling (a D). Sorted by
    tray, then by ``hi``.
    """

    tray: Index
    lo: Array
    hi: Array
    count: Array
    row: Index
    successes: Index
    failures: Index
    power: Array
    log_weight: Array

    @cached_property
    def starts(self) -> Index:
        """Where each pattern's terms begin."""
        return group_starts(self.row)

    @cached_property
    def tray_of_term(self) -> Index:
        """Tray of each term."""
        return self.tray[self.row]

    @cached_property
    def days(self) -> tuple[Index, Index]:
        """Number of each pattern's day, all trays' last days in order, and the first pattern of
        each day.
        """
        starts = group_starts(self.tray, self.hi)
        return np.repeat(np.arange(len(starts)), np.diff(starts, append=len(self.tray))), starts

    @cached_property
    def most(self) -> int:
        """Most seeds of a cell."""
        return int((self.successes + self.failures).max(initial=0))


def group_starts(*codes: NDArray[Any]) -> Index:
    """Where each run of equal codes begins, (N,) each."""
    change = np.ones(len(codes[0]), dtype=bool)
    change[1:] = np.any([one[1:] != one[:-1] for one in codes], axis=0)
    return np.flatnonzero(change)


def summed(rows: Sequence[Array], codes: Index, size: int) -> Array:
    """Sums (K, size) of K rows (N,) over each code, (N,): with short runs a third of the time of
    adding up runs.
    """
    if len(codes) == size and (codes[1:] > codes[:-1]).all():  # each by itself
        return np.stack(rows)
    found = np.empty((len(rows), size))
    for k, row in enumerate(rows):
        found[k] = np.bincount(codes, row, minlength=size)
    return found


@dataclass(frozen=True)
class PinchTerms:
    """Cells sown by the pinch; one entry per pattern. ``lo`` is -1 for cells at their last check
    and the day of the last empty check for a first filling.
    """

    tray: Index
    lo: Array
    hi: Array
    count: Array
    seen: Array
    mean: Array
    k: Array
    log_constant: Array


@dataclass(frozen=True)
class IntervalEnds:
    """The ends of all intervals, each tray and day once.

    Attributes
    ----------
    tray, day : (E,) arrays
    times, fillings, pinches : tuple of two int arrays
        Places of the first and the last end of each.
    finishes : int array
        Places of the last end of each.
    """

    tray: Index
    day: Array
    times: tuple[Index, Index]
    finishes: Index
    fillings: tuple[Index, Index]
    pinches: tuple[Index, Index]


@dataclass(frozen=True)
class PatternArrays:
    """Patterns laid out for evaluation, each kind sorted by tray.

    Attributes
    ----------
    trays : int
        Number of trays T.
    origin_days : (T,) array
        Days from sowing to the season's 1 February.
    horizon : (T,) array
        Days from sowing to the day up to which emergence is told; inf where it is told to the end
        of all days.
    time_tray, time_lo, time_hi, time_count : arrays
        Seen seeds of count records by interval.
    finishes : CellTerms
        Cells at their last check.
    fillings : CellTerms
        Cells known only to be first filled in an interval.
    pinches : PinchTerms
    ends : IntervalEnds
    """

    trays: int
    origin_days: Array
    horizon: Array
    time_tray: Index
    time_lo: Array
    time_hi: Array
    time_count: Array
    finishes: CellTerms
    fillings: CellTerms
    pinches: PinchTerms
    ends: IntervalEnds

    @cached_property
    def seeds(self) -> int:
        """Most seeds of a cell that are counted, 0 where none are."""
        return max(self.finishes.most, self.fillings.most)


def compile_patterns(patterns: Patterns, trays: Index | None = None) -> PatternArrays:
    """Lay out `patterns` for evaluation, optionally only the trays with the given codes (renumbered
    in that order).

    Parameters
    ----------
    patterns : Patterns
    trays : (T,) int array, optional
        Tray codes to keep.

    Returns
    -------
    PatternArrays
    """
    codes = np.arange(len(patterns.trays)) if trays is None else np.asarray(trays)
    new_code = np.full(len(patterns.trays), -1)
    new_code[codes] = np.arange(len(codes))

    def kept(frame: pd.DataFrame) -> pd.DataFrame:
        frame = (
            frame[new_code[frame["tray"].to_numpy(dtype=np.int64)] >= 0] if len(frame) else frame
        )
        frame = frame.assign(tray=new_code[frame["tray"].to_numpy(dtype=np.int64)])
        return frame.sort_values("tray", kind="stable")

    times, finishes, occupied = (
        kept(patterns.times),
        kept(patterns.finishes),
        kept(patterns.occupied),
    )

    def both(finish: ArrayLike, first: ArrayLike, kind: type) -> Array:
        ends = [
            np.broadcast_to(np.asarray(finish), len(finishes)),
            np.broadcast_to(np.asarray(first), len(occupied)),
        ]
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
    ).sort_values(["tray", "hi"], kind="stable", ignore_index=True)
    is_pinch = np.array(
        [patterns.sowings[code].k is not None for code in cells["sowing"]], dtype=bool
    )
    at_last = (cells["lo"] < 0).to_numpy()
    trays_kept = patterns.trays.iloc[codes]
    return _laid_out(
        trays_kept["origin_days"].to_numpy(dtype=float),
        horizon_of(trays_kept),
        times=(
            times["tray"].to_numpy(dtype=np.int64),
            times["lo"].to_numpy(dtype=float),
            times["hi"].to_numpy(dtype=float),
            times["count"].to_numpy(dtype=float),
        ),
        finishes=_cell_terms(cells[~is_pinch & at_last], patterns),
        fillings=_cell_terms(cells[~is_pinch & ~at_last], patterns),
        pinches=_pinch_terms(cells[is_pinch], patterns),
    )


def horizon_of(trays: pd.DataFrame) -> Array:
    """Days from sowing to each tray's horizon, (T,); inf where it has none."""
    if "horizon" not in trays:
        return np.full(len(trays), np.inf)
    return trays["horizon"].to_numpy(dtype=float)


def tiled(data: PatternArrays, times: int) -> PatternArrays:
    """`data` laid out `times` times over: tray i of copy k becomes tray i + k T, so that nodes go
    through at once.
    """

    def again(codes: Index, _: Index, size: int) -> tuple[Index, Index]:
        moved = np.tile(codes, times) + np.repeat(np.arange(times) * size, len(codes))
        return np.tile(np.arange(len(codes)), times), moved

    return _rearranged(data, np.tile(np.arange(data.trays), times), again)


def only(data: PatternArrays, trays: Index) -> PatternArrays:
    """The records of some trays (ascending), renumbered in that order."""

    def kept(codes: Index, chosen: Index, size: int) -> tuple[Index, Index]:
        code = np.full(size, -1)
        code[chosen] = np.arange(len(chosen))
        at = np.flatnonzero(code[codes] >= 0)
        return at, code[codes[at]]

    return _rearranged(data, trays, kept)


def _rearranged(
    data: PatternArrays, trays: Index, chosen: Callable[[Index, Index, int], tuple[Index, Index]]
) -> PatternArrays:
    """The given trays with their records; `chosen` (codes (N,), which of them, of how many) gives
    the places of the records that stay, in order, and their new codes.
    """

    def taken(part: object, names: tuple[str, ...], at: Index) -> dict[str, Any]:
        return {name: getattr(part, name)[at] for name in names}

    def cells(part: CellTerms) -> CellTerms:
        rows, tray = chosen(part.tray, trays, data.trays)
        terms, row = chosen(part.row, rows, len(part.tray))
        return CellTerms(
            tray=tray,
            **taken(part, ("lo", "hi", "count"), rows),
            row=row,
            **taken(part, ("successes", "failures", "power", "log_weight"), terms),
        )

    times, pinches = (
        chosen(data.time_tray, trays, data.trays),
        chosen(data.pinches.tray, trays, data.trays),
    )
    ends, end_tray = chosen(data.ends.tray, trays, data.trays)

    def places(at: Index) -> Index:
        return chosen(at, ends, len(data.ends.tray))[1]

    def both(at: tuple[Index, Index]) -> tuple[Index, Index]:
        return places(at[0]), places(at[1])

    return PatternArrays(
        trays=len(trays),
        origin_days=data.origin_days[trays],
        horizon=data.horizon[trays],
        time_tray=times[1],
        **taken(data, ("time_lo", "time_hi", "time_count"), times[0]),
        finishes=cells(data.finishes),
        fillings=cells(data.fillings),
        pinches=PinchTerms(
            tray=pinches[1],
            **taken(
                data.pinches, ("lo", "hi", "count", "seen", "mean", "k", "log_constant"), pinches[0]
            ),
        ),
        ends=IntervalEnds(
            tray=end_tray,
            day=data.ends.day[ends],
            times=both(data.ends.times),
            finishes=places(data.ends.finishes),
            fillings=both(data.ends.fillings),
            pinches=both(data.ends.pinches),
        ),
    )


def taken_as_final(data: PatternArrays, trays: Index | None = None) -> PatternArrays:
    """Counts of the given trays (all by default) taken as all that ever comes."""

    def last(tray: Index, hi: Array) -> Array:
        return (
            np.where(np.isin(tray, trays), _AFTER_ALL, hi)
            if trays is not None
            else np.full_like(hi, _AFTER_ALL)
        )

    def changed(part: CellTerms) -> CellTerms:
        return replace(part, hi=last(part.tray, part.hi))

    times = (data.time_tray, data.time_lo, last(data.time_tray, data.time_hi), data.time_count)
    pinches = replace(data.pinches, hi=last(data.pinches.tray, data.pinches.hi))
    return _laid_out(
        data.origin_days,
        data.horizon,
        times=times,
        finishes=changed(data.finishes),
        fillings=changed(data.fillings),
        pinches=pinches,
    )


def _laid_out(
    origin_days: Array,
    horizon: Array,
    times: tuple[Index, Array, Array, Array],
    finishes: CellTerms,
    fillings: CellTerms,
    pinches: PinchTerms,
) -> PatternArrays:
    """Patterns with the ends of their intervals, each tray and day once."""
    parts = [
        (times[0], times[1]),
        (times[0], times[2]),
        (finishes.tray, finishes.hi),
        (fillings.tray, fillings.lo),
        (fillings.tray, fillings.hi),
        (pinches.tray, pinches.lo),
        (pinches.tray, pinches.hi),
    ]
    tray, day = (np.concatenate([part[k] for part in parts]) for k in (0, 1))
    days, code = np.unique(day, return_inverse=True)
    _, first, place = np.unique(tray * len(days) + code, return_index=True, return_inverse=True)
    at = np.split(place, np.cumsum([len(part[0]) for part in parts])[:-1])
    ends = IntervalEnds(
        tray=tray[first],
        day=day[first],
        times=(at[0], at[1]),
        finishes=at[2],
        fillings=(at[3], at[4]),
        pinches=(at[5], at[6]),
    )
    return PatternArrays(
        len(origin_days), origin_days, horizon, *times, finishes, fillings, pinches, ends
    )


def last_days(data: PatternArrays) -> Array:
    """Day of each tray's last look, (T,)."""
    last = np.zeros(data.trays)
    for part in (data.finishes, data.fillings, data.pinches):
        np.maximum.at(last, part.tray, part.hi)
    return last


def _log_choose(n: Index, k: Index) -> Array:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))


def _cell_terms(cells: pd.DataFrame, patterns: Patterns) -> CellTerms:
    sowing, seen = cells["sowing"].to_numpy(dtype=np.int64), cells["seen"].to_numpy(dtype=np.int64)
    least = (cells["lo"].to_numpy() >= 0).astype(
        np.int64
    )  # a first filling takes a seed still to come
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
    order = np.argsort(
        np.concatenate(codes, axis=1)[0], kind="stable"
    )  # by row, each with its numbers in turn
    row, successes, failures, power = np.concatenate(codes, axis=1)[:, order]
    return CellTerms(
        tray=cells[Cells.tray].to_numpy(),
        lo=cells["lo"].to_numpy(),
        hi=cells["hi"].to_numpy(),
        count=cells["count"].to_numpy(),
        row=row,
        successes=successes,
        failures=failures,
        power=power.astype(float),
        log_weight=np.concatenate(weights)[order],
    )


def _pinch_terms(cells: pd.DataFrame, patterns: Patterns) -> PinchTerms:
    mean = np.array([patterns.sowings[code].mean for code in cells["sowing"]], dtype=float)
    k = np.array([patterns.sowings[code].k for code in cells["sowing"]], dtype=float)
    seen = cells["seen"].to_numpy(dtype=float)
    return PinchTerms(
        tray=cells[Cells.tray].to_numpy(),
        lo=cells["lo"].to_numpy(),
        hi=cells["hi"].to_numpy(),
        count=cells["count"].to_numpy(),
        seen=seen,
        mean=mean,
        k=k,
        log_constant=np.asarray(gammaln(k + seen) - gammaln(k) + seen * np.log(mean / k))
        if len(k)
        else np.zeros(0),
    )
