"""Orders whose trays share springs, benches and losses, against nurseries simulated in
plain numpy.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit, logit

import germstats
from germstats.engine.draws import RowDraws, TimeDraws
from germstats.forecast.later_losses import LossLaw
from germstats.forecast.order import (
    TimedTrays,
    chance_of_plugs,
    day_of_plug,
    plugs_by_spring,
    plugs_of_trays,
    tray_in_a_spring,
)
from germstats.forecast.order_plan import OrderSpec
from germstats.forecast.springs import shared_luck
from germstats.forecast.trays_to_sow import planned_trays
from germstats.questions.plan.plan import planned_orders
from germstats.records.seeds import SowingRate
from tests.plain_luck import plain_luck
from tests.questions.plan.plan_books import COUNTS, ORDER_HEAD, small_book, tray_tables

ONE, TWO = (SowingRate("counted", (n,), float(n)) for n in (1, 2))
CELLS, SPRINGS = 72, 40_000
OWN, PLACE, SEASON, SHARE = 0.3, 0.5, 0.35, 0.75
LOST, R, S = 0.15, 0.08, 0.09
LAW = LossLaw(np.array([LOST]), np.array([R]), np.array([S]), np.ones(1))


def world() -> RowDraws:
    """A lot of which everything but its luck is known."""
    one = np.ones(1)
    time = TimeDraws(
        mu=np.log(50.0) * one,
        sigma=0.2 * one,
        tray_sd=0 * one,
        season_sd=0 * one,
        family="log-normal",
        origin="sowing",
    )
    tray = np.hypot(OWN, PLACE) * one
    return RowDraws(
        theta=logit(SHARE) * one,
        rho=0 * one,
        tray_sd=tray,
        season_sd=SEASON * one,
        weight=one,
        time=time,
        place_sd=PLACE * one,
    )


def beta(rng: np.random.Generator, mean: np.ndarray, correlation: float) -> np.ndarray:
    mean = np.clip(mean, 1e-9, 1 - 1e-9)
    tight = (1 - correlation) / correlation
    return rng.beta(mean * tight, (1 - mean) * tight)


def grown(
    rng: np.random.Generator, benches: list[np.ndarray], spring: np.ndarray, lost: np.ndarray
) -> np.ndarray:
    """Plugs of one tray on each of `benches` (their effects by spring)."""
    plugs = np.zeros(SPRINGS)
    for bench in benches:
        p = expit(
            logit(SHARE) + SEASON * spring + PLACE * bench + OWN * rng.standard_normal(SPRINGS)
        )
        plugs += rng.binomial(rng.binomial(CELLS, 1 - (1 - p) ** 2), 1 - beta(rng, lost, S))
    return plugs


@pytest.mark.parametrize("places", [(0, 0), (0, 1), (0, 1, 0), (0, 1, 0, 1)])
def test_an_order_has_the_chance_of_a_simulated_nursery(places: tuple[int, ...]) -> None:
    """40,000 springs; 4 Monte-Carlo standard errors and .006 for 1,024 springs spread evenly."""
    rng = np.random.default_rng(len(places))
    effects = rng.standard_normal((2, SPRINGS))
    plugs = grown(
        rng,
        [effects[k] for k in places],
        rng.standard_normal(SPRINGS),
        beta(rng, np.full(SPRINGS, LOST), R),
    )
    luck = shared_luck({"A": LAW}, 2)["A"]
    laws = [(tray_in_a_spring(world(), ((TWO, CELLS),), luck, bench=k), 1) for k in places]
    pmf = plugs_of_trays(laws)
    # FFT rounding
    np.testing.assert_allclose(pmf, plugs_by_spring(laws).mean(axis=0), rtol=0, atol=1e-9)
    for share in (0.5, 0.65, 0.75, 0.85):
        wanted = round(share * CELLS * len(places))
        seen = float(np.mean(plugs >= wanted))
        error = 4 * np.sqrt(seen * (1 - seen) / SPRINGS) + 0.006
        assert chance_of_plugs(pmf, wanted) == pytest.approx(seen, abs=error)
    days = day_of_plug([TimedTrays(world(), ((TWO, CELLS),), places, 0.0)], wanted, luck.first(512))
    few = 4 * np.sqrt(seen * (1 - seen) / 512)  # 4 standard errors of the 512 springs of the dates
    assert float(np.isfinite(days).mean()) == pytest.approx(seen, abs=few), (
        "dates follow the same luck"
    )


@pytest.mark.parametrize("places", [(0, 0, 0, 0), (0, 1, 0, 1), (0, 1, 2, 3)])
def test_trays_of_one_bench_share_its_luck(places: tuple[int, ...]) -> None:
    """Benches alone, sd .8 on the logit, four trays at one seed on one, two or four of them.

    With a bench of its own for each tray, 120 plugs would have the chance of the last in all three.
    """
    rng = np.random.default_rng(3)
    bench = 0.8 * rng.standard_normal((4, SPRINGS))
    plugs = sum(
        rng.binomial(CELLS, expit(logit(0.5) + bench[k] + 0.2 * rng.standard_normal(SPRINGS)))
        for k in places
    )
    one = np.ones(1)
    draws = RowDraws(
        theta=0 * one,
        rho=0 * one,
        tray_sd=np.hypot(0.8, 0.2) * one,
        season_sd=0 * one,
        weight=one,
        place_sd=0.8 * one,
    )
    laws = [
        (tray_in_a_spring(draws, ((ONE, CELLS),), plain_luck(0.0, benches=4), bench=k), 1)
        for k in places
    ]
    seen = float(np.mean(plugs >= 120))
    assert chance_of_plugs(plugs_of_trays(laws), 120) == pytest.approx(
        seen, abs=4 * 0.5 / np.sqrt(SPRINGS) + 0.006
    )
    own = plugs_of_trays(
        [(tray_in_a_spring(replace(draws, place_sd=None), ((ONE, CELLS),), plain_luck()), 4)]
    )
    apart = abs(chance_of_plugs(own, 120) - seen)
    assert apart < 0.02 if len(set(places)) == 4 else apart > 0.05


def test_two_species_share_half_of_their_springs_and_all_of_their_benches() -> None:
    """The joint chance of two orders, simulated; by the product of the two it would be .03 less."""
    rng = np.random.default_rng(9)
    common, bad = rng.standard_normal((2, SPRINGS))
    bench = rng.standard_normal(SPRINGS)
    kept, each = np.ones(SPRINGS, dtype=bool), []
    for _ in range(2):
        spring = (common + rng.standard_normal(SPRINGS)) / np.sqrt(2)
        luck = (bad + rng.standard_normal(SPRINGS)) / np.sqrt(2)
        level = np.sort(beta(rng, np.full(SPRINGS, LOST), R))[np.argsort(np.argsort(luck))]
        plugs = grown(rng, [bench, bench], spring, level)
        each.append(float(np.mean(plugs >= 105)))
        kept &= plugs >= 105
    luck_of = shared_luck({"A": LAW, "B": LAW}, 1)
    by_spring = [
        plugs_by_spring([(tray_in_a_spring(world(), ((TWO, CELLS),), luck), 2)])[:, 105:].sum(
            axis=1
        )
        for luck in luck_of.values()
    ]
    together = float(np.mean(by_spring[0] * by_spring[1]))
    assert together == pytest.approx(float(kept.mean()), abs=4 * 0.5 / np.sqrt(SPRINGS) + 0.006)
    assert together > each[0] * each[1] + 0.03


THREE = ORDER_HEAD + "".join(
    f"Q-{k},{species},{plugs},2027-09-01,,2,1,1,\n"
    for k, species, plugs in ((1, "AAAA", 60), (2, "BBBB", 40), (3, "AAAA", 90))
)


@pytest.fixture(scope="module")
def placed(tmp_path_factory):
    """The small book with its trays on two benches."""
    tables = tray_tables(COUNTS)
    lines = tables["trays"].splitlines()
    benches = [
        f"{line},{'place' if k == 0 else f'bench {k % 2 + 1}'}" for k, line in enumerate(lines)
    ]
    book = small_book(
        tmp_path_factory.mktemp("placed"), orders=THREE, trays="\n".join(benches) + "\n"
    )
    return book, germstats.fit_emergence(book)


def test_the_joint_chance_lies_between_the_least_and_all_at_once(placed) -> None:
    book, fit = placed
    plan = planned_orders(fit, book, OrderSpec(losses=0.1))
    chances = [row.chance for row in plan.rows]
    assert np.prod(chances) < plan.chance_of_all <= min(chances)
    assert plan.as_record()["chance_of_all"] == plan.chance_of_all
    for row in plan.rows:
        assert row.worst_chance is None or row.worst_chance <= row.chance
        assert (row.losses.share, row.losses.source) == (pytest.approx(0.1), "--losses")
        assert row.losses.tray_low < 0.05 < 0.15 < row.losses.tray_high, (
            "a given mean keeps its scatter"
        )


def test_the_sheet_sets_trays_where_the_plan_counts_them(placed) -> None:
    book, fit = placed
    plan = planned_orders(fit, book, OrderSpec())
    sheet = planned_trays(plan, fit, book)
    for row in plan.rows:
        places = [place for sowing in row.sowings for place in sowing.places]
        assert sorted(places) == sorted(tray.place for tray in sheet if tray.order == row.order)
        assert set(places) == {"bench 1", "bench 2"}


def test_one_order_alone_has_its_own_chance(placed, tmp_path) -> None:
    _, fit = placed
    plan = planned_orders(fit, small_book(tmp_path), OrderSpec())
    assert plan.chance_of_all == pytest.approx(plan.rows[0].chance, abs=1e-9)
    assert {place for sowing in plan.rows[0].sowings for place in sowing.places} == {""}
