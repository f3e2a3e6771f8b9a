"""The season's page in autumn, with a packet too small and a trial to sow: on a phone and a
desk.
"""

from __future__ import annotations

import datetime

import pytest

from germstats.page.page import season_page
from germstats.page.pictures import Pictures
from tests.browser.conftest import beyond_the_screen, serious_problems, width
from tests.page_books import ended_account, few_seeds, undecided


@pytest.fixture
def page(browser, tmp_path):
    account = undecided(few_seeds(ended_account(), 200))
    place = tmp_path / "page.html"
    place.write_text(
        season_page(account, Pictures(), datetime.date(2026, 11, 26)), encoding="utf-8"
    )
    browser.get(place.as_uri())
    return browser


@pytest.mark.parametrize("pixels", [360, 1280])
def test_autumn_fits_the_screen_and_has_no_barrier(page, axe, pixels):
    width(page, pixels)
    beyond = beyond_the_screen(page, "td, p, li, code, span, h2, h3")
    assert page.execute_script("return document.documentElement.scrollWidth") <= pixels
    assert beyond == []
    assert serious_problems(page, axe) == []
    assert page.get_log("browser") == []


def test_the_command_is_copied_as_it_is_typed_and_its_words_stay_whole(page):
    width(page, 360)
    one = page.find_element("css selector", "#trial .command")
    typed = page.execute_script(
        "getSelection().selectAllChildren(arguments[0]); return String(getSelection());", one
    )
    assert typed.startswith("germstats trial ") and " --species MOFI --treatments " in typed
    assert typed == page.execute_script("return arguments[0].textContent", one)
    lines = page.execute_script(
        "return [...arguments[0].querySelectorAll('span')].map(one => "
        "one.getClientRects().length);",
        one,
    )
    assert set(lines) == {1}


def test_every_part_has_its_link(page):
    for name in ("packet", "trial", "watch", "calendar"):
        link = page.find_element("css selector", f"nav a[href='#{name}']")
        assert link.text == page.find_element("css selector", f"#{name} h2").text
