"""SVG inside a page: no style, no id of another figure, no name that can run, and the same
picture.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree as Xml

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure

from germstats.document.inline_svg import SVG_CLASS, cleaned, inline_svg
from germstats.page import figures
from germstats.page.figures import figure_bytes
from tests.page.figure_results import HOSTILE, comparison, past, spring, tray_map

SVG = "{http://www.w3.org/2000/svg}"
HEAD = (
    '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="0 '
    '0 9 9">'
)


@pytest.fixture(scope="module")
def many() -> list[Figure]:
    made = (
        figures.covers_picture(comparison()),
        figures.calendar_picture(spring()),
        figures.backtest_picture(past()),
        figures.tray_map_picture(tray_map()),
    )
    return [one.figure for one in made if one is not None]


def everything(svg: str) -> list[Xml.Element]:
    return list(Xml.fromstring(svg).iter())


def ids(svg: str) -> list[str]:
    return [element.attrib["id"] for element in everything(svg) if "id" in element.attrib]


def test_nothing_that_a_strict_page_would_refuse(many):
    for figure in many:
        svg = inline_svg(figure, "f1", "a title", "what is seen")
        tags = {element.tag.removeprefix(SVG) for element in everything(svg)}
        names = {name for element in everything(svg) for name in element.attrib}
        assert tags <= {
            "svg",
            "title",
            "desc",
            "defs",
            "g",
            "path",
            "use",
            "clipPath",
            "rect",
            "text",
            "image",
        }
        assert not {name for name in names if name == "style" or name.startswith(("on", "{"))}
        assert "matplotlib" not in svg.lower()
        assert not re.search(r"20\d\d-\d\d-\d\dT", svg)
        hrefs = [element.attrib["href"] for element in everything(svg) if "href" in element.attrib]
        assert all(href.startswith(("#f1-", "data:image/png;base64,")) for href in hrefs)


def test_it_says_what_it_is(many):
    root = Xml.fromstring(inline_svg(many[0], "f1", "a <title>", 'what "is" & seen\x00'))
    assert root.attrib["role"] == "img"
    assert root.attrib["class"] == SVG_CLASS
    assert not {"width", "height"} & root.attrib.keys()
    box = [float(number) for number in root.attrib["viewBox"].split()]
    assert box[2:] == pytest.approx(72 * many[0].get_size_inches(), abs=0.01)
    said = {
        element.attrib["id"]: element.text
        for element in root
        if element.tag in (f"{SVG}title", f"{SVG}desc")
    }
    assert root.attrib["aria-labelledby"].split() == list(said)
    assert list(said.values()) == ["a <title>", 'what "is" & seen ']


def test_ids_of_two_figures_never_meet_and_every_pointer_finds_its_end(many):
    first, second = (inline_svg(many[0], name, "t", "d") for name in ("f1", "f2"))
    for svg in (first, second):
        assert len(set(ids(svg))) == len(ids(svg))
        pointed = re.findall(r'(?:href="#|url\(#|aria-labelledby=")([\w-]+)', svg)
        assert len(pointed) > 2
        assert set(pointed) <= set(ids(svg))
    assert not set(ids(first)) & set(ids(second))
    assert first.replace("f1-", "f2-") == second


def test_the_same_figure_gives_the_same_text(many):
    again = figures.covers_picture(comparison())
    assert again is not None
    assert inline_svg(many[0], "f", "t", "d") == inline_svg(again.figure, "f", "t", "d")
    assert inline_svg(many[1], "f", "t", "d") == inline_svg(many[1], "f", "t", "d")


def test_text_stays_text_and_is_escaped():
    for name in HOSTILE:
        picture = figures.covers_picture(comparison(name))
        assert picture is not None
        svg = inline_svg(picture.figure, "f", picture.words.title, picture.words.description)
        assert "<script" not in svg
        said = [element.text for element in everything(svg) if element.tag == f"{SVG}text"]
        drawn = [text.get_text() for text in picture.figure.axes[0].texts]
        assert set(drawn) <= set(said)


def test_numbers_are_short_and_figures_small(many):
    for figure in many:
        svg = inline_svg(figure, "f", "t", "d")
        drawn = " ".join(element.attrib.get("d", "") for element in everything(svg))
        assert drawn
        assert not re.search(r"\.\d{3}|-0(?![.\d])|e-", drawn)
        assert len(svg.encode()) < min(20_000, 0.5 * len(figure_bytes(figure, "svg")))


@pytest.mark.parametrize(
    ("style", "attributes"),
    [
        (
            "font: 10px 'DejaVu Sans', sans-serif",
            {"font-size": "10px", "font-family": "'DejaVu Sans', sans-serif"},
        ),
        (
            "font: italic 700 9.5px serif; fill: #123456",
            {
                "font-style": "italic",
                "font-weight": "700",
                "font-size": "9.5px",
                "font-family": "serif",
                "fill": "#123456",
            },
        ),
        ("stroke-width: 1.23456; opacity: .5", {"stroke-width": "1.23", "opacity": ".5"}),
        ("fill: url(#h); clip-path: url(#c)", {"fill": "url(#p-1)", "clip-path": "url(#p-2)"}),
    ],
)
def test_a_style_becomes_attributes(style, attributes):
    shapes = '<defs><clipPath id="c"/><clipPath id="h"/></defs>'
    svg = cleaned(
        f'{HEAD}{shapes}<rect style="{style}" x="1.23456" fill="red"/></svg>', "p", "t", "d"
    )
    (found,) = (element for element in everything(svg) if element.tag == f"{SVG}rect")
    assert found.attrib == {"fill": "red", "x": "1.23"} | attributes


def test_colours_are_no_pointers():
    svg = cleaned(
        f'{HEAD}<g id="ffffff"><path d="M 0 0 L 1 1" style="fill: #ffffff"/></g></svg>',
        "p",
        "t",
        "d",
    )
    assert 'fill="#ffffff"' in svg


def test_a_style_sheet_for_all_becomes_attributes_of_the_whole():
    sheet = "<defs><style>*{stroke-linejoin: round; stroke-linecap: butt}</style></defs>"
    root = Xml.fromstring(cleaned(f"{HEAD}{sheet}</svg>", "p", "t", "d"))
    assert (root.attrib["stroke-linejoin"], root.attrib["stroke-linecap"]) == ("round", "butt")


@pytest.mark.parametrize(
    ("inside", "said"),
    [
        ("<style>.a {fill: red}</style>", "more than one rule for all"),
        ('<rect style="mix-blend-mode: multiply"/>', "mix-blend-mode is no presentation attribute"),
        ('<text style="font: small-caps serif"/>', "font 'small-caps serif' cannot be read"),
    ],
)
def test_what_would_be_lost_is_refused(inside, said):
    with pytest.raises(ValueError, match=said):
        cleaned(f"{HEAD}{inside}</svg>", "p", "t", "d")


@pytest.mark.parametrize("prefix", ["", "1a", "a b", 'x"', "ä"])
def test_a_prefix_must_start_an_id(many, prefix):
    with pytest.raises(ValueError, match="cannot start an id"):
        inline_svg(many[0], prefix, "t", "d")


def test_settings_of_the_session_do_not_reach_it():
    with matplotlib.rc_context(
        {"svg.fonttype": "path", "svg.hashsalt": None, "axes.facecolor": "red"}
    ):
        one = figures.covers_picture(comparison())
        assert one is not None
        svg = inline_svg(one.figure, "f", "t", "d")
    assert "red" not in svg
    assert "#ff0000" not in svg
    again = figures.covers_picture(comparison())
    assert again is not None
    assert svg == inline_svg(again.figure, "f", "t", "d")


def test_pictures_inside_keep_their_data():
    figure = Figure(figsize=(2, 2))
    figure.subplots().imshow(np.eye(3))
    svg = inline_svg(figure, "f", "t", "d")
    assert svg.count("data:image/png;base64,") == 1
