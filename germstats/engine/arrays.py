"""Patterns laid out as flat arrays, ready for the likelihood."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammaln

from germstats.engine.timing import Array
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Cells

Index = NDArray[np.int64]

_AFTER_ALL = 1e9
"""A day by which everything that ever comes has come."""


@dataclass(frozen=True)
class CellTerms:
    """Cells with a countable number of seeds, each pattern spelled out as the terms of its sum.

    Attributes
    ----------
    tray : (R,) int array
        Tray of each pattern. Sorted by tray, then by `hi`.
    lo, hi : (R,) arrays
        Days. `lo` is -1 for cells at their last check (an A), and the day of the last empty check
        for a first filling (a D).
    count : (R,) array
        Cells with the pattern.
    row : (N,) int array
        Pattern of each term.
    successes, failures : (N,) int arrays
        Seeds up, and not up, in a term.
    power : (N,) array
        Seeds alive and still to come.
    log_weight : (N,) array
        Log of the ways in which it can come about.
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
        """Number of each pattern's day, over all trays in order, and each day's first pattern."""
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
    """Sums over each code; with short runs a third of the time of adding up runs.

    Parameters
    ----------
    rows : sequence of (N,) arrays
        K of them.
    codes : (N,) int array
        Below `size`.
    size : int

    Returns
    -------
    (K, size) array
    """
    if len(codes) == size and (codes[1:] > codes[:-1]).all():  # each by itself
        return np.stack(rows)
    found = np.empty((len(rows), size))
    for k, row in enumerate(rows):
        found[k] = np.bincount(codes, row, minlength=size)
    return found


@dataclass(frozen=True)
class PinchTerms:
    """Cells sown by the pinch; one entry per pattern.

    Attributes
    ----------
    tray, lo, hi, count : arrays
        As in `CellTerms`.
    seen : array
        Seedlings seen in each cell.
    mean, k : arrays
        Mean and evenness of the pinch.
    log_constant : array
        What depends on neither share nor time.
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
        Days from sowing to the day up to which emergence is counted; inf where it is counted to
        the end of all days.
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
    """Lay out patterns for evaluation.

    Parameters
    ----------
    patterns : Patterns
    trays : (T,) int array, optional
        Codes of the trays to keep, all by default; they are renumbered in that order.

    Returns
    -------
    PatternArrays
    """
    codes = np.arange(len(patterns.trays)) if trays is None else np.asarray(trays)
    new_code = np.full(len(patterns.trays), -1)
    new_code[codes] = np.arange(len(codes))

    times = _renumbered(patterns.times, new_code)
    cells = _cells(
        _renumbered(patterns.finishes, new_code), _renumbered(patterns.occupied, new_code)
    )
    pinched = np.array([rate.k is not None for rate in patterns.sowings], dtype=bool)
    by_pinch = pinched[cells["sowing"].to_numpy(dtype=np.int64)]
    at_last = (cells["lo"] < 0).to_numpy()
    kept = patterns.trays.iloc[codes]
    return _with_ends(
        kept["origin_days"].to_numpy(dtype=float),
        horizon_of(kept),
        times=_Times(
            tray=times["tray"].to_numpy(dtype=np.int64),
            lo=times["lo"].to_numpy(dtype=float),
            hi=times["hi"].to_numpy(dtype=float),
            count=times["count"].to_numpy(dtype=float),
        ),
        finishes=_cell_terms(cells[~by_pinch & at_last], patterns),
        fillings=_cell_terms(cells[~by_pinch & ~at_last], patterns),
        pinches=_pinch_terms(cells[by_pinch], patterns),
    )


def _renumbered(frame: pd.DataFrame, new_code: Index) -> pd.DataFrame:
    """The rows of trays that have a new code, with it, sorted by tray."""
    codes = new_code[frame["tray"].to_numpy(dtype=np.int64)]
    kept: pd.DataFrame = frame.assign(tray=codes)[codes >= 0]
    return kept.sort_values("tray", kind="stable")


def _cells(finishes: pd.DataFrame, occupied: pd.DataFrame) -> pd.DataFrame:
    """Cells at their last check and first fillings in one table, by tray and last day.

    ``lo`` is -1 for cells at their last check; ``seen`` is 0 for first fillings.
    """
    whole, real = ["tray", "sowing", "seen"], ["lo", "hi", "count"]
    kinds = dict.fromkeys(whole, "int64") | dict.fromkeys(real, "float64")
    at_last = finishes.assign(lo=-1.0, hi=finishes["last"])
    filled = occupied.assign(seen=0)
    parts = [part[[*whole, *real]].astype(kinds) for part in (at_last, filled)]
    cells = pd.concat(parts, ignore_index=True)
    return cells.sort_values(["tray", "hi"], kind="stable", ignore_index=True)


def horizon_of(trays: pd.DataFrame) -> Array:
    """Days from sowing to each tray's horizon, (T,); inf where it has none."""
    if "horizon" not in trays:
        return np.full(len(trays), np.inf)
    return trays["horizon"].to_numpy(dtype=float)


def tiled(data: PatternArrays, times: int) -> PatternArrays:
    """`data` laid out several times over, so that nodes go through at once.

    Parameters
    ----------
    data : PatternArrays
    times : int

    Returns
    -------
    PatternArrays
        Tray i of copy k is tray i + k T.
    """

    def again(codes: Index, _: Index, size: int) -> tuple[Index, Index]:
        moved = np.tile(codes, times) + np.repeat(np.arange(times) * size, len(codes))
        return np.tile(np.arange(len(codes)), times), moved

    return _rearranged(data, np.tile(np.arange(data.trays), times), again)


def only(data: PatternArrays, trays: Index) -> PatternArrays:
    """The records of some trays (ascending), renumbered in that order.

    Parameters
    ----------
    data : PatternArrays
    trays : int array
        Ascending.

    Returns
    -------
    PatternArrays
    """

    def kept(codes: Index, chosen: Index, size: int) -> tuple[Index, Index]:
        code = np.full(size, -1)
        code[chosen] = np.arange(len(chosen))
        at = np.flatnonzero(code[codes] >= 0)
        return at, code[codes[at]]

    return _rearranged(data, trays, kept)


def _rearranged(
    data: PatternArrays, trays: Index, chosen: Callable[[Index, Index, int], tuple[Index, Index]]
) -> PatternArrays:
    """The given trays with their records.

    Parameters
    ----------
    data : PatternArrays
    trays : int array
    chosen : callable
        Of codes (N,), which of them are kept, and of how many: the places of the records that stay,
        in order, and their new codes.
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

    times, time_tray = chosen(data.time_tray, trays, data.trays)
    pinches, pinch_tray = chosen(data.pinches.tray, trays, data.trays)
    ends, end_tray = chosen(data.ends.tray, trays, data.trays)

    def places(at: Index) -> Index:
        return chosen(at, ends, len(data.ends.tray))[1]

    def both(at: tuple[Index, Index]) -> tuple[Index, Index]:
        return places(at[0]), places(at[1])

    return PatternArrays(
        trays=len(trays),
        origin_days=data.origin_days[trays],
        horizon=data.horizon[trays],
        time_tray=time_tray,
        **taken(data, ("time_lo", "time_hi", "time_count"), times),
        finishes=cells(data.finishes),
        fillings=cells(data.fillings),
        pinches=PinchTerms(
            tray=pinch_tray,
            **taken(
                data.pinches, ("lo", "hi", "count", "seen", "mean", "k", "log_constant"), pinches
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
    """Counts of the given trays (all by default) taken as all that ever comes.

    Parameters
    ----------
    data : PatternArrays
    trays : int array, optional

    Returns
    -------
    PatternArrays
    """

    def final(tray: Index, hi: Array) -> Array:
        """Last days, moved after all days."""
        if trays is None:
            return np.full_like(hi, _AFTER_ALL)
        return np.where(np.isin(tray, trays), _AFTER_ALL, hi)

    finishes, fillings, pinches = data.finishes, data.fillings, data.pinches
    return _with_ends(
        data.origin_days,
        data.horizon,
        times=_Times(
            tray=data.time_tray,
            lo=data.time_lo,
            hi=final(data.time_tray, data.time_hi),
            count=data.time_count,
        ),
        finishes=replace(finishes, hi=final(finishes.tray, finishes.hi)),
        fillings=replace(fillings, hi=final(fillings.tray, fillings.hi)),
        pinches=replace(pinches, hi=final(pinches.tray, pinches.hi)),
    )


@dataclass(frozen=True)
class _Times:
    """Seen seeds of count records by interval, sorted by tray."""

    tray: Index
    lo: Array
    hi: Array
    count: Array


def _with_ends(
    origin_days: Array,
    horizon: Array,
    times: _Times,
    finishes: CellTerms,
    fillings: CellTerms,
    pinches: PinchTerms,
) -> PatternArrays:
    """Patterns with the ends of their intervals, each tray and day once."""
    ends = [
        (times.tray, times.lo),
        (times.tray, times.hi),
        (finishes.tray, finishes.hi),
        (fillings.tray, fillings.lo),
        (fillings.tray, fillings.hi),
        (pinches.tray, pinches.lo),
        (pinches.tray, pinches.hi),
    ]
    tray = np.concatenate([of_tray for of_tray, _ in ends])
    day = np.concatenate([days for _, days in ends])
    days, day_code = np.unique(day, return_inverse=True)
    _, first, place = np.unique(tray * len(days) + day_code, return_index=True, return_inverse=True)
    at = np.split(place, np.cumsum([len(of_tray) for of_tray, _ in ends])[:-1])
    return PatternArrays(
        trays=len(origin_days),
        origin_days=origin_days,
        horizon=horizon,
        time_tray=times.tray,
        time_lo=times.lo,
        time_hi=times.hi,
        time_count=times.count,
        finishes=finishes,
        fillings=fillings,
        pinches=pinches,
        ends=IntervalEnds(
            tray=tray[first],
            day=day[first],
            times=(at[0], at[1]),
            finishes=at[2],
            fillings=(at[3], at[4]),
            pinches=(at[5], at[6]),
        ),
    )


def last_days(data: PatternArrays) -> Array:
    """Day of each tray's last look, (T,)."""
    last = np.zeros(data.trays)
    for part in (data.finishes, data.fillings, data.pinches):
        np.maximum.at(last, part.tray, part.hi)
    return last


def _log_choose(n: Index, k: Index) -> Array:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))


@dataclass(frozen=True)
class _Terms:
    """Terms of the sums of some patterns, (N,) each."""

    row: Index
    successes: Index
    failures: Index
    power: Index
    log_weight: Array


def _cell_terms(cells: pd.DataFrame, patterns: Patterns) -> CellTerms:
    """The sums of cells with a countable number of seeds; `cells` as in `_cells`."""
    sowing = cells["sowing"].to_numpy(dtype=np.int64)
    seen = cells["seen"].to_numpy(dtype=np.int64)
    least = (cells["lo"].to_numpy() >= 0).astype(np.int64)  # a first filling takes a seed to come
    parts = []
    for code in np.unique(sowing):
        numbers = patterns.sowings[code].numbers
        for number in numbers:
            rows = np.flatnonzero((sowing == code) & (number - seen >= least))
            parts.append(_terms_of(rows, seen[rows], least[rows], number, len(numbers)))

    def joined(name: str, kind: type) -> NDArray[Any]:
        return np.concatenate([np.zeros(0, dtype=kind), *(getattr(part, name) for part in parts)])

    row = joined("row", np.int64)
    order = np.argsort(row, kind="stable")  # by row, each with its numbers in turn
    return CellTerms(
        tray=cells[Cells.tray].to_numpy(),
        lo=cells["lo"].to_numpy(),
        hi=cells["hi"].to_numpy(),
        count=cells["count"].to_numpy(),
        row=row[order],
        successes=joined("successes", np.int64)[order],
        failures=joined("failures", np.int64)[order],
        power=joined("power", np.int64)[order].astype(float),
        log_weight=joined("log_weight", np.float64)[order],
    )


def _terms_of(rows: Index, seen: Index, least: Index, number: int, choices: int) -> _Terms:
    """Terms of patterns sown with one number of seeds, of `choices` equally likely ones.

    The seeds still to come run from `least` to all that were not seen.
    """
    size = number - seen - least + 1
    row = np.repeat(rows, size)
    within = np.arange(len(row)) - np.repeat(np.cumsum(size) - size, size)
    power = within + np.repeat(least, size)
    left = np.repeat(number - seen, size)
    log_weight = _log_choose(left, power) - np.log(choices)
    if choices > 1:  # how many ways there are to have seen so many depends on the number
        log_weight = log_weight + gammaln(number + 1) - gammaln(left + 1)
    return _Terms(
        row=row,
        successes=np.repeat(seen, size) + power,
        failures=left - power,
        power=power,
        log_weight=log_weight,
    )


def _pinch_terms(cells: pd.DataFrame, patterns: Patterns) -> PinchTerms:
    """Cells sown by the pinch; `cells` as in `_cells`."""
    rates = [patterns.sowings[code] for code in cells["sowing"]]
    mean = np.array([rate.mean for rate in rates], dtype=float)
    k = np.array([rate.k for rate in rates], dtype=float)
    seen = cells["seen"].to_numpy(dtype=float)
    return PinchTerms(
        tray=cells[Cells.tray].to_numpy(),
        lo=cells["lo"].to_numpy(),
        hi=cells["hi"].to_numpy(),
        count=cells["count"].to_numpy(),
        seen=seen,
        mean=mean,
        k=k,
        log_constant=np.asarray(gammaln(k + seen) - gammaln(k) + seen * np.log(mean / k)),
    )
