"""Shares, their ranges, and seeds per container.

Intervals: Newcombe 1998, Statistics in Medicine (memory, confirmed by computing), Jeffreys column,
to four decimals. Containers: Luna, Wilkinson & Dumroese 2009, Nursery Manual for Native Plants,
USDA Agriculture Handbook 730, ch. 8 (memory; all end points agree with 1 - (1 - p)^n). Seeds per
spot: Roy 1957, in Schubert & Fowells (seen; the 95 % target is inferred). Beta-binomial zero cells:
computed.
"""

from __future__ import annotations

import numpy as np
import pytest

from germstats.engine.fit import FitSpec, fit_emergence
from germstats.engine.priors import Scatter
from germstats.forecast.seeds_per_cell import pencil_rule
from germstats.forecast.tray import NewTray, empty_share, filled_cells
from germstats.records.seeds import SowingRate
from tests.made_patterns import made_patterns


@pytest.mark.parametrize(
    ("seen", "seeds", "low", "high"),
    [
        (81, 263, 0.2545, 0.3656),
        (15, 148, 0.0604, 0.1576),
        (0, 20, 0.0, 0.1166),
        (1, 29, 0.0037, 0.1501),
    ],
)
def test_without_scatter_the_range_is_near_the_jeffreys_interval(seen, seeds, low, high):
    """The prior of a lone lot's logit is normal with the variance of Jeffreys' prior, and so is the
    law of its effects: that moves the ends by up to .011 of the published ones, most where nothing
    or next to nothing came.
    """
    finishes = [(0, 0, n, 100.0, "counts", k) for n, k in ((1, seen), (0, seeds - seen)) if k]
    patterns = made_patterns(
        [{"emerged": seen, "filled": seen, "seeds": seeds, "looks": 1}],
        times=[(0, 0.0, 100.0, seen)] if seen else [],
        finishes=finishes,
    )
    alone = FitSpec(
        Scatter(tray=0.0, season=0.0, season_time=0.0),
        held=dict.fromkeys(("tray_time", "lot", "lot_time", "species", "place"), 0.0),
    )
    (row,) = fit_emergence(patterns, alone).rows
    assert row.emergence_low == pytest.approx(low, abs=0.011)
    assert row.emergence_high == pytest.approx(high, abs=0.011)


@pytest.mark.parametrize(
    ("p", "seeds", "low", "high"),
    [
        ((0.80, 0.89), 2, 96, 99),
        ((0.70, 0.79), 2, 91, 96),
        ((0.60, 0.69), 3, 94, 97),
        ((0.50, 0.59), 4, 94, 97),
        ((0.40, 0.49), 5, 92, 97),
    ],
)
def test_containers_of_the_handbook(p, seeds, low, high):
    for share, filled in zip(p, (low, high), strict=True):
        tray = NewTray(np.array([share]), np.array([0.0]), np.array([1.0]))
        fill = (
            filled_cells(tray, (SowingRate("counted", (seeds,), float(seeds)),), 72)
            @ np.arange(73)
            / 72
        )
        assert 100 * fill == pytest.approx(filled, abs=0.5 + 1e-9)


@pytest.mark.parametrize(("p", "seeds"), [(0.10, 29), (0.50, 5)])
def test_seeds_per_spot(p, seeds):
    assert pencil_rule(0.95, p) == seeds


def test_two_or_three_seeds_a_cell():
    """Common practice, no source: middling seed is sown two or three to a cell."""
    assert {pencil_rule(0.9, p / 100) for p in range(55, 69)} == {3}
    assert {pencil_rule(0.9, p / 100) for p in range(69, 75)} == {2}


@pytest.mark.parametrize(
    ("n", "p", "rho", "empty"),
    [(5, 0.6, 0.05, 0.019107), (5, 0.6, 0.0, 0.010240), (10, 0.3, 0.1, 0.093133)],
)
def test_empty_cells_of_the_beta_binomial(n, p, rho, empty):
    got = empty_share(np.array([p]), np.array([rho]), SowingRate("counted", (n,), float(n)))
    assert got[0] == pytest.approx(empty, abs=5e-7)
