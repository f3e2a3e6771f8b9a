"""Draws of the scatters, and what hangs on them: the clock of a species, the time of trays kept out
of a fit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nurseries.simulated import NurserySpec, World, simulate_nursery

from germstats.engine.component_draws import draw_components
from germstats.engine.fit import FitSpec, fit_emergence, fit_patterns
from germstats.engine.pooled import likeliest
from germstats.engine.variance_components import COORDINATES, ComponentSet
from germstats.records.intervals.subsets import keep_trays

ALL = ComponentSet(
    tuple(COORDINATES[name] for name in ("tray", "lot", "tray_time", "lot_time", "rho", "delay")),
    {},
)


def test_straight_coordinates_come_back_and_keep_volumes():
    z = np.random.default_rng(4).normal(0.0, 1.5, (50, 6))
    np.testing.assert_allclose(ALL.bent(ALL.straightened(z)), z, atol=1e-12)
    one, other = (ALL.straightened(z) * [0.6, 0.6, 0.7, 0.7, 1.0, 8.0])[:, :2].T
    components = [ALL.at(row) for row in z]
    np.testing.assert_allclose(
        np.exp(one), [np.hypot(s.tray, s.lot) for s in components], rtol=1e-12
    )  # by hand
    np.testing.assert_allclose(np.exp(other), [s.tray / s.lot for s in components], rtol=1e-12)
    for row in z[:10]:
        assert abs(np.linalg.det(ALL.slant(row))) == pytest.approx(1.0, abs=1e-8)  # differenced


def test_a_scale_held_is_no_part_of_a_pair():
    some = ComponentSet(
        tuple(COORDINATES[name] for name in ("lot", "tray_time", "lot_time", "rho")), {"tray": 0.4}
    )
    z = np.array([[0.3, -1.0, 2.0, 0.1]])
    assert some.pairs == ((1, 2),)
    np.testing.assert_allclose(some.bent(some.straightened(z)), z, atol=1e-12)
    assert some.straightened(z)[0, [0, 3]] == pytest.approx([0.3, 0.1])


def test_one_tray_a_lot_tells_trays_and_lots_apart_by_nothing():
    """Priors of the two are alike, and so must their posteriors be; and few draws must be worth
    many (the design asks for an effective share near .83 at 72 trays, where every lot has two).
    """
    tray, lot, worth = [], [], []
    for seed in range(8):
        made = simulate_nursery(
            World(rho=0.0), NurserySpec(seasons=1, trays=1, species=6, lots=5), seed
        )
        pooled = fit_emergence(made.patterns).pooled
        weight = np.array([draw.weight for draw in pooled.draws])
        tray.append(weight @ [draw.components.tray for draw in pooled.draws])
        lot.append(weight @ [draw.components.lot for draw in pooled.draws])
        worth.append(pooled.effective_share)
    assert np.mean(tray) == pytest.approx(np.mean(lot), rel=0.1)  # before: .53 against .40
    assert np.mean(worth) > 0.5


def test_draws_of_scales_weigh_one_together():
    made = simulate_nursery(World(), NurserySpec(seasons=1, trays=1, species=2, lots=2), 5)
    pooled = fit_emergence(made.patterns).pooled
    drawn = draw_components(
        pooled.design.hierarchy,
        pooled.design.prior,
        component_set=pooled.component_set,
        fits=(pooled.component_fit,),
        draws=64,
    )
    assert sum(draw.weight for draw in drawn) == pytest.approx(1.0, abs=1e-12)


def test_draws_about_two_places_say_what_draws_about_one_say():
    """Where the second place is no mode, the weights take it back: means as from the mode alone."""
    made = simulate_nursery(World(), NurserySpec(seasons=2, trays=2, species=3, lots=3), 6)
    pooled = fit_emergence(made.patterns).pooled
    half_a_width = np.sqrt(np.diag(pooled.component_fit.covariance)) / 2
    beside = replace(pooled.component_fit, mode=pooled.component_fit.mode + half_a_width)
    of = pooled.design.hierarchy, pooled.design.prior, pooled.component_set
    alone, both = (
        draw_components(*of, (pooled.component_fit,), 512),
        draw_components(*of, (pooled.component_fit, beside), 256),
    )
    for name in ("tray", "lot", "rho"):
        one, other = (
            sum(draw.weight * np.log(getattr(draw.components, name)) for draw in some)
            for some in (alone, both)
        )
        assert one == pytest.approx(other, abs=0.05), name  # of standard deviations of .2 to 1


@pytest.mark.parametrize("tray_time", [0.08, 0.2])
def test_a_clock_is_not_chosen_by_how_trays_scatter_on_it(tray_time: float):
    """Days count from 1 February in these nurseries, however far trays lie apart; from sowing the
    same days scatter less, and under one sd for both clocks sowing won wherever trays scatter by
    .2.
    """
    world, learnt = World(tray_time=tray_time), []
    for seed in range(5000, 5003):
        made = simulate_nursery(world, NurserySpec(seasons=3, trays=2, record="totals"), seed)
        fit = fit_emergence(made.patterns)
        assert {choice.origin for choice in fit.timing.values()} == {"1 February"}
        learnt.append(sum(draw.weight * draw.components.tray_time for draw in fit.pooled.draws))
    assert np.mean(learnt) == pytest.approx(tray_time, rel=0.25)  # before: .107 for .2


def test_trays_kept_out_of_a_fit_still_tell_their_time():
    """Half of the trays fitted; the others' times come out as if they had been, their shares
    included.
    """
    made = simulate_nursery(
        World(), NurserySpec(seasons=1, trays=2, species=2, lots=3, last_checks=5), 8
    )
    whole = fit_emergence(made.patterns)
    kept = np.arange(0, len(made.patterns.trays), 2)
    part = fit_patterns(keep_trays(made.patterns, kept), FitSpec(), near=whole.pooled)
    of_whole, out_of_whole = likeliest(whole.pooled, made.patterns)
    values, out = likeliest(part.pooled, made.patterns)
    # log days; trays differ by .08, and all move with the delay of the spring
    np.testing.assert_allclose(values[:, 1], of_whole[:, 1], atol=0.1)
    np.testing.assert_allclose(out, out_of_whole, atol=0.08)
    assert (out < 0.99).all()


def test_a_species_never_fitted_has_no_likeliest_time():
    made = simulate_nursery(World(), NurserySpec(seasons=1, trays=2, species=2, lots=2), 8)
    one = np.flatnonzero((made.patterns.trays["species"] == "S0").to_numpy())
    values, out = likeliest(fit_emergence(keep_trays(made.patterns, one)).pooled, made.patterns)
    assert np.isfinite(values[one]).all() and np.isnan(np.delete(values, one, axis=0)).all()
    assert (np.delete(out, one) == 1).all()


def test_an_early_seedling_in_a_tray_kept_out_spoils_no_other():
    """A tray with a seedling before 1 February has no likelihood under a clock from there: it alone
    is left untold.
    """
    made = simulate_nursery(World(), NurserySpec(seasons=1, trays=2, species=2, lots=2), 8)
    kept = np.arange(1, len(made.patterns.trays))
    pooled = fit_emergence(keep_trays(made.patterns, kept)).pooled
    assert {choice.origin for choice in pooled.choices.values()} == {"1 February"}
    times = made.patterns.times.copy()
    # 1 February is day 60
    times.loc[times.index[times["tray"] == 0][0], ["lo", "hi"]] = [20.0, 50.0]
    values, out = likeliest(pooled, replace(made.patterns, times=times))
    usual, _ = likeliest(pooled, keep_trays(made.patterns, kept))
    assert np.isnan(values[0]).all() and out[0] == 1
    np.testing.assert_allclose(values[1:], usual, atol=1e-9)
