"""Parts of the patterns of a record book: what was known before a season was sown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from germstats.errors import NotEnoughRecordsError
from germstats.records.book import RecordBook
from germstats.records.intervals.patterns import Patterns, Units
from germstats.records.intervals.seed_totals import counted_by_seeds
from germstats.records.tables import Cells, Checks, Trays

_DAYS_OF = {
    "checks": "checked_on",
    "cells": "checked_on",
    "events": "on",
    "maps": "seen_on",
    "weather": "date",
    "trays": "sown_on",
}


def last_look(book: RecordBook) -> pd.Timestamp | None:
    """Day of the newest check of a tray or a cell; None where there is none."""
    looks = [book.tables[name]["checked_on"].max() for name in ("checks", "cells")]
    return max((day for day in looks if not pd.isna(day)), default=None)


def newest_day(book: RecordBook) -> pd.Timestamp:
    """Day of the newest check or sowing.

    Raises
    ------
    NotEnoughRecordsError
        No such day is known.
    """
    days = [day for day in (last_look(book), book.trays[Trays.sown_on].max()) if not pd.isna(day)]
    if not days:
        raise NotEnoughRecordsError("No day of a check or of a sowing is known: enter trays first.")
    return max(days)


def as_of(book: RecordBook, on: pd.Timestamp) -> RecordBook:
    """The book as it stood on a day: nothing seen, sown or noted later is in it.

    Parameters
    ----------
    book : RecordBook
    on : pandas.Timestamp
        The day itself is in.

    Returns
    -------
    RecordBook
        Trays that only later rows put a stop to are not left out. Findings are those of the whole
        book.
    """
    tables = {
        name: table[~(table[_DAYS_OF[name]] > on)].reset_index(drop=True)
        if name in _DAYS_OF
        else table
        for name, table in book.tables.items()
    }
    stops = book.findings[book.findings["severity"] == "stop"]
    later = [
        _later(book, *place, on)
        for place in zip(stops["table"], stops["row"], stops["key"], strict=True)
    ]
    known = set(stops["tray"][~np.array(later, dtype=bool)])
    kept = set(stops["tray"]) - known
    left_out = {tray: why for tray, why in book.left_out.items() if tray not in kept}
    return replace(book, tables=tables, left_out=left_out)


def _later(book: RecordBook, name: str, row: object, key: str, on: pd.Timestamp) -> bool:
    """Whether a row is known to have been written after `on`: by its date, else by the date in its
    key.
    """
    if name not in _DAYS_OF:
        return False
    table = book.tables[name]
    dates = table.loc[table["row"] == row, _DAYS_OF[name]]
    date = (
        dates.iloc[0]
        if len(dates)
        else pd.to_datetime(key.split("/")[-1], format="%Y-%m-%d", errors="coerce")
    )
    return bool(date > on)


def looked_at_sowing(book: RecordBook, trays: pd.DataFrame) -> RecordBook:
    """The book with a look at trays never looked at: none was up the day after they were sown.

    So they enter a fit, which then forecasts them from all others of their lot and spring. Where
    only seedlings were counted of the others of their lot, so does this look.

    Parameters
    ----------
    book : RecordBook
    trays : pandas.DataFrame
        Rows with ``tray`` and ``sown_on``.

    Returns
    -------
    RecordBook
    """
    checks = book.checks
    looked = set(checks.loc[checks[Checks.checked_on].notna(), Checks.tray]) | set(
        book.cells[Cells.tray]
    )
    new = trays[~trays[Trays.tray].isin(looked)]
    if new.empty:
        return book
    blank = {
        name: "" if pd.api.types.is_object_dtype(kind) else 0
        for name, kind in checks.dtypes.items()
    }
    sown = book.trays
    by_seeds = new["tray"].isin(sown[Trays.tray][counted_by_seeds(checks, sown)]).to_numpy()
    none = pd.array([0] * len(new), dtype="Int64")
    looks = pd.DataFrame([blank] * len(new)).assign(
        tray=new["tray"].to_numpy(),
        checked_on=new[Trays.sown_on].to_numpy() + np.timedelta64(1, "D"),
        filled=pd.Series(none).mask(by_seeds).array,
        seedlings=pd.Series(none).mask(~by_seeds).array,
    )
    looks = pd.concat([checks, looks[list(checks)].astype(checks.dtypes)], ignore_index=True)
    return replace(book, tables={**book.tables, "checks": looks})


def before_season(patterns: Patterns, season: int) -> Patterns:
    """What a grower knew when she sowed for `season`: trays judged in an earlier spring.

    A tray of a two-winter species is judged a year after its season, so that its count may not be
    known yet.

    Parameters
    ----------
    patterns : Patterns
    season : int
        Year of the first spring of the trays to come.

    Returns
    -------
    Patterns
        Trays renumbered in their order; ``sowings`` keeps all its codes. ``left_out`` is empty,
        because the seasons of trays without a usable record are not known here.
    """
    trays = patterns.trays
    judged = (trays[Trays.sown_on] + pd.to_timedelta(trays["origin_days"], unit="D")).dt.year
    return keep_trays(patterns, np.flatnonzero((judged < season).to_numpy(dtype=bool)))


def keep_trays(patterns: Patterns, kept: NDArray[np.int64]) -> Patterns:
    """The patterns of the trays with the given codes, renumbered in that order of codes.

    Parameters
    ----------
    patterns : Patterns
    kept : (T,) int array
        Tray codes, ascending.

    Returns
    -------
    Patterns
        ``sowings`` keeps all its codes; ``left_out`` is empty.
    """
    trays = patterns.trays
    code = np.full(len(trays), -1, dtype=np.int64)
    code[kept] = np.arange(len(kept))

    def part(frame: pd.DataFrame) -> pd.DataFrame:
        frame = frame.assign(tray=code[frame["tray"].to_numpy(dtype=np.int64)])
        return frame[frame["tray"] >= 0].reset_index(drop=True)

    known = trays.iloc[kept].reset_index(drop=True)
    units = patterns.units
    return Patterns(
        trays=known,
        times=part(patterns.times),
        finishes=part(patterns.finishes),
        occupied=part(patterns.occupied),
        sowings=patterns.sowings,
        notes={tray: said for tray, said in patterns.notes.items() if tray in set(known["tray"])},
        left_out={},
        units=None
        if units is None
        else Units(part(units.rises), part(units.ends), part(units.looks)),
    )
