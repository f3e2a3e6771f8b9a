"""Whether seeds of one cell share their fate: which records show it, and what is taken where none
does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logit

from germstats.engine.cell_scatter import cell_scatter_is_shown
from germstats.engine.component_draws import draw_components, given_rho
from germstats.engine.fit import FitSpec, fit_emergence
from germstats.engine.lots import sort_lots
from germstats.engine.priors import Scatter
from germstats.engine.variance_components import COORDINATES
from germstats.questions.fit.fit_text import cell_words
from germstats.records.intervals.patterns import ONE_SEED, Patterns
from germstats.records.seeds import SowingRate
from tests.made_patterns import made_patterns

TWO, THREE = (SowingRate("counted", (n,), float(n)) for n in (2, 3))
TWO_OR_THREE = SowingRate("range", (2, 3), 2.5)
PINCH = SowingRate("pinch", (), 4.0, 1.5)


def totals(*rates: SowingRate) -> Patterns:
    """A finished tray of 72 cells for each rate, filled in three waves; one lot."""
    trays = [
        {"record": "totals", "emerged": np.nan, "filled": 44.0, "sowing": k}
        for k in range(len(rates))
    ]
    occupied = [
        (k, k, lo, hi, count)
        for k in range(len(rates))
        for lo, hi, count in ((83, 90, 12), (90, 97, 20), (97, 104, 12))
    ]
    finishes = [(k, k, 0, 200.0, "occupancy", 28) for k in range(len(rates))]
    return made_patterns(trays, occupied=occupied, finishes=finishes, sowings=rates)


def counted(cells: int, seeds: SowingRate) -> Patterns:
    """Four trays of `cells` counted cells, half of the seeds up."""
    trays = [
        {"cells": float(cells), "tray_cells": cells, "emerged": float(cells)} for _ in range(4)
    ]
    times = [(k, 83.0, 97.0, cells) for k in range(4)]
    finishes = [(k, 0, 1, 200.0, "counts", cells) for k in range(4)]
    return made_patterns(trays, times=times, finishes=finishes, sowings=(seeds,))


def seedlings(rate: SowingRate) -> Patterns:
    """A tray of 72 cells whose 60 seedlings were counted as a whole; its single seeds stand in the
    records.
    """
    return made_patterns(
        [{"record": "seedlings", "emerged": 60.0, "sowing": 1}],
        times=[(0, 83.0, 97.0, 60)],
        finishes=[(0, 0, 1, 200.0, "counts", 60), (0, 0, 0, 200.0, "counts", 84)],
        sowings=(ONE_SEED, rate),
    )


SHOWN = {
    "two counted cells of two seeds": (counted(2, TWO), True),
    "counted cells of two or three seeds": (counted(12, TWO_OR_THREE), True),
    "bags: one counted cell of many seeds a tray": (
        counted(1, SowingRate("counted", (100,), 100.0)),
        False,
    ),
    "counted cells of one seed": (counted(12, ONE_SEED), False),
    "counted pinches": (counted(12, PINCH), False),
    "totals of one number": (totals(TWO), False),
    "totals of two and three seeds": (totals(TWO, THREE), True),
    "totals of two and two to three seeds": (totals(TWO, TWO_OR_THREE), False),
    "totals of two seeds and pinches": (totals(TWO, PINCH), False),
    "seedlings of whole trays": (seedlings(TWO), False),
}


@pytest.mark.parametrize("name", SHOWN)
def test_which_records_show_it(name):
    patterns, shown = SHOWN[name]
    assert cell_scatter_is_shown(sort_lots(patterns)) is shown


def test_two_numbers_of_two_species_show_nothing():
    both = totals(TWO, THREE)
    apart = replace(both, trays=both.trays.assign(species=["A", "B"], lot=["A1", "B1"]))
    assert not cell_scatter_is_shown(sort_lots(apart))


@pytest.mark.parametrize("pooling", [True, False])
def test_the_label_is_true(pooling):
    for patterns, words in (
        (totals(TWO, TWO), "assumed, not from your records"),
        (counted(1, THREE), "assumed, not from your records"),
        (counted(12, THREE), "learned from 1 lot counted by cell"),
        (totals(TWO, THREE), "learned from trays sown with different numbers"),
    ):
        fit = fit_emergence(patterns, FitSpec(pooling=pooling))
        assert fit.cell_scatter.learned == ("learned" in words)
        assert words in cell_words(fit)


@pytest.mark.parametrize("seeds", [TWO, THREE])
def test_a_total_has_no_say_in_it(seeds):
    """Whatever the records are: each value of rho weighs the same, and they have the prior's mean
    and sd.
    """
    fit = fit_emergence(totals(seeds, seeds, seeds, seeds))
    weight = np.array([draw.weight for draw in fit.pooled.draws])
    at = logit([draw.components.rho for draw in fit.pooled.draws])
    assert weight @ at == pytest.approx(np.log(0.04 / 0.96), abs=1e-9)
    assert np.sqrt(weight @ (at - weight @ at) ** 2) == pytest.approx(1.0, abs=1e-9)
    by_value = [weight[np.isclose(at, value)].sum() for value in np.unique(at.round(9))]
    np.testing.assert_allclose(by_value, 1 / len(by_value), rtol=1e-9)
    assert (fit.cell_scatter.rho, fit.cell_scatter.low, fit.cell_scatter.high) == pytest.approx(
        (0.04, 0.0058, 0.2283), abs=1e-4
    )  # expit(logit .04 -+ 1.96), by hand


def test_the_other_scatters_follow_rho():
    """Few draws about where they are led to say what many draws about the mode alone say."""
    fit = fit_emergence(totals(*[TWO] * 6))
    of = fit.pooled.design.hierarchy, fit.pooled.design.prior, fit.pooled.component_set
    led = given_rho(*of, (fit.pooled.component_fit,), 4)
    alone = replace(led, modes=(np.repeat(fit.pooled.component_fit.mode[None], 4, axis=0),))
    few, many = (
        draw_components(*of, (fit.pooled.component_fit,), 64, given=led),
        draw_components(*of, (fit.pooled.component_fit,), 512, given=alone),
    )
    for name in ("tray", "tray_time"):
        one, other = (
            sum(draw.weight * np.log(getattr(draw.components, name)) for draw in some)
            for some in (few, many)
        )
        assert one == pytest.approx(other, abs=0.15 * COORDINATES[name].sd), name


def test_everything_held_leaves_rho_alone():
    held = {"tray_time": 0.1, "lot": 0.3, "lot_time": 0.1}
    fit = fit_emergence(totals(TWO, TWO), FitSpec(scatter=Scatter(tray=0.5), held=held))
    assert fit.pooled.component_set.unknown == ()
    assert len({draw.components.rho for draw in fit.pooled.draws}) > 4
