"""What must not change an answer: the order of rows, and how the same looks are split over the
file.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nurseries.trays import TraySpec, simulate_trays

import germstats
from germstats.engine.arrays import compile_patterns
from germstats.engine.likelihood import evaluate
from germstats.engine.timing import FAMILIES
from germstats.forecast.tray import NewTray, chance_of_filling, filled_cells
from germstats.records.formats.workbook import write_book
from germstats.records.intervals.patterns import find_patterns
from germstats.records.seeds import SowingRate
from tests.made_patterns import made_patterns


def test_row_order_changes_nothing(tmp_path):
    tables = simulate_trays(TraySpec(), seed=5).tables
    write_book(tables, tmp_path / "a")
    write_book(
        {name: t.sample(frac=1, random_state=3) for name, t in tables.items()}, tmp_path / "b"
    )
    a, b = (find_patterns(germstats.read_book(tmp_path / name)) for name in "ab")
    first, second = (germstats.fit_emergence(patterns).to_frame() for patterns in (a, b))
    np.testing.assert_allclose(first["emergence"], second["emergence"], rtol=1e-9)
    np.testing.assert_allclose(first["median_days"], second["median_days"], rtol=1e-9)


@given(factor=st.floats(0.04, 30), family=st.sampled_from(sorted(FAMILIES)))
@settings(deadline=None, max_examples=30)
def test_time_units_change_nothing(factor, family):
    def value(scale):
        patterns = made_patterns(
            [{}],
            times=[(0, 30 * scale, 41 * scale, 3)],
            finishes=[(0, 0, 1, 90 * scale, "counts", 3), (0, 0, 0, 90 * scale, "counts", 4)],
            occupied=[(0, 0, 0.0, 30 * scale, 2)],
        )
        at = np.array([np.log(40 * scale)])
        return evaluate(
            compile_patterns(patterns),
            np.array([0.3]),
            mu=at,
            log_sigma=-1.0,
            rho=0.05,
            family=FAMILIES[family],
            origin="sowing",
        ).value[0]

    assert value(factor) == pytest.approx(value(1.0), rel=1e-9)


@given(
    p=st.floats(0.01, 0.99), rho=st.floats(0, 0.5), n=st.integers(1, 9), cells=st.integers(1, 150)
)
@settings(deadline=None, max_examples=60)
def test_more_seeds_never_lower_fill(p, rho, n, cells):
    tray = NewTray(np.array([p]), np.array([rho]), np.array([1.0]))
    few, many = (SowingRate("counted", (k,), float(k)) for k in (n, n + 1))
    wanted = max(1, int(0.9 * cells))
    less, mixed, more = (
        chance_of_filling(tray, rates, cells, wanted) for rates in ((few,), (few, many), (many,))
    )
    assert less <= mixed + 1e-9 <= more + 2e-9
    assert filled_cells(tray, (few, many), cells).sum() == pytest.approx(1.0)
