"""Seeds of a small packet: the greedy rule against every way of sowing it, one by one."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from germstats.questions.plan.scarce_seed import Claim, even_cells, spread_seeds


def fills(p: float, rho: float, seeds: int) -> float:
    """Chance that a cell fills, by scipy's beta-binomial (binomial at rho = 0)."""
    if rho == 0:
        return 1 - float(stats.binom.pmf(0, seeds, p))
    a, b = p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho
    return 1 - float(stats.betabinom.pmf(0, seeds, a, b)) if seeds else 0.0


def delivered(chances: tuple[float, ...], wanted: int) -> float:
    """E[min(plugs, wanted)], adding up every set of filled cells."""
    total = 0.0
    for filled in itertools.product((0, 1), repeat=len(chances)):
        share = np.prod([c if f else 1 - c for c, f in zip(chances, filled, strict=True)])
        total += float(share) * min(sum(filled), wanted)
    return total


def worth(p: float, rho: float, value: float, wanted: int, cells: int):
    def of(seeds: int) -> float:
        chances = [
            fills(p, rho, n) for n, number in even_cells(seeds, cells) for _ in range(number)
        ]
        return value * delivered(tuple(chances), wanted)

    return of


ORDERS = [(1.0, 2, 3), (1.6, 3, 3)]  # value of a plug, plugs wanted, cells


@pytest.mark.parametrize("rho", [0.0, 0.1, 0.4])
@pytest.mark.parametrize("p", [0.2, 0.55, 0.85])
@pytest.mark.parametrize("packet", [1, 3, 6, 8])
def test_no_way_of_sowing_is_worth_more(p: float, rho: float, packet: int) -> None:
    """Two orders, six cells, up to eight seeds: all ways to drop them into the cells (computed
    here).
    """
    tables = [
        {
            ways: value * delivered(tuple(fills(p, rho, n) for n in ways), wanted)
            for ways in itertools.product(range(packet + 1), repeat=cells)
            if sum(ways) <= packet and list(ways) == sorted(ways)
        }
        for value, wanted, cells in ORDERS
    ]
    best = max(
        one + other
        for (first, one), (second, other) in itertools.product(tables[0].items(), tables[1].items())
        if sum(first) + sum(second) <= packet
    )
    claims = [
        Claim(worth(p, rho, value=value, wanted=wanted, cells=cells), 60)
        for value, wanted, cells in ORDERS
    ]
    given = spread_seeds(packet, claims)
    assert sum(given) <= packet
    reached = sum(claim.worth(seeds) for claim, seeds in zip(claims, given, strict=True))
    # identity: both add up the same products; 1e-12 for the order of adding
    assert reached == pytest.approx(best, rel=1e-12, abs=1e-12)


def test_a_cell_each_comes_before_a_second_seed() -> None:
    claims = [
        Claim(worth(0.6, 0.0, value=1.0, wanted=3, cells=3), 60),
        Claim(worth(0.6, 0.0, value=1.0, wanted=3, cells=3), 60),
    ]
    assert spread_seeds(6, claims) == (3, 3)


def test_a_lower_rank_is_served_first_though_it_gains_less() -> None:
    claims = [
        Claim(worth(0.6, 0.0, value=5.0, wanted=3, cells=3), 3, rank=2),
        Claim(worth(0.6, 0.0, value=1.0, wanted=3, cells=3), 3, rank=1),
    ]
    assert spread_seeds(4, claims) == (1, 3)


def test_seed_that_gains_nothing_stays_in_the_packet() -> None:
    assert spread_seeds(50, [Claim(lambda seeds: float(min(seeds, 7)), 40)]) == (7,)
    assert spread_seeds(0, [Claim(lambda seeds: float(seeds), 40)]) == (0,)


@pytest.mark.parametrize("step", [1, 3, 7])
def test_steps_waste_no_seed_and_never_exceed_a_claim(step: int) -> None:
    claims = [Claim(lambda seeds: 2.0 * seeds, 5), Claim(lambda seeds: 1.0 * seeds, 100)]
    assert spread_seeds(20, claims, step) == (5, 15)


def test_even_cells_by_hand() -> None:
    assert even_cells(8, 6) == ((2, 2), (1, 4))
    assert even_cells(12, 6) == ((2, 6),)
    assert even_cells(5, 100) == ((1, 5),)
    assert even_cells(9, 6, least=2) == ((3, 1), (2, 3))
    assert even_cells(1, 6, least=2) == ()
