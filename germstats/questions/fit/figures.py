"""Emergence over time: what is expected of a new tray, and what was seen between the checks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from germstats.document.figures_style import (
    COLOURS,
    FEBRUARY,
    LINES,
    FigureWords,
    Picture,
    between,
    day_axis,
    day_words,
    heading,
    panels,
    percent_axis,
    shown,
    styled,
    titled,
)
from germstats.document.sentences import percent
from germstats.engine.estimates import RowEstimate
from germstats.engine.fit import EmergenceFit
from germstats.questions.fit.course import Boxes, EmergenceCourse, courses_of_lot
from germstats.records.checking.parsing import so_many
from germstats.records.intervals.patterns import Patterns

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def draw_courses(courses: Sequence[EmergenceCourse], title: str) -> Figure:
    """Draw courses one above another on one scale of days and of shares.

    Parameters
    ----------
    courses : sequence of EmergenceCourse
        At least one, all counted from the same day.
    title : str

    Returns
    -------
    matplotlib.figure.Figure
    """
    with styled():
        figure, many = panels(len(courses), 1.45 * len(courses) + 0.4, alike=True)
        for axes, course in zip(many, courses, strict=True):
            _draw_expected(axes, course)
            _draw_seen(axes, course.seen)
            heading(axes, f"{shown(course.row.label)}: {_counts(course)}, {_trays(course)}")
            axes.set_ylabel(course.unit)
        starts, ends = zip(*(one.busy() for one in courses), strict=True)
        low, high = min(starts), max(ends)
        many[0].set_ylim(0, 1.03)
        percent_axis(many[0].yaxis)
        many[0].set_xlim(low, high)
        if courses[0].by_date:
            day_axis(many[-1], FEBRUARY, low, high)
        else:
            many[-1].set_xlabel("days from sowing")
        titled(figure, title, many[0])
    return figure


def _draw_expected(axes: Axes, course: EmergenceCourse) -> None:
    axes.plot(course.day, course.middle, color=COLOURS[0], lw=2, ls=LINES[0], label="expected")
    axes.fill_between(
        course.day,
        course.low,
        course.high,
        color=COLOURS[0],
        alpha=0.22,
        lw=0,
        label="nine new trays in ten",
    )


def _draw_seen(axes: Axes, seen: Boxes) -> None:
    """A box for every pair of checks, and the level between one box and the next."""
    from matplotlib.collections import PolyCollection

    corners = [
        [(a, b), (a, d), (c, d), (c, b)]
        for a, c, b, d in zip(seen.left, seen.right, seen.bottom, seen.top, strict=True)
    ]
    boxes = PolyCollection(
        corners,
        facecolors=f"{COLOURS[1]}55",
        edgecolors=COLOURS[1],
        linewidths=1,
        label="seen between checks",
    )
    axes.add_collection(boxes, autolim=False)
    ends = [*seen.left, max([seen.last, *seen.right[-1:]])]
    starts, levels = [min([0.0, *seen.left]), *seen.right], [0.0, *seen.top]
    flat = [
        (x, y)
        for start, end, level in zip(starts, ends, levels, strict=True)
        for x, y in ((start, level), (end, level), (np.nan, np.nan))
    ]
    axes.plot(*zip(*flat, strict=True), color=COLOURS[1], lw=1.5, ls=LINES[1])


def _counts(course: EmergenceCourse) -> str:
    seen = course.seen
    return f"{seen.came:,} of {'about ' if seen.about else ''}{seen.sown:,} {course.unit}"


def _trays(course: EmergenceCourse) -> str:
    """How many trays the counts are of, and of how many where others tell in another unit or not at
    all.
    """
    some, every = course.seen.trays, course.row.trays
    return so_many(every, "tray") if some == every else f"{some} of {every} trays"


def emergence_picture(fit: EmergenceFit, lot: str) -> Picture:
    """One lot, a panel for each cover or treatment: the expected course with a band for nine new
    trays in ten, and boxes for what was seen: each as wide as the checks it came between and as
    high as the share that came.

    Parameters
    ----------
    fit : EmergenceFit
    lot : str
        One of its rows' lots.
    """
    return lot_picture([row for row in fit.rows if row.lot == lot], fit.patterns)


def lot_picture(rows: Sequence[RowEstimate], patterns: Patterns) -> Picture:
    """`emergence_picture` from the rows of one lot and records that hold the lot's."""
    lot = rows[0].lot
    courses = courses_of_lot(rows, patterns)
    # rows in which nothing was seen have no clock of their own
    if len({course.by_date for course in courses}) > 1:
        courses = [course for course in courses if course.row.draws.time is not None]
    days = "" if courses[0].row.draws.time is not None else ", without timing"
    title = f"When {shown(lot)} comes up{days}"
    words = FigureWords(title, " ".join(_words(course) for course in courses))
    return Picture(f"emergence {lot}", words, courses_table(courses), draw_courses(courses, title))


def emergence_pictures(fit: EmergenceFit) -> Iterator[Picture]:
    """`emergence_picture` of every lot, in the order of the fit's rows."""
    for lot in dict.fromkeys(row.lot for row in fit.rows):
        yield emergence_picture(fit, lot)


def courses_table(courses: Sequence[EmergenceCourse]) -> pd.DataFrame:
    """What was seen by each check at which something new was, or by the last, with what is expected
    by then.
    """
    rows = []
    for course in courses:
        seen = course.seen
        ends = [*zip(seen.right, seen.top, strict=True)] or [(seen.last, 0.0)]
        for day, came in ends:
            middle, low, high = course.expected_by(float(day))
            rows.append(
                (
                    shown(course.row.label),
                    course.unit,
                    _by(course, float(day)),
                    percent(came),
                    percent(middle),
                    between(low, high),
                )
            )
    header = [
        "cover, treatment",
        "share of",
        "by",
        "seen, %",
        "expected, %",
        "nine new trays in ten, %",
    ]
    return pd.DataFrame(rows, columns=header)


def _by(course: EmergenceCourse, day: float) -> str:
    return day_words(FEBRUARY, day) if course.by_date else f"day {day:.0f}"


def _words(course: EmergenceCourse) -> str:
    row = course.row
    end, half = percent(float(course.middle[-1])), ""
    if row.draws.time is not None:
        reached = np.flatnonzero(course.middle >= course.middle[-1] / 2)
        half = f", half of them by {_by(course, float(course.day[reached[0]]))}"
    last = between(float(course.low[-1]), float(course.high[-1]))
    return (
        f"{shown(row.label)}: {_counts(course)} came ({_trays(course)}); {end} % of {course.unit} "
        f"expected{half}, in nine new trays of ten {last} %."
    )
