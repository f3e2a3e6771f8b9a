"""Spans of days on a calendar, whatever they are spans of."""

from __future__ import annotations

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
    day_axis,
    gapped,
    panels,
    styled,
    titled,
)
from germstats.records.checking.parsing import spelled

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW = 0.52
_STEP = 0.17
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
    days = _all_days(what)
    zero = min(days).date()

    def at(day: pd.Timestamp) -> float:
        return float((day.date() - zero).days)

    with styled():
        figure, (axes,) = panels(1, _ROW * len(what.rows) + 0.6)
        for kind in range(len(what.kinds)):
            _draw_spans(axes, what, kind, at)
        _draw_marks(axes, what, at)
        if what.today is not None:
            axes.axvline(
                at(what.today),
                color=INK,
                lw=1.2,
                ls=(0, (2, 2)),
                label=f"today, {spelled(what.today)}",
            )
        _draw_words(axes, what)
        last = at(max(days))
        margin = max(2.0, 0.03 * last)
        axes.set_xlim(-margin, last + margin)
        axes.set_ylim(len(what.rows) - 0.45, -0.45)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        day_axis(axes, zero, -margin, last + margin)
        titled(figure, what.title, axes)
    return figure


def _all_days(what: Calendar) -> list[pd.Timestamp]:
    """Every day that is drawn."""
    ends = [day for row in what.rows for span in row.spans if span for day in span]
    marks = [row.mark for row in what.rows if row.mark is not None]
    return [*ends, *marks, *([what.today] if what.today else [])]


def _draw_spans(axes: Axes, what: Calendar, kind: int, at: Callable[[pd.Timestamp], float]) -> None:
    """The spans of one kind, each a little below its row's line."""
    low, high, height = [], [], []
    for k, row in enumerate(what.rows):
        span = row.spans[kind]
        if span:
            low.append(at(span[0]))
            high.append(at(span[1]))
            height.append(k + kind * _STEP)
    axes.plot(
        gapped(low, high),
        gapped(height, height),
        marker=MARKERS[kind],
        color=COLOURS[kind],
        ls=LINES[kind],
        lw=2.5,
        ms=5.5,
        label=what.kinds[kind],
        dash_capstyle="butt",
    )


def _draw_marks(axes: Axes, what: Calendar, at: Callable[[pd.Timestamp], float]) -> None:
    """The crosses, in the middle of each row's spans."""
    middle = _STEP * (len(what.kinds) - 1) / 2
    marked = [(k, row.mark) for k, row in enumerate(what.rows) if row.mark is not None]
    axes.plot(
        [at(day) for _, day in marked],
        [k + middle for k, _ in marked],
        "x",
        color=INK,
        ms=8,
        mew=2,
        ls="none",
        label=what.mark,
    )


def _draw_words(axes: Axes, what: Calendar) -> None:
    """The words of each row, and a rule above it."""
    for k, row in enumerate(what.rows):
        axes.annotate(
            row.words,
            (0, k - 0.24),
            xycoords=("axes fraction", "data"),
            va="center",
            bbox=PLATE,
        )
        axes.axhline(k - 0.45, color=RULE, lw=0.6)


def days_words(span: Days | None) -> str:
    """First and last day of a span; a dash where there is none."""
    return "-" if span is None else f"{spelled(span[0])} to {spelled(span[1])}"
