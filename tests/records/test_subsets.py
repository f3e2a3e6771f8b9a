"""What was known before a season equals what a smaller book would have said."""

from __future__ import annotations

import pandas as pd
import pytest

import germstats
from germstats.records.patterns import find_patterns
from germstats.records.subsets import before_season
from germstats.records.workbook import write_book
from germstats.simulation import TraySpec, simulate_trays
from tests.made_patterns import made_patterns


def with_rates(frame, patterns):
    """Codes of rates may differ between books, the rates may not."""
    return frame.assign(sowing=[patterns.sowings[code] for code in frame["sowing"]])


@pytest.mark.parametrize("record", ["counts", "occupancy", "totals", "seedlings"])
def test_a_subset_equals_a_smaller_book(tmp_path, record):
    tables = simulate_trays(TraySpec(lots=2, trays=2, seasons=3, record=record, seeds_per_cell="2-3"), 7).tables
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
    """Sown in December 2023 for 2024: a two-winter tray is judged in 2025, 427 days after its sowing."""
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
