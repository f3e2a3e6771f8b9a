"""Back-tests of tiny books by hand; no peeking at the season foretold; ranges that hold where the
model is true.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nurseries.trays import TraySpec, simulate_trays
from scipy import stats

import germstats
from germstats.engine.fit import FitSpec, fit_emergence
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.tray import filled_cells, new_tray
from germstats.questions.backtest.backtest import back_test, held_against
from germstats.questions.backtest.out_of_sample import pencil_share
from germstats.questions.backtest.result import BackTestSpec, Promise
from germstats.questions.backtest.scores import chance_range, score
from germstats.records.formats.workbook import write_book
from germstats.records.intervals.patterns import find_patterns
from germstats.records.intervals.subsets import before_season
from germstats.records.seeds import SowingRate
from tests.made_patterns import ONE, made_patterns

TWO = SowingRate("counted", (2,), 2.0)
PINCH = SowingRate("pinch", (), 2.0, 1.5)
UNKNOWN_PINCH = SowingRate("pinch_unmeasured", (), 1.0)
CELLS = 12


def tiny_book(*seasons, change=None):
    """A book of one species, trays of 12 cells with one seed each, counted by cell and finished.

    `seasons` holds, for 2024, 2025, ..., the trays as (lot, seedlings); `change` maps a tray (T0,
    T1, ...) to what differs in its row. Half of the seedlings come in (60, 80] days, the others in
    (80, 100].
    """
    trays, times, finishes = [], [], []
    sown = ((2024 + y, lot, seen) for y, season in enumerate(seasons) for lot, seen in season)
    for code, (season, lot, seen) in enumerate(sown):
        changed = (change or {}).get(f"T{code}", {})
        trays.append(
            {
                "tray": f"T{code}",
                "season": season,
                "lot": lot,
                "species": "SPEC",
                "cells": float(CELLS),
                "sown_on": pd.Timestamp(season - 1, 12, 1),
                "tray_cells": CELLS,
                "seeds": float(CELLS),
                "emerged": float(seen),
                "filled": float(seen),
                "looks": 4,
                **changed,
            }
        )
        times += [
            (code, lo, lo + 20, n) for lo, n in ((60, seen // 2), (80, seen - seen // 2)) if n
        ]
        last, sowing = changed.get("last_day", 200.0), changed.get("sowing", 0)
        ends = ((1, seen), (0, CELLS - seen))
        finishes += [(code, sowing, up, last, "counts", cells) for up, cells in ends if cells]
    return made_patterns(trays, times, finishes, sowings=(ONE, TWO, UNKNOWN_PINCH, PINCH))


PAST = [("A", 10), ("A", 8), ("A", 9)]


def test_promises_are_those_of_the_forecast_and_the_pencils_those_of_a_binomial():
    book = tiny_book(PAST, [("A", 9), ("A", 0)], change={"T4": {"sowing": 1, "seeds": 24.0}})
    test = back_test(book, BackTestSpec(target=0.7))
    (row,) = fit_emergence(before_season(book, 2025)).rows
    for told, rate, share in zip(test.rows, (ONE, TWO), (27 / 36, 1 - (9 / 36) ** 2), strict=True):
        direct = filled_cells(new_tray(row.draws), (rate,), CELLS)
        assert (told.basis, told.cells, told.wanted, told.seeds_per_cell) == (
            "lot",
            12,
            9,
            rate.mean,
        )
        assert told.chance == pytest.approx(direct[9:].sum(), abs=1e-9)
        assert told.expected == pytest.approx(direct @ np.arange(13), abs=1e-9)
        assert (told.low, told.high) == tuple(np.searchsorted(direct.cumsum(), [0.05, 0.95]))
        assert told.range_chance >= 0.9
        pencil = stats.binom(CELLS, share)
        assert told.pencil_chance == pytest.approx(pencil.sf(8), abs=1e-12)
        assert (told.pencil_low, told.pencil_high) == tuple(pencil.ppf([0.05, 0.95]))
        assert told.pencil_expected == pytest.approx(CELLS * share, abs=1e-12)
    good, bad = test.rows
    assert (good.seen, good.inside, good.pencil_inside, good.reached) == (9, True, True, True)
    assert (bad.seen, bad.inside, bad.pencil_inside, bad.reached) == (0, False, False, False)


def test_cells_sown_at_two_rates_are_foretold_together():
    book = tiny_book(PAST, [("A", 9)])
    halves = book.finishes.assign(sowing=np.where((book.finishes["tray"] == 3), 1, 0))
    # 6 cells of one seed, 6 of two
    halves.loc[(halves["tray"] == 3) & (halves["seen"] == 1), "count"] = 6
    halves.loc[(halves["tray"] == 3) & (halves["seen"] == 0), "count"] = 6
    halves.loc[(halves["tray"] == 3) & (halves["seen"] == 0), "sowing"] = 0
    (told,) = back_test(replace(book, finishes=halves), BackTestSpec(target=0.7)).rows
    (row,) = fit_emergence(before_season(book, 2025)).rows
    direct = filled_cells(new_tray(row.draws), (ONE, TWO), CELLS)
    assert told.seeds_per_cell == 1.5
    assert told.chance == pytest.approx(direct[9:].sum(), abs=1e-9)


def test_what_is_assured_is_the_most_that_comes_with_that_chance():
    book = tiny_book(PAST, [("A", 9)])
    past = fit_emergence(before_season(book, 2025))
    direct = filled_cells(new_tray(past.rows[0].draws), (ONE,), CELLS)
    for assured in (0.5, 0.8, 0.999):
        (told,) = held_against(
            book, np.array([3]), past, Promise(target=0.9, level=0.9, assured=assured)
        )
        assert direct[told.wanted :].sum() >= assured > direct[told.wanted + 1 :].sum()
        assert told.chance == pytest.approx(direct[told.wanted :].sum(), abs=1e-5)
    with pytest.raises(WrongUseError, match="An assured chance lies between 0 and 1"):
        Promise(target=0.9, level=0.9, assured=1.0)


def test_what_a_forecast_rests_on_is_told():
    grit = {"T4": {"treatment": "grit", "cover": "grit"}, "T5": {"species": "OTHER"}}
    test = back_test(
        tiny_book(PAST, [("B", 8), ("A", 8), ("C", 8)], change=grit), BackTestSpec(level=0.99)
    )
    assert {row.tray: row.basis for row in test.rows} == {
        "T3": "species",
        "T4": "cover",
        "T5": "unknown",
    }
    (own,) = back_test(tiny_book(PAST, [("A", 8)]), BackTestSpec(level=0.99)).rows
    wider = [row for row in test.rows if row.low < own.low]
    assert wider == list(test.rows)  # what was not sown before is less certain
    assert [row.pencil_expected for row in test.rows] == pytest.approx([9.0, 9.0, 9.0])
    assert sum(one.trays for one in test.bases) == test.overall.trays == 3
    assert test.without_new_covers().trays == 2


def test_trays_that_cannot_be_judged_are_set_aside_with_the_reason():
    by_pinch = {"filled": np.nan, "record": "seedlings", "sowing": 3}
    change = {"T3": {"last_day": 70.0}, "T4": by_pinch, "T5": {"sowing": 2}}
    book = tiny_book(PAST, [("A", 8), ("A", 8), ("A", 8), ("A", 8), ("A", 8)], change=change)
    cut = book.finishes.assign(
        last=np.where((book.finishes["tray"] == 6) & (book.finishes["seen"] == 0), 70.0, 200.0)
    )
    cut.loc[cut["tray"] == 3, "last"] = 70.0
    test = back_test(replace(book, finishes=cut))
    assert [(row.tray, row.counted) for row in test.rows] == [("T4", "seeds"), ("T7", "cells")]
    why = {one.tray: one.why for one in test.set_aside}
    assert list(why) == ["T3", "T5", "T6"]
    for tray, words in (
        ("T3", "look was too early"),
        ("T5", "unknown size"),
        ("T6", "part of it was lost"),
    ):
        assert words in why[tray]


def test_one_season_and_senseless_wishes_are_refused():
    with pytest.raises(
        NotEnoughRecordsError, match=r"one season only \(2024\); a back-test needs two"
    ):
        back_test(tiny_book(PAST))
    with pytest.raises(NotEnoughRecordsError, match="No tray is in the book yet"):
        empty = tiny_book(PAST)
        back_test(replace(empty, trays=empty.trays.iloc[:0]))
    with pytest.raises(
        NotEnoughRecordsError, match=r"No tray of a later season can be tested \(1 tray: its last"
    ):
        back_test(tiny_book(PAST, [("A", 2)], change={"T3": {"last_day": 65.0}}))
    with pytest.raises(WrongUseError, match="share of cells above 0 and at most 1"):
        back_test(tiny_book(PAST, PAST), BackTestSpec(target=1.2))
    with pytest.raises(WrongUseError, match="level of a range lies between 0 and 1"):
        back_test(tiny_book(PAST, PAST), BackTestSpec(level=1.0))


CAME = {"seen", "inside", "reached", "pencil_inside"}
MIDDLE = [("A", 8), ("A", 9), ("B", 7)]


def promises(season, *seasons):
    """All that was told of the trays of `season` beforehand."""
    rows = back_test(tiny_book(*seasons)).rows
    return [
        {k: v for k, v in row.as_record().items() if k not in CAME}
        for row in rows
        if row.season == season
    ]


@cache
def usual(season):
    last = [[("A", 9), ("B", 8)]] if season == 2026 else []
    return promises(season, PAST, MIDDLE, *last)


def counts(trays):
    return st.lists(st.integers(0, CELLS), min_size=trays, max_size=trays)


@given(middle=counts(3), last=counts(2))
@settings(deadline=None, max_examples=4, derandomize=True)
def test_no_peeking(middle, last):
    """What came in a season, or later, changes nothing of what was promised for it."""
    middle, last = list(zip("AAB", middle, strict=True)), list(zip("AB", last, strict=True))
    assert promises(2025, PAST, middle, last) == usual(2025)
    assert promises(2026, PAST, MIDDLE, last) == usual(2026)


def test_earlier_seasons_are_what_promises_rest_on():
    assert promises(2026, PAST, [("A", 0), ("A", 0), ("B", 0)], [("A", 9), ("B", 8)]) != usual(2026)


def test_a_cover_new_to_the_lot_is_forecast_without_pooling_too():
    book = tiny_book(PAST, [("A", 8)], change={"T3": {"treatment": "grit", "cover": "grit"}})
    (row,) = back_test(book, BackTestSpec(fit=FitSpec(pooling=False))).rows
    assert row.basis == "cover"
    assert 5 < row.expected < 11
    assert 0 < row.chance < 1


def test_sums_by_hand():
    test = back_test(tiny_book(PAST, [("A", 9), ("A", 0)], [("A", 8)]), BackTestSpec(target=0.7))
    rows, one = test.rows, test.overall
    assert (one.trays, one.inside, one.short, one.better, one.reached) == (
        3,
        sum(r.inside for r in rows),
        1,
        0,
        1,
    )
    assert one.promised == pytest.approx(sum(row.chance for row in rows))
    errors = [(row.chance - row.reached) ** 2 for row in rows]
    assert one.chance_error == pytest.approx(sum(errors) / 3)
    assert one.seen_fill == pytest.approx(17 / 36)
    assert [(s.name, s.trays) for s in test.seasons] == [("2025", 2), ("2026", 1)]
    assert one == score("all", rows)
    frame = test.to_frame()
    assert frame["inside"].tolist() == [row.inside for row in rows]
    assert frame["reached"].tolist() == [True, False, False]


def test_the_range_by_chance_is_exact():
    """Equal chances are a binomial; unequal ones are summed over every outcome."""
    assert chance_range(np.full(20, 0.9)) == tuple(stats.binom(20, 0.9).ppf([0.05, 0.95]))
    chances = np.array([0.1, 0.5, 0.7, 0.95])
    masses = np.zeros(5)
    for outcome in itertools.product((0, 1), repeat=4):
        masses[sum(outcome)] += np.prod(np.where(outcome, chances, 1 - chances))
    assert chance_range(chances) == tuple(np.searchsorted(masses.cumsum(), [0.05, 0.95]))


def test_the_pencil_works_from_fill_where_no_seedling_was_counted():
    trays = tiny_book(PAST).trays.assign(emerged=np.nan, seeds=24.0, sowing=1)
    assert pencil_share(trays, (ONE, TWO)) == pytest.approx(1 - (1 - 27 / 36) ** 0.5)
    assert pencil_share(trays.assign(filled=12.0), (ONE, TWO)) == 1.0


NURSERY = TraySpec(
    p=0.6, lot_sd=0.4, tray_sd=0.5, season_sd=0.35, lots=3, trays=2, seasons=3, record="totals"
)


def read(tables, folder):
    write_book(tables, folder)
    return find_patterns(germstats.read_book(folder))


def test_ranges_hold_in_nurseries_that_are_as_the_model_says(tmp_path):
    """12 nurseries x 2 tested seasons x 6 trays; seeds fixed.

    Trays of one spring share its luck, hence the margin.
    """
    inside, trays, pencil = 0, 0, 0
    for seed in range(12):
        one = back_test(read(simulate_trays(NURSERY, seed).tables, tmp_path / str(seed))).overall
        inside, trays, pencil = inside + one.inside, trays + one.trays, pencil + one.pencil_inside
    assert trays == 144
    assert 0.8 <= inside / trays <= 0.98
    assert pencil / trays < 0.7  # the plain binomial promises the same and knows neither scatter


def test_a_filled_cell_is_finished_though_nobody_looks_at_it_again():
    """9 of 12 cells came and were not listed again after day 70, too early for the rest; the empty
    three were looked at to the end. A tray filled to the last cell was not looked at again either.
    One cell of two seeds with one seedling is filled as well; five empty cells given up early are
    too many.
    """
    left = {
        "T4": {"last_day": 70.0},
        "T5": {"sowing": 1, "seeds": 24.0, "emerged": 9.0, "filled": 9.0},
    }
    book = tiny_book(PAST, [("A", 9), ("A", 12), ("A", 9), ("A", 7)], change=left)
    ends = book.finishes
    early = (ends["tray"].isin([3, 5]) & (ends["seen"] > 0)) | (
        (ends["tray"] == 6) & (ends["seen"] == 0)
    )
    test = back_test(replace(book, finishes=ends.assign(last=np.where(early, 70.0, ends["last"]))))
    assert [(row.tray, row.seen) for row in test.rows] == [("T3", 9), ("T4", 12), ("T5", 9)]
    assert [one.tray for one in test.set_aside] == ["T6"]
    assert "part of it was lost" in test.set_aside[0].why


def test_cells_ticked_off_once_occupied_are_finished(tmp_path):
    """A sheet on which every cell is listed until something stands in it, as a grower ticks them
    off: all tested.
    """
    rows = []
    for season in (2024, 2025):
        for tray in "AB":
            for k in range(CELLS):
                come = (60, 75, 90)[k % 3] if k < 10 else None
                looks = [day for day in (45, 60, 75, 90, 120, 160) if come is None or day <= come]
                rows += [
                    (
                        f"{tray}{season}",
                        f"A{k + 1}",
                        pd.Timestamp(season - 1, 12, 1) + pd.Timedelta(days=day),
                        int(day == come),
                    )
                    for day in looks
                ]
    cells = pd.DataFrame(rows, columns=["tray", "cell", "checked_on", "occupied"])
    trays = pd.DataFrame({"tray": cells["tray"].unique()})
    trays = trays.assign(
        season=trays["tray"].str[1:], lot="A", rows=1, columns=CELLS, seeds_per_cell="1"
    )
    trays = trays.assign(sown_on=[f"{int(year) - 1}-12-01" for year in trays["season"]])
    cells["checked_on"] = cells["checked_on"].dt.strftime("%Y-%m-%d")
    for column in ("occupied", "emerged"):
        told = cells.rename(columns={"occupied": column})
        test = back_test(read({"trays": trays, "cells": told}, tmp_path / column))
        assert [(row.tray, row.seen) for row in test.rows] == [("A2025", 10), ("B2025", 10)]
        assert not test.set_aside
