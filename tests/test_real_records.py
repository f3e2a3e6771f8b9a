"""Real records come through with the counts and dispersions given beside them (../shared/data/README.md, computed)."""

from __future__ import annotations

import runpy
from pathlib import Path

import pandas as pd
import pytest

import germstats
from germstats.records.patterns import find_patterns
from germstats.records.workbook import write_book

ROOT = Path(__file__).parents[1]
DATA = ROOT.parent / "shared" / "data"
pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="the real records of ../shared/data are not here")


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
    assert (flags != "blank").sum() == trays["seeds"].sum() + 8 == 4116  # eight were lost or not sown
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
