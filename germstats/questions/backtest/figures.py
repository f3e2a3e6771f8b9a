"""Ranges promised of past trays against what came, the pencil's beside ours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from germstats.document.figures_style import (
    COLOURS,
    INK,
    RULE,
    FigureWords,
    Picture,
    between,
    gapped,
    heading,
    panels,
    percent_axis,
    shown,
    styled,
    titled,
)
from germstats.document.sentences import percent
from germstats.engine.timing import Array
from germstats.questions.backtest.result import BackTest
from germstats.questions.backtest.scores import Score, TrayTest
from germstats.records.checking.parsing import so_many

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_ROOM_FOR_NAME, _ROOM_FOR_TRAYS = 0.1, 0.16


@dataclass(frozen=True)
class Promised:
    """Ranges of many trays and what came, in the order drawn.

    Attributes
    ----------
    name : str
        Whose ranges they are, and how many held.
    low, high, seen : (N,) arrays
        Shares of cells.
    """

    name: str
    low: Array
    high: Array
    seen: Array

    @property
    def inside(self) -> Array:
        """Where the range held, (N,) of 0 and 1."""
        return np.asarray((self.low <= self.seen) & (self.seen <= self.high), dtype=float)


def draw_promises(
    many: Sequence[Promised], groups: Sequence[tuple[str, int]], title: str
) -> Figure:
    """Draw ranges with what came, a panel for each way of promising; the same trays in the same
    order.

    Parameters
    ----------
    many : sequence of Promised
    groups : sequence of (name, trays)
        Neighbouring trays that belong together, from the left.
    title : str

    Returns
    -------
    matplotlib.figure.Figure
    """
    trays = len(many[0].seen)
    with styled():
        figure, grid = panels(len(many), 1.75 * len(many) + 0.5, alike=True)
        for axes, one in zip(grid, many, strict=True):
            _draw_panel(axes, one)
            heading(axes, one.name)
            axes.set_ylabel("cells")
        ends = np.cumsum([count for _, count in groups])
        for axes in grid:
            axes.vlines(ends[:-1] - 0.5, 0, 1, color=RULE, lw=1)
            axes.tick_params(axis="x", length=0)
        grid[0].set_xlim(-1, trays)
        grid[0].set_ylim(-0.04, 1.04)
        percent_axis(grid[0].yaxis)
        middles = [
            float(end) - (count + 1) / 2 for end, (_, count) in zip(ends, groups, strict=True)
        ]
        grid[-1].set_xticks(
            middles, labels=[_group_words(name, count, trays) for name, count in groups]
        )
        titled(figure, title, grid[0])
    return figure


def _group_words(name: str, count: int, trays: int) -> str:
    """As much as the group has room for."""
    if count < _ROOM_FOR_NAME * trays:
        return ""
    return f"{name}\n{so_many(count, 'tray')}" if count >= _ROOM_FOR_TRAYS * trays else name


def _draw_panel(axes: Axes, one: Promised) -> None:
    at = np.arange(len(one.seen))
    wide = float(np.clip(150 / max(len(at), 1), 1.2, 6))
    axes.plot(
        gapped(at, at),
        gapped(one.low, one.high),
        color=COLOURS[0],
        alpha=0.4,
        lw=wide,
        label="promised range",
        solid_capstyle="projecting",
    )
    inside = one.inside == 1
    size = float(np.clip(300 / max(len(at), 1), 2.2, 5))
    axes.plot(at[inside], one.seen[inside], "o", color=INK, ms=size, mew=0, label="came, inside")
    axes.plot(
        at[~inside],
        one.seen[~inside],
        "x",
        color=COLOURS[1],
        ms=size + 2.5,
        mew=1.5,
        label="came, outside",
    )


def backtest_picture(test: BackTest) -> Picture:
    """Every tray with its promised range and what came; below it the same trays with the pencil's
    ranges.

    Trays stand by season, then by what was expected of them.
    """
    rows = sorted(test.rows, key=lambda row: (row.season, row.expected / row.cells, row.tray))
    many = (
        _promised(rows, "our ranges", test.overall.inside, ("low", "high")),
        _promised(
            rows, "the pencil's ranges", test.overall.pencil_inside, ("pencil_low", "pencil_high")
        ),
    )
    groups = [(one.name, one.trays) for one in test.seasons]
    title = (
        f"Past trays: {test.overall.inside} of {test.overall.trays} came inside the promised range"
    )
    return Picture(
        "backtest", _words(test, title), backtest_table(rows), draw_promises(many, groups, title)
    )


def _promised(rows: Sequence[TrayTest], name: str, inside: int, ends: tuple[str, str]) -> Promised:
    cells = np.array([row.cells for row in rows], dtype=float)
    low, high = (np.array([getattr(row, end) for row in rows]) / cells for end in ends)
    return Promised(
        f"{name}: {inside} of {len(rows)} held",
        low,
        high,
        np.array([row.seen for row in rows]) / cells,
    )


def backtest_table(rows: Sequence[TrayTest]) -> pd.DataFrame:
    """The trays drawn by `backtest_picture`, in cells."""
    lines = [
        (
            row.season,
            shown(row.tray),
            shown(row.lot),
            shown(row.label),
            row.cells,
            f"{row.low} to {row.high}",
            row.seen,
            _came(row.seen, row.low, row.high),
            f"{row.pencil_low} to {row.pencil_high}",
            _came(row.seen, row.pencil_low, row.pencil_high),
        )
        for row in rows
    ]
    header = [
        "season",
        "tray",
        "lot",
        "cover, treatment",
        "cells",
        "promised",
        "came",
        "range",
        "pencil",
        "its range",
    ]
    return pd.DataFrame(lines, columns=header)


def _came(seen: int, low: int, high: int) -> str:
    return "short" if seen < low else "better" if seen > high else "held"


def _words(test: BackTest, title: str) -> FigureWords:
    one = test.overall
    seasons = "; ".join(f"{season.name} {_of(season)}" for season in test.seasons)
    text = (
        f"Ranges meant to hold for {percent(test.level)} trays in a hundred held for {_of(one)} "
        f"({seasons}); {so_many(one.short, 'tray')} fell short, {one.better} came better. The "
        f"pencil's held for {one.pencil_inside}. The mean tray was promised "
        f"{percent(one.expected_fill)} % of its cells ({between(one.low_fill, one.high_fill)} %) "
        f"and filled {percent(one.seen_fill)} %."
    )
    return FigureWords(title, text)


def _of(one: Score) -> str:
    return f"{one.inside} of {one.trays}"
