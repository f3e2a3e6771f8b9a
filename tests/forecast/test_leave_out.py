"""A lot left out of a fit, held to the same records laid out and solved again without it."""

import numpy as np
import pytest

from germstats.engine.design import TrayKey, build_design
from germstats.engine.fit import FitSpec, fit_emergence
from germstats.engine.gaussian_vb import normal_law
from germstats.engine.hierarchy import part_of, start_state, state_of, terms_at
from germstats.engine.laplace import find_pooled_mode, find_pooled_modes
from germstats.engine.lots import sort_lots
from germstats.engine.priors import time_priors
from germstats.engine.variance_components import fit_components
from germstats.forecast.leave_out import LeaveOut
from germstats.records.book import read_book
from germstats.records.intervals.subsets import keep_trays
from tests.test_datasets import DATASETS


@pytest.fixture(scope="module")
def fit():
    return fit_emergence(read_book(DATASETS / "demonstration"), FitSpec(to_horizon=False))


def laid_out_again(fit, others):
    """The records of `others` alone, laid out from nothing."""
    pooled, patterns = fit.pooled, keep_trays(fit.patterns, others)
    lots = sort_lots(patterns)
    laws = {
        lot.group: (pooled.choices[lot.group].family, pooled.choices[lot.group].origin)
        for lot in lots
    }
    priors = {
        group: time_priors(lots, patterns, origin)[group] for group, (_, origin) in laws.items()
    }
    return build_design(
        patterns, lots, laws=laws, priors=priors, scatter=pooled.scatter, current=pooled.current
    )


def solved_again(fit, others, season):
    design, scales = laid_out_again(fit, others), LeaveOut(fit).components
    betas = [design.prior.mean.copy(), design.prior.mean.copy()]
    if (slope := design.columns.at.get(("chill", 0, season))) is not None:
        betas[1][slope] = -2.0
    starts = [start_state(design.hierarchy, beta) for beta in betas]
    found = find_pooled_modes(design.hierarchy, design.prior, [scales] * 2, starts)
    return design, normal_law(
        design.hierarchy, design.prior, scales, max(found, key=lambda one: one.criterion)
    )


@pytest.mark.parametrize(
    ("lot", "season"),
    [
        ("BASA-22A", 2024),
        ("GAAR-24B", 2026),
        ("HECY-22A", 2025),
        ("MOFI-22A", 2024),
        ("PEGA-22A", 2023),
    ],
)
def test_the_rest_is_as_if_fitted_without_the_lot(fit, lot, season):
    """Share and time foretold for the trays left out lie where a fit without them puts them."""
    trays = fit.patterns.trays
    left_out = np.flatnonzero((trays["lot"] == lot) & (trays["season"] == season))
    one = trays.iloc[left_out[0]]
    chill = float(one["chill_weeks"])
    key = TrayKey(
        group=str(one["species"]),
        label=str(one["treatment"]),
        season=season,
        place=str(one["place"]),
        chill=chill if chill > 0 else None,
    )
    rest = LeaveOut(fit).without(left_out, [key])
    design, law = solved_again(fit, np.setdiff1d(np.arange(len(trays)), left_out), season)
    here = [other.lot for other in design.lots]
    mean, covariance = law.rows(
        design.columns.row(key)[None], np.array([here.index(lot) if lot in here else -1])
    )
    form = rest.forms(fit.pooled.design.columns.row(key))
    number = rest.lots.index(lot) if lot in rest.lots else -1
    found, spread = rest.law.rows(form[None], np.array([number]))
    sd = np.sqrt(np.diagonal(covariance[0]))
    assert (np.abs(found[0] - mean[0]) < 0.15 * sd).all()
    np.testing.assert_allclose(np.sqrt(np.diagonal(spread[0])), sd, rtol=0.1)


def test_nothing_left_is_none(fit):
    assert (
        LeaveOut(fit).without(np.arange(len(fit.patterns.trays)), [TrayKey("PEAT", "grit", 2026)])
        is None
    )


def test_a_tray_at_a_place_where_only_other_species_stood(fit):
    """What they tell of the place holds for it too; beside them it is as if fitted without
    the lot.
    """
    trays = fit.patterns.trays
    left_out = np.flatnonzero((trays["lot"] == "BASA-25A") & (trays["season"] == 2026))
    here = trays[trays["season"] == 2026]
    places = set(here["place"]) - set(here["place"][here["species"] == "BASA"])
    key = TrayKey(group="BASA", label="grit", season=2026, place=min(places), chill=11.0)
    rest = LeaveOut(fit).without(left_out, [key])
    mean, _ = rest.law.rows(rest.forms(fit.pooled.design.columns.row(key))[None], np.array([-1]))
    other = TrayKey(group="BASA", label="grit", season=2026, place=None, chill=11.0)
    usual, _ = rest.law.rows(rest.forms(fit.pooled.design.columns.row(other))[None], np.array([-1]))
    column = fit.pooled.design.columns.at["place", 0, 2026, key.place]
    effect = fit.pooled.component_fit.found.state.beta[column]
    assert mean[0, 0] - usual[0, 0] == pytest.approx(effect, abs=0.1)


def test_some_trays_of_a_tree_are_those_laid_out_alone(fit):
    """Laplace's criterion of two species, cut out of the whole tree, is that of their records laid
    out alone.
    """
    tree, scales = (
        fit.pooled.design.hierarchy,
        fit.pooled.component_set.at(fit.pooled.component_fit.mode),
    )
    own = np.flatnonzero(fit.patterns.trays["species"].isin(["BASA", "PEAT"]))
    kept = np.isin(fit.pooled.design.order, own)
    cut, alone = part_of(tree, kept), laid_out_again(fit, own)
    state = state_of(tree, fit.pooled.component_fit.found.state, kept)
    columns = [fit.pooled.design.columns.at[name] for name in alone.columns.at]
    again = start_state(alone.hierarchy, state.beta[columns])
    values = [
        terms_at(cut, [start_state(cut, state.beta)], [scales])[0],
        terms_at(alone.hierarchy, [again], [scales])[0],
    ]
    np.testing.assert_allclose(values[0].value, values[1].value, rtol=1e-9)
    np.testing.assert_allclose(values[0].hessian, values[1].hessian, rtol=1e-8, atol=1e-8)


def test_modes_sought_together_are_those_sought_alone(fit):
    design, scale_set = fit.pooled.design, fit.pooled.component_set
    at = [scale_set.at(fit.pooled.component_fit.mode + step) for step in (-0.3, 0.0, 0.4)]
    start = start_state(design.hierarchy, design.prior.mean.copy())
    together = find_pooled_modes(design.hierarchy, design.prior, at, [start] * len(at))
    for scales, one in zip(at, together, strict=True):
        alone = find_pooled_mode(design.hierarchy, design.prior, scales, start)
        assert one.converged
        assert one.criterion == pytest.approx(alone.criterion, abs=1e-8)
        np.testing.assert_allclose(one.state.beta, alone.state.beta, atol=1e-6)


def test_scatters_of_some_trays_are_those_learnt_from_nothing(fit):
    """Sought from the whole fit's, the scatters are where a search from the prior's middle ends,
    too.
    """
    others = np.flatnonzero(fit.patterns.trays["species"] != "PEAT")
    design = laid_out_again(fit, others)
    start = start_state(design.hierarchy, design.prior.mean.copy())
    learnt = fit_components(design.hierarchy, design.prior, fit.pooled.component_set, start)
    again, found = fit.pooled.component_set.at(learnt.mode), fit.pooled.components_of(others)
    width = np.sqrt(np.diag(learnt.covariance))
    for k, one in enumerate(fit.pooled.component_set.unknown):
        gap = one.value(learnt.mode[k] + 0.1 * width[k]) - one.value(
            learnt.mode[k] - 0.1 * width[k]
        )
        assert abs(getattr(found, one.name) - getattr(again, one.name)) < abs(gap)


def test_a_low_species_is_hardly_pulled_towards_others(fit):
    """HECY lies lowest in the demonstration: in a review it stays nearer to what its own
    trays say.
    """
    known, pooled = LeaveOut(fit), fit.pooled
    row = pooled.design.columns.row(TrayKey("HECY", None))[0]
    scales = pooled.component_set.at(pooled.component_fit.mode)
    learnt = normal_law(
        pooled.design.hierarchy, pooled.design.prior, scales, pooled.component_fit.found
    )
    assert known.components.species > 2 * scales.species
    assert known.law.middle.beta @ row < learnt.middle.beta @ row - 0.2
