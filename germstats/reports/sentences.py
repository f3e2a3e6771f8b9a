"""Numbers and settings in a grower's words: two figures are enough."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from germstats.decisions.sowing import SowingRow
from germstats.models.estimates import RowEstimate
from germstats.models.lot_posterior import Scatter

WIDTH = 100


def percent(share: float) -> str:
    """A share as whole per cent; ends are never claimed to be certain."""
    if share < 0.005:
        return "<1"
    return ">99" if share > 0.995 else f"{100 * share:.0f}"


def spread(low: str, high: str) -> str:
    """A range."""
    return f"{low}-{high}"


def days(value: float | None) -> str:
    """Whole days, or a dash where no time can be told."""
    return "-" if value is None else f"{value:.0f}"


def number(value: int | None) -> str:
    """A count, or a dash where it is not known."""
    return "-" if value is None else str(value)


def wrapped(text: str, indent: str = "") -> str:
    """Fold a paragraph."""
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def scatter_words(scatter: Scatter) -> str:
    """The scatter settings in points at 60 %."""

    def points(sd: float) -> str:
        return f"about {100 * 0.24 * sd:.0f} points at 60 %"  # slope p(1 - p) of the logit there

    return (
        f"trays of one lot differ by {points(scatter.tray)} (--tray-sd {scatter.tray:g}), "
        f"springs by {points(scatter.season)} (--season-sd {scatter.season:g}); "
        "taken as given, not learnt from your trays"
    )


def note_lines(rows: Iterable[RowEstimate | SowingRow]) -> list[str]:
    """Notes under a table, one paragraph per row that has any; no line where none has."""
    lines = [wrapped(f"{row.lot}, {row.label}: {'; '.join(row.notes)}.", "  ") for row in rows if row.notes]
    return ["Notes:", *lines, ""] if lines else []


CAUTION = (
    "Dry sand, grit, perlite and vermiculite make dust that harms lungs: wet them first, work outdoors or aired. "
    "These are estimates from your own records, without warranty."
)
