"""Seeds per cell where everything is known: shares without scatter, so that the number of filled
cells is binomial, and its chances are those of any textbook.

Sources: the binomial and negative binomial laws and the beta-binomial of Skellam 1948 (J. R.
Statist. Soc. B 10:257-261), through scipy.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.special import logit

from germstats.engine.draws import RowDraws, WorstSpring
from germstats.engine.fit import EmergenceFit, fit_emergence
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.seeds_per_cell import SowingRow, SowingSpec, seeds_per_cell
from germstats.records.seeds import SowingRate
from tests.questions.plan.plan_books import small_book

CELLS, TARGET = 72, 0.9
WANTED = 65  # 90 % of 72 are 64.8
BINNED = 2e-4  # possible fills are brought onto a grid
ONE = np.ones(1)


@pytest.fixture(scope="module")
def fit(tmp_path_factory) -> EmergenceFit:
    return fit_emergence(small_book(tmp_path_factory.mktemp("known") / "book"))


def known(share: float, rho: float = 0.0, worst: float | None = None) -> RowDraws:
    """A share that is known, in trays and springs that do not differ."""
    return RowDraws(
        theta=float(logit(share)) * ONE,
        rho=rho * ONE,
        tray_sd=0 * ONE,
        season_sd=0 * ONE,
        weight=ONE,
        worst=None if worst is None else WorstSpring(2024, worst * ONE),
    )


def advice(fit: EmergenceFit, spec: SowingSpec, share: float, **changes) -> SowingRow:
    """Advice on one row of which the share is known."""
    row = replace(fit.rows[0], draws=known(share), emergence=share, notes=())
    (only,) = seeds_per_cell(replace(fit, rows=(replace(row, **changes),)), spec).rows
    return only


def chance(fill: float) -> float:
    """P(at least 65 of 72 cells fill)."""
    return float(stats.binom.sf(WANTED - 1, CELLS, fill))


@pytest.mark.parametrize("share", [0.95, 0.8, 0.6, 0.4])
@pytest.mark.parametrize("assurance", [0.5, 0.8, 0.95])
def test_the_smallest_number_that_has_the_chance_is_advised(fit, share, assurance):
    spec = SowingSpec(target=TARGET, assurance=assurance, cells=CELLS, most_seeds=12)
    told = advice(fit, spec, share)
    fills = {n: 1 - (1 - share) ** n for n in range(1, 13)}
    best = min(n for n, fill in fills.items() if chance(fill) >= assurance)
    assert (told.wanted, told.seeds_per_cell, told.pinches_per_cell) == (WANTED, best, None)
    assert (told.reaches_target, told.extra_trays) == (True, 0)
    assert told.chance == pytest.approx(chance(fills[best]), abs=BINNED)
    assert [n for n, _ in told.by_seeds] == list(range(1, best + 1))
    np.testing.assert_allclose(
        [of for _, of in told.by_seeds], [chance(fills[n]) for n in range(1, best + 1)], atol=BINNED
    )


def test_what_is_to_be_expected_at_the_advised_number(fit):
    """The mean and the 5 and 95 % points of the binomial law."""
    told = advice(fit, SowingSpec(target=TARGET, cells=CELLS), 0.8)
    law = stats.binom(CELLS, 1 - 0.2**told.seeds_per_cell)
    assert told.expected_fill == pytest.approx(law.mean() / CELLS, abs=BINNED)
    assert (told.fill_low, told.fill_high) == (law.ppf(0.05) / CELLS, law.ppf(0.95) / CELLS)


def test_two_numbers_in_turn(fit):
    """Half of the cells get one seed more: the sum of two binomial counts of 36 cells each."""
    spec = SowingSpec(target=TARGET, assurance=0.8, cells=CELLS, mixes=True)
    told = advice(fit, spec, 0.66)
    few, many = (stats.binom.pmf(np.arange(37), 36, 1 - 0.34**n) for n in (2, 3))
    by_half = np.convolve(few, many)[WANTED:].sum()
    assert chance(1 - 0.34**2) < 0.8 <= by_half < chance(1 - 0.34**3)
    assert told.seeds_per_cell == 2.5
    assert told.chance == pytest.approx(by_half, abs=BINNED)


def test_a_pinch_is_uneven(fit):
    """Negative binomial seeds: a cell stays empty with chance (1 + m p / k)^-k."""
    pinch = SowingRate(kind="pinch", counts=(), mean=5.0, k=1.5)
    spec = SowingSpec(target=TARGET, assurance=0.8, cells=CELLS, most_seeds=30)
    told = advice(fit, spec, 0.8, rate=pinch)
    chances = {m: chance(1 - (1 + m * 0.8 / 1.5) ** -1.5) for m in range(1, 31)}
    best = min(m for m, of in chances.items() if of >= 0.8)
    assert (told.seeds_per_cell, told.by_pinch) == (best, True)
    assert told.chance == pytest.approx(chances[best], abs=BINNED)


def test_seeds_of_one_cell_that_share_its_luck(fit):
    """Beta-binomial fates: all n fail with chance prod (b + i) / (a + b + i)."""
    share, rho = 0.7, 0.2
    a, b = share * (1 - rho) / rho, (1 - share) * (1 - rho) / rho
    spec = SowingSpec(target=TARGET, assurance=0.6, cells=CELLS, most_seeds=20)
    told = advice(fit, spec, share, draws=known(share, rho=rho))
    n = np.arange(20)
    fills = 1 - np.cumprod((b + n) / (a + b + n))
    best = int(np.argmax([chance(fill) >= 0.6 for fill in fills])) + 1
    assert told.seeds_per_cell == best
    assert told.chance == pytest.approx(chance(fills[best - 1]), abs=BINNED)


def test_pinches_of_unknown_size_are_counted_as_pinches(fit):
    """A share of pinches that fill a cell: two pinches leave (1 - p)^2 of the cells empty."""
    bare = SowingRate(kind="pinch_unmeasured", counts=(), mean=1.0)
    told = advice(fit, SowingSpec(target=TARGET, cells=CELLS), 0.8, rate=bare)
    assert (told.seeds_per_cell, told.pinches_per_cell, told.by_pinch) == (None, 2, True)
    assert told.pencil_seeds_per_cell is None


@pytest.mark.parametrize(
    ("rate", "most"),
    [
        (SowingRate(kind="counted", counts=(2,), mean=2.0), 4),
        (SowingRate(kind="pinch", counts=(), mean=5.0, k=1.5), 8),
        (SowingRate(kind="pinch_unmeasured", counts=(), mean=1.0), 4),
    ],
)
def test_where_nothing_reaches_the_target_the_most_a_hand_sows_is_advised(fit, rate, most):
    """A common practice, no source: four seeds, or a pinch of eight."""
    told = advice(fit, SowingSpec(target=TARGET, cells=CELLS), 0.05, rate=rate)
    assert (told.seeds_per_cell or told.pinches_per_cell) == most
    assert (told.reaches_target, told.extra_trays) == (False, None)
    fill = 1 - 0.95**most if rate.k is None else 1 - (1 + most * 0.05 / 1.5) ** -1.5
    assert told.chance == pytest.approx(chance(fill), abs=BINNED)
    assert told.expected_fill == pytest.approx(fill, abs=BINNED)


@pytest.mark.parametrize("share", [0.42, 0.4, 0.37, 0.33, 0.3, 0.28])
def test_extra_trays_make_up_for_empty_cells(fit, share):
    """Cells of several trays alike are one binomial count: P(at least 8 x 65 of (8 + x) x 72)."""
    told = advice(fit, SowingSpec(target=TARGET, assurance=0.9, cells=CELLS), share)
    fill = 1 - (1 - share) ** 4
    enough = [
        stats.binom.sf(8 * WANTED - 1, (8 + extra) * CELLS, fill) >= 0.9 for extra in range(9)
    ]
    assert told.seeds_per_cell == 4 and not told.reaches_target
    assert told.extra_trays == int(np.argmax(enough))


def test_the_ladder_shows_what_a_hand_can_sow(fit):
    told = advice(fit, SowingSpec(target=TARGET, cells=CELLS), 0.8)
    assert [rung.seeds for rung in told.ladder] == [1, 2, 3, 4]
    for rung in told.ladder:
        fill = 1 - 0.2**rung.seeds
        assert rung.fill == pytest.approx(fill, abs=BINNED)
        assert rung.chance == pytest.approx(chance(fill), abs=BINNED)
    (record,) = seeds_per_cell(replace(fit, rows=fit.rows[:1])).to_frame()["ladder"]
    assert list(record[0]) == ["seeds", "fill", "chance"]


def test_no_pinch_is_smaller_than_a_hand_can_sow(fit):
    """A common practice, no source: two seeds on the average, though one would do here."""
    pinch = SowingRate(kind="pinch", counts=(), mean=5.0, k=50.0)
    told = advice(fit, SowingSpec(target=0.3, assurance=0.5, cells=CELLS), 0.9, rate=pinch)
    assert told.seeds_per_cell == 2
    assert [rung.seeds for rung in told.ladder] == list(range(2, 9))


def test_in_a_spring_no_better_than_the_worst(fit):
    """The worst spring took 1.2 off the logit; without scatter that is all a spring can do."""
    told = advice(fit, SowingSpec(target=TARGET, cells=CELLS), 0.8, draws=known(0.8, worst=-1.2))
    share = 1 / (1 + np.exp(-(logit(0.8) - 1.2)))
    assert told.worst_season == 2024
    assert told.worst_chance == pytest.approx(
        chance(1 - (1 - share) ** told.seeds_per_cell), abs=BINNED
    )


def test_old_seed_is_to_be_tested(fit):
    """Seed of a lot that was last sown two years before the newest season."""
    now = fit.rows[0].last_season
    rows = tuple(replace(row, notes=(), last_season=now) for row in fit.rows)
    old = replace(rows[0], last_season=now - 2)
    told = seeds_per_cell(replace(fit, rows=(old, *rows[1:])))
    assert [any("test a sample" in note for note in row.notes) for row in told.rows] == [
        True,
        *[False] * (len(rows) - 1),
    ]


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"target": 0.0}, "0"),
        ({"target": 1.2}, "1.2"),
        ({"assurance": 1.0}, "0.99"),
        ({"cells": 0}, "0"),
        ({"most_seeds": 61}, "61"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_its_value(wrong, named):
    with pytest.raises(WrongUseError, match=named.replace(".", r"\.")):
        SowingSpec(**wrong)


def test_without_a_row_nothing_is_advised(fit):
    with pytest.raises(NotEnoughRecordsError):
        seeds_per_cell(replace(fit, rows=()))
