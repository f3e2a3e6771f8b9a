"""Every planted mistake of the demonstration is a finding at its row, or is read as the design of
records says.
"""

from __future__ import annotations

import pytest

import germstats
from germstats.demonstration import simulate_demo
from germstats.records.intervals.patterns import find_patterns
from tests.test_datasets import DATASETS

RULE_OF = {  # kind of dirt -> (rule, severity)
    "above_cells": ("above-cells", "stop"),
    "blank_date": ("blank-date", "ask"),
    "day_month_swapped": ("day-month-exchanged", "ask"),
    "duplicate_different": ("written-twice-different", "ask"),
    "duplicate_same": ("written-twice", "changed"),
    "fall_unexplained": ("emerged-falls", "stop"),
    "letter_for_digit": ("id-look-alike", "ask"),
    "words_in_number": ("words-in-number", "ask"),
}
READ_SILENTLY = {
    "range",
    "pinch",
    "pinch_without_grams",
    "sold_early",
    "skipped_check",
    "fall_after_thinning",
}


@pytest.fixture(scope="module")
def book():
    return germstats.read_book(DATASETS / "demonstration")


@pytest.fixture(scope="module")
def dirt():
    return simulate_demo().truth.dirt


def test_every_kind_is_on_the_list(dirt):
    assert set(dirt["kind"]) == set(RULE_OF) | READ_SILENTLY


@pytest.mark.parametrize("kind", RULE_OF)
def test_each_is_a_finding_at_its_row(book, dirt, kind):
    rule, severity = RULE_OF[kind]
    found = book.findings[(book.findings["rule"] == rule) & (book.findings["severity"] == severity)]
    places = set(zip(found["table"], found["row"], strict=True))
    planted = dirt[dirt["kind"] == kind]
    assert len(planted)
    for one in planted.itertuples():
        # a pair may be shown at either of its rows
        near = {(one.table, int(one.row) + step) for step in (-1, 0, 1)}
        assert near & places, one.key


def test_ranges_and_pinches_are_integrated_over(book, dirt):
    patterns = find_patterns(book)
    kind_of = {t.tray: patterns.sowings[t.sowing].kind for t in patterns.trays.itertuples()}
    for planted, kind in (
        ("range", "range"),
        ("pinch", "pinch"),
        ("pinch_without_grams", "pinch_unmeasured"),
    ):
        trays = [tray for tray in dirt.loc[dirt["kind"] == planted, "tray"] if tray in kind_of]
        assert trays
        assert {kind_of[tray] for tray in trays} == {kind}
    alone = patterns.trays[patterns.trays["treatment"].str.endswith("pinch of unknown size")]
    assert {kind_of[tray] for tray in alone["tray"]} == {"pinch_unmeasured"}


def test_a_tray_sold_early_tells_nothing_after_its_sale(book, dirt):
    patterns = find_patterns(book)
    for tray in dirt.loc[dirt["kind"] == "sold_early", "tray"]:
        (row,) = patterns.trays[patterns.trays["tray"] == tray].itertuples()
        events = book.tables["events"]
        (sold,) = events.loc[(events["tray"] == tray) & (events["event"] == "sold"), "on"]
        assert row.last_day < (sold - row.sown_on).days


def test_a_skipped_check_is_a_longer_interval(book, dirt):
    missed = dirt[dirt["kind"] == "skipped_check"]
    assert len(missed)
    written = set()
    for name, columns in (("checks", ["tray"]), ("cells", ["tray", "cell"])):
        table = book.tables[name].dropna(subset="checked_on")
        days = table["checked_on"].dt.strftime("%Y-%m-%d")
        written |= {
            (name, "/".join([*ids, day]))
            for *ids, day in zip(*(table[c] for c in columns), days, strict=True)
        }
    assert written
    assert not {(one.table, one.key) for one in missed.itertuples()} & written


def test_a_fall_after_thinning_keeps_the_running_maximum(book, dirt):
    """Where the larger count had been written before; in a few cells the second seedling
    never was.
    """
    cells = book.tables["cells"].set_index(["tray", "cell", "checked_on"])
    kept = []
    for one in dirt[dirt["kind"] == "fall_after_thinning"].itertuples():
        tray, cell, day = one.key.split("/")
        row = cells.loc[(tray, cell, day)]
        earlier = book.tables["cells"].query(
            "tray == @tray and cell == @cell and checked_on < @day"
        )["emerged_raw"]
        if earlier.max() > int(one.written):
            kept.append(int(row["emerged"]) == earlier.max())
    assert len(kept) > 50
    assert all(kept)
