"""Figures draw what the results say, can be read, and bear odd books."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import matplotlib.colors
import matplotlib.pyplot
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from germstats.document.figures_style import COLOURS, LINES, MARKERS, SHADE, TEXT, file_name, shown
from germstats.forecast.seeds_per_cell import SowingSpec, seeds_per_cell
from germstats.page import figures
from germstats.page.figures import FigureWords, Picture, figure_bytes, file_names
from germstats.questions.fit.course import courses_of_lot
from germstats.questions.sow.fill_curve import fill_by_seeds
from germstats.records.seeds import SowingRate
from tests.made_patterns import made_patterns
from tests.page.figure_results import (
    HOSTILE,
    comparison,
    made_fit,
    past,
    plan,
    small_fit,
    spring,
    tray_map,
)


def fill(**wanted: object) -> Picture:
    fit = small_fit()
    advice = seeds_per_cell(fit, SowingSpec(**wanted))  # type: ignore[arg-type]
    return figures.fill_picture(fit.rows[0], advice.rows[0], advice.spec)


def every_picture(name: str = "A-1") -> Iterator[Picture]:
    """One of each, with a lot, species, order or tray of this name."""
    fit = small_fit(name)
    advice = seeds_per_cell(fit)
    made = (
        figures.fill_picture(fit.rows[0], advice.rows[0], advice.spec),
        *figures.emergence_pictures(fit),
        figures.covers_picture(comparison(name)),
        figures.calendar_picture(spring(name=name)),
        figures.ready_picture(plan(name)),
        figures.backtest_picture(past(lot=name)),
        figures.tray_map_picture(tray_map(tray=name)),
    )
    for one in made:
        assert one is not None
        yield one


def light(colour: object) -> float:
    """Relative luminance of WCAG 2.1 (memory)."""
    rgb = np.array(matplotlib.colors.to_rgb(colour))  # type: ignore[arg-type]
    linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: object, other: object) -> float:
    low, high = sorted((light(one), light(other)))
    return (high + 0.05) / (low + 0.05)


# --- what is drawn
# ------------------------------------------------------------------------------------------


def test_fill_is_drawn_as_it_is_forecast():
    fit = small_fit()
    advice = seeds_per_cell(fit, SowingSpec(most_seeds=8))
    row, told = fit.rows[0], advice.rows[0]
    axes = figures.fill_picture(row, told, advice.spec).figure.axes[0]
    expected = fill_by_seeds(row, 0.9, 72)
    line = axes.lines[0]
    assert list(line.get_xdata()) == [1, 2, 3, 4, 5, 6, 7, 8]
    assert list(line.get_ydata()) == [one.fill for one in expected]
    ranges = axes.collections[0].get_segments()
    assert [(seg[0][1], seg[1][1]) for seg in ranges] == [(one.low, one.high) for one in expected]
    at = {
        (one.get_marker()): one.get_xdata()[0]
        for one in axes.lines[1:]
        if one.get_marker() in ("D", "s")
    }
    assert at == {"D": told.seeds_per_cell, "s": told.pencil_seeds_per_cell}
    advised = expected[int(told.seeds_per_cell) - 1]
    assert (advised.fill, advised.chance) == (told.expected_fill, told.chance)
    labels = [text.get_text().split("\n")[1] for text in axes.get_xticklabels()]
    assert labels[int(told.seeds_per_cell) - 1] == f"{100 * told.chance:.0f}"
    assert {"target 90 %", "advised", "pencil rule"} <= {text.get_text() for text in axes.texts}


def test_fill_says_what_is_advised_and_what_is_short():
    enough = fill(most_seeds=8)
    assert enough.words.title.startswith("A-1, grit: sow ") and "tray" not in enough.words.title
    assert enough.words.description.count("%") >= 4
    short = fill(most_seeds=1)
    assert short.words.title.startswith("A-1, grit: sow 1 seed per cell; ")
    assert "tray" in short.words.title
    assert "short of the 80 % wanted: " in short.words.description
    assert "advised" in {text.get_text() for text in short.figure.axes[0].texts}


def test_a_pinch_of_unknown_size_is_counted_in_pinches():
    fit = small_fit()
    row = replace(fit.rows[0], rate=SowingRate("pinch_unmeasured", (), 1.0))
    advice = seeds_per_cell(replace(fit, rows=(row,)))
    picture = figures.fill_picture(row, advice.rows[0], advice.spec)
    assert "pinches per cell" in picture.words.title
    assert picture.table.columns[0] == "pinches per cell"
    assert "advised" in set(picture.table["note"])
    assert "seed" not in picture.words.description


def test_a_pinch_of_known_size_is_told_by_its_seeds():
    fit = small_fit()
    row = replace(
        fit.rows[0], rate=SowingRate(kind="pinch", counts=(), mean=5.0, k=3.0, k_measured=True)
    )
    advice = seeds_per_cell(replace(fit, rows=(row,)))
    assert "in a pinch" in figures.fill_picture(row, advice.rows[0], advice.spec).words.title


def test_boxes_stand_between_the_checks_and_as_high_as_what_came():
    """Grit: 20 of 72 came between days 70 and 80, 20 more by day 90; 1 February is day 62."""
    picture = figures.emergence_picture(small_fit(), "A-1")
    axes = picture.figure.axes[0]
    boxes = [path.vertices for path in axes.collections[1].get_paths()]
    ends = [(box[:, 0].min(), box[:, 0].max(), box[:, 1].min(), box[:, 1].max()) for box in boxes]
    assert np.array(ends) == pytest.approx(
        np.array([(8, 18, 0, 20 / 72), (18, 28, 20 / 72, 40 / 72)])
    )
    assert axes.get_title(loc="left") == "grit: 40 of 72 seeds, 1 tray"
    assert picture.figure.axes[1].get_title(loc="left") == "none: 100 of 144 seeds, 2 trays"
    assert list(picture.table["by"]) == ["19 Feb", "1 Mar"] * 2
    assert list(picture.table["seen, %"]) == ["28", "56", "35", "69"]


def test_the_expected_course_ends_at_the_estimate_and_never_falls():
    fit = small_fit()
    for course, row in zip(courses_of_lot(fit.rows, fit.patterns), fit.rows, strict=True):
        assert course.middle[-1] == pytest.approx(row.emergence, abs=0.002)
        assert course.expected_by(row.median_days - 62)[0] == pytest.approx(
            row.emergence / 2, abs=0.04
        )
        for line in (course.middle, course.low, course.high):
            assert (np.diff(line) >= -1e-9).all()
        assert (course.low <= course.middle + 1e-9).all()
        assert (course.middle <= course.high + 1e-9).all()
        assert course.middle[0] == 0  # nothing comes before 1 February where that starts the clock


def test_a_course_of_cells_is_the_fill_of_a_new_tray():
    """By the end a share of cells with two seeds each fills, as the forecast of a new tray
    has it.
    """
    rate = SowingRate("counted", (2,), 2.0)
    trays = [
        {"lot": "C", "record": "totals", "emerged": np.nan, "seeds": np.nan, "filled": 50.0}
    ] * 2
    occupied = [(t, 0, 70, 90, 50) for t in (0, 1)]
    finishes = [(t, 0, 0, 200, "occupancy", 22) for t in (0, 1)]
    from germstats.engine.fit import fit_emergence

    fit = fit_emergence(
        made_patterns(trays, (), finishes=finishes, occupied=occupied, sowings=(rate,))
    )
    (course,) = courses_of_lot(fit.rows, fit.patterns)
    assert course.unit == "cells"
    assert (course.seen.came, course.seen.sown) == (100, 144)
    (two,) = fill_by_seeds(fit.rows[0], 0.9, 72, [2])
    assert course.middle[-1] == pytest.approx(two.fill, abs=0.03)
    assert (course.low[-1], course.high[-1]) == pytest.approx((two.low, two.high), abs=0.06)


def test_seeds_by_the_pinch_are_told_as_about():
    """Two trays of 72 pinches of 2 seeds: 40 seedlings each are a share of about 144 seeds."""
    rate = SowingRate(kind="pinch", counts=(), mean=2.0, k=3.0, k_measured=True)
    trays = [{"lot": "P", "seeds": np.nan, "emerged": 40.0, "filled": 30.0}] * 2
    times = [(t, 70, 90, 40) for t in (0, 1)]
    finishes = [
        row for t in (0, 1) for row in ((t, 0, 1, 200, "counts", 40), (t, 0, 0, 200, "counts", 32))
    ]
    from germstats.engine.fit import fit_emergence

    fit = fit_emergence(
        made_patterns(trays, times, finishes=finishes, occupied=(), sowings=(rate,))
    )
    picture = figures.emergence_picture(fit, "P")
    assert picture.figure.axes[0].get_title(loc="left") == "none: 80 of about 288 seeds, 2 trays"
    assert list(picture.table["seen, %"]) == ["28"]


def test_differences_are_drawn_with_their_ranges_and_verdicts():
    told = comparison()
    picture = figures.covers_picture(told)
    assert picture is not None
    axes = picture.figure.axes[0]
    rows = [row for row in told.rows if row.points is not None]
    ranges = [
        tuple(line.get_xdata())
        for line in axes.lines
        if len(line.get_xdata()) == 2 and line.get_lw() == 2
    ]
    points = [line.get_xdata()[0] for line in axes.lines if len(line.get_xdata()) == 1]
    assert ranges == [(row.points_low, row.points_high) for row in rows]
    assert points == [row.points for row in rows]
    said = [text.get_text() for text in axes.texts]
    assert said == [
        "AAA, grit v. none: better",
        "AAA, sand v. none: probably worse",
        "AAA, perlite v. none: practically the same",
        "AAA, bark v. none: cannot tell",
        "grit v. none: cannot tell",
        "over all species",
    ]
    band = next(
        patch
        for patch in axes.patches
        if patch.get_facecolor()[:3] == matplotlib.colors.to_rgb(SHADE)
    )
    assert (band.get_x(), band.get_width()) == (-10, 20)
    assert list(picture.table["verdict"]) == [row.verdict for row in rows]
    assert "1 pair cannot be separated" in picture.words.description


def test_where_every_pair_is_refused_there_is_no_figure():
    told = comparison()
    refused = replace(told, rows=tuple(row for row in told.rows if row.points is None))
    assert figures.covers_picture(refused) is None


def test_the_calendar_holds_every_window_to_come():
    picture = figures.calendar_picture(spring())
    assert picture is not None
    axes = picture.figure.axes[0]
    zero = datetime.date(2026, 4, 1)

    def dates(values: object) -> list[str]:
        return [
            f"{zero + datetime.timedelta(days=float(x)):%m-%d}" for x in values if not np.isnan(x)
        ]  # type: ignore[attr-defined]

    by_name = {line.get_label(): line for line in axes.lines}
    assert dates(by_name["first cell"].get_xdata()) == ["04-01", "04-12"]
    assert dates(by_name["half"].get_xdata()) == ["04-10", "04-30", "04-01", "04-04"]
    assert dates(by_name["nine in ten"].get_xdata()) == ["04-20", "05-16", "04-06", "04-20"]
    assert dates(by_name["give up after"].get_xdata()) == ["05-10", "04-22"]
    assert dates(by_name["today, 1 April 2026"].get_xdata()) == ["04-01", "04-01"]
    assert [text.get_text() for text in axes.texts] == ["L0: 0 of 144 cells", "L1: 50 of 144 cells"]
    assert "Of 1 more nothing is to come." in picture.words.description
    assert list(picture.table["first cell"]) == ["1 April 2026 to 12 April 2026", "-"]
    looks = {
        (line.get_color(), line.get_marker()) for line in (by_name["first cell"], by_name["half"])
    }
    assert looks == {(COLOURS[0], MARKERS[0]), (COLOURS[1], MARKERS[1])}


def test_a_spring_that_is_over_has_no_calendar():
    over = spring()
    assert figures.calendar_picture(replace(over, lots=over.lots[2:])) is None


def test_orders_show_when_the_last_plant_is_up_and_when_it_is_due():
    picture = figures.ready_picture(plan())
    assert picture is not None
    axes = picture.figure.axes[0]
    zero = datetime.date(2027, 3, 5)
    spans, due = axes.lines[0].get_xdata(), axes.lines[1].get_xdata()
    days = [zero + datetime.timedelta(days=float(x)) for x in (*spans[~np.isnan(spans)], *due)]
    # the line due first stands first
    assert [f"{one:%m-%d}" for one in days] == [
        "04-20",
        "05-20",
        "03-05",
        "04-02",
        "05-01",
        "06-01",
    ]
    assert "1 may be late" in picture.words.description
    assert "1 more cannot be dated" in picture.words.description
    assert list(picture.table["order"]) == ["Q-2", "Q-1"]
    undated = replace(plan(), rows=plan().rows[2:])
    assert figures.ready_picture(undated) is None


def test_past_trays_are_drawn_in_their_ranges():
    test = past()
    picture = figures.backtest_picture(test)
    rows = sorted(test.rows, key=lambda row: (row.season, row.expected, row.tray))
    for axes, low, high, held in (
        (picture.figure.axes[0], "low", "high", test.overall.inside),
        (picture.figure.axes[1], "pencil_low", "pencil_high", test.overall.pencil_inside),
    ):
        ranges, inside, outside = (axes.lines[k].get_xydata() for k in range(3))
        drawn = [tuple(y) for y in ranges[:, 1].reshape(-1, 3)[:, :2]]
        assert drawn == [(getattr(row, low) / 72, getattr(row, high) / 72) for row in rows]
        assert len(inside) == held
        seen = {int(x): y for x, y in (*inside, *outside)}
        assert [seen[k] for k in range(len(rows))] == [row.seen / 72 for row in rows]
        assert f"{held} of 12 held" in axes.get_title(loc="left")
    assert [text.get_text() for text in picture.figure.axes[1].get_xticklabels()] == [
        "2025\n6 trays",
        "2026\n6 trays",
    ]
    assert list(picture.table["came"]) == [row.seen for row in rows]
    assert (picture.table["range"] == "held").sum() == test.overall.inside


def test_a_map_counts_its_empty_cells():
    one = tray_map()
    one.emerged[2, 3:5] = 0
    picture = figures.tray_map_picture(one)
    assert picture.words == FigureWords(
        "Tray T-7: 69 of 71 cells filled",
        "2 cells empty, by row: A 0, B 0, C 2, D 0, E 0, F 0. 1 cell not known. Most seedlings in "
        "a cell: 1.",
    )
    assert list(picture.table.iloc[2]) == ["C", "1", "1", "1", "0", "0", *["1"] * 7]
    assert picture.table.iloc[0, 1] == "?"


# --- reading it
# ------------------------------------------------------------------------------------------


def texts_of(picture: Picture) -> list[Text]:
    """What is written, without the marks that lie beyond the ends of an axis."""
    beyond = set()
    for axes in picture.figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            beyond |= {
                tick.label1 for tick in axis.get_major_ticks() if not low <= tick.get_loc() <= high
            }
    texts = [
        text
        for text in picture.figure.findobj(Text)
        if text.get_text().strip() and text.get_visible()
    ]
    return [text for text in texts if text not in beyond]


def test_every_text_is_large_enough_and_stands_out():
    """Contrast at least 4.5:1, level AA of WCAG 2.1 (memory), for text on the page, on bands and in
    its plates.
    """
    for picture in every_picture():
        figure_bytes(picture.figure)
        in_cells = set(picture.figure.axes[0].texts) if picture.name.startswith("tray") else set()
        for text in texts_of(picture):
            assert text.get_fontsize() >= TEXT >= 9
            if text not in in_cells:  # those are held against their cell in test_tray_map_drawn
                for ground in ("white", SHADE):
                    assert contrast(text.get_color(), ground) >= 4.5, text
        assert 4.2 <= picture.figure.get_size_inches()[0] <= 6.5


def test_marks_stand_out_from_the_page():
    """Graphical objects at least 3:1 (WCAG 2.1, 1.4.11, memory); none of the last three would do as
    text.
    """
    ratios = [contrast(colour, "white") for colour in COLOURS]
    assert min(ratios) >= 3
    assert [ratio >= 4.5 for ratio in ratios] == [True, False, False, False]


SIGHT = {
    "normal": (53.6, [[1, 0, 0], [0, 1, 0], [0, 0, 1]]),
    "protan": (
        22.7,
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
    ),
    "deutan": (
        17.9,
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
    ),
    "tritan": (
        17.0,
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ],
    ),
}
"""Severity 1, on linear RGB: Machado, Oliveira & Fernandes 2009, IEEE Trans. Vis. Comput. Graph.
15:1291-1298 (memory); beside each the smallest CIE76 distance that the design states.
"""


@pytest.mark.parametrize("sight", SIGHT)
def test_colours_keep_apart_for_every_sight(sight: str):
    """CIE 1976 L*a*b* under D65, distance Euclidean (CIE 15, memory); sRGB of IEC 61966-2-1
    (memory).
    """
    least, matrix = SIGHT[sight]
    to_xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )

    def lab(colour: str) -> np.ndarray:
        rgb = np.array(matplotlib.colors.to_rgb(colour))
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        xyz = to_xyz @ np.clip(np.array(matrix) @ linear, 0, 1) / to_xyz.sum(axis=1)
        f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
        return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])

    distances = [np.linalg.norm(lab(a) - lab(b)) for a, b in combinations(COLOURS, 2)]
    assert min(distances) == pytest.approx(least, abs=0.05)


def test_colours_never_stand_alone():
    assert len(set(MARKERS)) == len(set(map(str, LINES))) == len(COLOURS)
    picture = figures.covers_picture(comparison())
    assert picture is not None
    points = [line for line in picture.figure.axes[0].lines if len(line.get_xdata()) == 1]
    assert (
        len({line.get_marker() for line in points})
        == len({line.get_color() for line in points} - {"#555555"})
        == 3
    )


def test_nothing_leaves_the_figure_or_lies_on_other_text():
    for picture in every_picture("a lot with a rather long name of its own"):
        canvas = FigureCanvasAgg(picture.figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        whole = picture.figure.bbox.padded(1)
        boxes = []
        for text in texts_of(picture):
            box = text.get_window_extent(renderer)
            boxes.append((text.get_text(), box))
            assert whole.x0 <= box.x0 and box.x1 <= whole.x1, (picture.name, text.get_text())
            assert whole.y0 <= box.y0 and box.y1 <= whole.y1, (picture.name, text.get_text())
        for (one, a), (other, b) in combinations(boxes, 2):
            assert one == other or not a.padded(-1.5).overlaps(b.padded(-1.5)), (
                picture.name,
                one,
                other,
            )


# --- odd books
# ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_can_be_drawn_and_saved(name: str):
    made = list(every_picture(name or "A-1"))
    names = list(file_names(one.name for one in made))
    assert len(set(names)) == len(made)
    assert all(
        set(safe) <= set("abcdefghijklmnopqrstuvwxyz0123456789-") and 0 < len(safe) <= 90
        for safe in names
    )
    for picture in made:
        assert figure_bytes(picture.figure, dpi=40).startswith(b"\x89PNG")
        assert len(picture.words.title) < 160


def test_dollar_signs_are_no_formula():
    picture = figures.emergence_picture(small_fit("$a_b$ $"), "$a_b$ $")
    assert b"$a_b$ $" in figure_bytes(picture.figure, "svg")


def test_shown_names():
    assert shown("a\x00b\n c") == "a b c"
    assert shown("") == shown("\u202e") == "(no name)"
    assert shown("x" * 50) == "x" * 39 + "…"
    assert shown("بذور") == "\u2068بذور\u2069"


def test_file_names():
    assert file_name("../../etc/passwd") == "etc-passwd"
    assert file_name("Grünes Gras; rm -rf") == "grunes-gras-rm-rf"
    assert file_name("بذور") == "figure"
    twins = [Picture("a b", FigureWords("", ""), spring, None)] * 3  # type: ignore[arg-type]
    assert list(file_names(one.name for one in twins)) == ["a-b", "a-b-2", "a-b-3"]


@pytest.mark.parametrize("came", [0, 72])
def test_trays_all_empty_or_all_full(came: int):
    fit = made_fit((came, came))
    picture = figures.emergence_picture(fit, "E")
    assert list(picture.table["seen, %"]) == (["<1"] * 2 if came == 0 else ["50", ">99"] * 2)
    assert figure_bytes(picture.figure)
    advice = seeds_per_cell(fit)
    filling = figures.fill_picture(fit.rows[0], advice.rows[0], advice.spec)
    words, full = filling.words, filling.figure
    assert ("even 16 trays would not" in words.title) == (came == 0)
    if came:  # advised and pencil rule are one number
        assert "advised, and the pencil rule" in {text.get_text() for text in full.axes[0].texts}
    assert "nan" not in (words.description + picture.words.description + picture.table.to_string())


def test_a_lot_looked_at_once_has_no_timing_and_still_its_share():
    fit = made_fit((40, 60), looks=1)
    assert fit.rows[0].draws.time is None
    picture = figures.emergence_picture(fit, "E")
    assert picture.words.title.endswith("without timing")
    axes = picture.figure.axes[0]
    (box,) = (path.vertices for path in axes.collections[1].get_paths())
    assert (box[:, 0].min(), box[:, 0].max(), box[:, 1].max()) == pytest.approx((0, 200, 40 / 72))
    low, high = axes.get_xlim()
    assert low <= 0 < 200 < high
    line = axes.lines[0]
    assert (
        line.get_ydata()[0]
        == line.get_ydata()[1]
        == pytest.approx(fit.rows[0].emergence, abs=0.002)
    )


@pytest.mark.parametrize(
    "tray", [tray_map(0.0), tray_map(2.0), replace(tray_map(), emerged=np.full((6, 12), np.nan))]
)
def test_maps_of_nothing_everything_and_the_unknown(tray):
    picture = figures.tray_map_picture(tray)
    assert "nan" not in picture.words.description
    assert figure_bytes(picture.figure)


def test_sixty_lots_and_one_tray():
    many = figures.calendar_picture(spring(60))
    assert many is not None
    assert len(many.table) == 40
    assert many.figure.get_size_inches()[1] < 25
    one = past(1)
    picture = figures.backtest_picture(one)
    assert len(picture.table) == 1
    assert figure_bytes(picture.figure)
    assert len(figure_bytes(many.figure)) > 0


def test_no_figure_stays_with_the_window_manager():
    list(every_picture())
    assert matplotlib.pyplot.get_fignums() == []


def test_the_same_result_gives_the_same_bytes():
    first, second = (figures.emergence_picture(small_fit(), "A-1").figure for _ in range(2))
    for kind in ("png", "svg", "pdf"):
        assert figure_bytes(first, kind) == figure_bytes(second, kind)  # type: ignore[arg-type]
