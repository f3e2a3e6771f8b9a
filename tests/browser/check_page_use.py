"""The check page as a grower uses it, and a small record book to try it on."""

from __future__ import annotations

import csv
import datetime
import io
import time
from collections.abc import Callable
from pathlib import Path

from tests.browser.conftest import width

TODAY = datetime.date.today()
SEASON = TODAY.year + int(TODAY.month > 7)
SOWN = TODAY - datetime.timedelta(days=60)
EARLIER = TODAY - datetime.timedelta(days=7)
HOSTILE = "<script>alert(1)</script>\"' \U0001f331 \u05d0\u05d1"
FORMULA = "=cmd()|'x'!A0"
PHONE, SCREEN = 360, 1280


def write(folder: Path, name: str, header: str, rows: list[list[object]]) -> None:
    folder.mkdir(exist_ok=True)
    with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerows([header.split(","), *rows])


def small_book(folder: Path) -> Path:
    """Two past springs looked at cell by cell, and this spring's trays: one looked at a week ago,
    four never.
    """
    write(folder, "species", "species,common_name", [["MOFI", "wild bergamot"]])
    write(folder, "lots", "lot,species", [["MOFI-A", "MOFI"]])
    trays: list[list[object]] = []
    cells: list[list[object]] = []
    for back in (1, 2):
        for k in range(3):
            tray = f"P-{back}{k}"
            trays.append(
                [
                    tray,
                    SEASON - back,
                    "MOFI-A",
                    f"{SEASON - back - 1}-12-10",
                    3,
                    4,
                    2,
                    "grit",
                    "bench 1",
                ]
            )
            for week, share in ((1, 0), (2, 4 + k), (3, 9 - k), (4, 9 - k)):
                day = datetime.date(SEASON - back, 3, 20) + datetime.timedelta(weeks=2 * week)
                cells += [
                    [tray, f"{'ABC'[n // 4]}{n % 4 + 1}", day, int(n < share) + int(n < share - 6)]
                    for n in range(12)
                ]
    for tray, place in (
        ("T-10", "bench 10"),
        ("T-2", "bench 2"),
        ("T-3", "bench 2"),
        (HOSTILE, "z"),
        (f"'{FORMULA}", "z"),
    ):
        trays.append([tray, SEASON, "MOFI-A", SOWN, 3, 4, 2, "grit", place])
    cells += [["T-2", f"{'ABC'[n // 4]}{n % 4 + 1}", EARLIER, int(n == 5)] for n in range(12)]
    write(folder, "trays", "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover,place", trays)
    write(folder, "cells", "tray,cell,checked_on,emerged", cells)
    return folder


class Page:
    """The page as a grower uses it."""

    def __init__(self, browser, path: Path) -> None:
        self.browser = browser
        self.address = path.as_uri()

    def open(self, pixels: int = PHONE) -> Page:
        width(self.browser, pixels, 740)
        self.browser.get(self.address)
        return self.wait()

    def wait(self) -> Page:
        self.until(lambda: self.js("return document.body.dataset.part !== undefined"))
        return self

    def reload(self) -> Page:
        """Open the page anew once both keepings have all: a busy browser loses what was written
        just before, and may say that it is done while the old page still stands.
        """
        self.browser.execute_async_script(
            "const done = () => arguments[0]();if (second) "
            "second.transaction('texts').objectStore('texts').count().onsuccess = done; else "
            "done();"
        )
        self.js("document.stale = true")
        self.browser.refresh()
        self.until(lambda: self.js("return document.stale === undefined"))
        return self.wait()

    def until(self, true: Callable[[], object]) -> None:
        end = time.monotonic() + 5
        while not true():
            assert time.monotonic() < end, "the page did not get there in time"
            time.sleep(0.05)

    def js(self, script: str, *values: object) -> object:
        return self.browser.execute_script(script, *values)

    def find(self, selector: str):
        return self.browser.find_element("css selector", selector)

    def click(self, selector: str) -> None:
        one = self.find(selector)
        self.js("arguments[0].scrollIntoView({block: 'center'})", one)
        one.click()

    def choose(self, tray: str) -> None:
        self.click("#show-list")
        lines = self.browser.find_elements("css selector", "#trays button")
        next(one for one in lines if one.find_element("css selector", "b").text == tray).click()

    def tap(self, *cells: str, tool: str = "add") -> None:
        self.click(f"input[value={tool}]")
        for cell in cells:
            self.click(f"[data-cell={cell}]")

    def set_day(self, day: datetime.date) -> None:
        script = (
            "const d = document.getElementById('day'); d.value = arguments[0]; d.dispatchEvent(new "
            "Event('change'))"
        )
        self.js(script, day.isoformat())

    def cell(self, name: str) -> str:
        return str(self.find(f"[data-cell={name}]").get_attribute("aria-label"))

    def text(self, selector: str) -> str:
        return str(self.js("return document.querySelector(arguments[0]).textContent", selector))

    def table(self, name: str) -> list[dict[str, str]]:
        """Rows of an exported table, as its text has them."""
        self.click("#show-export")
        text = str(
            self.js(
                f"return document.querySelector('textarea[aria-label=\"Text of {name}\"]').value"
            )
        )
        return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))

    def type(self, selector: str, keys: str) -> None:
        self.find(selector).send_keys(keys)
