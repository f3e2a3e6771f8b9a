"""Expected fill against seeds per cell: the number advised, the pencil rule's, and the target."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import pandas as pd

from germstats.document.figures_style import (
    COLOURS,
    INK,
    PLATE,
    SOFT,
    FigureWords,
    Picture,
    between,
    panels,
    percent_axis,
    shown,
    styled,
    titled,
)
from germstats.document.sentences import percent
from germstats.engine.estimates import RowEstimate
from germstats.forecast.seeds_per_cell import SowingRow, SowingSpec, more_trays
from germstats.questions.sow.fill_curve import MOST_SHOWN, FillAt, fill_by_seeds

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_MOST_PENCIL = 12
"""The pencil rule's number is drawn up to here; beyond it is only told."""


@dataclass(frozen=True)
class FillShown:
    """What a figure of fill shows.

    Attributes
    ----------
    title : str
    points : tuple of FillAt
        By seeds per cell, rising.
    unit : str
        ``seeds per cell``, ``pinches per cell`` or ``seeds in a pinch``.
    target : float
        Share of cells.
    advised : float
        The number to sow.
    pencil : float or None
        Numbers of seeds per cell; None where there is none, or none that is drawn.
    """

    title: str
    points: tuple[FillAt, ...]
    unit: str
    target: float
    advised: float
    pencil: float | None

    def at(self, number: float | None) -> FillAt | None:
        """The point at a number of seeds per cell."""
        return next((point for point in self.points if point.seeds_per_cell == number), None)


def draw_fill(what: FillShown) -> Figure:
    """Draw fill with its ranges against seeds per cell, the chance of the target under each number.

    Parameters
    ----------
    what : FillShown

    Returns
    -------
    matplotlib.figure.Figure
    """
    with styled():
        figure, (axes,) = panels(1, 2.9)
        numbers = [point.seeds_per_cell for point in what.points]
        axes.vlines(
            numbers,
            [p.low for p in what.points],
            [p.high for p in what.points],
            color=COLOURS[0],
            lw=5,
            alpha=0.35,
            label="nine trays in ten",
        )
        axes.plot(
            numbers,
            [p.fill for p in what.points],
            "o-",
            color=COLOURS[0],
            ms=4,
            lw=1.5,
            label="expected fill",
        )
        axes.axhline(what.target, color=INK, ls=(0, (4, 3)), lw=1)
        _name_target(axes, what)
        _mark(axes, what)
        labels = [f"{p.seeds_per_cell:g}\n{percent(p.chance)}" for p in what.points]
        axes.set_xticks(numbers, labels=labels)
        axes.set_xlabel(f"{what.unit} / chance to reach the target, %")
        axes.set_ylabel("cells filled")
        axes.set_ylim(0, 1.06)
        percent_axis(axes.yaxis)
        titled(figure, what.title, axes)
    return figure


def _name_target(axes: Axes, what: FillShown) -> None:
    """Over the left end of the target's line, or under its right end where even few seeds come near
    it.
    """
    near = what.points[0].fill >= what.target - 0.15
    axes.annotate(
        f"target {100 * what.target:.3g} %",
        (1 if near else 0, what.target),
        (-4, -3) if near else (4, 3),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        ha="right" if near else "left",
        va="top" if near else "bottom",
        bbox=PLATE,
    )


def _mark(axes: Axes, what: FillShown) -> None:
    """Rings round the number advised and the pencil's, named below their ranges, one under the
    other.
    """
    advised, pencil = what.at(what.advised), what.at(what.pencil)
    both = advised is not None and advised == pencil
    marks = (
        (advised, "D", COLOURS[1], "advised, and the pencil rule" if both else "advised"),
        (None if both else pencil, "s", COLOURS[2], "pencil rule"),
    )
    told = [mark for mark in marks if mark[0] is not None]
    low = min((point.low for point, *_ in told if point is not None), default=0.0)
    for k, (point, marker, colour, words) in enumerate(told):
        assert point is not None
        at = point.seeds_per_cell
        axes.plot([at], [point.fill], marker, mfc="none", mec=colour, mew=2, ms=11, ls="none")
        foot = max(low - 0.1 - 0.13 * k, 0.05)
        axes.vlines(at, foot + 0.03, point.low, color=SOFT, lw=0.8, ls=":")
        side, aside = _room(point, what.points)
        axes.annotate(
            words,
            (at, foot),
            (aside, 0),
            textcoords="offset points",
            va="center",
            ha=side,
            bbox=PLATE,
        )


def _room(
    point: FillAt, points: Sequence[FillAt]
) -> tuple[Literal["left", "right", "center"], float]:
    """Where a name starts, and how many points aside, so that it stays within the axis."""
    if point in points[:2]:
        return "left", -6
    return ("right", 6) if point in points[-2:] else ("center", 0)


def fill_picture(row: RowEstimate, advice: SowingRow, spec: SowingSpec) -> Picture:
    """Fill of a new tray and its 90 % range at 1 to 8 seeds (pinches) per cell, with the chance
    under each number.

    Parameters
    ----------
    row : RowEstimate
    advice : SowingRow
        Of the same row: ``zip(fit.rows, seeds_per_cell(fit).rows)``.
    spec : SowingSpec
        Of the advice.
    """
    unmeasured = row.rate.kind == "pinch_unmeasured"
    unit = (
        "pinches per cell"
        if unmeasured
        else "seeds per cell"
        if row.rate.k is None
        else "seeds in a pinch"
    )
    advised = advice.by_seeds[-1][0]
    pencil = advice.pencil_seeds_per_cell
    drawn = pencil if pencil is not None and pencil <= _MOST_PENCIL else None
    numbers = {float(n) for n in range(1, MOST_SHOWN + 1)} | {advised}
    if drawn is not None:
        numbers.add(drawn)
    points = fill_by_seeds(row, spec.target, advice.cells, sorted(numbers))
    who = f"{shown(row.lot)}, {shown(row.label)}"
    said = f"sow {_so_many(advised, unit)}"
    if not advice.reaches_target:
        said += f"; {more_trays(advice.extra_trays)}"
    what = FillShown(
        title=f"{who}: {said}",
        points=points,
        unit=unit,
        target=spec.target,
        advised=advised,
        pencil=drawn,
    )
    return Picture(
        f"fill {row.lot} {row.label}", _words(what, advice, spec), fill_table(what), draw_fill(what)
    )


def _so_many(number: float, unit: str) -> str:
    return (
        f"{number:g} {unit}"
        if number != 1
        else f"1 {unit.replace('seeds', 'seed').replace('pinches', 'pinch')}"
    )


def fill_table(what: FillShown) -> pd.DataFrame:
    """The numbers drawn by `draw_fill`."""
    rows = [
        (
            f"{p.seeds_per_cell:g}",
            percent(p.fill),
            between(p.low, p.high),
            percent(p.chance),
            ", ".join(
                words
                for words, at in (("advised", what.advised), ("pencil rule", what.pencil))
                if at == p.seeds_per_cell
            ),
        )
        for p in what.points
    ]
    target = f"chance of {100 * what.target:.3g} %, in %"
    return pd.DataFrame(
        rows, columns=[what.unit, "cells filled, %", "nine trays in ten, %", target, "note"]
    )


def _words(what: FillShown, advice: SowingRow, spec: SowingSpec) -> FigureWords:
    point = what.at(what.advised)
    assert point is not None, "the number advised is drawn"
    goal = f"{100 * spec.target:.3g} % of {advice.cells} cells"
    text = (
        f"At {_so_many(point.seeds_per_cell, what.unit)} {percent(point.fill)} % of cells fill, in "
        f"nine trays of ten {between(point.low, point.high)} %; the chance to fill {goal} is "
        f"{percent(point.chance)} %."
    )
    if not advice.reaches_target:
        text += (
            f" That is short of the {percent(spec.assurance)} % wanted: "
            f"{more_trays(advice.extra_trays)}."
        )
    if advice.pencil_seeds_per_cell is not None and advice.pencil_chance is not None:
        text += (
            f" The pencil rule says {advice.pencil_seeds_per_cell}, with a chance of "
            f"{percent(advice.pencil_chance)} %."
        )
    return FigureWords(what.title, text)
