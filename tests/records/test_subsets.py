"""What was known on a day, or before a season: equals what a smaller book would have said."""

from __future__ import annotations

import pandas as pd
import pytest
from nurseries.trays import TraySpec, simulate_trays

import germstats
from germstats.records.formats.workbook import write_book
from germstats.records.intervals.patterns import find_patterns
from germstats.records.intervals.subsets import as_of, before_season, looked_at_sowing
from tests.made_patterns import made_patterns


def with_rates(frame, patterns):
    """Codes of rates may differ between books, the rates may not."""
    return frame.assign(sowing=[patterns.sowings[code] for code in frame["sowing"]])


@pytest.mark.parametrize("record", ["counts", "occupancy", "totals", "seedlings"])
def test_a_subset_equals_a_smaller_book(tmp_path, record):
    tables = simulate_trays(
        TraySpec(lots=2, trays=2, seasons=3, record=record, seeds_per_cell="2-3"), 7
    ).tables
    early = set(tables["trays"].loc[tables["trays"]["season"].astype(int) < 2023, "tray"])
    smaller = {name: t[t["tray"].isin(early)] if "tray" in t else t for name, t in tables.items()}
    found = []
    for name, part in (("whole", tables), ("smaller", smaller)):
        write_book(part, tmp_path / name)
        found.append(find_patterns(germstats.read_book(tmp_path / name)))
    subset, small = before_season(found[0], 2023), found[1]
    assert len(small.trays) == 8
    assert set(small.trays["season"]) == {2021, 2022}
    pd.testing.assert_frame_equal(subset.times, small.times)
    for name in ("trays", "finishes", "occupied"):
        pd.testing.assert_frame_equal(
            with_rates(getattr(subset, name), subset), with_rates(getattr(small, name), small)
        )
    assert subset.notes == small.notes


def test_what_is_judged_in_the_spring_to_come_is_not_known_yet():
    """Sown in December 2023 for 2024: a two-winter tray is judged in 2025, 427 days after its
    sowing.
    """
    sown = {"season": 2024, "sown_on": pd.Timestamp("2023-12-01")}
    book = made_patterns(
        [{**sown, "origin_days": 62.0 + 366}, {**sown, "origin_days": 62.0}],
        times=[(0, 10, 20, 3), (1, 10, 20, 4)],
    )
    known = before_season(book, 2025)
    assert known.trays["tray"].tolist() == ["T1"]
    assert known.times.to_numpy().tolist() == [[0, 10, 20, 4]]
    assert before_season(book, 2026).trays["tray"].tolist() == ["T0", "T1"]
    assert before_season(book, 2024).trays.empty


def test_a_book_as_of_a_day_forgets_what_came_later(tmp_path):
    """A tray that only a later row puts a stop to is not left out yet."""
    tables = dict(simulate_trays(TraySpec(lots=1, trays=2, record="totals"), 7).tables)
    checks = tables["checks"].copy()
    checks.loc[checks.index[-1], "filled"] = "87"  # T-0002 has 72 cells
    tables["checks"] = checks
    write_book(tables, tmp_path / "book")
    book = germstats.read_book(tmp_path / "book")
    assert set(book.left_out) == {"T-0002"}
    on = pd.Timestamp("2021-03-01")
    then = as_of(book, on)
    assert then.left_out == {}
    assert (
        then.tables["checks"]["checked_on"].max() <= on < book.tables["checks"]["checked_on"].max()
    )
    assert as_of(book, pd.Timestamp("2021-12-31")).left_out == book.left_out
    assert as_of(book, pd.Timestamp("2020-12-31")).tables["trays"].empty


def test_a_tray_never_looked_at_stands_as_empty_on_the_day_after_sowing(tmp_path):
    tables = dict(simulate_trays(TraySpec(lots=1, trays=2, record="totals"), 7).tables)
    tables["checks"] = tables["checks"][tables["checks"]["tray"] != "T-0002"]
    write_book(tables, tmp_path / "book")
    book = germstats.read_book(tmp_path / "book")
    seen = looked_at_sowing(book, book.tables["trays"])
    trays = find_patterns(seen).trays.set_index("tray")
    assert trays.loc["T-0002", ["filled", "last_day", "cells"]].tolist() == [0.0, 1.0, 72.0]
    assert len(seen.tables["checks"]) == len(book.tables["checks"]) + 1
    assert looked_at_sowing(seen, seen.tables["trays"]) is seen
