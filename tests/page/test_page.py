"""The season's page as text: every question answered, nothing that can run, nothing of the machine
or of prices.
"""

from __future__ import annotations

import base64
import datetime
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from germstats.page.page import season_page
from germstats.page.pictures import Pictures
from tests.page_books import HOSTILE, PRICE, hostile_account, hostile_page

QUESTIONS = (
    "How many seeds per cell?",
    "How many trays for the orders?",
    "Dead, late, or a second spring?",
    "Bad seed, bad tray or bad year?",
    "Which cover?",
    "When will they come?",
    "How to set out next year's trial?",
    "What must I collect?",
    "Can I trust it?",
    "What is odd in the records?",
    "What was assumed?",
    "What to be careful with",
    "How it is computed",
)
"""The grower's questions in their order of worth, then what the answers rest on."""


class Elements(HTMLParser):
    """Every element with its attributes, every id, and the text of headings, scripts and styles."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.inside: list[str] = []
        self.texts: dict[str, list[str]] = {}
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag in ("h2", "script", "style", "title"):
            self.inside.append(tag)
            self.texts.setdefault(tag, []).append("")

    def handle_endtag(self, tag):
        if self.inside and tag == self.inside[-1]:
            self.inside.pop()

    def handle_data(self, data):
        for tag in self.inside:
            self.texts[tag][-1] += data

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.found if name == tag]


@pytest.fixture(scope="module")
def elements() -> Elements:
    return Elements(hostile_page())


def test_every_question_has_its_section_and_link(elements):
    headings = elements.texts["h2"]
    assert [one for one in headings if one in QUESTIONS] == list(QUESTIONS)
    ids = [attributes["id"] for _, attributes in elements.found if "id" in attributes]
    assert len(ids) == len(set(ids))
    targets = [a["href"][1:] for a in elements.named("a") if a["href"].startswith("#")]
    assert len(targets) > len(QUESTIONS)
    assert set(targets) <= set(ids)


def test_names_of_the_book_cannot_run(elements):
    page = hostile_page()
    for name in HOSTILE.values():
        assert name not in page.replace("{{ 7 * 7 }}", "") or "<" not in name
    assert "{{ 7 * 7 }}" in page  # shown as typed, not worked out
    assert "&lt;script&gt;document.title" in page
    scripts = elements.named("script")
    assert [one.get("type") for one in scripts] == ["application/json", None]
    assert not elements.named("img")
    assert not [
        name for _, attributes in elements.found for name in attributes if name.startswith("on")
    ]
    assert not [tag for tag, attributes in elements.found if "style" in attributes]


def test_policy_allows_this_style_and_this_script_only(elements):
    [policy] = [
        m["content"]
        for m in elements.named("meta")
        if m.get("http-equiv") == "Content-Security-Policy"
    ]
    rules = dict(one.strip().split(" ", 1) for one in policy.split(";"))
    assert rules["default-src"] == "'none'"
    [style], code = elements.texts["style"], elements.texts["script"][-1]

    def digest(text: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    assert rules["style-src"] == digest(style)
    assert rules["script-src"] == digest(code)


def test_nothing_comes_from_elsewhere(elements):
    for _, attributes in elements.found:
        for name in ("src", "href", "xlink:href", "action", "poster", "data"):
            assert (attributes.get(name) or "#").startswith(("#", "data:image/png;base64,"))
    assert "@import" not in hostile_page() and "url(http" not in hostile_page()


def test_no_path_of_the_machine_and_no_price_unless_asked_for():
    page = hostile_page()
    for path in (str(Path.home()), str(Path.cwd()), "/tmp/"):
        assert path not in page
    assert f"{PRICE:.0f}" not in page and "By cost" not in page and "Larchbank" not in page
    account = hostile_account()
    asked = replace(account, spec=replace(account.spec, prices=True))
    assert "By cost" in season_page(asked, Pictures(), datetime.date(2026, 11, 26))


def test_a_part_that_cannot_be_told_says_why():
    account = hostile_account()
    parts = ("plan", "covers", "watch", "review", "past")
    bare = replace(
        account, **dict.fromkeys(parts), missing={name: f"No {name}, and <why>." for name in parts}
    )
    page = season_page(bare, Pictures(), datetime.date(2026, 11, 26))
    for name in parts:
        assert f"No {name}, and &lt;why&gt;." in page


def test_raw_counts_stand_beside_estimates(elements):
    page = hostile_page()
    row = hostile_account().fit.rows[0]
    counts = (
        f"{row.emerged} of {row.seeds} seeds"
        if row.emerged is not None
        else f"{row.filled} of {row.cells} cells"
    )
    assert counts in page


def test_every_figure_has_title_description_and_its_numbers(elements):
    page = hostile_page()
    figures = re.findall(r"<figure>(.*?)</figure>", page, flags=re.S)
    assert len(figures) >= 10
    for one in figures:
        assert re.search(r'<svg[^>]*role="img"[^>]*>', one)
        assert "<title" in one and "<desc" in one
        assert re.search(r"<tbody.*<td", one, flags=re.S)


def test_draws_on_the_page_are_those_of_the_fit(elements):
    data = json.loads(elements.texts["script"][0])
    rows = hostile_account().fit.rows
    assert len(data["lots"]) == len(rows)
    for lot, row in zip(data["lots"], rows, strict=True):
        assert sum(run[0] for run in lot["runs"]) == len(row.draws.theta)
        assert sum(run[0] * run[3] for run in lot["runs"]) == pytest.approx(1, abs=1e-3)


def test_the_same_account_makes_the_same_page():
    account = hostile_account()
    day = datetime.date(2026, 11, 26)
    assert season_page(account, Pictures(), day) == season_page(account, Pictures(), day)
