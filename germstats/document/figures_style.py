"""What every figure shares: colours, sizes for a phone, words, and names made safe to draw and to
save under.

Colours always come with a line style and a marker, and labels are dark text: three of the four
colours miss the contrast that text needs.
"""

from __future__ import annotations

import datetime
import io
import math
import re
import textwrap
import unicodedata
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING, Any, Literal

from germstats.document.sentences import percent

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7")
LINES: tuple[str | tuple[float, tuple[float, ...]], ...] = (
    "-",
    (0, (5, 2)),
    (0, (6, 2, 1, 2)),
    (0, (1.5, 1.5)),
)
MARKERS = ("o", "s", "D", "^")
INK, SOFT, RULE, SHADE = "#1b1b1b", "#555555", "#b5b5b5", "#e8e8e2"
PLATE = {"fc": "white", "ec": "none", "pad": 0.5}
"""Behind text that stands on lines."""
WIDTH = 4.2
"""Inches: on a screen of 360 CSS pixels text is then a little larger than its points."""
TEXT, TITLE = 10.0, 11.0
_LETTERS = 10.0
"""Letters of a title for every inch."""
_LONGEST_NAME, _MOST_DATES, _FORTNIGHTS = 80, 6, 70
_LINE = 0.19  # inches

_RC: dict[Any, Any] = {
    "font.size": TEXT,
    "font.family": ["DejaVu Sans", "sans-serif"],
    "text.parse_math": False,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT,
    "axes.titlesize": TITLE,
    "axes.labelsize": TEXT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": TEXT,
    "ytick.labelsize": TEXT,
    "legend.fontsize": TEXT,
    "svg.fonttype": "none",
    "svg.hashsalt": "germstats",
    "figure.facecolor": "white",
    "axes.facecolor": "white",
}


@dataclass(frozen=True)
class FigureWords:
    """What a figure says to those who hear it instead of seeing it.

    Attributes
    ----------
    title : str
        As above the figure.
    description : str
        One or two sentences of what is seen, with the numbers of the result.
    """

    title: str
    description: str


@dataclass(frozen=True)
class Picture:
    """A figure with its words and the numbers drawn.

    Attributes
    ----------
    name : str
        What it shows, for a file name; may hold a lot's name as it was typed (`file_names` makes it
        safe).
    words : FigureWords
    table : pandas.DataFrame
        What is drawn, as text and numbers under headings a grower reads; never empty.
    figure : matplotlib.figure.Figure
        Not registered with any window.
    """

    name: str
    words: FigureWords
    table: pd.DataFrame
    figure: Figure


@contextmanager
def styled() -> Iterator[None]:
    """Draw or save under the settings of every figure; glyphs the font lacks are the reader's
    browser's to find.
    """
    import matplotlib as mpl

    with mpl.rc_context(_RC), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph .* missing from", category=UserWarning)
        yield


def panels(rows: int, height: float, alike: bool = False) -> tuple[Figure, list[Axes]]:
    """A figure of `rows` panels one above another; call it, draw and say its title within `styled`.

    Parameters
    ----------
    rows : int
    height : float
        Inches, without title and key.
    alike : bool
        Panels share their scales, written at the left and below the last one only.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, height), layout="constrained")
    axes = figure.subplots(rows, 1, squeeze=False, sharex=alike, sharey=alike)
    return figure, list(axes[:, 0])


def titled(figure: Figure, title: str, key_of: Axes | None = None, columns: int = 2) -> None:
    """Write the title over a figure, and under it what the marks of one of its panels are; the
    figure grows by that.

    Both stand in one legend: the layout keeps a title and a legend of their own in the same place.
    """
    handles, labels = key_of.get_legend_handles_labels() if key_of is not None else ([], [])
    lines = folded(title)
    figure.legend(
        handles,
        labels,
        title=lines,
        loc="outside upper left",
        ncols=columns,
        frameon=False,
        alignment="left",
        title_fontproperties={"size": TITLE, "weight": "bold"},
        borderpad=0,
        handlelength=2.6,
        columnspacing=1.2,
        handletextpad=0.5,
    )
    width, height = figure.get_size_inches()
    figure.set_size_inches(
        width, height + _LINE * (1 + lines.count("\n") + math.ceil(len(labels) / columns))
    )


def heading(axes: Axes, text: str) -> None:
    """Name a panel, at its left."""
    axes.set_title(folded(text), loc="left", fontsize=TEXT)


def folded(text: str, width: float = WIDTH) -> str:
    """A title over as many lines as a figure so many inches wide asks for."""
    return "\n".join(textwrap.wrap(text, int(_LETTERS * width)))


def percent_axis(axis: Axis) -> None:
    """A scale of shares from none to all, labelled in per cent."""
    axis.set_ticks([0, 0.25, 0.5, 0.75, 1], labels=["0", "25", "50", "75", "100 %"])


FEBRUARY = datetime.date(2001, 2, 1)
"""Zero of days told without a year."""
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day_words(zero: datetime.date, day: float) -> str:
    """A day counted from `zero`, such as 5 Mar."""
    date = zero + datetime.timedelta(days=round(day))
    return f"{date.day} {_MONTHS[date.month - 1]}"


def day_axis(axes: Axes, zero: datetime.date, low: float, high: float) -> None:
    """Mark the first days of months on an axis of days counted from `zero`; of short spans the 15th
    too.
    """
    dates = [zero + datetime.timedelta(days=k) for k in range(math.floor(low), math.ceil(high) + 1)]
    days = (
        (1, 8, 15, 22)
        if high - low <= _FORTNIGHTS / 2
        else (1, 15)
        if high - low <= _FORTNIGHTS
        else (1,)
    )
    marks = [date for date in dates if date.day in days]
    marks = marks[:: max(1, math.ceil(len(marks) / _MOST_DATES))]
    axes.set_xticks(
        [(date - zero).days for date in marks], labels=[day_words(date, 0) for date in marks]
    )


def gapped(low: Iterable[float], high: Iterable[float]) -> list[float]:
    """Ends of many strokes as the coordinates of one line with gaps: low, high, NaN, low, high,
    NaN, ...
    """
    return [value for ends in zip(low, high, strict=True) for value in (*ends, math.nan)]


def between(low: float, high: float) -> str:
    """Two shares in per cent, as a range."""
    ends = percent(low), percent(high)
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


def shown(text: object, most: int = 40) -> str:
    """A name from a record book as it may be drawn: one line, no control characters, cut with an
    ellipsis.
    """
    plain = " ".join("".join(" " if _not_drawn(one) else one for one in str(text)).split())
    short = plain if len(plain) <= most else plain[: most - 1].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
    if any(unicodedata.bidirectional(one) in ("R", "AL") for one in short):
        short = f"\N{FIRST STRONG ISOLATE}{short}\N{POP DIRECTIONAL ISOLATE}"
    return short or "(no name)"


def _not_drawn(letter: str) -> bool:
    return (
        unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp", "Zs")
        or letter in "\ufffe\uffff"
    )


def file_name(text: str) -> str:
    """A name for a file on any system, of the letters a-z, digits and hyphens; ``figure`` where
    nothing is left.
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub("[^a-z0-9]+", "-", plain).strip("-")[:_LONGEST_NAME].rstrip("-") or "figure"


def file_names(names: Iterable[str]) -> Iterator[str]:
    """File names without ending, no two alike, for what pictures show (`Picture.name`)."""
    taken: set[str] = set()
    for shows in names:
        base = file_name(shows)
        name = next(
            one for k in count(1) if (one := base if k == 1 else f"{base}-{k}") not in taken
        )
        taken.add(name)
        yield name


def figure_bytes(
    figure: Figure, kind: Literal["png", "svg", "pdf"] = "png", dpi: float = 150
) -> bytes:
    """A figure as the content of a file; the same figure gives the same bytes.

    The figure is laid out once: a second pass would start from the first and move things a little.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.BytesIO()
    undated = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}
    with styled():
        if (layout := figure.get_layout_engine()) is not None:
            layout.execute(figure)
            figure.set_layout_engine("none")
        # at once: the general road draws everything a second time only to measure it
        if kind == "svg":
            FigureCanvasSVG(figure).print_svg(buffer, metadata=undated[kind])  # type: ignore[no-untyped-call]
        else:
            figure.canvas.print_figure(buffer, format=kind, dpi=dpi, metadata=undated[kind])
    return buffer.getvalue()
