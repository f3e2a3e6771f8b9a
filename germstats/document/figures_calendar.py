"""Spans of days on a calendar: when the lots of a spring come, and when orders are ready."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from germstats.document.figures_style import (
    COLOURS,
    INK,
    LINES,
    MARKERS,
    PLATE,
    RULE,
    FigureWords,
    Picture,
    day_axis,
    gapped,
    panels,
    shown,
    styled,
    titled,
)
from germstats.document.sentences import percent
from germstats.forecast.order_plan import OrderPlan, OrderRow
from germstats.questions.watch.spec import LotWatch, Watch
from germstats.questions.watch.watch_text import of_how_many
from germstats.records.checking.parsing import so_many, spelled

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ROW = 0.52
_STEP = 0.17
_WINDOWS = ("first cell", "half", "nine in ten")
Days = tuple[pd.Timestamp, pd.Timestamp]


@dataclass(frozen=True)
class CalendarRow:
    """One line of a calendar.

    Attributes
    ----------
    words : str
        Stands above its spans.
    spans : tuple of (first, last) or None
        As many as the calendar has kinds of spans; None where there is none of that kind.
    mark : pandas.Timestamp or None
        A day of its own, drawn as a cross.
    """

    words: str
    spans: tuple[Days | None, ...]
    mark: pd.Timestamp | None


@dataclass(frozen=True)
class Calendar:
    """What a calendar shows.

    Attributes
    ----------
    title : str
    rows : tuple of CalendarRow
    kinds : tuple of str
        What each kind of span is.
    mark : str
        What the crosses are.
    today : pandas.Timestamp or None
        A line through all rows, named ``today``.
    """

    title: str
    rows: tuple[CalendarRow, ...]
    kinds: tuple[str, ...]
    mark: str
    today: pd.Timestamp | None = None


def draw_calendar(what: Calendar) -> Figure:
    """Draw spans of days, one row below another, its words above each.

    Parameters
    ----------
    what : Calendar
        With at least one day.

    Returns
    -------
    matplotlib.figure.Figure
    """
    ends = [day for row in what.rows for span in row.spans if span for day in span]
    days = [*ends, *(row.mark for row in what.rows if row.mark is not None), *([what.today] if what.today else [])]
    zero = min(days).date()

    middle = _STEP * (len(what.kinds) - 1) / 2

    def at(day: pd.Timestamp) -> float:
        return float((day.date() - zero).days)

    with styled():
        figure, (axes,) = panels(1, _ROW * len(what.rows) + 0.6)
        for kind, name in enumerate(what.kinds):
            told = [(k, row.spans[kind]) for k, row in enumerate(what.rows)]
            spans = [(k + kind * _STEP, at(span[0]), at(span[1])) for k, span in told if span]
            y, low, high = zip(*spans, strict=True) if spans else ((), (), ())
            axes.plot(gapped(low, high), gapped(y, y), marker=MARKERS[kind], color=COLOURS[kind], ls=LINES[kind],
                      lw=2.5, ms=5.5, label=name, dash_capstyle="butt")  # fmt: skip
        marks = [(k + middle, at(row.mark)) for k, row in enumerate(what.rows) if row.mark is not None]
        axes.plot([x for _, x in marks], [y for y, _ in marks], "x", color=INK, ms=8, mew=2, ls="none", label=what.mark)
        if what.today is not None:
            axes.axvline(at(what.today), color=INK, lw=1.2, ls=(0, (2, 2)), label=f"today, {spelled(what.today)}")
        for k, row in enumerate(what.rows):
            axes.annotate(row.words, (0, k - 0.24), xycoords=("axes fraction", "data"), va="center", bbox=PLATE)
            axes.axhline(k - 0.45, color=RULE, lw=0.6)
        low_day, high_day = min(map(at, days)), max(map(at, days))
        pad = max(2.0, 0.03 * (high_day - low_day))
        axes.set_xlim(low_day - pad, high_day + pad)
        axes.set_ylim(len(what.rows) - 0.45, -0.45)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        day_axis(axes, zero, low_day - pad, high_day + pad)
        titled(figure, what.title, axes)
    return figure


def calendar_picture(watch: Watch) -> Picture | None:
    """Windows of the first cell, half and nine in ten of every lot, its give-up day, and the day it is told on.

    Returns
    -------
    Picture or None
        None where nothing of any lot is still to come.
    """
    on = watch.spec.on
    rows = [(lot, _lot_row(lot, on)) for lot in watch.lots]
    coming = [(lot, row) for lot, row in rows if any(row.spans) or row.mark is not None]
    if not coming:
        return None
    title = f"Spring {watch.spring}: when lots come up"
    what = Calendar(title, tuple(row for _, row in coming), _WINDOWS, "give up after", on)
    done = len(rows) - len(coming)
    text = (f"Told on {spelled(on)}, of {so_many(len(coming), 'lot')} still coming; windows hold in nine springs "
            "of ten. " + " ".join(_lot_words(lot, row) for lot, row in coming)
            + (f" Of {done} more nothing is to come." if done else ""))  # fmt: skip
    table = calendar_table([lot for lot, _ in coming], on)
    return Picture(f"calendar {on:%Y-%m-%d}", FigureWords(title, text), table, draw_calendar(what))


def _lot_row(lot: LotWatch, on: pd.Timestamp) -> CalendarRow:
    spans = tuple(None if one is None or one[1] <= on else one for one in (lot.first, lot.half, lot.most))
    counted = so_many(lot.cells, lot.counted.removesuffix("s"))
    return CalendarRow(f"{shown(lot.lot, 26)}: {lot.filled_now} of {counted}", spans, lot.give_up_after)


def _lot_words(lot: LotWatch, row: CalendarRow) -> str:
    named = next(((name, span) for name, span in zip(_WINDOWS[1:], row.spans[1:], strict=True) if span), None)
    if named is not None:
        return f"{shown(lot.lot)}: {named[0]} {_days(named[1])}."
    return f"{shown(lot.lot)}: give up after {spelled(row.mark)}." if row.mark is not None else ""


def _days(span: Days | None) -> str:
    return "-" if span is None else f"{spelled(span[0])} to {spelled(span[1])}"


def calendar_table(lots: Sequence[LotWatch], on: pd.Timestamp) -> pd.DataFrame:
    """The windows drawn by `calendar_picture`, a dash where one has passed or none is told."""
    rows = [
        (
            shown(lot.lot),
            shown(lot.species),
            f"{lot.filled_now} of {of_how_many(lot)}",
            *(_days(span) for span in _lot_row(lot, on).spans),
            "-" if lot.give_up_after is None else spelled(lot.give_up_after),
        )
        for lot in lots
    ]
    return pd.DataFrame(rows, columns=["lot", "species", "cells filled", *_WINDOWS, "give up after"])


def ready_picture(plan: OrderPlan) -> Picture | None:
    """When the last plant of every order line is up, and when it is due.

    Returns
    -------
    Picture or None
        None where no line has a date.
    """
    lines = [row for row in plan.rows if row.ready.first is not None and row.ready.last is not None]
    if not lines:
        return None
    lines.sort(key=lambda row: (row.due is None, row.due or row.ready.last))
    rows = tuple(CalendarRow(_order_words(row), (_ready(row),), row.due) for row in lines)
    title = f"Orders of {plan.season}: when the last plant is {'ready' if plan.spec.grow_weeks else 'up'}"
    what = Calendar(title, rows, ("last plant, nine springs in ten",), "due")
    late = sum(row.ready.last > row.due for row in lines if row.due is not None and row.ready.last is not None)
    undated = len(plan.rows) - len(lines)
    text = (f"Of {so_many(len(lines), 'order line')} {late or 'none'} may be late. "
            + " ".join(f"{_order_words(row)}: last plant {_days(_ready(row))}, due {_due(row)}." for row in lines)
            + (f" {undated} more cannot be dated." if undated else ""))  # fmt: skip
    return Picture(f"orders {plan.season}", FigureWords(title, text), ready_table(lines), draw_calendar(what))


def _ready(row: OrderRow) -> Days | None:
    return None if row.ready.first is None or row.ready.last is None else (row.ready.first, row.ready.last)


def _due(row: OrderRow) -> str:
    return "on no day named" if row.due is None else spelled(row.due)


def _order_words(row: OrderRow) -> str:
    return f"{shown(row.order, 18)}: {row.plugs:,} {shown(row.species, 14)}"


def ready_table(rows: Sequence[OrderRow]) -> pd.DataFrame:
    """The days drawn by `ready_picture`."""
    lines = [
        (
            shown(row.order),
            shown(row.species),
            f"{row.plugs:,}",
            _days(_ready(row)),
            _due(row),
            "-" if row.ready.by_due is None else percent(row.ready.by_due),
        )
        for row in rows
    ]
    return pd.DataFrame(lines, columns=["order", "species", "plugs", "last plant", "due", "by then, %"])
