"""When the lots of a spring come, on a calendar."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from germstats.document.figures_calendar import Calendar, CalendarRow, days_words, draw_calendar
from germstats.document.figures_style import FigureWords, Picture, shown
from germstats.questions.watch.spec import LotWatch, Watch
from germstats.questions.watch.watch_text import of_how_many
from germstats.records.checking.parsing import so_many, spelled

_WINDOWS = ("first cell", "half", "nine in ten")


def calendar_picture(watch: Watch) -> Picture | None:
    """Windows of the first cell, half and nine in ten of every lot, its give-up day, and the day it
    is told on.

    Returns
    -------
    Picture or None
        None where nothing of any lot is still to come.
    """
    on = watch.spec.day
    rows = [(lot, _lot_row(lot, on)) for lot in watch.lots]
    coming = [(lot, row) for lot, row in rows if any(row.spans) or row.mark is not None]
    if not coming:
        return None
    title = f"Spring {watch.spring}: when lots come up"
    what = Calendar(
        title=title,
        rows=tuple(row for _, row in coming),
        kinds=_WINDOWS,
        mark="give up after",
        today=on,
    )
    done = len(rows) - len(coming)
    text = (
        f"Told on {spelled(on)}, of {so_many(len(coming), 'lot')} still coming; windows hold in "
        "nine springs of ten. "
        + " ".join(_lot_words(lot, row) for lot, row in coming)
        + (f" Of {done} more nothing is to come." if done else "")
    )
    table = calendar_table([lot for lot, _ in coming], on)
    return Picture(f"calendar {on:%Y-%m-%d}", FigureWords(title, text), table, draw_calendar(what))


def _lot_row(lot: LotWatch, on: pd.Timestamp) -> CalendarRow:
    spans = tuple(
        None if one is None or one[1] <= on else one for one in (lot.first, lot.half, lot.most)
    )
    counted = so_many(lot.cells, lot.counted.removesuffix("s"))
    return CalendarRow(
        f"{shown(lot.lot, 26)}: {lot.filled_now} of {counted}", spans, lot.give_up_after
    )


def _lot_words(lot: LotWatch, row: CalendarRow) -> str:
    named = next(
        ((name, span) for name, span in zip(_WINDOWS[1:], row.spans[1:], strict=True) if span), None
    )
    if named is not None:
        return f"{shown(lot.lot)}: {named[0]} {days_words(named[1])}."
    return f"{shown(lot.lot)}: give up after {spelled(row.mark)}." if row.mark is not None else ""


def calendar_table(lots: Sequence[LotWatch], on: pd.Timestamp) -> pd.DataFrame:
    """The windows drawn by `calendar_picture`, a dash where one has passed or none is told."""
    rows = [
        (
            shown(lot.lot),
            shown(lot.species),
            f"{lot.filled_now} of {of_how_many(lot)}",
            *(days_words(span) for span in _lot_row(lot, on).spans),
            "-" if lot.give_up_after is None else spelled(lot.give_up_after),
        )
        for lot in lots
    ]
    return pd.DataFrame(
        rows, columns=["lot", "species", "cells filled", *_WINDOWS, "give up after"]
    )
