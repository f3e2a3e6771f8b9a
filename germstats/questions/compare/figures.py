"""Differences between covers (or levels of any treatment) with their ranges and verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from germstats.document.figures_style import (
    COLOURS,
    MARKERS,
    PLATE,
    RULE,
    SHADE,
    SOFT,
    FigureWords,
    Picture,
    panels,
    shown,
    styled,
    titled,
)
from germstats.questions.compare.comparison import Comparison, ComparisonRow, ComparisonVerdict
from germstats.records.checking.parsing import so_many

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROW, _GAP = 0.46, 0.9
_SIGNS = {
    "better": (MARKERS[0], COLOURS[0]),
    "worse": (MARKERS[1], COLOURS[1]),
    ComparisonVerdict.SAME: (MARKERS[2], COLOURS[2]),
}
_REACH = 12.0
"""Points that are always shown to both sides of none."""


@dataclass(frozen=True)
class Difference:
    """One row of a figure of differences.

    Attributes
    ----------
    who : str
        What was compared.
    points, low, high : float
    verdict : ComparisonVerdict
    over_all : bool
        A mean over species, drawn apart.
    """

    who: str
    points: float
    low: float
    high: float
    verdict: ComparisonVerdict
    over_all: bool


def draw_differences(rows: Sequence[Difference], margin: float, title: str, across: str) -> Figure:
    """Draw differences with their ranges, one below another, what is compared and the verdict above
    each.

    Parameters
    ----------
    rows : sequence of Difference
        At least one; those over all last.
    margin : float
        Points within which two may be practically the same.
    title, across : str

    Returns
    -------
    matplotlib.figure.Figure
    """
    apart = sum(not row.over_all for row in rows)
    places = [k + (_GAP if k >= apart > 0 else 0.0) for k in range(len(rows))]
    with styled():
        figure, (axes,) = panels(1, _ROW * (places[-1] + 1) + 0.75)
        axes.axvspan(-margin, margin, color=SHADE, lw=0)
        axes.axvline(0, color=SOFT, lw=1)
        for at, row in zip(places, rows, strict=True):
            _draw_row(axes, at, row)
        if 0 < apart < len(rows):
            axes.axhline(apart - 0.3, color=RULE, lw=1)
            axes.annotate(
                "over all species",
                (0, apart),
                xycoords=("axes fraction", "data"),
                va="center",
                fontweight="bold",
            )
        reach = max(_REACH, margin + 2, *(abs(end) for row in rows for end in (row.low, row.high)))
        axes.set_xlim(max(-1.04 * reach, -104), min(1.04 * reach, 104))
        axes.set_ylim(places[-1] + 0.5, -0.75)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        axes.set_xlabel(f"{across}\nshaded: within {margin:g} points")
        titled(figure, title)
    return figure


def _draw_row(axes: Axes, at: float, row: Difference) -> None:
    firm = not row.verdict.probable
    marker, colour = _SIGNS.get(row.verdict.way, ("o", SOFT))
    filled = firm and row.verdict != ComparisonVerdict.CANNOT_TELL
    axes.plot(
        [row.low, row.high],
        [at, at],
        color=colour,
        lw=2,
        ls="-" if firm else (0, (5, 2)),
        solid_capstyle="butt",
    )
    axes.plot(
        [row.points], [at], marker, color=colour, mfc=colour if filled else "white", mew=2, ms=8
    )
    axes.annotate(
        f"{row.who}: {row.verdict}",
        (0, at - 0.36),
        xycoords=("axes fraction", "data"),
        va="center",
        bbox=PLATE,
    )


def covers_picture(comparison: Comparison) -> Picture | None:
    """Points of emergence, level less reference, one row per pair and species, those over all
    species below.

    Returns
    -------
    Picture or None
        None where every pair was refused.
    """
    told = [
        row
        for row in comparison.rows
        if row.verdict != ComparisonVerdict.REFUSED and row.points is not None
    ]
    if not told:
        return None
    told.sort(key=lambda row: row.species is None)
    rows = [_difference(row) for row in told]
    what, margin = comparison.spec.treatment, comparison.spec.margin
    title = f"{what.capitalize()}: differences in emergence"
    figure = draw_differences(
        rows, margin, title, "points of emergence more (right) or fewer (left)"
    )
    return Picture(
        f"{what} compared", _words(rows, comparison, title), differences_table(told), figure
    )


def _difference(row: ComparisonRow) -> Difference:
    assert row.points is not None
    pair = f"{shown(row.level, 18)} v. {shown(row.reference, 18)}"
    who = pair if row.species is None else f"{shown(row.species, 14)}, {pair}"
    low, high = (row.points if end is None else end for end in (row.points_low, row.points_high))
    return Difference(
        who=who,
        points=row.points,
        low=low,
        high=high,
        verdict=row.verdict,
        over_all=row.species is None,
    )


def differences_table(rows: Sequence[ComparisonRow]) -> pd.DataFrame:
    """The numbers drawn by `covers_picture`, with the trays they rest on."""
    lines = [
        (
            "over all" if row.species is None else shown(row.species),
            shown(row.level),
            shown(row.reference),
            f"{row.trays[1]} v. {row.trays[0]}",
            f"{row.points or 0:+.0f}",
            f"{row.points_low or 0:+.0f} to {row.points_high or 0:+.0f}",
            row.verdict,
        )
        for row in rows
    ]
    return pd.DataFrame(
        lines, columns=["species", "level", "against", "trays", "points", "range", "verdict"]
    )


def _words(rows: Sequence[Difference], comparison: Comparison, title: str) -> FigureWords:
    said = "; ".join(
        f"{row.who}: {row.verdict}, {row.points:+.0f} points ({row.low:+.0f} to {row.high:+.0f})"
        for row in rows
        if row.verdict != ComparisonVerdict.CANNOT_TELL
    )
    unsure = sum(row.verdict == ComparisonVerdict.CANNOT_TELL for row in rows)
    refused = sum(row.verdict == ComparisonVerdict.REFUSED for row in comparison.rows)
    text = f"{said}." if said else ""
    text += f" Of {unsure} of {len(rows)} differences nothing can be said yet." if unsure else ""
    text += f" {so_many(refused, 'pair')} cannot be separated, not drawn." if refused else ""
    return FigureWords(title, text.strip())
