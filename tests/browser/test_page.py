"""The season's page as a person opens it: no network, phone and desk, keyboard, print, numbers that
can be moved.
"""

from __future__ import annotations

import base64
import io
import re

import pypdf
import pytest

from germstats.questions.sow.fill_curve import fill_by_seeds
from tests.browser.conftest import beyond_the_screen, serious_problems, width
from tests.page.test_page import QUESTIONS
from tests.page_books import hostile_account, hostile_page


@pytest.fixture
def page(browser, tmp_path):
    place = tmp_path / "page.html"
    place.write_text(hostile_page(), encoding="utf-8")
    browser.get(place.as_uri())
    return browser


def test_opens_without_a_word_of_complaint(page):
    assert page.get_log("browser") == []
    assert page.title.startswith("Season page of")


@pytest.mark.parametrize("pixels", [360, 1280])
def test_nothing_stands_beyond_the_screen(page, pixels):
    width(page, pixels)
    beyond = beyond_the_screen(page, "td, p, li, svg, input, h1, h2, h3")
    assert page.execute_script("return document.documentElement.scrollWidth") <= pixels
    assert beyond == []


def move(page, name: str, value: float) -> None:
    """Type a number into one of the fields."""
    page.execute_script(
        "const one = document.getElementById('what-if-' + arguments[0]);one.value = arguments[1]; "
        "one.dispatchEvent(new Event('input', {bubbles: true}));",
        name,
        value,
    )


def said(page) -> dict[str, str]:
    return page.execute_script("return {...document.getElementById('what-if-said').dataset};")


@pytest.mark.parametrize(("target", "cells"), [(0.9, 72), (0.75, 200), (1.0, 6)])
def test_moved_numbers_are_those_of_the_package(page, target, cells):
    """To two decimals, for every lot, counted and pinched, one to eight seeds per cell."""
    rows = hostile_account().fit.rows
    assert {row.rate.k is None for row in rows} == {True, False}
    for k, row in enumerate(rows):
        page.execute_script(
            "const one = document.getElementById('what-if-lot'); one.selectedIndex = "
            "arguments[0];one.dispatchEvent(new Event('change'));",
            k,
        )
        move(page, "target", 100 * target)
        move(page, "cells", cells)
        told = page.execute_script(
            "return [...document.querySelectorAll('#what-if-table tbody tr')].map(r => "
            "[+r.dataset.fill, +r.dataset.chance]);"
        )
        ours = fill_by_seeds(row, target, cells)
        for (fill, chance), one in zip(told, ours, strict=False):
            assert fill == pytest.approx(one.fill, abs=0.005)
            assert chance == pytest.approx(one.chance, abs=0.005)
        for assurance in (0.5, 0.8):
            move(page, "assurance", 100 * assurance)
            enough = next((one.seeds_per_cell for one in ours if one.chance >= assurance), None)
            near = any(abs(one.chance - assurance) < 0.002 for one in ours)
            assert near or said(page)["needed"] == ("" if enough is None else f"{enough:g}")


def test_no_range_reads_as_an_arrow(page):
    """Also where every cell may fill, or none: such an end is told as 99 or 1."""
    ends = []
    for k in range(len(hostile_account().fit.rows)):
        page.execute_script(
            "const one = document.getElementById('what-if-lot'); one.selectedIndex = "
            "arguments[0];one.dispatchEvent(new Event('change'));",
            k,
        )
        for seeds in (1, 8):
            move(page, "seeds", seeds)
            texts = page.execute_script(
                "return [document.getElementById('what-if-said').textContent,"
                "...[...document.querySelectorAll('#what-if-table td')].map(one => "
                "one.textContent)];"
            )
            assert not [text for text in texts if re.search("-[<>]", text)]
            assert re.search(r" (seed|pinch)\b" if seeds == 1 else r" (seeds|pinches)\b", texts[0])
            ends += re.findall(r"\(from (\d+) to (\d+)\)", texts[0])
    assert len(ends) == 2 * len(hostile_account().fit.rows)
    assert "99" in {high for _, high in ends}


def test_the_keyboard_is_enough(page):
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    seeds = page.find_element(By.ID, "what-if-seeds")
    before = said(page)
    seeds.send_keys(Keys.ARROW_UP)
    assert said(page)["fill"] != before["fill"]
    seeds.send_keys(Keys.CONTROL, "a")
    seeds.send_keys("0")
    assert page.find_element(By.ID, "what-if-said").text.startswith("Cannot tell")
    assert seeds.get_attribute("aria-invalid") == "true"
    page.find_element(By.CSS_SELECTOR, "summary").send_keys(Keys.ENTER)
    assert page.execute_script("return document.querySelector('details').open")


def test_reads_fully_without_script(browser, tmp_path):
    place = tmp_path / "page.html"
    place.write_text(hostile_page(), encoding="utf-8")
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    browser.get(place.as_uri())
    text = browser.find_element("tag name", "body").text
    assert all(question in text for question in QUESTIONS)
    assert not browser.find_element("id", "what-if-form").is_displayed()
    assert browser.find_elements("css selector", "#what-if-table tbody tr")


@pytest.mark.parametrize(("wide", "high"), [(8.27, 11.69), (8.5, 11.0)])
def test_prints_tagged_with_every_section(page, wide, high):
    printed = page.execute_cdp_cmd(
        "Page.printToPDF",
        {
            "paperWidth": wide,
            "paperHeight": high,
            "generateTaggedPDF": True,
            "printBackground": True,
        },
    )
    paper = pypdf.PdfReader(io.BytesIO(base64.b64decode(printed["data"])))
    assert "/StructTreeRoot" in paper.trailer["/Root"]
    text = " ".join(" ".join(one.extract_text() for one in paper.pages).split())
    assert all(question in text for question in QUESTIONS)


@pytest.mark.parametrize("pixels", [360, 1280])
def test_no_serious_accessibility_problem(page, axe, pixels):
    width(page, pixels)
    assert serious_problems(page, axe) == []
