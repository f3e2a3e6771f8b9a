"""Trays of which only all seedlings were counted: watched, reviewed and back-tested as seedlings of
so many seeds.
"""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pandas as pd
import pytest
from nurseries.trays import TraySpec, simulate_trays

from germstats.engine.fit import FitSpec, fit_emergence
from germstats.engine.priors import Scatter
from germstats.forecast.tray import filled_cells, new_tray
from germstats.forecast.within_season import finish_season
from germstats.questions.backtest.backtest import back_test
from germstats.questions.backtest.backtest_text import backtest_text
from germstats.questions.backtest.result import BackTestSpec
from germstats.questions.review.review import review
from germstats.questions.watch.course import SpringCourse, plugs_by_date
from germstats.questions.watch.spec import WatchSpec
from germstats.questions.watch.watch import watch
from germstats.questions.watch.watch_text import watch_text
from germstats.records.book import read_book
from germstats.records.formats.workbook import write_book
from germstats.records.intervals.patterns import ONE_SEED, find_patterns
from germstats.records.intervals.seed_totals import counted_by_seeds, seeds_as_cells, told_by_seeds
from germstats.records.intervals.subsets import before_season
from germstats.records.seeds import SowingRate

ON = "2022-03-10"


def book_of(folder, spec, seed=5, seedlings=False, rows=None, columns=None, seeds=None):
    """A simulated book; with `seedlings` the filled cells are not written down."""
    tables = dict(simulate_trays(spec, seed).tables)
    if seedlings:
        checks = tables["checks"]
        column = "seedlings" if spec.record == "seedlings" else "filled"
        tables["checks"] = checks[["tray", "checked_on"]].assign(seedlings=checks[column])
    if rows is not None:
        tables["trays"] = tables["trays"].assign(rows=rows, columns=columns, seeds_per_cell=seeds)
    write_book(tables, folder)
    return read_book(folder)


SINGLE = TraySpec(
    lots=2, trays=3, seasons=2, seeds_per_cell="1", record="totals", season_sd=0.1, tray_sd=0.3
)


@pytest.fixture(scope="module")
def single(tmp_path_factory):
    """The same counts as filled cells, as seedlings, and as seedlings of a flat of 72 seeds: one
    seed is one cell.
    """
    folder = tmp_path_factory.mktemp("single")
    return {
        "cells": book_of(folder / "cells", SINGLE),
        "seedlings": book_of(folder / "seedlings", SINGLE, seedlings=True),
        "flat": book_of(folder / "flat", SINGLE, seedlings=True, rows=1, columns=1, seeds="72"),
    }


def numbers(rows, names):
    return np.array(
        [[np.nan if row[name] is None else row[name] for name in names] for row in rows],
        dtype=float,
    )


def test_one_seed_a_cell_is_watched_alike_however_it_was_counted(single):
    found = {
        name: {row.tray: asdict(row) for row in watch(book, WatchSpec(ON)).rows}
        for name, book in single.items()
    }
    names = ("cells", "filled_now", "final_low", "final", "final_high", "by_now")
    usual = [found["cells"][tray] for tray in sorted(found["cells"])]
    assert len(usual) == 6 and all(
        row["filled_now"] > 0 and row["final"] > row["filled_now"] for row in usual
    )
    for name, counted in (("seedlings", "cells"), ("flat", "seeds")):
        rows = [found[name][tray] for tray in sorted(found[name])]
        assert {row["counted"] for row in rows} == {counted}
        # of 72; draws differ
        np.testing.assert_allclose(numbers(rows, names), numbers(usual, names), atol=2.0)
        np.testing.assert_array_equal(numbers(rows, names[:2]), numbers(usual, names[:2]))


def test_one_seed_a_cell_is_back_tested_alike_however_it_was_counted(single):
    found = {
        name: sorted(back_test(book, BackTestSpec(target=0.5)).rows, key=lambda row: row.tray)
        for name, book in single.items()
    }
    names = ("cells", "wanted", "seen", "expected", "low", "high", "chance", "pencil_expected")
    usual = numbers([vars(row) for row in found["cells"]], names)
    assert len(usual) == 6
    for name, counted in (("seedlings", "cells"), ("flat", "seeds")):
        rows = numbers([vars(row) for row in found[name]], names)
        assert {row.counted for row in found[name]} == {counted}
        np.testing.assert_array_equal(rows[:, :3], usual[:, :3])
        np.testing.assert_allclose(rows[:, 3:6], usual[:, 3:6], atol=1.5)  # of 72
        np.testing.assert_allclose(rows[:, 6], usual[:, 6], atol=0.05)
        np.testing.assert_allclose(rows[:, 7], usual[:, 7], rtol=1e-9)


def test_one_seed_a_cell_is_reviewed_alike_however_it_was_counted(single):
    verdicts = {
        name: [(one.lot, one.verdict) for one in review(book).lots] for name, book in single.items()
    }
    assert verdicts["seedlings"] == verdicts["flat"] == verdicts["cells"]
    (lot, *_) = review(single["flat"]).lots
    assert "seedlings of 216 seeds in 3 trays" in lot.seen
    assert all(tray.counted == "seeds" and tray.cells == 72 for tray in lot.trays)
    assert not [note for note in lot.notes if "not count" in note]


def test_the_answers_say_what_they_count(single):
    text = watch_text(watch(single["flat"], WatchSpec(ON)))
    assert "72 seeds" in text and "each seed counts as one cell" in " ".join(text.split())
    assert "seeds" not in watch_text(watch(single["seedlings"], WatchSpec(ON))).split("Overdue")[0]
    text = " ".join(backtest_text(back_test(single["flat"])).split())
    assert "Only seedlings were counted in 6 trays" in text


def test_two_seeds_a_cell_follow_the_closed_formula(tmp_path):
    """Springs alike, and the fit knows it: what is to come is (seeds - now) p (1 - F) / (1 - p F),
    p and F(day 60) read off the trays of earlier years.
    """
    spec = TraySpec(lots=1, trays=12, seasons=3, seeds_per_cell="2", record="seedlings")
    full = book_of(tmp_path / "full", spec, seedlings=True)
    checks = full.tables["checks"]
    early = checks["checked_on"] <= pd.Timestamp("2023-03-02")
    book = replace(full, tables={**full.tables, "checks": checks[early].reset_index(drop=True)})
    alike = FitSpec(
        scatter=Scatter(season=0.02, season_time=0.02, late_spring=False), to_horizon=False
    )
    found = finish_season(fit_emergence(find_patterns(book), alike), 2023)
    before = checks[checks["checked_on"] < "2023-01-01"]
    day_60 = before[
        before["checked_on"].isin([pd.Timestamp("2021-03-02"), pd.Timestamp("2022-03-02")])
    ]
    came = before.groupby("tray")["seedlings"].max().sum()
    p, out = came / (24 * 144), day_60["seedlings"].sum() / came
    now = (
        checks[early & (checks["checked_on"] > "2023-01-01")]
        .groupby("tray")["seedlings"]
        .max()
        .sum()
    )
    assert len(day_60) == 24 and 0.3 < out < 0.7
    assert (found.filled_now.sum(), found.cells.tolist()) == (now, [144] * 12)
    more = (12 * 144 - now) * p * (1 - out) / (1 - p * out)
    assert float((found.weight @ found.final).sum()) == pytest.approx(now + more, rel=0.03)


def test_three_seeds_a_cell_are_promised_as_so_many_single_seeds(tmp_path):
    spec = TraySpec(
        lots=1, trays=3, seasons=2, seeds_per_cell="3", rows=3, columns=4, record="seedlings"
    )
    book = book_of(tmp_path / "book", spec, seedlings=True)
    rows = back_test(book, BackTestSpec(target=0.6)).rows
    (fitted,) = fit_emergence(before_season(find_patterns(book), 2022)).rows
    direct = filled_cells(new_tray(fitted.draws), (ONE_SEED,), 36)
    totals = book.tables["checks"].groupby("tray")["seedlings"].max()
    assert len(rows) == 3
    for row in rows:
        # 21.6 of 36
        assert (row.cells, row.wanted, row.counted, row.seen) == (36, 22, "seeds", totals[row.tray])
        assert row.chance == pytest.approx(direct[22:].sum(), abs=1e-9)


def test_seeds_as_cells_by_hand(tmp_path):
    """Four cells of three seeds, 7 seedlings; 2-3 seeds, 8 of 10; two filled at the last count; one
    filled earlier.
    """
    said = {
        "trays": [
            "tray,season,lot,sown_on,rows,columns,seeds_per_cell",
            "A,2025,L,2024-12-01,1,4,3",
            "B,2025,L,2024-12-01,1,4,2-3",
            "C,2025,L,2024-12-01,1,4,3",
            "D,2025,L,2024-12-01,1,4,3",
        ],
        "checks": [
            "tray,checked_on,filled,seedlings",
            "A,2025-04-01,,7",
            "B,2025-04-01,,8",
            "C,2025-04-01,2,5",
            "D,2025-03-01,1,",
            "D,2025-04-01,,6",
        ],
    }
    for name, lines in said.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    patterns = find_patterns(read_book(tmp_path))
    assert told_by_seeds(patterns).tolist() == [True, True, False, True]
    counts = seeds_as_cells(patterns)
    assert counts.trays["cells"].tolist() == [12, 10, 4, 12]
    assert counts.trays["filled"].tolist() == [7, 8, 2, 6]
    assert [counts.sowings[code].mean for code in counts.trays["sowing"]] == [1, 1, 3, 1]
    assert patterns.trays["cells"].tolist() == [4, 4, 4, 4]


def test_trays_not_looked_at_yet_are_counted_as_the_others_of_their_lot():
    trays = pd.DataFrame({"tray": ["A", "B", "C", "D", "E"], "lot": ["L", "L", "M", "M", "N"]})
    checks = pd.DataFrame({"tray": ["A", "C"], "filled": [pd.NA, 3], "seedlings": [4, pd.NA]})
    assert counted_by_seeds(checks, trays).tolist() == [True, True, False, False, False]
    assert counted_by_seeds(checks.iloc[:1], trays).tolist() == [True] * 5


def test_plants_of_seedlings_by_hand():
    """Half of the seeds of cells of two fill 1 - 1/4 of the cells; those of a flat are all pricked
    out.
    """
    trays = pd.DataFrame(
        {
            "tray": ["A", "B", "C"],
            "counted": ["seeds", "seeds", "cells"],
            "tray_cells": [4, 1, 4],
            "tray_rate": [SowingRate("counted", (2,), 2.0), SowingRate("counted", (8,), 8.0), None],
        }
    )
    dates = pd.date_range("2026-03-01", periods=2)
    filled = np.array([[[4.0, 4.0, 2.0], [4.0, 4.0, 2.0]]])
    course = SpringCourse(
        trays=trays,
        checked=np.ones(3, dtype=bool),
        cells=np.array([8, 8, 4]),
        now=np.array([4, 4, 2]),
        last_day=np.full(3, 60.0),
        final=np.array([[4, 4, 2]]),
        weight=np.ones(1),
        dates=dates,
        course=filled,
        on=dates[0],
    )
    assert [float(course.plugs(k, np.array([4]))[0]) for k in range(2)] == pytest.approx([3.0, 4.0])
    assert plugs_by_date(course, np.arange(3)).tolist() == [[9.0, 9.0]]
    alike = replace(course, rho=1 - 1e-9)  # both seeds of a cell come, or neither
    assert float(alike.plugs(0, np.array([4]))[0]) == pytest.approx(2.0, abs=1e-6)


def test_pinches_of_known_size_are_answered_by_their_seedlings(tmp_path):
    """A tray stands for its cells times the mean pinch, in every command alike."""
    book = book_of(
        tmp_path / "book",
        replace(SINGLE, seeds_per_cell="pinch", record="seedlings"),
        seedlings=True,
    )
    patterns = find_patterns(book)
    seeds = {round(72 * rate.mean) for rate in patterns.sowings}
    watched = watch(book, WatchSpec(ON)).rows
    tested = back_test(book, BackTestSpec(target=0.5)).rows
    assert {row.counted for row in (*watched, *tested)} == {"seeds"}
    assert {row.cells for row in tested} <= seeds
    assert len(watched) == 6 and len(tested) == 6
    for said in (
        watch_text(watch(book, WatchSpec(ON))),
        backtest_text(back_test(book, BackTestSpec(target=0.5))),
    ):
        assert "a pinch as its mean" in " ".join(said.split())


def test_seedlings_of_pinches_of_unknown_size_are_named_not_dropped(tmp_path):
    said = {
        "trays": [
            "tray,season,lot,sown_on,rows,columns,seeds_per_cell",
            "A,2025,L,2024-12-01,1,4,pinch",
            "B,2025,L,2024-12-01,1,4,pinch",
            "C,2025,L,2024-12-01,1,4,pinch",
        ],
        "checks": ["tray,checked_on,filled,seedlings", "A,2025-04-01,,7", "B,2025-04-01,3,7"],
    }
    for name, lines in said.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    patterns = find_patterns(read_book(tmp_path))
    assert patterns.trays["tray"].tolist() == ["B"]
    assert patterns.left_out["A"].startswith(
        "only its seedlings were counted, from pinches of unknown size"
    )
    assert patterns.left_out["C"] == "never checked"
