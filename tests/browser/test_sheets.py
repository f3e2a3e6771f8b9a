"""The sheets on a phone, on a screen and on paper, A4 and Letter: nothing cut, nothing split,
nothing lost.
"""

from __future__ import annotations

import base64
import io
from dataclasses import replace

import pytest

from germstats.engine.fit import fit_emergence
from germstats.forecast.order_plan import OrderSpec
from germstats.questions.plan.next_sowings import next_sowings
from germstats.questions.sheets.sheets import check_sheets, label_sheet, labels_of, sowing_sheet
from germstats.records.bench_order import bench_of
from tests.browser.conftest import serious_problems, width
from tests.questions.plan.plan_books import ORDER_HEAD, small_book

PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


def many_trays(rows=6, columns=12, number=45):
    head = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover,place\n"
    return head + "".join(
        f"T-{k:03d},2026,{'A-1' if k % 2 else 'B-1'},2025-12-10,{rows},{columns},2,grit,bench "
        f"{k % 7 + 1}\n"
        for k in range(1, number + 1)
    )


@pytest.fixture(scope="module")
def benches(tmp_path_factory):
    place = tmp_path_factory.mktemp("benches")
    return bench_of(
        small_book(place / "book", trays=many_trays(), checks="tray,checked_on,filled\n")
    )


@pytest.fixture(scope="module")
def sowing(tmp_path_factory):
    place = tmp_path_factory.mktemp("sowing")
    orders = ORDER_HEAD + "Q-1,AAAA,900,2027-09-01,,2,1,1,\nQ-2,BBBB,60,2027-09-01,,2,1,2,\n"
    book = small_book(place / "book", orders=orders)
    return next_sowings(fit_emergence(book), book, OrderSpec())


def shown(browser, tmp_path, page):
    file = tmp_path / "sheet.html"
    file.write_text(page, encoding="utf-8")
    browser.get(file.as_uri())
    return file


def printed(browser, paper):
    """Pages as printed."""
    pypdf = pytest.importorskip(
        "pypdf", reason="pypdf, which reads what was printed, is not installed"
    )
    wide, high = PAPERS[paper]
    asked = {
        "paperWidth": wide,
        "paperHeight": high,
        "preferCSSPageSize": True,
        "printBackground": False,
    }
    answer = browser.execute_cdp_cmd("Page.printToPDF", asked)
    return pypdf.PdfReader(io.BytesIO(base64.b64decode(answer["data"]))).pages


def flat(page):
    return "".join(page.extract_text().split())


@pytest.mark.parametrize("paper", PAPERS)
def test_every_tray_to_be_sown_is_printed_whole_under_a_repeated_head(
    browser, tmp_path, sowing, paper
):
    shown(browser, tmp_path, sowing_sheet(sowing, "book"))
    pages = printed(browser, paper)
    assert len(pages) > 2
    # no size of its own
    assert float(pages[0].mediabox.width) == pytest.approx(PAPERS[paper][0] * 72, abs=1)
    texts = [flat(page) for page in pages]
    for one in sowing.trays:
        (here,) = [text for text in texts if one.tray in text]
        after = here[here.index(one.tray) :].split("N-")[1]
        assert "grams" in after and "sown_on" in after  # the line ends on the page it begins on
    for text in texts:
        assert "seeds_per_cell" in text or "N-" not in text
    assert (
        texts[0].count("Seedtotakeout") == 1
        and sum(text.count("harmlungs") + text.count("harmslungs") for text in texts) == 1
    )


@pytest.mark.parametrize("paper", PAPERS)
def test_every_tray_is_on_the_list_and_no_grid_is_split(browser, tmp_path, benches, paper):
    shown(browser, tmp_path, check_sheets(benches, "book"))
    texts = [flat(page) for page in printed(browser, paper)]
    first = next(k for k, text in enumerate(texts) if "Traybytray" in text)
    assert first <= 2  # the quick round: both sides of one sheet
    for one in benches.trays:
        assert sum(text.count(one.tray) for text in texts[:first]) == 1
        (own,) = [text for text in texts[first:] if one.tray in text]
        grid = own[own.index(one.tray) :].split("label", 1)[0]  # its head, to cell A1
        rest = own[own.index(one.tray) :].split("label", 1)[1].split("T-")[0]
        assert "123456789101112" in grid and all(letter in rest for letter in "BCDEF")
    assert all("checked_on" in text for text in texts)


@pytest.mark.parametrize(("rows", "columns"), [(20, 13), (12, 12), (30, 30), (8, 16)])
def test_the_largest_grids_of_each_size_fit_on_a_page(browser, tmp_path, benches, rows, columns):
    trays = tuple(replace(one, rows=rows, columns=columns) for one in benches.trays[:3])
    shown(browser, tmp_path, check_sheets(replace(benches, trays=trays), "book"))
    last = chr(ord("A") + (rows - 1) % 26)
    last = last if rows <= 26 else f"A{last}"
    texts = [flat(page) for page in printed(browser, "Letter")]
    first = next(k for k, text in enumerate(texts) if "Traybytray" in text)
    for one in trays:
        (own,) = [text for text in texts[first:] if one.tray in text]
        assert (
            own[own.index(one.tray) :]
            .split("label", 1)[1]
            .split("T-")[0]
            .rstrip("-")
            .endswith(last)
        )


@pytest.mark.parametrize("paper", PAPERS)
def test_every_label_is_printed_whole(browser, tmp_path, benches, paper):
    shown(browser, tmp_path, label_sheet(labels_of(benches.own), 2026, "book"))
    texts = [flat(page) for page in printed(browser, paper)]
    assert len(texts) <= 3  # several to a page
    assert sum(text.count("sown10Dec2025") for text in texts) == len(benches.own)
    for one in benches.own:
        (own,) = [text for text in texts if one.tray in text]
        assert "sown10Dec2025grit" in own[own.index(one.tray) :].split("T-")[1]
    heads = [text.count("T-") for text in texts]
    assert (
        heads
        == [text.count("grit") for text in texts]
        == [text.count("sown10Dec2025") for text in texts]
    )


def pages_of(sowing, benches):
    return {
        "sowing": sowing_sheet(sowing, "book"),
        "checks": check_sheets(replace(benches, trays=benches.trays[:6]), "book"),
        "labels": label_sheet(labels_of(benches.own[:6]), 2026, "book"),
    }


@pytest.mark.parametrize("kind", ["sowing", "checks", "labels"])
def test_sheets_are_used_on_a_phone_and_by_everybody(browser, axe, tmp_path, sowing, benches, kind):
    shown(browser, tmp_path, pages_of(sowing, benches)[kind])
    for pixels in (360, 1280):
        width(browser, pixels)
        beyond = browser.execute_script(
            "return document.documentElement.scrollWidth - window.innerWidth"
        )
        assert beyond <= 0
        assert serious_problems(browser, axe) == []
    assert [line for line in browser.get_log("browser") if line["level"] == "SEVERE"] == []


def test_long_and_hostile_names_stay_on_their_page(browser, tmp_path, sowing, benches):
    name = "<script>document.title='run'</script>" + "\U0001f331 نبات " + "W" * 80
    trays = tuple(
        replace(one, tray=name, lot=name, place=name, block=name) for one in benches.trays[:3]
    )
    sown = tuple(
        replace(one, lot=name, species=name, order=name, places=(name,)) for one in sowing.trays[:2]
    )
    for page in (
        check_sheets(replace(benches, trays=trays), name),
        label_sheet(labels_of(trays), 2026, name),
        sowing_sheet(replace(sowing, trays=sown), name),
    ):
        shown(browser, tmp_path, page)
        width(browser, 360)
        assert browser.title != "run"
        assert (
            browser.execute_script(
                "return document.documentElement.scrollWidth - window.innerWidth"
            )
            <= 0
        )
