"""Draws of a row's share against the law they are drawn from: a mixture of normal laws of the
logit, in closed form.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nurseries.simulated import NurserySpec, World, simulate_nursery
from scipy import optimize
from scipy.special import ndtr

from germstats.document.sentences import scatter_words
from germstats.engine.design import TrayKey
from germstats.engine.fit import FitSpec, fit_emergence
from germstats.engine.priors import Scatter
from germstats.engine.quantiles import weighted_quantiles
from germstats.records.book import read_book
from tests.test_datasets import DATASETS

TAILS = np.array([0.025, 0.05, 0.5, 0.95, 0.975])


@pytest.fixture(scope="module", params=["learnt", "tray sd held"])
def fit(request):
    spec = FitSpec() if request.param == "learnt" else FitSpec(scatter=Scatter(tray=0.3))
    return fit_emergence(read_book(DATASETS / "demonstration"), spec)


def mixture(fit, row):
    """Weights, means and sds of the logit of a row's share, one for each draw of the components."""
    design = fit.pooled.design
    lot = next(k for k, one in enumerate(design.lots) if one.lot == row.lot)
    form = design.columns.row(TrayKey(row.species, row.label))[None]
    laws = [draw.law.rows(form, np.array([lot])) for draw in fit.pooled.draws]
    weight = np.array([draw.weight for draw in fit.pooled.draws])
    return (
        weight,
        np.array([mean[0, 0] for mean, _ in laws]),
        np.sqrt([cov[0, 0, 0] for _, cov in laws]),
    )


def quantile(tail, weight, mean, sd):
    """Of a mixture of normal laws, by its distribution function."""
    ends = (mean - 9 * sd).min(), (mean + 9 * sd).max()
    return optimize.brentq(lambda at: weight @ ndtr((at - mean) / sd) - tail, *ends)


def test_quantiles_of_the_draws_are_those_of_the_law(fit):
    """Within .03 of a standard error at the middle, .2 at the ends of a 95 % range: 512 draws of
    uneven weight.
    """
    for row in fit.rows:
        law = mixture(fit, row)
        exact = np.array([quantile(tail, *law) for tail in TAILS])
        found = weighted_quantiles(row.draws.theta, row.draws.weight, TAILS)
        away = np.abs(found - exact) / row.draws.theta.std()
        assert (away < [0.2, 0.1, 0.03, 0.1, 0.2]).all(), (row.lot, row.label, away)


def test_every_draw_of_the_scales_has_as_many_draws_of_every_row(fit):
    sizes = {len(row.draws.theta) for row in fit.rows}
    assert len(sizes) == 1
    assert sizes.pop() % len(fit.pooled.draws) == 0


def test_scatters_taken_as_given_are_not_learnt_and_are_named():
    nursery = simulate_nursery(World(), NurserySpec(seasons=1, trays=2, species=2, lots=2), 4)
    fit = fit_emergence(nursery.patterns, FitSpec(held={"lot": 0.4, "species": 0.7}))
    by_name = {one.name: one for one in fit.scatter}
    assert [by_name[name].learned for name in ("tray", "lot", "species")] == [True, False, False]
    assert (by_name["lot"].sd, by_name["species"].sd) == (0.4, 0.7)
    assert (
        "lots of one species differ by about +-10 points at 60 % (taken as given, 0.4)"
        in scatter_words(fit.scatter)
    )


def test_what_is_no_scatter_cannot_be_held():
    with pytest.raises(
        ValueError, match="rho is no scatter that can be held; these can: tray_time, lot"
    ):
        FitSpec(held={"rho": 0.1})


def test_lots_whose_species_is_not_written_down_are_not_called_species():
    nursery = simulate_nursery(World(), NurserySpec(seasons=1, trays=2, species=2, lots=2), 4)
    bare = replace(nursery.patterns, trays=nursery.patterns.trays.assign(species=None))
    names = [one.name for one in fit_emergence(bare).scatter]
    assert "species" not in names and "lot" in names
