"""A season under way, against the chance that more comes: P = p (1 - F) / (1 - p F) for one seed."""

from __future__ import annotations

import numpy as np
import pytest

from germstats.models.emergence import fit_emergence
from germstats.models.halfway import finish_season
from germstats.models.pooled import NEARLY_ALL
from germstats.simulation.nurseries import CELLS, NurserySpec, World, simulate_nursery

CALM = World(species=0.0, lot=0.05, tray=0.05, season=0.02, lot_time=0.01, tray_time=0.01, season_time=0.01, rho=0.0)


def test_one_seed_a_cell_follows_the_closed_formula():
    """Many finished trays pin p and F down; what is to come in the last season's is then known by arithmetic."""
    spec = NurserySpec(seasons=3, trays=8, species=1, lots=3, seeds=1, last_checks=4)
    made = simulate_nursery(CALM, spec, 2)
    fit = fit_emergence(made.patterns)
    assert fit.pooled.current == 2026
    forecast = finish_season(fit, 2026, draws=800)
    now = (made.patterns.trays["season"] == 2026).to_numpy()
    emerged = made.patterns.trays.loc[~now, "emerged"].sum() / made.patterns.trays.loc[~now, "seeds"].sum()
    seen = (
        made.patterns.trays.loc[now, "emerged"].sum() / made.finals[now].sum()
    )  # F at the last check, as it turned out
    more = emerged * (1 - seen) / (1 - emerged * seen)
    expected = forecast.filled_now + (CELLS - forecast.filled_now) * more
    mean = forecast.weight @ forecast.final
    # the springs' delay is not known, so F is known to a few hundredths
    np.testing.assert_allclose(mean.sum(), expected.sum(), rtol=0.06)


def test_what_is_there_stays_and_no_tray_overflows():
    made = simulate_nursery(
        World(), NurserySpec(seasons=2, trays=2, species=2, lots=2, last_checks=5, record="totals"), 4
    )
    forecast = finish_season(fit_emergence(made.patterns), 2025)
    assert (forecast.final >= forecast.filled_now).all()
    assert (forecast.final <= forecast.cells).all()
    assert forecast.weight.sum() == pytest.approx(1.0, abs=1e-12)
    assert ((forecast.seen_share >= 0) & (forecast.seen_share <= 1)).all()


def test_a_finished_season_is_not_under_way():
    to_the_end = tuple(float(day) for day in range(24, 150, 7))
    made = simulate_nursery(World(), NurserySpec(seasons=2, trays=2, species=2, lots=2, checks=to_the_end), 4)
    fit = fit_emergence(made.patterns)
    assert fit.pooled.current is None
    forecast = finish_season(fit, 2025)
    assert float((forecast.weight @ forecast.seen_share).mean()) > NEARLY_ALL
    np.testing.assert_allclose(forecast.weight @ forecast.final, forecast.filled_now, atol=1.5)
