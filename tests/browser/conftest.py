"""A headless Chromium for tests that use a page as a person would; skipped, with a reason, where
there is none.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

AXE = Path(__file__).parents[2] / ".axe" / "node_modules" / "axe-core" / "axe.min.js"
"""Where `.ci/browser` puts the accessibility checker."""


@pytest.fixture
def browser(tmp_path: Path) -> Iterator:
    """A Chromium of its own profile that reaches no network; its console is kept
    (`browser.get_log("browser")`).
    """
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not chromium or not driver:
        pytest.skip(
            "chromium and chromedriver (Debian: chromium, chromium-driver) are not installed; "
            ".ci/browser does it"
        )
    webdriver = pytest.importorskip(
        "selenium.webdriver", reason="selenium is not installed; pip install '.[dev]'"
    )
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-dev-shm-usage",
        "--host-resolver-rules=MAP * ~NOTFOUND",
        f"--user-data-dir={tmp_path / 'profile'}",
    ):
        options.add_argument(flag)
    options.add_experimental_option(
        "prefs",
        {
            "download.default_directory": str(tmp_path / "downloads"),
            "download.prompt_for_download": False,
        },
    )
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    made = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(executable_path=driver)
    )
    try:
        yield made
    finally:
        made.quit()


@pytest.fixture
def axe() -> str:
    """The source of axe-core, an accessibility checker; skipped where it was not fetched."""
    if not AXE.exists():
        pytest.skip("axe-core (npm) is not there; .ci/browser fetches it")
    return AXE.read_text(encoding="utf-8")


def width(browser, pixels: int, height: int = 900) -> None:
    """Show the page as on a screen so many CSS pixels wide."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": pixels, "height": height, "deviceScaleFactor": 1, "mobile": pixels < 600},
    )


def beyond_the_screen(browser, what: str) -> list[str]:
    """Elements (a CSS selector) that stand beyond the right edge of the screen, with every fold
    open.
    """
    browser.execute_script(
        "document.querySelectorAll('details').forEach(one => { one.open = true; });"
    )
    return browser.execute_script(
        "return [...document.querySelectorAll(arguments[0])].filter(one => "
        "one.getBoundingClientRect().right > window.innerWidth + 1).map(one => "
        "one.outerHTML.slice(0, 99));",
        what,
    )


def serious_problems(browser, axe: str) -> list[str]:
    """What axe-core calls serious or critical on the page shown, with the place of each."""
    browser.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
    browser.refresh()
    browser.execute_script(axe)
    found = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];axe.run(document, {resultTypes: "
        "['violations']}).then(r => done(r.violations));"
    )
    return [
        f"{one['id']}: {one['help']} at {one['nodes'][0]['target']}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
