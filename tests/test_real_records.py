"""Real records come through with the counts and dispersions given beside them
(../shared/data/README.md, computed).
"""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import germstats
from germstats.questions.backtest.backtest import back_test
from germstats.questions.review.review import review
from germstats.questions.watch.spec import WatchSpec
from germstats.questions.watch.watch import watch
from germstats.records.formats.workbook import write_book
from germstats.records.intervals.patterns import find_patterns

ROOT = Path(__file__).parents[1]
DATA = ROOT.parent / "shared" / "data"
pytestmark = pytest.mark.skipif(
    not DATA.is_dir(), reason="the real records of ../shared/data are not here"
)


@pytest.fixture(scope="module")
def story():
    return runpy.run_path(str(ROOT / "analyses" / "real_records.py"))


def patterns_of(story, name, folder):
    write_book(story["BOOKS"][name](DATA), folder / name)
    book = germstats.read_book(folder / name)
    assert not (book.findings["severity"] == "stop").any()
    return find_patterns(book)


def test_streptanthus(story, tmp_path):
    trays = patterns_of(story, "streptanthus", tmp_path).trays
    assert (trays["emerged"].sum(), trays["seeds"].sum()) == (1707, 4108)
    flags = pd.read_csv(DATA / "streptanthus_cells_season1.csv")["flag"]
    # eight were lost or not sown
    assert (flags != "blank").sum() == trays["seeds"].sum() + 8 == 4116
    assert (trays["lot"] != "blank").all()  # a cell with no seed is no seed that failed
    trays = trays.assign(cohort=trays["block"].str[:2])
    value, df = story["dispersion"](trays, ["lot", "cohort"])
    assert df == 176
    assert value == pytest.approx(1.20, abs=0.01)


def test_lentisc(story, tmp_path):
    trays = patterns_of(story, "lentisc", tmp_path).trays
    by_lot = trays.groupby("lot")[["emerged", "seeds"]].sum()
    assert by_lot.to_numpy().tolist() == [[52, 480], [99, 560]]
    value, df = story["dispersion"](trays, ["lot", "place"])
    assert df == 55
    assert value == pytest.approx(4.75, abs=0.005)


def test_mesquite(story, tmp_path):
    patterns = patterns_of(story, "mesquite", tmp_path)
    by_water = patterns.trays.groupby("pretreatment")[["emerged", "seeds"]].sum()
    assert by_water.loc["drought"].tolist() == [43, 60]
    assert by_water.drop(index="drought").to_numpy().tolist() == [[58, 60], [58, 60]]
    fit = germstats.fit_emergence(patterns)
    assert all(row.median_days is None for row in fit.rows)
    (dry,) = [row for row in fit.rows if row.treatment["pretreatment"] == "drought"]
    assert dry.emergence == pytest.approx(0.72, abs=0.05)  # published: 72 %
    assert dry.emergence_low < 43 / 60 < dry.emergence_high


def test_litter(story, tmp_path):
    """Standing plants at the last counts, days 36-39, none/low/medium/high .828/.728/.757/.733
    (computed); what had ever come is a little more.
    """
    trays = patterns_of(story, "litter", tmp_path).trays
    by_cover = trays.groupby("cover")[["emerged", "seeds"]].sum()
    share = (by_cover["emerged"] / by_cover["seeds"]).loc[["none", "low", "med", "high"]].to_numpy()
    assert (by_cover["seeds"] == 600).all()
    assert ((share >= np.array([0.828, 0.728, 0.757, 0.733]) - 5e-4) & (share < 0.87)).all()


def test_clarkia(story, tmp_path):
    trays = patterns_of(story, "clarkia", tmp_path).trays
    raw = pd.read_csv(DATA / "clarkia_seed_bags.csv").query("age_years == 1")
    assert (len(trays), trays["seeds"].sum()) == (591, 59_100)
    by_site = trays.groupby(["lot", "season"])["emerged"].sum()
    assert (
        by_site.tolist() == raw.groupby(["site", "year_seen"])["seedlings_january"].sum().tolist()
    )


@pytest.fixture(scope="module")
def bags(story, tmp_path_factory):
    """The bags of four sites, as flats of a hundred seeds and as trays of a hundred cells with one
    seed each.
    """
    folder, tables = tmp_path_factory.mktemp("bags"), story["BOOKS"]["clarkia"](DATA)
    sites = sorted(tables["lots"]["lot"])[:4]
    trays = tables["trays"][tables["trays"]["lot"].isin(sites)]
    checks = tables["checks"][tables["checks"]["tray"].isin(trays["tray"])]
    flats = {
        **tables,
        "trays": trays,
        "checks": checks,
        "lots": tables["lots"][tables["lots"]["lot"].isin(sites)],
    }
    cells = {**flats, "trays": trays.assign(rows=10, columns=10, seeds_per_cell="1")}
    books = {}
    for name, one in (("flats", flats), ("cells", cells)):
        write_book(one, folder / name)
        books[name] = germstats.read_book(folder / name)
    return books


def test_bags_of_seedlings_are_back_tested_however_they_are_written(bags):
    flats, cells = (back_test(bags[name]) for name in ("flats", "cells"))
    assert not flats.set_aside
    assert len(flats.rows) == 80
    assert [vars(row) | {"counted": "seeds"} for row in cells.rows] == [
        vars(row) for row in flats.rows
    ]


def test_bags_of_seedlings_are_reviewed_however_they_are_written(bags):
    flats, cells = (review(bags[name]) for name in ("flats", "cells"))
    assert [(one.lot, one.verdict, one.seen) for one in flats.lots] == [
        (one.lot, one.verdict, one.seen) for one in cells.lots
    ]
    assert all(
        "seedlings of 1000 seeds in 10 trays; an ordinary spring" in one.seen for one in flats.lots
    )
    seen = bags["flats"].tables["checks"].query("tray.str.contains('/2008/')")["seedlings"].sum()
    assert sum(int(one.seen.split()[0]) for one in flats.lots) == seen


def test_bags_of_seedlings_are_watched_however_they_are_written(bags):
    """Looked at once in every spring: what is out is known, and nothing tells what is usual by a
    day.
    """
    flats, cells = (watch(bags[name], WatchSpec("2008-02-10")) for name in ("flats", "cells"))
    seen = bags["flats"].tables["checks"].set_index("tray")["seedlings"]
    assert len(flats.rows) == 40
    for one in flats.rows:
        assert (one.filled_now, one.cells, one.counted, one.by_now) == (
            seen[one.tray],
            100,
            "seeds",
            None,
        )
        assert one.filled_now <= one.final_low <= one.final <= one.final_high <= 100
    assert [(one.tray, one.filled_now, one.final_low, one.final_high) for one in cells.rows] == [
        (one.tray, one.filled_now, one.final_low, one.final_high) for one in flats.rows
    ]
    assert sum(lot.filled_now for lot in flats.lots) == sum(one.filled_now for one in flats.rows)


@pytest.mark.parametrize("name", ["clarkia", "lentisc"])
def test_the_other_half_of_a_lot_keeps_its_promises(story, tmp_path, name):
    """Not below what trays that keep ranges of .9 and chances of .8 and .5 would show in 95 of 100
    such draws. The halves share a spring, which the promise does not know: more may be inside.
    """
    patterns = patterns_of(story, name, tmp_path)
    found = story["scored"](patterns, story["halves"](patterns, 1))
    assert len(found.aside) <= 0.05 * found.ranges.trays
    assert found.ranges.trays >= 64
    assert found.ranges.inside >= stats.binom(found.ranges.trays, 0.9).ppf(0.05)
    told = [
        (one, assured)
        for one, assured in zip(found.chances, story["ASSURED"], strict=True)
        if one is not None
    ]
    assert told
    for one, assured in told:
        assert one.reached >= stats.binom(one.trays, assured).ppf(0.05)


def test_the_halves_are_of_every_lot_and_know_nothing_of_each_other(story, tmp_path):
    patterns = patterns_of(story, "mesquite", tmp_path)
    (one, asked), (other, rest) = story["halves"](patterns, 1)
    names = patterns.trays["tray"]
    assert sorted([*names[asked], *names[rest]]) == sorted(names)
    assert not set(one.trays["tray"]) & set(names[asked])
    assert not set(other.trays["tray"]) & set(names[rest])
    assert patterns.trays.iloc[asked]["treatment"].value_counts().tolist() == [10, 10, 10]


def test_a_set_that_is_absent_is_refused_by_name(story, tmp_path):
    with pytest.raises(SystemExit, match=r"mesquite_pots\.csv.*--data"):
        story["must_be_there"](["mesquite"], tmp_path)
