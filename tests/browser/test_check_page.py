"""The check page in a browser: taps are kept, exports are rows that `check` and `fit` take, nothing
is lost unasked.
"""

from __future__ import annotations

import datetime
import json
import os
import shutil
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from tests.browser.check_page_use import (
    EARLIER,
    FORMULA,
    HOSTILE,
    PHONE,
    SCREEN,
    SOWN,
    TODAY,
    Page,
    small_book,
)
from tests.browser.conftest import serious_problems


@pytest.fixture
def book(tmp_path: Path) -> Path:
    return small_book(tmp_path / "book")


@pytest.fixture
def page(browser, book: Path, tmp_path: Path) -> Iterator[Page]:
    path = tmp_path / "check-page.html"
    result = CliRunner().invoke(main, ["new", "--check-page", "--for", str(book), "-o", str(path)])
    assert result.exit_code == 0, result.output
    yield Page(browser, path).open()
    complaints = [
        one["message"]
        for one in browser.get_log("browser")
        if one["level"] in ("SEVERE", "WARNING")
    ]
    assert complaints == []


def test_taps_are_kept_over_a_reload_and_start_from_the_last_check(page: Page) -> None:
    page.choose("T-2")
    assert page.cell("B2") == "B2, 1 seedling before, not looked at yet"
    page.tap("B2", "A1", "A1")
    page.tap("A3", tool="same")
    assert page.cell("B2") == "B2, 2 seedlings, 1 new"
    page.reload().choose("T-2")
    assert page.cell("A1") == "A1, 2 seedlings, 2 new, label corner"
    assert page.cell("A3") == "A3, 0 seedlings, none new"
    assert page.cell("C4") == "C4, 0 seedlings before, not looked at yet"
    assert page.text("#tally").startswith(
        "3 of 12 cells looked at. Ever seen: 4 seedlings in 2 cells, 3 new."
    )


def test_seen_stays_seen_and_undo_goes_back_tap_by_tap(page: Page) -> None:
    page.choose("T-2")
    page.tap("B2", "C1")
    page.tap("B2", "C1", tool="take")
    assert page.cell("B2") == "B2, 1 seedling, none new"
    page.tap("B2", tool="take")
    assert page.cell("B2") == "B2, 1 seedling before, not looked at yet"
    page.click("[data-cell=B2]")
    assert "what was seen stays seen" in page.text("#said")
    for _ in range(3):
        page.click("#undo")
    assert page.cell("B2") == "B2, 2 seedlings, 1 new"
    assert page.cell("C1") == "C1, 1 seedling, 1 new"
    page.tap("A1", "A1", "A1")
    assert "more than the 2 sown there" in page.text("#said")
    assert page.text("#tally").endswith("More than was sown, so count again: A1.")
    page.choose("T-3")
    page.click("#rest")
    assert page.text("#tally").startswith("12 of 12")
    page.click("#undo")
    assert page.text("#tally").startswith("0 of 12")


def test_a_later_check_is_raised_with_an_earlier_one(page: Page) -> None:
    page.choose("T-3")
    page.click("#rest")
    page.set_day(EARLIER)
    page.tap("A2")
    page.click("#to-today")
    assert page.cell("A2") == "A2, 1 seedling, none new"


def test_days_that_cannot_be_are_refused(page: Page) -> None:
    page.choose("T-2")
    for day, why in (
        (TODAY + datetime.timedelta(days=1), "still to come"),
        (SOWN - datetime.timedelta(days=1), "before the sowing"),
        (EARLIER, "mend that day"),
    ):
        page.set_day(day)
        assert why in page.text("#problem")
        assert page.find("[data-cell=A1]").is_enabled() is False
    page.click("#to-today")
    assert page.find("[data-cell=A1]").is_enabled()


def read_in(page: Page, book: Path, *names: str) -> None:
    """Save files on the page and add their rows to the book, as the page tells."""
    downloads = book.parent / "downloads"
    page.click("#show-export")
    for name in names:
        blocks = page.browser.find_elements("css selector", "#files button")
        next(one for one in blocks if one.text == f"Save {name} as a file").click()
        file = downloads / f"{name}-to-add-{TODAY}.csv"
        page.until(file.exists)
        page.until(lambda file=file: file.read_text(encoding="utf-8").endswith("\n"))
        header, *rows = file.read_text(encoding="utf-8").splitlines(keepends=True)
        there = book / f"{name}.csv"
        if there.exists():
            assert there.read_text(encoding="utf-8").splitlines()[0] == header.strip().removesuffix(
                ",checked_by,note"
            )
            lines = there.read_text(encoding="utf-8").splitlines(keepends=True)
            there.write_text("".join([header, *lines[1:], *rows]), encoding="utf-8")
        else:
            there.write_text("".join([header, *rows]), encoding="utf-8")


def test_exported_rows_go_into_the_book_and_the_fit_uses_them(page: Page, book: Path) -> None:
    before = json.loads(CliRunner().invoke(main, ["fit", str(book), "--json"]).stdout)
    page.choose("T-3")
    page.tap("A1", "A1", "B3", "C4")
    page.click("#rest")
    page.click("#note")
    page.type("#note", '=SUM(1) "wet", mice?')
    page.choose(HOSTILE)
    page.click("#rest")
    page.choose("T-2")
    page.type("#note", "dry")
    assert "the numbers of this check" in page.text("#said")
    page.choose(FORMULA)
    page.click("input[value=count]")
    page.type("#filled", "0")
    page.click("input[value=event]")
    page.js(
        "const e = document.getElementById('event'); e.value = 'washed'; e.dispatchEvent(new "
        "Event('change'))"
    )
    page.click("[data-cell=C4]")
    page.click("[data-cell=A1]")
    page.type("#event-note", "@rain")
    page.click("#add-event")
    rows = page.table("cells")
    assert "T-2" in page.text("#unfinished")
    assert [row["emerged"] for row in rows if row["tray"] == "T-3"] == list("200000100001")
    assert [row["emerged"] for row in rows if row["tray"] == HOSTILE] == ["0"] * 12
    assert rows[0]["note"] == 'whole tray: =SUM(1) "wet", mice?'
    tray = f"'{FORMULA}"
    count = {"checked_on": f"{TODAY}", "filled": "0", "seedlings": "", "checked_by": "", "note": ""}
    assert page.table("checks") == [{"tray": tray, **count}]
    washed = {"on": f"{TODAY}", "event": "washed", "cells": "A1 C4", "note": "'@rain"}
    assert page.table("events") == [{"tray": tray, **washed}]
    read_in(page, book, "cells", "checks", "events")
    check = CliRunner().invoke(main, ["check", str(book), "--json"])
    found = json.loads(check.stdout)
    assert (check.exit_code, found["counts"]["stop"], found["counts"]["ask"]) == (0, 0, 0), found[
        "findings"
    ]
    used = {one["table"]: one["used"] for one in found["accounting"]}
    assert (used["cells"], used["checks"], used["events"]) == (6 * 4 * 12 + 12 + 24, 1, 1)
    after = json.loads(CliRunner().invoke(main, ["fit", str(book), "--json"]).stdout)
    counted = [sum(row["trays"] for row in fit["rows"]) for fit in (before, after)]
    # T-3 and the hostile one; the washed tray has no look before its washing
    assert counted == [7, 9]


def test_a_look_at_some_cells_is_held_back_unless_all_were_seen_before(page: Page) -> None:
    page.choose("T-3")
    page.tap("A1")
    page.click("#part")
    assert "first look" in page.text("#said")
    page.choose("T-2")
    page.tap("A1")
    page.click("#part")
    rows = page.table("cells")
    assert [(row["tray"], row["cell"], row["emerged"]) for row in rows] == [("T-2", "A1", "1")]
    assert "T-3" in page.text("#unfinished")


def test_cells_not_sown_are_no_rows(page: Page) -> None:
    page.choose("T-3")
    page.tap("C3", "C4", tool="unsown")
    page.click("#rest")
    assert len(page.table("cells")) == 10


def test_a_count_above_the_cells_is_not_kept(page: Page) -> None:
    page.choose("T-3")
    page.click("input[value=count]")
    page.type("#filled", "12")
    page.type("#filled", "0")
    assert "The tray has 12 cells" in page.text("#count-problem")
    assert page.table("checks")[0]["filled"] == "12"


def test_storage_refused_warns_and_still_exports(page: Page) -> None:
    assert not page.find("#refused").is_displayed()
    page.browser.execute_cdp_cmd(
        "Page.addScriptToEvaluateOnNewDocument",
        {
            "source": "Storage.prototype.setItem = () => { throw new "
            "DOMException('no', 'QuotaExceededError'); };"
            "indexedDB.open = () => { throw new DOMException('no', 'SecurityError'); };"
        },
    )
    page.reload()
    assert page.find("#refused").is_displayed()
    assert "storage is full" in page.text("#refused")
    page.choose("T-3")
    page.tap("A1")
    page.click("#rest")
    assert [row["emerged"] for row in page.table("cells")] == ["1"] + ["0"] * 11


def test_two_tabs_do_not_lose_each_others_taps(page: Page) -> None:
    browser = page.browser
    page.choose("T-3")
    first = browser.current_window_handle
    browser.switch_to.new_window("tab")
    page.open().choose("T-3")
    page.tap("A1", "A2")
    browser.switch_to.window(first)
    page.until(lambda: page.cell("A2") == "A2, 1 seedling, 1 new")
    page.tap("A1", "B1")
    page.click("#undo")
    assert page.cell("A1") == "A1, 2 seedlings, 2 new, label corner"
    page.click("#rest")
    assert [row["emerged"] for row in page.table("cells")][:5] == ["2", "1", "0", "0", "0"]


def browser_processes(profile: str) -> list[int]:
    """Ids of the browser that uses this very profile."""
    found = []
    for place in Path("/proc").iterdir():
        if place.name.isdigit():
            try:
                words = (place / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if f"--user-data-dir={profile}".encode() in words and not any(
                w.startswith(b"--type=") for w in words
            ):
                found.append(int(place.name))
    return found


def test_taps_outlive_a_browser_that_dies(page: Page, tmp_path: Path) -> None:
    from selenium import webdriver

    profile = str(tmp_path / "profile")
    if not Path("/proc").is_dir():
        pytest.skip("the browser's process is found in /proc, which this system lacks")
    page.choose("T-3")
    page.tap("A1", "A2", "C4")
    time.sleep(0.3)
    list(page.browser.get_log("browser"))
    for one in browser_processes(profile):
        os.kill(one, signal.SIGKILL)
    page.until(lambda: not browser_processes(profile))
    for lock in Path(profile).glob("Singleton*"):
        lock.unlink()
    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for flag in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--no-first-run",
        "--disable-dev-shm-usage",
        "--host-resolver-rules=MAP * ~NOTFOUND",
        f"--user-data-dir={profile}",
    ):
        options.add_argument(flag)
    again = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(str(shutil.which("chromedriver")))
    )
    try:
        reopened = Page(again, Path(page.address.removeprefix("file://"))).open()
        reopened.choose("T-3")
        assert [reopened.cell(name) for name in ("A2", "C4")] == [
            "A2, 1 seedling, 1 new",
            "C4, 1 seedling, 1 new",
        ]
    finally:
        again.quit()
        page.browser.get_log = lambda kind: []  # the first browser is gone


def test_clearing_says_what_goes_and_keeps_the_last_numbers(page: Page) -> None:
    page.choose("T-3")
    page.tap("A1")
    page.click("#rest")
    page.table("cells")
    page.click("#files button")
    page.choose("T-2")
    page.click("#rest")
    page.click("#show-export")
    page.click("#clear")
    assert "2 checks are kept here. Exported: 1 check, last on" in page.text("#sure-words")
    assert "Never exported: 1" in page.text("#sure-words")
    page.click("#keep-all")
    assert len(page.table("cells")) == 24
    page.click("#clear")
    page.click("#clear-exported")
    assert {row["tray"] for row in page.table("cells")} == {"T-2"}
    page.choose("T-3")
    assert "mend that day" in page.text("#problem")
    assert page.cell("A1") == "A1, 1 seedling before, not looked at yet, label corner"


def test_rows_are_copied_for_a_spreadsheet_without_a_header(page: Page) -> None:
    page.choose("T-3")
    page.tap("A1")
    page.click("#rest")
    page.click("#show-export")
    page.browser.execute_cdp_cmd(
        "Browser.grantPermissions",
        {"permissions": ["clipboardReadWrite", "clipboardSanitizedWrite"]},
    )
    page.click("#files button:nth-of-type(2)")
    page.until(lambda: page.text("#exported") == "12 rows of cells copied.")
    text = page.browser.execute_async_script(
        "navigator.clipboard.readText().then(arguments[arguments.length - 1])"
    )
    lines = str(text).splitlines()
    assert lines[0].split("\t") == ["T-3", "A1", TODAY.isoformat(), "1", "", ""]
    assert len(lines) == 12


def test_where_copying_is_refused_the_text_is_marked(page: Page) -> None:
    page.choose("T-3")
    page.click("#rest")
    page.click("#show-export")
    page.js(
        "navigator.clipboard.writeText = () => Promise.reject(new Error('no')); "
        "document.execCommand = () => false"
    )
    page.click("#files button:nth-of-type(2)")
    page.until(lambda: "copy it by hand" in page.text("#exported"))
    assert str(page.js("return getSelection().toString()")).count("T-3") == 12
    page.click("#clear")
    assert "None was exported." in page.text("#sure-words")


def test_a_page_made_of_the_filled_book_knows_what_arrived(page: Page, book: Path) -> None:
    page.choose("T-3")
    page.tap("A1")
    page.click("#rest")
    page.table("cells")
    read_in(page, book, "cells")
    # left beside the table it was added to
    shutil.copy(book.parent / "downloads" / f"cells-to-add-{TODAY}.csv", book)
    check = CliRunner().invoke(main, ["check", str(book)])
    assert (check.exit_code, f"cells-to-add-{TODAY}.csv: not read" in check.output) == (0, True)
    path = Path(page.address.removeprefix("file://"))
    assert (
        CliRunner()
        .invoke(main, ["new", "--check-page", "--for", str(book), "-o", str(path), "--force"])
        .exit_code
        == 0
    )
    page.open().click("#show-export")
    assert "Nothing to export. 1 check more: the book has that day already" in page.text("#ready")
    assert page.browser.find_elements("css selector", "#files button") == []


def test_hostile_names_stay_text(page: Page) -> None:
    names = [one.text for one in page.browser.find_elements("css selector", "#trays b")]
    assert names == ["T-2", "T-3", "T-10", HOSTILE, FORMULA]  # bench 10 after bench 2
    page.choose(HOSTILE)
    assert page.text("#name") == HOSTILE
    assert page.js("return document.scripts.length") == 2
    page.type("#by", "<img src=x onerror=alert(1)>")
    page.click("#rest")
    assert page.table("cells")[0]["checked_by"] == "<img src=x onerror=alert(1)>"


def test_a_round_by_keys_alone(page: Page) -> None:
    from selenium.webdriver import ActionChains, Keys

    def press(*keys: str) -> None:
        ActionChains(page.browser).send_keys(*keys).perform()

    def tab_to(true: str, most: int = 60) -> None:
        for _ in range(most):
            press(Keys.TAB)
            if page.js(f"const e = document.activeElement; return Boolean({true})"):
                return
        raise AssertionError(f"no way by keys to {true}")

    tab_to("e.id === 'search'")
    press("T-3")
    tab_to("e.closest('#trays')")
    press(Keys.ENTER)
    tab_to("e.dataset.cell === 'A1'")
    press("+", Keys.ARROW_RIGHT, Keys.SPACE, Keys.ARROW_DOWN, "2", Keys.END, "n")
    assert page.js("return document.activeElement.dataset.cell") == "B4"
    outline = page.js("return getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    tab_to("e.id === 'rest'")
    press(Keys.ENTER)
    assert [row["emerged"] for row in page.table("cells")] == list("110002000000")
    page.choose("T-3")
    ActionChains(page.browser).key_down(Keys.CONTROL).send_keys("z").key_up(Keys.CONTROL).perform()
    assert page.text("#tally").startswith("4 of 12")


@pytest.mark.parametrize("pixels", [PHONE, SCREEN])
def test_no_serious_barrier_and_no_sideways_scrolling(page: Page, axe: str, pixels: int) -> None:
    page.open(pixels)

    def sound(part: str) -> None:
        wide, shown = page.js(
            "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
        )
        assert wide <= shown, part
        found = page.browser.execute_async_script(
            "const done = arguments[arguments.length - 1];axe.run(document, {resultTypes: "
            "['violations']}).then(r => done(r.violations));"
        )
        bad = [
            f"{v['id']} at {v['nodes'][0]['target']}"
            for v in found
            if v["impact"] in ("serious", "critical")
        ]
        assert bad == [], part

    assert serious_problems(page.browser, axe) == []
    page.wait()
    page.js(axe)
    for mode in ("cells", "count", "event"):
        page.choose("T-2")
        page.click(f"input[value={mode}]")
        sound(mode)
        if mode == "cells":
            page.tap("A1")
            page.tap("A2", tool="unsown")
            page.click("#rest")
            sound("looked at")
    page.click("#show-export")
    sound("export")
    page.click("#clear")
    sound("clear")


def test_targets_are_large_enough_and_a_turned_tray_says_where_its_label_is(
    browser, tmp_path: Path
) -> None:
    path = tmp_path / "check-page.html"
    assert CliRunner().invoke(main, ["new", "--check-page", "-o", str(path)]).exit_code == 0
    page = Page(browser, path).open()
    for field, keys in (("#new-tray", "T-1"), ("#new-rows", "6"), ("#new-columns", "12")):
        page.type(field, keys)
    page.click("#add-tray button")

    def smallest(which: str = "#grid button") -> float:
        script = (
            "return [...document.querySelectorAll(arguments[0])].filter(one => "
            "one.checkVisibility()).map(one => one.getBoundingClientRect()).map(one => "
            "Math.min(one.width, one.height))"
        )
        sizes = page.js(script, which)
        assert isinstance(sizes, list)
        return float(min(sizes))

    # turned a quarter by itself, so that cells are larger
    assert page.text("#corner") == "Label at A1 (top right)."
    assert smallest() >= 44
    for lies in ("bottom right", "bottom left", "top left"):
        page.click("#turn")
        assert page.text("#corner") == f"Label at A1 ({lies})."
        assert smallest() >= 24  # the least of WCAG 2.2, success criterion 2.5.8
        for part in ("document.documentElement", "document.getElementById('scroll')"):
            assert page.js(f"return {part}.scrollWidth <= {part}.clientWidth"), part
    page.tap("B7")
    page.click("#rest")
    rows = page.table("cells")
    assert (len(rows), [row["cell"] for row in rows if row["emerged"] == "1"]) == (72, ["B7"])
    assert list(rows[0]) == [
        "tray",
        "cell",
        "checked_on",
        "emerged",
        "occupied",
        "seeds",
        "alive",
        "checked_by",
        "note",
    ]
    page.reload().choose("T-1")
    assert page.cell("B7") == "B7, 1 seedling, 1 new"
    assert smallest("button:not(#grid *)") >= 44


RECORD = "tray|T-3"
DAMAGED = {
    RECORD: (
        '{"checks": [1, 2], "events": {}}',
        '{"checks": {"DAY": null}}',
        '{"checks": {"DAY": {"cells": {"A1": "many"}}}}',
        '{"checks": {"DAY": {"note": {"a": 1}}}}',
        '{"checks": {"some day": {"filled": 3}}}',
        '{"events": {"x": {"on": 7, "event": null}}}',
        '{"draft": 5}',
        '{"draft": {"A1": true}, "unsown": "all"}',
        '{"base": {"day": 3}}',
        "7",
        '"words"',
        "{not json",
    ),
    "trays": (
        "[null]",
        '[{"tray": 4, "rows": 2, "columns": 2}]',
        '[{"tray": "N-1", "rows": "six"}]',
        '{"tray": 1}',
    ),
    "settings": ('{"turn": "left", "mode": 4, "by": ["me"]}', '{"__proto__": 1}', "[]"),
}
"""Texts that are no JSON, or JSON of a wrong shape, by the key they are kept under."""
NAMED = {RECORD: "tray T-3", "trays": "the trays typed here", "settings": "the settings"}


def kept_as(page: Page, key: str, text: str) -> None:
    """Put a text where the page keeps its own, and open the page anew."""
    page.js("writeText(arguments[0], arguments[1])", key, text)
    page.reload()


@pytest.mark.parametrize("key", DAMAGED)
def test_a_damaged_text_is_set_aside_and_said_and_every_view_goes_on(page: Page, key: str) -> None:
    for number, damaged in enumerate(DAMAGED[key], start=1):
        text = damaged.replace("DAY", TODAY.isoformat())
        kept_as(page, key, text)
        page.choose("T-3")
        assert f"is set aside: {NAMED[key]}." in page.text("#damaged"), text
        assert page.find("#damaged").is_displayed()
        for mode in ("event", "count", "cells"):
            page.click(f"input[value={mode}]")
        page.click("#show-export")
        areas = page.browser.find_elements("css selector", "#aside textarea")
        assert (len(areas), areas[-1].get_property("value")) == (number, text)
    page.choose("T-3")
    page.tap("A1")
    page.click("#rest")
    assert [row["emerged"] for row in page.table("cells")] == list("100000000000")
    for left in reversed(range(len(DAMAGED[key]))):
        page.click("#aside button")
        page.until(
            lambda left=left: (
                len(page.browser.find_elements("css selector", "#aside button")) == left
            )
        )
    page.reload()
    assert page.find("#damaged").is_displayed() is False
    page.choose("T-3")
    assert page.cell("A1") == "A1, 1 seedling, 1 new, label corner"


@pytest.mark.parametrize("pixels", [PHONE, SCREEN])
def test_a_damaged_text_is_no_barrier(page: Page, axe: str, pixels: int) -> None:
    kept_as(page, RECORD, json.dumps({"checks": ["x" * 500]}))
    page.open(pixels)
    assert page.find("#damaged").is_displayed()
    assert serious_problems(page.browser, axe) == []
    page.wait().click("#show-export")
    assert page.find("#aside textarea").is_displayed()
    wide, shown = page.js(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= shown
    page.js(axe)
    found = page.browser.execute_async_script(
        "const done = arguments[arguments.length - 1];axe.run(document, {resultTypes: "
        "['violations']}).then(r => done(r.violations));"
    )
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []


def test_what_is_sound_in_a_damaged_text_goes_on(page: Page) -> None:
    cells = {f"{'ABC'[n // 4]}{n % 4 + 1}": 0 for n in range(12)}
    before = (TODAY - datetime.timedelta(days=1)).isoformat()
    kept_as(
        page,
        RECORD,
        json.dumps({"checks": {before: {"cells": cells | {"B2": 1}}, TODAY.isoformat(): 5}}),
    )
    kept_as(page, "trays", json.dumps([None, {"tray": "N-1", "rows": 2, "columns": 2, "sown": ""}]))
    page.choose("T-3")
    assert page.text("#damaged").count("tray T-3") == 1
    assert page.cell("B2") == "B2, 1 seedling before, not looked at yet"
    page.choose("N-1")
    assert {row["checked_on"] for row in page.table("cells")} == {before}


def test_what_was_thrown_away_stays_away_where_the_second_keeping_is_behind(page: Page) -> None:
    """A page closed at once may lose its last write there."""
    page.choose("T-3")
    page.tap("A1")
    stamp, text = page.js("return readStamped('tray|T-3')")
    assert '"A1":1' in text
    page.click("#undo")
    page.browser.execute_async_script(
        "const [stamp, text, done] = arguments;const work = second.transaction('texts', "
        "'readwrite');work.objectStore('texts').put({key: PREFIX + 'tray|T-3', stamp, "
        "text});work.oncomplete = () => done();",
        stamp,
        text,
    )
    page.reload().choose("T-3")
    assert page.cell("A1") == "A1, not looked at yet, label corner"
