"""Figures: one function takes plain arrays and gives a figure, another takes a result and picks the arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from germstats.models.timing import Array
from germstats.models.tray_map import TrayMap, cell_name

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_CELL = 0.42  # inches
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


def draw_grid(values: Array, rows: Sequence[str], columns: Sequence[str], words: GridWords) -> Figure:
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
    import seaborn as sns
    from matplotlib.colors import to_rgba
    from matplotlib.figure import Figure
    from matplotlib.ticker import MaxNLocator

    known = np.isfinite(values)
    top = float(values[known].max()) if known.any() else 1.0
    low = float(min(values[known].min(), 0.0)) if known.any() else 0.0
    figure = Figure(
        figsize=(_CELL * len(columns) + (2.0 if words.scale else 1.0), _CELL * len(rows) + 1.3), layout="constrained"
    )
    axes = figure.subplots()
    sns.heatmap(
        values, ax=axes, mask=~known, cmap="cividis", vmin=low, vmax=max(top, low + 1.0), square=True,
        linewidths=0.5, linecolor="white", xticklabels=list(columns), yticklabels=list(rows),
        cbar=bool(words.scale), cbar_kws={"label": words.scale, "ticks": MaxNLocator(integer=True)},
    )  # fmt: skip
    axes.set_facecolor(_UNKNOWN)
    faces = axes.collections[0].to_rgba(np.where(known, values, 0.0))
    for (row, column), value in np.ndenumerate(values):
        face = faces[row, column] if known[row, column] else np.array(to_rgba(_UNKNOWN))
        text = f"{value:.3g}" if known[row, column] else "?"
        axes.text(column + 0.5, row + 0.5, text, ha="center", va="center", color=_ink(face))
    axes.tick_params(length=0, labelrotation=0)
    axes.set(title=words.title, xlabel=words.across, ylabel=words.down)
    return figure


def _ink(face: Array) -> str:
    """Black or white, whichever stands out more: at least 4.5 to 1 (relative luminance of WCAG 2.1, memory)."""
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
    title = f"Tray {one.tray}: {int(one.filled.sum())} of {int(one.known.sum())} cells filled, label at {one.corner}"
    words = GridWords(title, "column of cells", "row of cells", scale)
    rows = [cell_name(row, 0)[:-1] for row in range(one.rows)]
    return draw_grid(one.emerged, rows, [str(column + 1) for column in range(one.columns)], words)
