"""Plugs of an order and their dates: binomial limits, closed forms, and simulation by plain random
numbers.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit, logit, ndtri

from germstats.engine.draws import RowDraws, TimeDraws, WorstSpring
from germstats.forecast.order import (
    TimedTrays,
    chance_of_plugs,
    day_of_plug,
    expected_delivered,
    first_seedling_share,
    plugs_of_trays,
    tray_in_a_spring,
)
from germstats.records.seeds import SowingRate
from tests.plain_luck import plain_luck

ONE, TWO, THREE = (SowingRate("counted", (n,), float(n)) for n in (1, 2, 3))
PINCH = SowingRate("pinch", (), 4.0, 1.5)


def world(
    p: float, tray: float = 0.0, spring: float = 0.0, lot: float = 0.0, rho: float = 0.0
) -> RowDraws:
    """A lot of which everything but its luck (and, with `lot`, its own level) is known."""
    size = 640 if lot else 1
    theta = logit(p) + (lot * ndtri((np.arange(size) + 0.5) / size) if lot else np.zeros(1))
    same = np.ones(size)
    return RowDraws(
        theta=theta,
        rho=rho * same,
        tray_sd=tray * same,
        season_sd=spring * same,
        weight=same / size,
    )


def test_without_scatter_it_is_the_binomial() -> None:
    """Zero-scatter limit by scipy's binomial (computed)."""
    pmf = plugs_of_trays([(tray_in_a_spring(world(0.6), ((TWO, 72),), plain_luck(0.07)), 4)])
    expected = stats.binom.pmf(np.arange(289), 288, 0.93 * (1 - 0.4**2))
    np.testing.assert_allclose(pmf, expected, rtol=0, atol=1e-12)  # FFT rounding


def test_two_lots_and_alternating_seeds_are_a_sum_of_binomials() -> None:
    first = tray_in_a_spring(world(0.6), ((TWO, 10), (THREE, 10)), plain_luck(0.0))
    second = tray_in_a_spring(world(0.3), ((ONE, 15),), plain_luck(0.2))
    pmf = plugs_of_trays([(first, 2), (second, 1)])
    parts = [(20, 1 - 0.4**2), (20, 1 - 0.4**3), (15, 0.3 * 0.8)]
    expected = np.ones(1)
    for cells, share in parts:
        expected = np.convolve(expected, stats.binom.pmf(np.arange(cells + 1), cells, share))
    np.testing.assert_allclose(pmf, expected, rtol=0, atol=1e-12)  # FFT rounding


def test_shared_fate_lowers_the_fill_as_the_beta_binomial_does() -> None:
    rho, p = 0.1, 0.3
    a, b = p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho
    fill = 1 - stats.betabinom.pmf(0, 3, a, b)
    pmf = plugs_of_trays(
        [(tray_in_a_spring(world(p, rho=rho), ((THREE, 30),), plain_luck(0.0)), 1)]
    )
    # rounding
    np.testing.assert_allclose(pmf, stats.binom.pmf(np.arange(31), 30, fill), rtol=0, atol=1e-12)


@pytest.mark.parametrize(
    ("tray", "spring", "lot", "chance"),
    [(0.0, 0.0, 0.0, 1.0), (0.45, 0.35, 0.0, 0.81), (0.45, 0.35, 0.7, 0.68)],
)
def test_two_hundred_plugs_from_four_trays(
    tray: float, spring: float, lot: float, chance: float
) -> None:
    """The design's example (status: computed there, its sds not given).

    p = .6, two seeds, 93 % surviving: .81 with a tray sd of .45 and a spring sd of .35, .68 for a
    lot not sown before with a lot sd of .7. With the design's prior middles (.5, .35, lot .5) it is
    .80 and .71.
    """
    pmf = plugs_of_trays(
        [(tray_in_a_spring(world(0.6, tray, spring, lot), ((TWO, 72),), plain_luck(0.07)), 4)]
    )
    # half the last digit given
    assert chance_of_plugs(pmf, 200) == pytest.approx(chance, abs=0.005)


def test_the_prior_middles_of_the_design() -> None:
    for lot, chance in ((0.0, 0.80), (0.5, 0.71)):
        pmf = plugs_of_trays(
            [(tray_in_a_spring(world(0.6, 0.5, 0.35, lot), ((TWO, 72),), plain_luck(0.07)), 4)]
        )
        # given to two digits in the test above
        assert chance_of_plugs(pmf, 200) == pytest.approx(chance, abs=0.01)


def test_trays_share_the_spring_but_not_their_luck() -> None:
    """Plain simulation with numpy (computed): 40,000 springs, 4 Monte-Carlo standard errors."""
    rng = np.random.default_rng(1)
    springs = 40_000
    draws = world(0.5, 0.6, spring=0.5, lot=0.4, rho=0.1)
    level = logit(0.5) + 0.4 * rng.standard_normal(springs) + 0.5 * rng.standard_normal(springs)
    plugs = np.zeros(springs)
    for _ in range(3):
        p = expit(level + 0.6 * rng.standard_normal(springs))
        t = 0.1 / 0.9
        fill = 1 - (1 - p) * (1 - p + t) / (1 + t)
        plugs += rng.binomial(40, 0.9 * fill)
    pmf = plugs_of_trays([(tray_in_a_spring(draws, ((TWO, 40),), plain_luck(0.1)), 3)])
    for wanted in (50, 75, 95):
        seen = float(np.mean(plugs >= wanted))
        # and .003 for 1,024 springs spread evenly
        error = 4 * np.sqrt(seen * (1 - seen) / springs) + 0.003
        assert chance_of_plugs(pmf, wanted) == pytest.approx(seen, abs=error)
    # 4 errors of the mean
    assert expected_delivered(pmf, 75) == pytest.approx(np.minimum(plugs, 75).mean(), abs=0.5)


@pytest.mark.parametrize("shift", [-1.5, -0.3, 0.2])
def test_a_spring_no_better_than_the_worst_is_held_down_to_it(shift: float) -> None:
    """min(spring, shift) by quadrature in scipy: far below all springs it is the shift and no luck.

    Before, the shift stood alone: a middling worst spring promised more than an ordinary one.
    """
    draws = replace(world(0.6, 0.4, 0.5), worst=WorstSpring(2024, np.array([shift])))
    held = tray_in_a_spring(draws, ((TWO, 30),), plain_luck(0.1), worst=True)
    z = ndtri((np.arange(2000) + 0.5) / 2000)
    middle = logit(0.6) + np.minimum(0.5 * z, shift)
    nodes, weight = np.polynomial.hermite_e.hermegauss(40)
    p = expit(middle[:, None] + 0.4 * nodes)
    tray = stats.binom.pmf(np.arange(31), 30, 0.9 * (1 - (1 - p[..., None]) ** 2))
    tray = np.einsum("skc,k->sc", tray, weight / weight.sum())
    three = np.mean([np.convolve(np.convolve(one, one), one) for one in tray], axis=0)
    for wanted in (25, 45, 65):
        exact = float(three[wanted:].sum())
        found = chance_of_plugs(plugs_of_trays([(held, 3)]), wanted)
        assert found == pytest.approx(exact, abs=0.003)  # 1,024 springs spread evenly
        ordinary = plugs_of_trays([(tray_in_a_spring(draws, ((TWO, 30),), plain_luck(0.1)), 3)])
        assert found <= chance_of_plugs(ordinary, wanted)


def test_pricking_out_by_counting_every_outcome() -> None:
    """Three cells, two seeds each: all 64 outcomes (computed here)."""
    p = 0.35
    expected = np.zeros(4)
    for seeds in itertools.product((0, 1), repeat=6):
        expected[min(sum(seeds), 3)] += np.prod([p if up else 1 - p for up in seeds])
    pmf = plugs_of_trays(
        [(tray_in_a_spring(world(p), ((TWO, 3),), plain_luck(0.0), prick_out=True), 1)]
    )
    np.testing.assert_allclose(pmf, expected, rtol=0, atol=1e-12)  # FFT rounding


@pytest.mark.parametrize(("rate", "rho"), [(THREE, 0.1), (PINCH, 0.0)])
def test_pricking_out_by_simulation(rate: SowingRate, rho: float) -> None:
    rng = np.random.default_rng(2)
    trays, cells, p = 40_000, 12, 0.3
    if rate.k is None:
        share = rng.beta(p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho, (trays, cells))
        seedlings = rng.binomial(3, share).sum(axis=1)
    else:
        seedlings = rng.negative_binomial(
            rate.k, rate.k / (rate.k + rate.mean * p), (trays, cells)
        ).sum(axis=1)
    seen = np.bincount(np.minimum(seedlings, cells), minlength=cells + 1) / trays
    pmf = plugs_of_trays(
        [
            (
                tray_in_a_spring(
                    world(p, rho=rho), ((rate, cells),), plain_luck(0.0), prick_out=True
                ),
                1,
            )
        ]
    )
    # 4 standard errors at most
    np.testing.assert_allclose(pmf, seen, rtol=0, atol=4 * 0.5 / np.sqrt(trays))
    plain = plugs_of_trays(
        [(tray_in_a_spring(world(p, rho=rho), ((rate, cells),), plain_luck(0.0)), 1)]
    )
    assert expected_delivered(pmf, cells) > expected_delivered(plain, cells)


@pytest.mark.parametrize("rate", [ONE, THREE, SowingRate("range", (2, 3), 2.5), PINCH])
def test_first_seedling_undoes_the_share_of_empty_cells(rate: SowingRate) -> None:
    p, f = 0.4, np.array([0.1, 0.5, 0.95])
    if rate.k is not None:
        empty = (1 + rate.mean * p * f / rate.k) ** -rate.k
    else:
        empty = np.mean([(1 - p * f) ** n for n in rate.numbers], axis=0)
    found = first_seedling_share(empty, np.array(p), rate)
    np.testing.assert_allclose(found, f, rtol=0, atol=1e-5)  # the range is interpolated


def test_the_day_of_the_last_plant_is_an_order_statistic() -> None:
    """P(K-th plant by day t) is a binomial tail of A(n, 0, F(t)) where nothing else is luck (scipy,
    computed).
    """
    one = np.ones(1)
    time = TimeDraws(
        mu=np.log(50.0) * one,
        sigma=0.2 * one,
        tray_sd=0 * one,
        season_sd=0 * one,
        family="log-normal",
        origin="sowing",
    )
    draws = RowDraws(
        theta=np.array([logit(0.6)]),
        rho=0 * one,
        tray_sd=0 * one,
        season_sd=0 * one,
        weight=one,
        time=time,
    )
    days = day_of_plug([TimedTrays(draws, ((TWO, 36),), (0, 0), 10.0)], 50, plain_luck(0.1))
    for day in (55.0, 60.0, 66.0, 80.0, 1e6):
        up = stats.norm.cdf((np.log(day - 10) - np.log(50)) / 0.2)
        exact = stats.binom.sf(49, 72, 0.9 * (1 - (1 - 0.6 * up) ** 2))
        # 4 standard errors
        assert np.mean(days <= day) == pytest.approx(exact, abs=4 * np.sqrt(0.25 / len(days)))


def test_more_plants_than_cells_never_come() -> None:
    one = np.ones(1)
    time = TimeDraws(
        mu=one, sigma=one, tray_sd=one, season_sd=one, family="Weibull", origin="1 February"
    )
    draws = RowDraws(theta=one, rho=0.1 * one, tray_sd=one, season_sd=one, weight=one, time=time)
    assert np.isinf(
        day_of_plug([TimedTrays(draws, ((PINCH, 4),), (0, 0), 0.0)], 9, plain_luck())
    ).all()
