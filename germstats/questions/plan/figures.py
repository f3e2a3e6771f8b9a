"""When the orders of a plan are ready, on a calendar."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from germstats.document.figures_calendar import (
    Calendar,
    CalendarRow,
    Days,
    days_words,
    draw_calendar,
)
from germstats.document.figures_style import FigureWords, Picture, shown
from germstats.document.sentences import percent
from germstats.forecast.order_plan import OrderPlan, OrderRow
from germstats.records.checking.parsing import so_many, spelled


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
    title = (
        f"Orders of {plan.season}: when the last plant is "
        f"{'ready' if plan.spec.grow_weeks else 'up'}"
    )
    what = Calendar(title, rows, ("last plant, nine springs in ten",), "due")
    late = sum(
        row.ready.last > row.due
        for row in lines
        if row.due is not None and row.ready.last is not None
    )
    undated = len(plan.rows) - len(lines)
    text = (
        f"Of {so_many(len(lines), 'order line')} {late or 'none'} may be late. "
        + " ".join(
            f"{_order_words(row)}: last plant {days_words(_ready(row))}, due {_due(row)}."
            for row in lines
        )
        + (f" {undated} more cannot be dated." if undated else "")
    )
    return Picture(
        f"orders {plan.season}", FigureWords(title, text), ready_table(lines), draw_calendar(what)
    )


def _ready(row: OrderRow) -> Days | None:
    return (
        None
        if row.ready.first is None or row.ready.last is None
        else (row.ready.first, row.ready.last)
    )


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
            days_words(_ready(row)),
            _due(row),
            "-" if row.ready.by_due is None else percent(row.ready.by_due),
        )
        for row in rows
    ]
    return pd.DataFrame(
        lines, columns=["order", "species", "plugs", "last plant", "due", "by then, %"]
    )
