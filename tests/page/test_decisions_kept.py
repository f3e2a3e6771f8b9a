"""What text, page and sheets tell follows fields of results: rewording a note changes no
decision.
"""

from __future__ import annotations

import datetime
from dataclasses import replace

import pandas as pd
import pytest

from germstats.document.blocks import Items, Section, Words
from germstats.engine.fit import fit_emergence
from germstats.forecast.order_plan import LotNote
from germstats.forecast.seeds_per_cell import SowingSpec, seeds_per_cell
from germstats.forecast.sowing_deadline import sow_by
from germstats.forecast.trays_to_sow import advised_sowings, trays_frame
from germstats.page.ending import spring_over
from germstats.page.now import now_section
from germstats.page.plan import orders_section
from germstats.questions.backtest.backtest_text import (
    chances_words,
    overall_words,
    ranges_words,
    season_sentences,
)
from germstats.questions.backtest.result import SeasonVerdict
from germstats.questions.compare.compare_text import numbers_words
from germstats.questions.compare.comparison import ComparisonVerdict
from germstats.questions.plan.plan_text import plan_notes
from germstats.questions.sheets.sheet_words import seeds_words
from germstats.questions.watch.spec import OrderWatch, TrayStatus, WatchSpec
from germstats.questions.watch.watch import watch
from germstats.questions.watch.watch_text import watch_text
from tests.page.figure_results import past, plan
from tests.page_books import ended_account, hostile_account
from tests.questions.plan.plan_books import COUNTS, LOT_HEAD, ORDER_HEAD, small_book, tray_tables

NOVEMBER = datetime.date(2026, 11, 26)


def said(section: Section) -> list[str]:
    """Every sentence of a section."""
    found: list[str] = []
    for block in section.blocks:
        found += [block.text] if isinstance(block, Words) else []
        found += list(block.sentences) if isinstance(block, Items) else []
    return found


# --- sown by the pinch


@pytest.fixture(scope="module")
def pinched(tmp_path_factory):
    """A book in which A-1 is sown by pinches that were counted, B-1 one seed a cell, and advice on
    it.
    """
    trays = tray_tables(COUNTS)["trays"].replace("6,6,2,", "6,6,pinch,")
    lots = (
        f"{LOT_HEAD.strip()},pinch_counts\nA-1,AAAA,400,80,,5000,,2 3 1 4 2 3 2 1 3 "
        "2\nB-1,BBBB,,,0.5,,3,\n"
    )
    book = small_book(tmp_path_factory.mktemp("pinch") / "book", trays=trays, lots=lots)
    return book, seeds_per_cell(fit_emergence(book), SowingSpec(target=0.3))


@pytest.mark.parametrize(
    "notes", [None, (), ("other words",), ("a mean pinch, uneven from cell to cell",)]
)
def test_whether_a_lot_is_sown_by_the_pinch_does_not_hang_on_its_notes(pinched, notes):
    book, advice = pinched
    assert [row.by_pinch for row in advice.rows] == [True, False]
    assert advice.to_frame()["by_pinch"].tolist() == [True, False]
    rows = tuple(row if notes is None else replace(row, notes=notes) for row in advice.rows)
    trays = {one.lot: one for one in advised_sowings(replace(advice, rows=rows), book, 2027)}
    assert trays["A-1"].seeds.by_pinch and not trays["B-1"].seeds.by_pinch
    assert seeds_words(trays["A-1"].seeds).startswith("pinch, mean ")
    entries = dict(
        zip(
            trays_frame(trays.values())["lot"],
            trays_frame(trays.values())["seeds_per_cell"],
            strict=True,
        )
    )
    assert entries["A-1"] == "pinch" and entries["B-1"] != "pinch"


# --- plan


def test_notes_of_a_lot_stand_under_its_name_whatever_signs_it_holds():
    first, *others = plan().rows
    notes = (LotNote("A: 1", "one tray only"), LotNote("A: 1", "last sown long ago: test it"))
    found = replace(plan(), rows=(replace(first, of_lots=notes), *others))
    assert "A: 1: one tray only; last sown long ago: test it." in plan_notes(found)
    assert found.rows[0].lot_notes == ("A: 1: one tray only", "A: 1: last sown long ago: test it")


def test_an_order_that_fails_in_the_worst_spring_or_comes_after_its_day_says_so_as_a_value():
    row = replace(plan().rows[0], worst_chance=0.49, worst_season=2024)
    assert row.fails_in_worst and row.as_record()["fails_in_worst"] is True
    assert not replace(row, worst_chance=0.5).fails_in_worst
    assert not replace(row, worst_chance=None).fails_in_worst
    assert row.as_record()["ready_after_due"] is False


# --- orders served by the spring under way


def test_the_watch_names_the_orders_that_its_trays_serve(tmp_path):
    """Those of the species due by the end of the year; Q-2 is due a year later, Q-3 on no day, Q-4
    is delivered.
    """
    orders = ORDER_HEAD + (
        "Q-1,AAAA,20,2026-09-01,,2,1,1,\nQ-2,AAAA,20,2027-09-01,,2,1,1,\nQ-3,AAAA,20,,,2,1,1,\n"
        "Q-4,AAAA,20,2026-09-01,,2,1,1,20\nQ-5,CCCC,20,2026-09-01,,2,1,1,\n"
    )
    found = watch(
        small_book(tmp_path / "book", orders=orders), WatchSpec(pd.Timestamp(2026, 4, 15))
    )
    assert [(row.species, row.orders) for row in found.orders] == [("AAAA", ("Q-1",))]
    assert found.served == {("Q-1", "AAAA")}
    assert found.as_record()["orders"][0]["orders"] == ["Q-1"]


def test_orders_served_by_the_spring_watched_are_short_of_nothing():
    account = hostile_account()
    row = replace(account.plan.rows[0], short=True, plugs=432)
    short = replace(account, plan=replace(account.plan, rows=(row, *account.plan.rows[1:])))
    under_way = OrderWatch(row.species, 60, 0.8, None)
    for orders, told in ((("another order",), True), ((row.order,), False)):
        served = replace(under_way, orders=orders)
        page = replace(short, watch=replace(account.watch, orders=(served,)))
        assert page.served == (frozenset() if told else {(row.order, row.species)})
        for section in (orders_section(page, ()), now_section(page)):
            assert any("432 plugs wanted" in words for words in said(section)) == told


# --- sow by


def test_whether_the_day_to_sow_by_heeds_the_cold_is_a_field(pinched):
    book, _ = pinched
    needy = book.tables["species"].assign(chill_weeks=8.0)
    cold = replace(book, tables={**book.tables, "species": needy})
    assert sow_by(cold, "A-1", "AAAA", 2027).counts_cold
    assert not sow_by(book, "A-1", "AAAA", 2027).counts_cold
    assert not sow_by(book, "A-1", species="AAAA", season=2027, label="8 weeks of cold").counts_cold


# --- spring over


def test_a_spring_over_by_the_checks_is_over_in_text_page_and_json():
    account = ended_account()
    found = account.watch
    passed = tuple(replace(lot, most=(found.spec.on, found.spec.on)) for lot in found.lots)
    rows = tuple(replace(row, status=TrayStatus.FINISHED, why="other words") for row in found.rows)
    over = replace(found, lots=passed, rows=rows)
    assert over.over and over.as_record()["over"] is True
    assert f"Spring {found.spring} is over" in watch_text(over)
    on_page = spring_over(replace(account, watch=over))
    assert (
        on_page.ended is None and f"Spring {found.spring} is over: by the checks" in on_page.words
    )
    coming = replace(over, rows=(replace(rows[0], status=TrayStatus.COMING), *rows[1:]))
    assert not coming.over and coming.as_record()["over"] is False
    assert f"Spring {found.spring} is over" not in watch_text(coming)
    assert spring_over(replace(account, watch=coming)) is None
    assert coming.as_record()["rows"][0]["unfinished"] is True


# --- covers


def test_how_sure_a_verdict_is_and_which_way_it_goes_are_its_own():
    sure = [one for one in ComparisonVerdict if one.probable]
    assert sure == [ComparisonVerdict.PROBABLY_BETTER, ComparisonVerdict.PROBABLY_WORSE]
    assert ComparisonVerdict.PROBABLY_BETTER.way is ComparisonVerdict.BETTER
    assert ComparisonVerdict.PROBABLY_WORSE.way is ComparisonVerdict.WORSE
    assert ComparisonVerdict.SAME.way is ComparisonVerdict.SAME


def test_where_the_scatter_of_trays_comes_from_is_a_field():
    account = ended_account()
    rows = [row for row in account.covers.rows if row.points is not None]
    assert rows
    for borrowed, words in (
        (True, "borrowed from your trays of other species"),
        (False, "what is usual"),
    ):
        told = [
            replace(row, tray_sd_borrowed=borrowed, tray_sd_source="other words") for row in rows
        ]
        assert words in numbers_words(told, account.covers.spec)


# --- past promises


def test_the_promises_told_first_on_a_page_are_chosen_by_name(monkeypatch):
    account = replace(ended_account(), past=past())
    assert ranges_words(account.past) == overall_words(account.past)[0]
    assert chances_words(account.past) in overall_words(account.past)
    monkeypatch.setattr("germstats.page.now.chances_words", lambda test: "other words")
    sentences = said(now_section(account))
    assert ranges_words(account.past) in sentences and "other words" in sentences


def test_what_is_said_of_a_season_is_its_verdict_as_json_has_it():
    test = past()
    record = test.as_record()
    words = {
        SeasonVerdict.POORER: "A poorer spring",
        SeasonVerdict.KINDER: "A kinder spring",
        SeasonVerdict.BOTH_SIDES: "Missed on both sides",
        SeasonVerdict.NEW_COVERS: "covers the species",
        SeasonVerdict.AS_PROMISED: "as promised",
    }
    for told, sentence in zip(record["seasons"], season_sentences(test), strict=True):
        assert words[told["verdict"]] in sentence
    assert record["held"] == test.held and record["hint_only"] == test.hint_only
