"""A tray map in text and as a figure: what stands in every cell, and that headings and numbers
agree.
"""

from __future__ import annotations

from dataclasses import replace

import matplotlib.colors
import numpy as np
import pytest

from germstats.document.tray_map_text import chance_words, map_text
from germstats.maps.tray_map import EmptyBlock, EmptyRing, TrayMap, scan_empty_block
from germstats.page.figures import GridWords, draw_grid, tray_map_figure


@pytest.fixture
def one() -> TrayMap:
    emerged = np.array([[1.0, 0.0, 2.0], [np.nan, 3.0, 1.0]])
    limit = np.full((2, 3), 2.0)
    return TrayMap(
        tray="T-7",
        rows=2,
        columns=3,
        sown=limit.copy(),
        emerged=emerged,
        lost=np.full((2, 3), np.nan),
        counted=True,
        overfull_above=limit,
    )


def body(text: str, rows: int) -> list[list[str]]:
    """Headings and cells, without the name of a row."""
    lines = text.splitlines()
    assert all(line == line.rstrip() for line in lines)
    return [lines[1].split(), *(line.split()[1:] for line in lines[2 : 2 + rows])]


def test_every_cell_has_its_sign(one):
    text = map_text(one)
    assert body(text, 2) == [["1", "2", "3"], ["1", ".", "2"], ["?", "3!", "1"]]
    assert text.splitlines()[0] == "Tray T-7, label at A1 (top left)"
    assert [line[0] for line in text.splitlines()[2:4]] == ["A", "B"]
    for said in (". = empty", "? = not known", "! = more than was sown", "seedlings ever seen"):
        assert said in text


@pytest.mark.parametrize(
    ("corner", "expected"),
    [
        ("A3", [["3", "2", "1"], ["2", ".", "1"], ["1", "3!", "?"]]),
        ("B1", [["1", "2", "3"], ["?", "3!", "1"], ["1", ".", "2"]]),
        ("B3", [["3", "2", "1"], ["1", "3!", "?"], ["2", ".", "1"]]),
    ],
)
def test_the_map_lies_with_its_label_at_the_top_left(one, corner, expected):
    assert body(map_text(replace(one, corner=corner)), 2) == expected


def test_a_map_of_filled_and_empty_says_so(one):
    text = map_text(replace(one, counted=False, emerged=np.minimum(one.emerged, 1.0)))
    assert body(text, 2) == [["1", "2", "3"], ["1", ".", "1"], ["?", "1", "1"]]
    assert "1 = filled" in text
    assert "!" not in text


def test_block_and_ring_are_told_with_counts_and_chance():
    filled = np.ones((6, 12))
    filled[2:6, 3:9] = 0
    nothing = np.full((6, 12), np.nan)
    one = TrayMap(
        tray="T-8",
        rows=6,
        columns=12,
        sown=np.full((6, 12), 2.0),
        emerged=filled,
        lost=nothing,
        counted=False,
        overfull_above=nothing,
    )
    block = scan_empty_block(one)
    text = map_text(
        one, block, EmptyRing(outer=32, outer_empty=12, empty=24, cells=72, sides=0, p=0.5)
    )
    assert text.count("[") == 24 + 1  # the legend explains it once
    assert "Block C4 to F9: 0 of 24 cells filled, 24 expected" in text
    assert "fewer than 1 tray in 1000" in text
    assert "Outer ring: 12 of 32 cells empty, inside 12 of 40" in text
    assert "5\ntrays in 10" in text or "5 trays in 10" in text
    assert max(len(line) for line in text.splitlines()) <= 100


def test_the_block_is_framed_where_it_lies(one):
    lines = map_text(
        one, EmptyBlock(rows=(0, 0), columns=(1, 2), cells=2, filled=1, expected=2.0, p=0.3)
    ).splitlines()
    assert lines[2].count("[") == 2
    assert lines[3].count("[") == 0


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0.0005, "fewer than 1 tray in 1000"),
        (0.002, "1 tray in 500"),
        (0.05, "1 tray in 20"),
        (0.1, "1 tray in 10"),
        (0.5, "5 trays in 10"),
        (1.0, "9 trays in 10"),
    ],
)
def test_chances_in_trays(p, said):
    assert chance_words(p) == said


def test_the_figure_has_a_number_in_every_cell_and_names_its_axes(one):
    figure = tray_map_figure(one)
    axes = figure.axes[0]
    places = {
        (round(t.get_position()[1] - 0.5), round(t.get_position()[0] - 0.5)): t.get_text()
        for t in axes.texts
    }
    assert places == {(0, 0): "1", (0, 1): "0", (0, 2): "2", (1, 0): "?", (1, 1): "3", (1, 2): "1"}
    assert axes.get_title() == "Tray T-7: 4 of 5 cells filled, label at A1"
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("column of cells", "row of cells")
    assert [t.get_text() for t in axes.get_xticklabels()] == ["1", "2", "3"]
    assert [t.get_text() for t in axes.get_yticklabels()] == ["A", "B"]
    assert axes.collections[0].get_cmap().name == "cividis"
    assert figure.axes[1].get_ylabel() == "seedlings ever seen in the cell"


def test_numbers_in_the_cells_can_be_read():
    """Contrast of at least 4.5:1 in every cell, the level AA of WCAG 2.1 (memory)."""
    values = np.arange(12.0).reshape(3, 4)
    figure = draw_grid(values, list("ABC"), list("1234"), GridWords("t", "x", "y"))
    axes = figure.axes[0]
    figure.draw_without_rendering()

    def light(colour) -> float:
        rgb = np.array(matplotlib.colors.to_rgb(colour))
        linear = np.where(rgb <= 0.03928, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    faces = axes.collections[0].get_facecolors()
    for face, text in zip(faces, axes.texts, strict=True):
        low, high = sorted((light(face), light(text.get_color())))
        assert (high + 0.05) / (low + 0.05) >= 4.5


def test_a_grid_of_nothing_known_is_all_question_marks():
    figure = draw_grid(np.full((2, 2), np.nan), ["A", "B"], ["1", "2"], GridWords("t", "x", "y"))
    assert [t.get_text() for t in figure.axes[0].texts] == ["?"] * 4
    assert len(figure.axes) == 1
