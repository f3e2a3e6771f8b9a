"""A figure as SVG to stand inside a page with a strict content policy: `inline_svg`.

Such a page runs no style that it does not name by its hash, so every CSS property becomes the
presentation attribute of the same name (SVG 1.1, section 6.1 and appendix N, memory). Text stays
text, for readers and for the page's search.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING
from xml.etree import ElementTree as Xml

from germstats.document.figures_style import figure_bytes

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SVG_CLASS = "figure-svg"
"""Class of the svg element; the page's style sheet gives it ``width: 100%; height: auto``."""

_SVG, _XLINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}"
_FONT = re.compile(
    r"(?:(?P<style>italic|oblique)\s+)?(?:(?P<weight>bold|bolder|lighter|\d{3})\s+)?"
    r"(?P<size>[\d.]+\w*)\s+(?P<family>.+)"
)
_INHERITED = frozenset(
    {
        "fill",
        "fill-opacity",
        "fill-rule",
        "stroke",
        "stroke-opacity",
        "stroke-width",
        "stroke-linecap",
        "stroke-linejoin",
        "stroke-miterlimit",
        "stroke-dasharray",
        "stroke-dashoffset",
        "font-family",
        "font-size",
        "font-style",
        "font-weight",
        "font-stretch",
        "font-variant",
        "text-anchor",
        "visibility",
    }
)
_PRESENTATION = _INHERITED | {
    "opacity",
    "clip-path",
    "clip-rule",
    "mask",
    "stop-color",
    "stop-opacity",
    "image-rendering",
    "display",
    "color",
    "filter",
    "overflow",
}
_NUMBERS = frozenset(
    {
        "d",
        "x",
        "y",
        "width",
        "height",
        "points",
        "stroke-width",
        "stroke-dasharray",
        "stroke-dashoffset",
        "viewBox",
    }
)
_MOVES = re.compile(r"(?:translate|rotate)\([^)]*\)")
_POINTER = re.compile(r"url\(#([^)\s]+)\)")
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_NUMBER = re.compile(r"-?\d*\.?\d+(?:[eE][-+]?\d+)?")


def inline_svg(figure: Figure, prefix: str, title: str, description: str) -> str:
    """SVG without style sheets, style attributes, metadata, or ids that could meet those of another
    figure.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    prefix : str
        Starts every id; a letter, then letters, digits and hyphens; no two figures of a page may
        share it.
    title, description : str
        Read out in place of the figure.

    Returns
    -------
    str
        One svg element; the same figure gives the same text.

    Raises
    ------
    ValueError
        The prefix cannot start an id.
    """
    if not re.fullmatch("[A-Za-z][A-Za-z0-9-]*", prefix):
        raise ValueError(
            f"{prefix!r} cannot start an id: a letter, then letters, digits and hyphens"
        )
    return cleaned(figure_bytes(figure, "svg").decode("utf-8"), prefix, title, description)


def cleaned(svg: str, prefix: str, title: str, description: str) -> str:
    """`inline_svg` of an SVG file as matplotlib writes it.

    Raises
    ------
    ValueError
        A style sheet has a rule for anything but all elements, or a property is no presentation
        attribute.
    """
    root = Xml.fromstring(svg)
    everywhere = _style_sheets_taken(root)
    for element in root.iter():
        _plain(element)
    _rename_ids(root, prefix)
    _leave_to_targets(root)
    drawn = [one for child in root for one in _flat(child)]
    defined = [one for element in root.iter("defs") for one in element]
    box, fonts = root.attrib["viewBox"], _usual_fonts(root)
    root.clear()
    names = f"{prefix}-title", f"{prefix}-desc"
    root.attrib |= (
        {
            "xmlns": _SVG.strip("{}"),
            "class": SVG_CLASS,
            "viewBox": box,
            "role": "img",
            "aria-labelledby": " ".join(names),
        }
        | everywhere
        | fonts
    )
    for tag, name, words in zip(("title", "desc"), names, (title, description), strict=True):
        Xml.SubElement(root, tag, id=name).text = _NOT_XML.sub(" ", words)
    if defined:
        Xml.SubElement(root, "defs").extend(defined)
    root.extend(_grouped(drawn))
    for element in root.iter():
        _shorten(element)
    return Xml.tostring(root, encoding="unicode").replace(" />", "/>")


def _style_sheets_taken(root: Xml.Element) -> dict[str, str]:
    """Take the style sheets out; what they say of every element."""
    said: dict[str, str] = {}
    for parent in list(root.iter()):
        for sheet in parent.findall(f"{_SVG}style"):
            rule = re.fullmatch(r"\s*\*\s*\{([^{}]*)\}\s*", sheet.text or "")
            if rule is None:
                raise ValueError(
                    f"a style sheet of more than one rule for all elements: {sheet.text!r}"
                )
            said |= _declared(rule[1])
            parent.remove(sheet)
    return said


def _declared(css: str) -> dict[str, str]:
    """Presentation attributes of CSS declarations."""
    said: dict[str, str] = {}
    for part in filter(str.strip, css.split(";")):
        name, value = (words.strip() for words in part.split(":", 1))
        if name == "font":
            said |= _font(value)
        elif name in _PRESENTATION:
            said[name] = value
        else:
            raise ValueError(f"the CSS property {name} is no presentation attribute")
    return said


def _font(value: str) -> dict[str, str]:
    found = _FONT.fullmatch(value)
    if found is None:
        raise ValueError(f"the font {value!r} cannot be read")
    return {f"font-{name}": words for name, words in found.groupdict().items() if words}


def _plain(element: Xml.Element) -> None:
    """No names of other spaces, no style attribute, no white space between elements."""
    element.tag = element.tag.removeprefix(_SVG)
    element.attrib |= _declared(element.attrib.pop("style", ""))
    if f"{_XLINK}href" in element.attrib:
        element.set("href", element.attrib.pop(f"{_XLINK}href"))
    if element.tag not in ("text", "tspan"):
        element.text = None
    element.tail = None


def _rename_ids(root: Xml.Element, prefix: str) -> None:
    """Number the ids that are pointed to, after the prefix; drop the others."""
    pointed = [name for element in root.iter() for name in _pointed_at(element)]
    new = {name: f"{prefix}-{k}" for k, name in enumerate(dict.fromkeys(pointed), start=1)}
    for element in root.iter():
        name = element.attrib.pop("id", None)
        if name in new:
            element.set("id", new[name])
        for key, value in element.attrib.items():
            if key == "href" and value.startswith("#"):
                element.set(key, f"#{new[value[1:]]}")
            elif key != "id":
                element.set(key, _POINTER.sub(lambda at: f"url(#{new[at[1]]})", value))


def _pointed_at(element: Xml.Element) -> Iterator[str]:
    for key, value in element.attrib.items():
        if key == "href" and value.startswith("#"):
            yield value[1:]
        yield from _POINTER.findall(value)


def _leave_to_targets(root: Xml.Element) -> None:
    """What a shape says of itself need not be said where it is used: its own word stands anyway."""
    shapes = {
        element.attrib["id"]: element.attrib for element in root.iter() if "id" in element.attrib
    }
    for use in root.iter("use"):
        for name in (
            shapes.get(use.attrib["href"].removeprefix("#"), {}).keys()
            & use.attrib.keys()
            & _INHERITED
        ):
            del use.attrib[name]


def _flat(element: Xml.Element) -> Iterator[Xml.Element]:
    """What is drawn, without groups that say nothing; shapes for use and data about the file are
    left behind.
    """
    if element.tag == "g" and not element.attrib:
        for child in element:
            yield from _flat(child)
    elif element.tag == "g":
        inside = [one for child in element for one in _flat(child)]
        element[:] = inside
        yield element
    elif element.tag not in ("defs", "metadata"):
        yield element


def _usual_fonts(root: Xml.Element) -> dict[str, str]:
    """Take the commonest family and size of text off the texts that have both, to be said once."""
    texts = [
        text for text in root.iter("text") if {"font-family", "font-size"} <= text.attrib.keys()
    ]
    usual = {}
    for name in ("font-family", "font-size") if texts else ():
        usual[name] = Counter(text.attrib[name] for text in texts).most_common(1)[0][0]
        for text in texts:
            if text.attrib[name] == usual[name]:
                del text.attrib[name]
    return usual


def _grouped(elements: list[Xml.Element]) -> Iterator[Xml.Element]:
    """Neighbours that say the same of line, fill and letters say it once, in a group."""

    def said(element: Xml.Element) -> tuple[tuple[str, str], ...]:
        return tuple(
            sorted((name, value) for name, value in element.attrib.items() if name in _INHERITED)
        )

    for alike, run in groupby(elements, said):
        members = list(run)
        if len(members) == 1 or not alike:
            yield from members
            continue
        group = Xml.Element("g", dict(alike))
        for member in members:
            for name, _ in alike:
                del member.attrib[name]
        group.extend(members)
        yield group


def _shorten(element: Xml.Element) -> None:
    """Numbers to two decimals, no needless white space, no turning by nothing."""
    for name in element.attrib.keys() & _NUMBERS:
        element.set(name, _rounded(element.attrib[name]))
    if "d" in element.attrib:
        element.set("d", re.sub(r"\s*([A-Za-z])\s*", r"\1", element.attrib["d"]).strip())
    if "transform" in element.attrib:
        element.set(
            "transform", _MOVES.sub(lambda move: _rounded(move[0]), element.attrib["transform"])
        )
        if re.fullmatch(r"rotate\(0\b[^)]*\)", element.attrib["transform"]):
            del element.attrib["transform"]


def _rounded(text: str) -> str:
    """Every number of a text to two decimals, -0 as 0."""
    short = _NUMBER.sub(lambda at: re.sub(r"\.?0+$", "", f"{float(at[0]):.2f}"), text)
    return " ".join(re.sub(r"-0(?![\d.])", "0", short).split())
