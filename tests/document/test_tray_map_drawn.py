"""A tray map as a figure: what stands in every cell, and that headings and numbers
agree.
"""

from __future__ import annotations

import matplotlib.colors
import numpy as np
import pytest

from germstats.maps.tray_map import TrayMap
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
