"""The pooled fit: its algebra against dense algebra, its derivatives, and what it may never do."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from nurseries.simulated import NurserySpec, World, simulate_nursery
from scipy.special import expit

from germstats.engine.design import TREATMENT_SD, build_design
from germstats.engine.fit import FitSpec, fit_emergence
from germstats.engine.hierarchy import predictors, start_state, tray_terms
from germstats.engine.laplace import criteria_at, find_pooled_mode
from germstats.engine.lots import sort_lots
from germstats.engine.priors import Scatter, time_priors
from germstats.engine.quantiles import weighted_quantiles
from germstats.engine.schur import eliminate
from germstats.engine.sparse_design import lot_entries, sparse_design
from germstats.engine.variance_components import COORDINATES, ComponentSearch, ComponentSet
from germstats.forecast.new_lots import new_lot, unknown_species
from germstats.forecast.tray import empty_by, empty_share, fills, new_tray
from germstats.records.intervals.patterns import Patterns
from germstats.records.seeds import SowingRate
from tests.made_patterns import made_patterns

NAMES = ("tray", "lot", "tray_time", "lot_time", "rho", "species")


@pytest.fixture(scope="module")
def nursery():
    return simulate_nursery(World(), NurserySpec(seasons=2, trays=2, species=2, lots=2), 11)


@pytest.fixture(scope="module")
def laid_out(nursery):
    lots = sort_lots(nursery.patterns)
    laws = {lot.group: ("log-normal", "1 February") for lot in lots}
    design = build_design(
        nursery.patterns,
        lots,
        laws=laws,
        priors=time_priors(lots, nursery.patterns, "1 February"),
        scatter=Scatter(),
    )
    component_set = ComponentSet(tuple(COORDINATES[name] for name in NAMES), {})
    components = component_set.at(np.zeros(len(NAMES)))
    mode = find_pooled_mode(
        design.hierarchy,
        design.prior,
        components,
        start_state(design.hierarchy, design.prior.mean.copy()),
    )
    return design, component_set, components, mode


def dense_curvature(design, components, mode):
    """The whole negative Hessian over beta, lots and trays, laid out without elimination."""
    hierarchy = design.hierarchy
    size, lots, trays = hierarchy.design.shape[2], int(hierarchy.lot[-1]) + 1, hierarchy.trays
    carry = np.zeros((trays, 3, size + 2 * lots + 2 * trays))
    carry[:, :, :size] = hierarchy.design[hierarchy.group]
    for tray in range(trays):
        for part in (0, 1):
            carry[tray, part, size + 2 * hierarchy.lot[hierarchy.group[tray]] + part] = 1.0
            carry[tray, part, size + 2 * lots + 2 * tray + part] = 1.0
    _, _, precision = design.prior.at(mode.state.beta, components)
    total = np.einsum("tip,tij,tjq->pq", carry, -mode.terms.hessian, carry)
    own = np.concatenate(
        [
            precision,
            hierarchy.lot_precision(components).ravel(),
            hierarchy.tray_precision(components).ravel(),
        ]
    )
    return total + np.diag(own)


def test_elimination_equals_dense_algebra(laid_out):
    design, _, components, mode = laid_out
    whole = dense_curvature(design, components, mode)
    assert mode.elimination.log_det == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-12)
    rng = np.random.default_rng(3)
    hierarchy, size = design.hierarchy, design.hierarchy.design.shape[2]
    trays, own = (
        rng.standard_normal((hierarchy.trays, 3)),
        rng.standard_normal((hierarchy.trays, 2)),
    )
    lots, beta = rng.standard_normal((int(hierarchy.lot[-1]) + 1, 2)), rng.standard_normal(size)
    step = mode.elimination.solve(trays, own, lots, beta)
    on_lots = lots + np.array(
        [trays[hierarchy.lot[hierarchy.group] == lot, :2].sum(axis=0) for lot in range(len(lots))]
    )
    on_beta = beta + np.einsum("tip,ti->p", hierarchy.design[hierarchy.group], trays)
    solved = np.linalg.solve(
        whole, np.concatenate([on_beta, on_lots.ravel(), (trays[:, :2] + own).ravel()])
    )
    found = np.concatenate([step.beta, step.lots.ravel(), step.trays.ravel()])
    # condition of the whole matrix about 1e6
    np.testing.assert_allclose(found, solved, rtol=1e-8, atol=1e-10)


def test_sparse_design_equals_dense(laid_out):
    design = laid_out[0].hierarchy.design
    rng = np.random.default_rng(1)
    blocks, beta, rows = (
        rng.standard_normal((len(design), 3, 3)),
        rng.standard_normal(design.shape[2]),
        None,
    )
    rows = rng.standard_normal((len(design), 3))
    lot = laid_out[0].hierarchy.lot
    entries = sparse_design(design)
    np.testing.assert_allclose(entries.times(beta), design @ beta, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(
        entries.gathered(rows), np.einsum("gip,gi->p", design, rows), rtol=1e-12, atol=1e-12
    )
    whole = np.einsum("gip,gij,gjq->pq", design, blocks, design)
    np.testing.assert_allclose(entries.sandwich(blocks), whole, rtol=1e-12, atol=1e-12)
    by_lot = lot_entries(entries, lot)
    blocks = blocks + blocks.transpose(0, 2, 1)
    crossed = np.array([(blocks @ design)[lot == k, :2].sum(axis=0) for k in range(lot[-1] + 1)])
    kept = by_lot.crossed(blocks)
    np.testing.assert_allclose(by_lot.dense(kept), crossed, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(by_lot.times(kept, beta), crossed @ beta, rtol=1e-12, atol=1e-12)
    lots = rng.standard_normal((len(crossed), 2))
    np.testing.assert_allclose(
        by_lot.gathered(kept, lots), np.einsum("lip,li->p", crossed, lots), atol=1e-11
    )
    np.testing.assert_allclose(
        by_lot.squared(kept, 2 * kept), 2 * np.einsum("lip,liq->pq", crossed, crossed), atol=1e-11
    )


def test_the_mode_is_a_mode(laid_out):
    design, _, components, mode = laid_out
    assert mode.converged
    terms = tray_terms(
        design.hierarchy.parts, predictors(design.hierarchy, mode.state), components.rho
    )
    np.testing.assert_allclose(
        terms.gradient[:, :2] - mode.state.trays * design.hierarchy.tray_precision(components),
        0,
        atol=1e-3,
    )  # every tray's own gradient balances its prior


def test_the_gradient_of_the_search_is_that_of_the_criterion(laid_out):
    """Differencing along the mode's path against differencing with the mode solved again."""
    design, component_set, _, mode = laid_out
    search = ComponentSearch(design.hierarchy, design.prior, component_set, mode.state)
    z = np.array([-0.3, 0.2, 0.1, -0.2, 0.3, 0.4])
    slope, _ = search.slope(z, search.modes(z[None])[0])
    for k in range(len(z)):
        step = np.eye(len(z))[k] * 0.02
        high, low = search.modes(np.stack([z + step, z - step]))
        again = (high.criterion - low.criterion) / 0.04
        # both difference with steps of .02 to .05
        assert slope[k] == pytest.approx(again, rel=0.02, abs=0.02)


@pytest.mark.parametrize("steep", [None, *np.linspace(20.0, 60.0, 9)])
def test_far_from_the_mode_the_curvature_is_made_firm(laid_out, steep):
    """A ridge that no curvature of the rest can hold; a Weibull law so many spreads from its days,
    one exponential in time and spread, of which elimination would leave rounding only.
    """
    design, _, components, mode = laid_out
    odd = mode.terms.hessian.copy()
    if steep is None:
        odd[:, 2, 2] = 1e4
    else:
        odd[0] -= np.exp(steep) * np.outer([0.0, 1.0, -steep], [0.0, 1.0, -steep])
    _, _, precision = design.prior.at(mode.state.beta, components)
    assert np.isfinite(eliminate(design.hierarchy, odd, components, precision).log_det)


def test_criteria_at_the_mode_is_the_modes(laid_out):
    design, _, components, mode = laid_out
    assert criteria_at(design.hierarchy, design.prior, [components], [mode.state])[
        0
    ] == pytest.approx(mode.criterion, rel=1e-12)


def test_shuffled_trays_change_nothing(nursery):
    made = nursery.patterns
    order = np.random.default_rng(5).permutation(len(made.trays))
    code = np.argsort(order)

    def moved(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(tray=code[frame["tray"].to_numpy()]).sample(frac=1, random_state=1)

    shuffled = Patterns(
        trays=made.trays.iloc[order].reset_index(drop=True),
        times=moved(made.times),
        finishes=moved(made.finishes),
        occupied=moved(made.occupied),
        sowings=made.sowings,
        notes={},
        left_out={},
    )
    for one, other in zip(fit_emergence(made).rows, fit_emergence(shuffled).rows, strict=True):
        assert (one.lot, one.label) == (other.lot, other.label)
        # the components' optimum is found to 1e-2 of a sd
        assert one.emergence == pytest.approx(other.emergence, abs=2e-3)


def test_the_settings_are_used(nursery):
    held = fit_emergence(nursery.patterns, FitSpec(Scatter(tray=0.9)))
    assert {one.name: one.learned for one in held.scatter}["tray"] is False
    np.testing.assert_allclose(held.rows[0].draws.tray_sd, 0.9)
    calm = fit_emergence(nursery.patterns, FitSpec(Scatter(season=0.0)))
    assert calm.rows[0].draws.worst is None
    np.testing.assert_allclose(calm.rows[0].draws.season_sd, 0.0)


@pytest.mark.parametrize("seen", [0, 72])
def test_all_empty_and_all_full(seen):
    """One tray, nothing or everything came: a wide finite answer on both roads, never 0 or 1."""
    finishes = [(0, 0, int(seen > 0), 150, "counts", 72)]
    times = [(0, 90, 100, seen)] if seen else []
    made = made_patterns([{"emerged": float(seen), "filled": float(seen)}], times, finishes)
    (row,) = fit_emergence(made).rows
    assert 0 < row.emergence < 1
    assert row.emergence_high - row.emergence_low > 0.02
    assert (row.median_days is None) == (seen == 0)
    tray = new_tray(row.draws)
    assert np.isfinite(tray.p).all()
    assert tray.weight.sum() == pytest.approx(1.0, abs=1e-12)


def test_a_new_lot_is_wider_than_a_known_one_and_an_unknown_species_wider_still(nursery):
    fit = fit_emergence(nursery.patterns)
    widths = []
    for draws in (fit.rows[0].draws, new_lot(fit, "S0", "none"), unknown_species(fit)):
        low, high = weighted_quantiles(draws.theta, draws.weight, np.array([0.05, 0.95]))
        widths.append(high - low)
    assert widths == sorted(widths)


@pytest.mark.parametrize("far", [0.3, 1.8])
def test_how_far_species_lie_apart_is_learnt(far):
    """Ten species of two lots and two trays each; a species never sown is as wide as the learnt
    spread makes it.
    """
    rng = np.random.default_rng(8)
    trays, finishes, times = [], [], []
    for at in 0.4 + far * rng.permutation(np.linspace(-1.5, 1.5, 10)):
        for _ in range(2):
            for _ in range(2):
                came, code = int(rng.binomial(72, expit(at + rng.normal(0, 0.3)))), len(trays)
                trays.append(
                    {
                        "species": f"S{code // 4}",
                        "lot": f"L{code // 2}",
                        "emerged": came,
                        "filled": came,
                    }
                )
                times.append((code, 90, 100, came))
                finishes += [
                    (code, 0, 1, 150, "counts", came),
                    (code, 0, 0, 150, "counts", 72 - came),
                ]
    fit = fit_emergence(made_patterns(trays, times, finishes))
    learnt = next(one for one in fit.scatter if one.name == "species")
    sd = far * float(np.linspace(-1.5, 1.5, 10).std(ddof=1))
    assert learnt.low < sd < learnt.high
    assert learnt.groups == 10
    unknown = unknown_species(fit)
    low, high = weighted_quantiles(unknown.theta, unknown.weight, np.array([0.05, 0.95]))
    assert high - low > 2 * 1.645 * np.hypot(learnt.sd, TREATMENT_SD)


def test_one_species_tells_nothing_of_how_far_species_lie_apart():
    """Two species are then taken to lie apart by the middle of the prior, each of them about what
    they share.
    """
    nursery = simulate_nursery(World(), NurserySpec(seasons=2, trays=2, species=1, lots=3), 5)
    fit = fit_emergence(nursery.patterns)
    assert not any(one.name == "species" for one in fit.scatter)
    unknown = unknown_species(fit)
    low, high = weighted_quantiles(unknown.theta, unknown.weight, np.array([0.05, 0.95]))
    assert high - low > 2 * 1.645 * np.sqrt(
        2 * COORDINATES["species"].value(0.0) ** 2 + TREATMENT_SD**2
    )


def test_a_mild_winter_hits_species_by_their_need_of_cold():
    """Three species; in the second season shares fall with the weeks of cold needed, as they were
    made to.
    """
    shares = {
        ("A", 2024): 0.7,
        ("B", 2024): 0.7,
        ("C", 2024): 0.7,
        ("A", 2025): 0.7,
        ("B", 2025): 0.35,
        ("C", 2025): 0.05,
    }
    need = {"A": 0.0, "B": 6.0, "C": 12.0}
    trays, finishes, times = [], [], []
    for (species, season), share in shares.items():
        for _ in range(3):
            came, code = round(72 * share), len(trays)
            trays.append(
                {
                    "species": species,
                    "lot": species + "-1",
                    "season": season,
                    "chill_weeks": need[species],
                    "emerged": float(came),
                    "filled": float(came),
                }
            )
            times.append((code, 90, 100, came))
            finishes += [(code, 0, 1, 150, "counts", came), (code, 0, 0, 150, "counts", 72 - came)]
    fit = fit_emergence(made_patterns(trays, times, finishes))
    by_species = {row.species: row for row in fit.rows}
    assert by_species["C"].draws.worst.season == 2025
    assert float(by_species["C"].draws.weight @ by_species["C"].draws.worst.shift) < -1.5
    assert abs(float(by_species["A"].draws.weight @ by_species["A"].draws.worst.shift)) < 0.3
    # the ordinary spring is not dragged down by the mild winter
    assert by_species["C"].emergence > 0.45


def test_empty_by_the_end_is_the_empty_share():
    p, rho = np.array([0.2, 0.6, 0.9]), np.array([0.0, 0.05, 0.3])
    for rate in (
        SowingRate("counted", (3,), 3.0),
        SowingRate("range", (2, 3), 2.5),
        SowingRate("pinch", (), 5.0, 1.5),
    ):
        np.testing.assert_allclose(
            empty_by(p, rho, np.ones(3), rate), empty_share(p, rho, rate), rtol=1e-12
        )
        np.testing.assert_allclose(empty_by(p, rho, np.zeros(3), rate), 1.0, rtol=1e-12)


def test_without_pooling_a_lot_hardly_leans_on_its_species():
    """Three lots come at 70 %, the fourth at 30 %, two trays each.

    With lots taken as far apart it stays nearer to its own 30 % than where the other lots show how
    little lots differ.
    """
    trays = [
        {"tray": f"T{k}", "lot": lot, "emerged": float(came), "filled": float(came), "looks": 2}
        for k, (lot, came) in enumerate(
            zip("AABBCCDD", [50, 51, 49, 50, 51, 50, 22, 21], strict=True)
        )
    ]
    times = [(k, 90.0, 110.0, int(tray["emerged"])) for k, tray in enumerate(trays)]
    finishes = [
        (k, 0, n, 200.0, "counts", count)
        for k, tray in enumerate(trays)
        for n, count in ((1, int(tray["emerged"])), (0, 72 - int(tray["emerged"])))
    ]
    patterns = made_patterns(trays, times, finishes)
    pooled, alone = (
        next(row for row in fit_emergence(patterns, FitSpec(pooling=on)).rows if row.lot == "D")
        for on in (True, False)
    )
    own = 43 / 144
    assert abs(alone.emergence - own) < abs(pooled.emergence - own)
    assert alone.emergence == pytest.approx(own, abs=0.05)


def test_fills_keep_their_mean(nursery):
    tray = new_tray(fit_emergence(nursery.patterns, FitSpec(pooling=False)).rows[0].draws)
    rates = (SowingRate("counted", (2,), 2.0), SowingRate("counted", (3,), 3.0))
    possible = fills(tray, rates)
    for r, rate in enumerate(rates):
        mean = float(tray.weight @ (1 - empty_share(tray.p, tray.rho, rate)))
        assert float(possible.weight @ possible.fill[:, r]) == pytest.approx(mean, rel=1e-12)


def test_a_lot_in_which_nothing_came_is_dead_and_not_very_late():
    """Two lots come at 70 %, the third stays empty to the end: few, not late, although lots scatter
    little in both.
    """
    trays, times, finishes = [], [], []
    for lot, came in (("A", 50), ("B", 50), ("C", 0)):
        for _ in range(3):
            code = len(trays)
            trays.append(
                {"species": "S", "lot": lot, "emerged": float(came), "filled": float(came)}
            )
            times += [(code, 90, 100, came)] if came else []
            finishes += [
                (code, 0, seen, 200, "counts", n) for seen, n in ((1, came), (0, 72 - came)) if n
            ]
    by_lot = {row.lot: row for row in fit_emergence(made_patterns(trays, times, finishes)).rows}
    assert by_lot["C"].emergence_high < 0.1
    assert by_lot["C"].share_seen > 0.9
    assert by_lot["C"].median_days is None
    assert by_lot["A"].emergence > 0.5
