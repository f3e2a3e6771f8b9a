"""Numbers on a grid, and the map of a tray."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from germstats.document.figures_style import WIDTH, FigureWords, Picture, folded, shown, styled
from germstats.engine.timing import Array
from germstats.maps.tray_map import TrayMap, cell_name
from germstats.maps.tray_scans import Marks
from germstats.records.checking.parsing import so_many

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_CELL = 0.28  # inches
_UNKNOWN = "0.85"


@dataclass(frozen=True)
class GridWords:
    """What a grid of numbers says around its cells.

    Attributes
    ----------
    title, across, down : str
        Title, and names of the axes.
    scale : str
        What the numbers and colours count; empty for no colour bar.
    """

    title: str
    across: str
    down: str
    scale: str = ""


def draw_grid(
    values: Array, rows: Sequence[str], columns: Sequence[str], words: GridWords
) -> Figure:
    """Draw numbers on a grid, coloured by cividis, each with its number in the cell.

    Parameters
    ----------
    values : (R, C) array
        NaN is drawn grey with a question mark.
    rows, columns : sequences of str
        Headings.
    words : GridWords

    Returns
    -------
    matplotlib.figure.Figure
        Not registered with any window; write it with its own ``savefig``.
    """
    from matplotlib.figure import Figure

    known = np.isfinite(values)
    with styled():
        width = max(_CELL * len(columns) + (1.4 if words.scale else 0.7), WIDTH)
        figure = Figure(figsize=(width, _CELL * len(rows) + 1.0), layout="constrained")
        axes = figure.subplots()
        _paint(axes, values, known, words.scale)
        axes.set_xticks(np.arange(len(columns)) + 0.5, labels=list(columns))
        axes.set_yticks(np.arange(len(rows)) + 0.5, labels=list(rows))
        axes.tick_params(length=0, labelrotation=0)
        axes.set(xlabel=words.across, ylabel=words.down)
        axes.set_title(folded(words.title, width), fontweight="bold")
    return figure


def _paint(axes: Axes, values: Array, known: Marks, scale: str) -> None:
    """Cells, their numbers, and the bar of colours where there is a scale."""
    import seaborn as sns
    from matplotlib.colors import to_rgba
    from matplotlib.ticker import MaxNLocator

    top = float(values[known].max()) if known.any() else 1.0
    low = float(min(values[known].min(), 0.0)) if known.any() else 0.0
    sns.heatmap(
        values,
        ax=axes,
        mask=~known,
        cmap="cividis",
        vmin=low,
        vmax=max(top, low + 1.0),
        square=True,
        linewidths=0.5,
        linecolor="white",
        xticklabels=False,
        yticklabels=False,
        cbar=bool(scale),
        cbar_kws={"label": scale, "ticks": MaxNLocator(integer=True), "aspect": 30, "pad": 0.02},
    )
    axes.set_facecolor(_UNKNOWN)
    faces = axes.collections[0].to_rgba(np.where(known, values, 0.0))
    for (row, column), value in np.ndenumerate(values):
        face = faces[row, column] if known[row, column] else np.array(to_rgba(_UNKNOWN))
        text = f"{value:.3g}" if known[row, column] else "?"
        axes.text(column + 0.5, row + 0.5, text, ha="center", va="center", color=_ink(face))


def _ink(face: Array) -> str:
    """Black or white, whichever stands out more: at least 4.5 to 1 (relative luminance of WCAG 2.1,
    memory).
    """
    rgb = face[:3]
    linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return "black" if float(linear @ [0.2126, 0.7152, 0.0722]) > 0.179 else "white"


def tray_map_figure(one: TrayMap) -> Figure:
    """The map of a tray: seedlings ever seen in each cell, or cells filled.

    Parameters
    ----------
    one : TrayMap

    Returns
    -------
    matplotlib.figure.Figure
    """
    scale = "seedlings ever seen in the cell" if one.counted else "1 = filled, 0 = empty"
    title = (
        f"Tray {shown(one.tray)}: {int(one.filled.sum())} of {int(one.known.sum())} cells filled, "
        f"label at {one.corner}"
    )
    words = GridWords(title, "column of cells", "row of cells", scale)
    return draw_grid(
        one.emerged, _row_names(one), [str(column + 1) for column in range(one.columns)], words
    )


def tray_map_picture(one: TrayMap) -> Picture:
    """`tray_map_figure` with its words, and its cells as a table.

    Parameters
    ----------
    one : TrayMap
    """
    import pandas as pd

    filled, known = int(one.filled.sum()), int(one.known.sum())
    title = f"Tray {shown(one.tray)}: {filled} of {known} cells filled"
    empty = [
        f"{name} {int(count)}"
        for name, count in zip(_row_names(one), (one.known & ~one.filled).sum(axis=1), strict=True)
    ]
    text = f"{so_many(known - filled, 'cell')} empty, by row: {', '.join(empty)}."
    unknown = one.rows * one.columns - known
    text += f" {so_many(unknown, 'cell')} not known." if unknown else ""
    text += (
        f" Most seedlings in a cell: {np.nanmax(one.emerged):.0f}." if one.counted and known else ""
    )
    cells = [["?" if np.isnan(value) else f"{value:.3g}" for value in row] for row in one.emerged]
    table = pd.DataFrame(cells, columns=[str(column + 1) for column in range(one.columns)])
    table.insert(0, "row", _row_names(one))
    return Picture(f"tray {one.tray}", FigureWords(title, text), table, tray_map_figure(one))


def _row_names(one: TrayMap) -> list[str]:
    return [cell_name(row, 0)[:-1] for row in range(one.rows)]
