"""The sheets of the potting bench: what they say, in which order, and with whose words."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest

from germstats.engine.fit import fit_emergence
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.order_plan import OrderSpec
from germstats.forecast.planned_sowing import PlannedSowing, Seeds, Shape
from germstats.forecast.sowing_deadline import SowingDeadline, sow_by
from germstats.forecast.trays_to_sow import trays_frame
from germstats.questions.plan.next_sowings import next_sowings
from germstats.questions.plan.plan import planned_orders
from germstats.questions.sheets.sheet_words import (
    seeds_words,
    shape_words,
    sowing_cautions,
    weight_words,
)
from germstats.questions.sheets.sheets import (
    check_sheets,
    grid_of,
    label_sheet,
    labels_of,
    labels_to_come,
    sowing_sheet,
)
from germstats.records.bench_order import bench_of, natural
from germstats.records.seeds import SowingRate
from germstats.records.tables import EVENTS, TABLES
from germstats.records.tray_names import well_formed
from tests.questions.plan.plan_books import LOT_HEAD, ORDER_HEAD, small_book

HOSTILE = ("<script>alert(1)</script>", "=cmd()", "a\"b'c & <b>", "\U0001f331 نبات", "0O1Il" * 6)
BENCHES = """tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover,place,block
T-10,2027,A-1,2026-12-10,6,12,2,grit,bench 10,
T-9,2027,A-1,2026-12-10,6,12,2,grit,bench 2,b 2
T-2,2027,A-1,2026-12-10,6,12,2,grit,bench 2,b 10
T-1,2027,A-1,,10,20,2-3,none,bench 2,b 2
T-3,2027,B-1,2026-12-10,40,50,pinch,,,
T-4,2027,B-1,2026-12-10,,,1,sand,bench 2,
T-5,2027,B-1,2026-12-10,6,12,1,sand,bench 1,
T-6,2026,B-1,2025-12-10,6,12,1,sand,bench 3,
T-7,2026,A-1,2025-12-10,6,12,1,sand,bench 3,
"""
EVENT_ROWS = (
    "tray,on,event,cells\nT-5,2027-04-01,sold,\nT-6,2026-08-01,kept_over,\nT-9,2027-04-01,sold,A1\n"
)


class Cells(HTMLParser):
    """Texts of the header cells of a page."""

    def __init__(self, page):
        super().__init__()
        self.heads, self._in = [], False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        if tag == "th":
            self._in = True
            self.heads.append("")

    def handle_endtag(self, tag):
        self._in = self._in and tag != "th"

    def handle_data(self, data):
        if self._in:
            self.heads[-1] += data


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    book = small_book(tmp_path_factory.mktemp("plan") / "book")
    fit = fit_emergence(book)
    return book, fit, next_sowings(fit, book, OrderSpec())


def words(page):
    """What a page says, without its title."""
    body = re.sub(r"</?(bdi|u)\b[^>]*>", "", page.rpartition("<body>")[2])
    return " ".join(re.sub(r"<[^>]+>", " ", body).split())


def to_sow(**changes):
    seeds = Seeds(mean=2.0, cells=72, by_pinch=False, per_tray=144, grams=0.4)
    one = PlannedSowing(
        tray="N-P22K",
        season=2027,
        order="Q-1",
        lot="A-1",
        species="AAAA",
        common_name="a",
        caution="",
        shape=Shape(cells=72, rows=6, columns=12, of_rows=6, of_columns=12),
        seeds=seeds,
        label="grit",
        treatment={"cover": "grit"},
        places=("bench 1",),
        sow_by=SowingDeadline(pd.Timestamp("2026-12-10"), "why"),
    )
    return replace(one, **changes)


def test_the_sheet_holds_every_tray_of_the_plan_and_no_other(planned):
    book, fit, found = planned
    plan = planned_orders(fit, book, OrderSpec())
    sowings = [sowing for row in plan.rows for sowing in row.sowings]
    assert len(found.trays) == sum(sowing.trays for sowing in sowings) > 0
    assert all(well_formed(one.tray) for one in found.trays)
    assert len({one.tray for one in found.trays}) == len(found.trays)
    told = words(sowing_sheet(found, book.source))
    assert all(one.tray in told for one in found.trays)
    # 400 seeds per gram x 80 % pure: 320 in a gram
    for one, sowing in zip(found.trays, [s for s in sowings for _ in range(s.trays)], strict=True):
        assert one.seeds.per_tray == sowing.seeds.per_tray
        assert one.seeds.grams == pytest.approx(one.seeds.count / 320)
        assert f"{one.seeds.count} seeds = {one.seeds.grams:.3g} g" in told
        assert one.sow_by.day == sowing.sow_on  # the plan's own day, for the species needs no cold


def test_sowing_sheet_says_what_each_column_of_trays_wants(planned):
    book, _, found = planned
    page = sowing_sheet(found, book.source)
    for column in (
        "tray",
        "lot",
        "seeds_per_cell",
        "cover",
        "cover_depth_mm",
        "pretreatment",
        "place",
        "sown_on",
    ):
        assert column in [column.name for column in TABLES["trays"].columns]
        assert column in words(page)
    assert page.count("harms lungs") == 1


def test_planned_rows_fit_the_table_trays(planned):
    _, _, found = planned
    frame = trays_frame(found.trays)
    assert set(frame.columns) <= {column.name for column in TABLES["trays"].columns}
    required = {column.name for column in TABLES["trays"].columns if column.required}
    assert required <= set(frame.columns)
    assert (frame["sown_on"] == "").all()
    assert (frame[sorted(required - {"sown_on"})] != "").all().all()


@pytest.mark.parametrize(
    ("seeds", "told", "entry"),
    [
        (Seeds(mean=2.0, cells=72, by_pinch=False, per_tray=144, grams=None), "2", "2"),
        (
            Seeds(mean=2.5, cells=72, by_pinch=False, per_tray=180, grams=None),
            "alternate 2 and 3",
            "2-3",
        ),
        (
            Seeds(mean=2.28, cells=72, by_pinch=False, per_tray=164, grams=None),
            "3 in 20 cells, 2 in 52",
            "2-3",
        ),
        (
            Seeds(mean=6.0, cells=72, by_pinch=True, per_tray=432, grams=0.03),
            "pinch, mean 6",
            "pinch",
        ),
        (Seeds(mean=None, cells=72, by_pinch=False, per_tray=None, grams=None), "", ""),
    ],
)
def test_seeds_are_an_instruction_and_an_entry(seeds, told, entry):
    assert (seeds_words(seeds), seeds.entry) == (told, entry)


@pytest.mark.parametrize(
    ("shape", "told"),
    [
        (Shape(cells=72, rows=6, columns=12, of_rows=6, of_columns=12), "72 cells, 6 x 12"),
        (
            Shape(cells=36, rows=3, columns=12, of_rows=6, of_columns=12),
            "36 cells, A1 to C12 of a 6 x 12 tray",
        ),
        (
            Shape(cells=41, rows=6, columns=12, of_rows=6, of_columns=12),
            "41 cells of a 6 x 12 tray, row by row from A1",
        ),
        (Shape(50), "50 cells, ____ rows x ____ columns"),
    ],
)
def test_cells_say_which(shape, told):
    assert shape_words(shape) == told


def test_a_part_of_a_tray_has_rows_and_columns_that_hold_just_its_cells(tmp_path):
    book = small_book(tmp_path / "book")  # trays of 6 x 6
    fit = fit_emergence(book)
    for cells, rows, columns in (
        (36, 6, 6),
        (30, 5, 6),
        (12, 2, 6),
        (25, 5, 5),
        (31, 6, 6),
        (50, None, None),
    ):
        found = next_sowings(fit, book, OrderSpec(cells=cells))
        shape = found.trays[0].shape
        assert (shape.rows, shape.columns) == (rows, columns)
        assert shape.loose == (cells == 31)
        assert ("write a row in cells" in trays_frame(found.trays)["note"][0]) == (cells == 31)


def test_weights_turn_to_milligrams_and_light_seed_is_bulked(planned):
    assert [weight_words(grams) for grams in (2.118, 0.0346, None)] == ["2.12 g", "35 mg", ""]
    book, _, found = planned
    light = replace(
        found,
        trays=(
            to_sow(seeds=Seeds(mean=2.0, cells=72, by_pinch=False, per_tray=144, grams=0.049)),
            to_sow(),
        ),
    )
    heavy = replace(
        found,
        trays=(to_sow(seeds=Seeds(mean=2.0, cells=72, by_pinch=False, per_tray=144, grams=0.051)),),
    )
    assert words(sowing_sheet(light, book.source)).count("bulk it *") == 1
    assert "Under 50 mg a tray: mix" in words(sowing_sheet(light, book.source))
    assert "50 mg" not in words(sowing_sheet(heavy, book.source))


def test_cautions_come_once_and_only_where_they_belong():
    plain = sowing_cautions([to_sow(), to_sow()])
    assert len(plain) == len(set(plain)) and not any("Acid" in line for line in plain)
    more = sowing_cautions(
        [to_sow(caution="sap irritates", treatment={"pretreatment": "acid"})] * 2
    )
    assert [line for line in more if line not in plain] == [
        "Acid, hot-water and smoke treatments: only by a trained person, by the label and safety "
        "sheet.",
        "AAAA: sap irritates.",
    ]


@pytest.mark.parametrize(
    ("weeks", "two", "day", "said"),
    [  # every tray of the small book was sown on 10 December, 81 days before 1 March
        ("", "no", "2026-12-10", "earlier sowings of A-1"),
        ("0", "no", "2026-12-10", "earlier sowings of A-1"),
        ("4", "no", "2026-12-10", "would allow 1 February 2027"),  # 28 days before 1 March
        ("13", "no", "2026-11-30", "leaves 11.6"),  # 91 days before 1 March; 81 days are 11.6 weeks
        ("26", "yes", "2026-12-10", "earlier sowings of A-1"),
    ],
)
def test_sow_by_is_the_earlier_of_the_usual_day_and_the_last_that_leaves_cold(
    tmp_path, weeks, two, day, said
):
    species = f"species,two_winters,chill_weeks\nAAAA,{two},{weeks}\nBBBB,no,\n"
    book = small_book(tmp_path / "book", species=species)
    found = sow_by(book, "A-1", "AAAA", 2027)
    assert str(found.day.date()) == day
    assert said in found.why


def test_sow_by_rests_on_kin_then_nursery_then_cold_then_nothing(tmp_path):
    book = small_book(tmp_path / "book", species="species,chill_weeks\nAAAA,2\nBBBB,\nCCCC,\n")
    assert sow_by(book, "A-2", "AAAA", 2027).why.startswith("the middle of earlier sowings of AAAA")
    assert sow_by(book, "C-1", "CCCC", 2027).why == "the middle of earlier sowings of the nursery"
    bare = replace(book, tables={**book.tables, "trays": book.tables["trays"].iloc[:0]})
    assert str(sow_by(bare, "A-1", "AAAA", 2027).day.date()) == "2027-02-15"
    nothing = sow_by(bare, "B-1", "BBBB", 2027)
    assert nothing.day is None and nothing.why.startswith("cannot be told")
    assert (
        "less any cold given by fridge"
        in sow_by(bare, "A-1", species="AAAA", season=2027, label="fridge").why
    )


def test_a_day_that_cannot_be_told_is_a_blank(planned):
    book, _, found = planned
    page = sowing_sheet(
        replace(found, trays=(to_sow(sow_by=SowingDeadline(None, "cannot be told")),)), book.source
    )
    assert "sow by ________" in words(page)


def test_without_orders_the_advice_stands_with_trays_to_be_written_in(tmp_path):
    book = small_book(tmp_path / "book", orders=ORDER_HEAD)
    fit = fit_emergence(book)
    found = next_sowings(fit, book, OrderSpec())
    assert found.plan is None and all(one.tray == "" for one in found.trays)
    assert sorted(one.lot for one in found.trays) == sorted(row.lot for row in fit.rows)
    told = words(sowing_sheet(found, book.source))
    assert "write order, species, plugs and due date into the table orders" in told
    assert told.count("to tick") == len(fit.rows)
    assert [one.lot for one in next_sowings(fit, book, OrderSpec(lots=("B-1",))).trays] == ["B-1"]
    with pytest.raises(WrongUseError, match="No lot is called B-9"):
        next_sowings(fit, book, OrderSpec(lots=("B-9",)))


def test_lots_without_seed_left_are_not_advised_and_a_plan_of_nothing_is_refused(tmp_path):
    lots = LOT_HEAD + "A-1,AAAA,400,80,,0,\nB-1,BBBB,,,0,,3\n"
    book = small_book(tmp_path / "book", lots=lots, orders=ORDER_HEAD)
    with pytest.raises(NotEnoughRecordsError, match="No lot that was sown has seed left"):
        next_sowings(fit_emergence(book), book, OrderSpec())
    book = small_book(tmp_path / "other", lots=lots)
    with pytest.raises(NotEnoughRecordsError, match="no seed of AAAA is left"):
        next_sowings(fit_emergence(book), book, OrderSpec())


@pytest.fixture
def benches(tmp_path):
    return small_book(
        tmp_path / "book", trays=BENCHES, events=EVENT_ROWS, checks="tray,checked_on,filled\n"
    )


def test_trays_stand_by_place_block_and_tray_as_a_person_counts(benches):
    bench = bench_of(benches)
    assert bench.season == 2027
    assert [one.tray for one in bench.trays] == ["T-4", "T-1", "T-9", "T-2", "T-6", "T-10", "T-3"]
    assert [one.tray for one in bench.own] == ["T-4", "T-1", "T-9", "T-2", "T-10", "T-3"]
    assert bench.gone == ("T-5",)
    assert (
        natural("bench 2")
        < natural("Bench 10")
        < natural("bench 010 b")
        < natural("bench " + "9" * 5000)
    )


def test_seasons_and_lots_that_are_not_there_are_named(benches, tmp_path):
    with pytest.raises(WrongUseError, match="season 2031; the seasons are 2026, 2027"):
        bench_of(benches, 2031)
    with pytest.raises(WrongUseError, match="No lot is called A-7"):
        bench_of(benches, lots=("A-7",))
    assert {one.lot for one in bench_of(benches, lots=("A-1",)).trays} == {"A-1"}
    empty = small_book(
        tmp_path / "empty", trays=BENCHES.splitlines()[0] + "\n", checks="tray,checked_on,filled\n"
    )
    with pytest.raises(NotEnoughRecordsError, match="no tray yet"):
        bench_of(empty)


def test_check_sheets_list_every_tray_then_draw_its_cells(benches):
    bench = bench_of(benches)
    page = check_sheets(bench, benches.source)
    listed = page[page.index('class="list"') : page.index("Tray by tray")]
    drawn = page[page.index("Tray by tray") :]
    heads = [head for head in Cells(listed).heads if head in {one.tray for one in bench.trays}]
    assert heads == [one.tray for one in bench.trays]
    assert drawn.count('class="tray-sheet"') == len(bench.trays)
    # T-3, T-4 have no grid
    assert drawn.count('class="corner"') == drawn.count("<table") == len(bench.trays) - 2
    first = drawn[drawn.index('aria-label="T-1"') : drawn.index('aria-label="T-9"')]
    heads = Cells(first).heads
    assert heads[1:21] == [str(column) for column in range(1, 21)] and heads[21:] == list(
        "ABCDEFGHIJ"
    )
    assert "too many for a grid" in words(drawn) and "no grid can be drawn" in words(drawn)
    assert "Not here, because sold, discarded or transplanted: T-5." in words(page)


def test_check_sheets_use_the_words_of_the_record_tables(benches):
    told = words(check_sheets(bench_of(benches), benches.source)).replace("\u00ad", "")
    for table, columns in {
        "checks": ("checked_on", "filled", "seedlings", "checked_by"),
        "cells": ("emerged",),
        "events": ("event", "on", "cells"),
        "maps": ("seen_on", "empty_cells"),
    }.items():
        for column in columns:
            assert TABLES[table].column(column).name in told
    assert all(event in told for event in EVENTS)
    assert "0 = looked and found none. Blank = not looked at." in told


@pytest.mark.parametrize(
    ("rows", "columns", "size"),
    [
        (6, 12, "large"),
        (13, 1, "middle"),
        (20, 10, "middle"),
        (30, 30, "small"),
        (31, 2, None),
        (None, 4, None),
    ],
)
def test_grids_are_drawn_as_large_as_a_page_holds(benches, rows, columns, size):
    grid = grid_of(replace(bench_of(benches).trays[0], rows=rows, columns=columns))
    assert (grid and grid.size) == size


def test_labels_name_tray_lot_species_day_and_cover(benches):
    bench = bench_of(benches)
    told = words(label_sheet(labels_of(bench.own), bench.season, benches.source))
    assert "T-10 A-1 AAAA a sown 10 Dec 2026 grit" in told
    assert "T-1 A-1 AAAA a sown none" in told  # the day is a blank to be written
    told = words(label_sheet(labels_to_come([to_sow()]), 2027, "b"))
    assert "N-P22K A-1 AAAA a sown grit" in told


def test_names_that_can_be_misread_are_marked_and_clear_ones_are_not(benches):
    bench = bench_of(benches)
    page = label_sheet(labels_of(bench.own), bench.season, benches.source)
    assert "T-<u>1</u><u>0</u>" in page and "is a number" in page
    assert "is a number" not in label_sheet(labels_to_come([to_sow()]), 2027, "b")


@pytest.mark.parametrize("name", HOSTILE)
def test_names_from_a_book_stay_text(planned, benches, name):
    found = planned[2]
    bench = bench_of(benches)
    trays = tuple(
        replace(
            one,
            tray=name,
            lot=name,
            species=name,
            common_name=name,
            place=name,
            block=name,
            treatment=name,
            rate=SowingRate(kind="counted", counts=(1,), mean=1.0, written=name),
        )
        for one in bench.trays
    )
    sown = to_sow(
        order=name,
        lot=name,
        species=name,
        common_name=name,
        caution=name,
        places=(name,),
        note=name,
        treatment={"cover": name, "pretreatment": name},
        sow_by=SowingDeadline(None, name),
    )
    pages = [
        check_sheets(replace(bench, trays=trays, gone=(name,), unplaced=(name,)), name),
        label_sheet(labels_of(trays), 2027, name),
        sowing_sheet(replace(found, trays=(sown,)), name),
        sowing_sheet(replace(found, trays=(sown,), plan=None, no_orders=name), name),
    ]
    for page in pages:
        assert "<script" not in page
        assert "<b>" not in page.replace("<b><bdi>", "")
        assert not re.search(r"\s(style|on\w+)=", page)


def test_pages_ask_nothing_of_anybody(planned):
    book, _, found = planned
    page = sowing_sheet(found, book.source)
    assert "default-src &#39;none&#39;" in page
    assert not re.search(r"https?://|src=|@import|url\(", page)
    assert sowing_sheet(found, book.source) == page
