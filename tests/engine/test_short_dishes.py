"""Dishes that sprout within days, still under way: few and late are nearly the same there.

The fit stopped on one such book in ten. A late spring of a day bends everything, and the path along
which the effects follow it, differenced from one side, was off by a hundredfold; the search then
started from where it led.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import germstats
from germstats.engine.component_draws import ComponentDraw
from germstats.engine.fit import FitSpec
from germstats.engine.hierarchy import predictors, start_state
from germstats.engine.laplace import find_pooled_mode, mode_slopes
from germstats.engine.pooled import PooledFit
from germstats.engine.schur import eliminate
from germstats.engine.trouble import trouble_of
from germstats.engine.variance_components import ComponentFit
from tests.random_books import short_dishes, write_csv

STOPPED_ON = (7, 10)
"""Books on which the search for the scatters found no number, or nothing was left for the common
effects.
"""


@pytest.fixture(scope="module", params=STOPPED_ON)
def pooled(request, tmp_path_factory) -> PooledFit:
    book = germstats.read_book(
        write_csv(short_dishes(request.param), tmp_path_factory.mktemp("dishes"))
    )
    fit = germstats.fit_emergence(book, FitSpec(to_horizon=False))  # a spring under way has a delay
    for row in fit.rows:
        assert 0 <= row.emergence_low <= row.emergence <= row.emergence_high <= 1
    assert fit.trouble == ()
    return fit.pooled


def test_few_draws_do_not_carry_all(pooled):
    assert pooled.effective_share > 0.4  # .54 and .52; with the path of before .17 and .19


def test_the_path_of_a_late_spring_is_where_the_mode_goes(pooled):
    hierarchy, prior, components = (
        pooled.design.hierarchy,
        pooled.design.prior,
        pooled.component_set.at(np.zeros(5)),
    )
    assert [one.name for one in pooled.component_set.unknown][-1] == "delay"
    mode = find_pooled_mode(hierarchy, prior, components, pooled.component_fit.found.state)
    gap, far = 8e-4, 8e-3  # days
    path = mode_slopes(
        hierarchy,
        prior,
        mode=mode,
        here=components,
        ahead=[replace(components, delay=components.delay + gap)],
        gap=gap,
    )[0]
    high, low = (
        find_pooled_mode(
            hierarchy, prior, replace(components, delay=components.delay + by), mode.state
        )
        for by in (far, -far)
    )
    solved = (predictors(hierarchy, high.state) - predictors(hierarchy, low.state)) / (2 * far)
    np.testing.assert_allclose(predictors(hierarchy, path), solved, atol=0.1 * np.abs(solved).max())


def test_a_start_that_is_no_number_is_left(pooled):
    """From a log spread of -27, where the days seen lie millions of spreads off, to the mode."""
    hierarchy, prior, components = (
        pooled.design.hierarchy,
        pooled.design.prior,
        pooled.component_set.at(np.zeros(5)),
    )
    column = pooled.design.columns.at["species", 2, "SP"]
    beta = prior.mean.copy()
    beta[column] = -700.0
    lost = find_pooled_mode(hierarchy, prior, components, start_state(hierarchy, beta))
    sure = find_pooled_mode(hierarchy, prior, components, start_state(hierarchy, prior.mean.copy()))
    assert lost.converged
    assert lost.criterion == pytest.approx(sure.criterion, abs=1e-6)


def test_curvature_too_steep_for_doubles_is_made_firm(pooled):
    hierarchy, prior, components = (
        pooled.design.hierarchy,
        pooled.design.prior,
        pooled.component_set.at(np.zeros(5)),
    )
    _, _, precision = prior.at(prior.mean, components)
    steep = np.tile(-np.outer([1.0, 1e6, 1e6], [1.0, 1e6, 1e6]), (hierarchy.trays, 1, 1))
    assert np.isfinite(eliminate(hierarchy, steep, components, precision).log_det)


def test_trouble_is_named(pooled):
    ended, stopped = pooled.component_fit, replace(pooled.component_fit, converged=False)
    at = pooled.component_fit.found
    draws = [
        ComponentDraw(pooled.draws[0].components, weight, replace(at, converged=ok))
        for weight, ok in ((0.9, True), (0.1, False))
    ]

    def kinds(
        fits: list[ComponentFit], some: list[ComponentDraw], effective: float
    ) -> list[tuple[str, float | None]]:
        return [(one.kind, one.share) for one in trouble_of(fits, some, effective)]

    assert kinds([ended], draws[:1], 0.31) == []
    assert kinds([ended], draws[:1], 0.29) == [("few draws count", 0.29)]
    assert kinds([ended, stopped], draws[:1], 0.5) == [("search not ended", None)]
    assert kinds([ended], draws, 0.5) == [("effects not ended", pytest.approx(0.1))]
