"""A figure cleaned for a page looks as matplotlib's own file does, pixel by pixel, and obeys the
page's policy.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from germstats.document.inline_svg import inline_svg
from germstats.page import figures
from germstats.page.figures import figure_bytes
from tests.browser.conftest import width
from tests.page.figure_results import comparison, past, small_fit, spring, tray_map

PHONE = '<meta name="viewport" content="width=device-width, initial-scale=1">'
HEAD = (
    f'<!doctype html><meta charset="utf-8">{PHONE}'
    "<style>body{margin:0} svg{width:%dpx;height:%dpx;display:block}</style>"
)
STRICT = "default-src 'none'; img-src data:"


@pytest.fixture(scope="module")
def many() -> list[figures.Picture]:
    made = (
        figures.emergence_picture(small_fit(), "A-1"),
        figures.covers_picture(comparison()),
        figures.calendar_picture(spring()),
        figures.backtest_picture(past()),
        figures.tray_map_picture(tray_map()),
    )
    return [one for one in made if one is not None]


def seen(browser, page: str, path, pixels: tuple[int, int]) -> np.ndarray:
    path.write_text(page, encoding="utf-8")
    width(browser, *pixels)
    browser.get(path.as_uri())
    return np.asarray(
        Image.open(io.BytesIO(browser.get_screenshot_as_png())).convert("RGB"), dtype=float
    )


def test_cleaned_figures_look_the_same(browser, tmp_path, many):
    """Mean difference under .2 of 255, and fewer than 2 pixels in 1,000 apart by more than 64:
    rounding moves edges.
    """
    for one in many:
        inches = one.figure.get_size_inches()
        size = int(inches[0] * 100), int(inches[1] * 100)
        own = figure_bytes(one.figure, "svg").decode()
        own = own[own.index("<svg") :]
        ours = inline_svg(one.figure, "f1", one.words.title, one.words.description)
        head = HEAD % size
        first, second = (
            seen(browser, head + svg, tmp_path / "a.html", size) for svg in (own, ours)
        )
        assert first.std() > 5, "the page is blank"
        apart = np.abs(first - second)
        assert apart.mean() < 0.2, one.name
        assert (apart.max(axis=2) > 64).mean() < 0.002, one.name


def test_a_strict_policy_refuses_nothing(browser, tmp_path, many):
    policy = f'<meta http-equiv="Content-Security-Policy" content="{STRICT}">'
    drawn = "".join(
        inline_svg(one.figure, f"f{k}", one.words.title, one.words.description)
        for k, one in enumerate(many)
    )
    page = (
        '<!doctype html><html lang="en"><meta '
        f'charset="utf-8">{PHONE}{policy}<title>t</title>{drawn}</html>'
    )
    seen(browser, page, tmp_path / "b.html", (360, 900))
    assert browser.get_log("browser") == []
    names = browser.execute_script(
        "return [...document.querySelectorAll('svg')].map(s => "
        "s.getAttribute('aria-labelledby').split(' ').map(id => "
        "document.getElementById(id).textContent).join('|'))"
    )
    assert names == [f"{one.words.title}|{one.words.description}" for one in many]
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 360
