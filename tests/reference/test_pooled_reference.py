"""The pooled engine against lme4 1.1.31 and glmmTMB 1.1.5 (R 4.2.2): `pooled_glmm.json`, written by
`pooled_glmm.R`.

Tolerances are those agreed for other software: log-likelihoods 1e-6 relative, estimates 1e-4
relative, but for standard deviations, which optimisers on both sides leave flat to about 2e-4.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import logsumexp

from germstats.engine.hierarchy import tray_terms
from tests.reference.binomial_hierarchy import (
    binomial_hierarchy,
    components_of,
    criterion,
    maximise,
    ways,
)

HERE = Path(__file__).parent
REFERENCE = json.loads((HERE / "pooled_glmm.json").read_text(encoding="utf-8"))
SHARED = HERE.parents[2] / "shared" / "reference"
SPECIES = ("alba", "maritima", "vulgaris")
_NO_LOT = 1e-5


@pytest.fixture(scope="module")
def lots():
    trays = (
        pd.read_csv(HERE / "pooled_glmm.csv")
        .sort_values("lot", kind="stable")
        .reset_index(drop=True)
    )
    fixed = np.column_stack(
        [
            np.ones(len(trays)),
            trays["species"] == "maritima",
            trays["species"] == "vulgaris",
            trays["treatment"] == "grit",
        ]
    ).astype(float)
    emerged, seeds = trays["emerged"].to_numpy(), trays["n"].to_numpy()
    hierarchy = binomial_hierarchy(
        emerged, seeds, fixed, trays["lot"].astype("category").cat.codes.to_numpy(dtype=np.int64)
    )
    return hierarchy, ways(emerged, seeds)


@pytest.fixture(scope="module")
def plates():
    """Crowder 1978, Appl. Statist. 27:34-37, Table 3 (seen)."""
    if not SHARED.is_dir():
        pytest.skip("the reference tables of ../shared are not here")
    table = pd.read_csv(SHARED / "crowder_plates.csv")
    x1, x2 = (table["seed"] == "O73").to_numpy(float), (table["root"] != "BEAN").to_numpy(float)
    fixed = np.column_stack([np.ones(len(table)), x1, x2, x1 * x2])
    emerged, seeds = table["y"].to_numpy(), table["n"].to_numpy()
    return binomial_hierarchy(emerged, seeds, fixed, np.zeros(len(table), dtype=np.int64)), ways(
        emerged, seeds
    )


def test_restricted_criterion_equals_glmmtmb(lots):
    hierarchy, constant = lots
    theirs = REFERENCE["pooled"]["glmmTMB_REML"]
    tray, lot = theirs["sd"]["lot:tray"], theirs["sd"]["lot"]
    value, mode = criterion(hierarchy, components_of(tray, lot))
    assert value + constant == pytest.approx(theirs["log_likelihood"], rel=1e-6)
    np.testing.assert_allclose(
        mode.state.beta[:4], list(theirs["fixed"].values()), rtol=1e-4, atol=0
    )
    half = np.linalg.inv(mode.elimination.factor)
    np.testing.assert_allclose(
        np.sqrt((half**2).sum(axis=1))[:4], list(theirs["se"].values()), rtol=2e-3, atol=0
    )  # theirs carry the sds' uncertainty, ours are at the sds' mode


def test_restricted_estimates_equal_glmmtmb(lots):
    hierarchy, constant = lots
    theirs = REFERENCE["pooled"]["glmmTMB_REML"]
    found = maximise(
        lambda z: -criterion(hierarchy, components_of(*np.exp(z)))[0], np.log([0.5, 0.5])
    )
    assert -found.fun + constant == pytest.approx(theirs["log_likelihood"], rel=1e-6)
    np.testing.assert_allclose(
        np.exp(found.x), [theirs["sd"]["lot:tray"], theirs["sd"]["lot"]], rtol=2e-4, atol=0
    )


def test_how_far_species_lie_apart_equals_glmmtmb():
    """Species as effects with an sd of their own; three of them tell it badly, but both criteria
    have one mode.
    """
    trays = (
        pd.read_csv(HERE / "pooled_glmm.csv")
        .sort_values("lot", kind="stable")
        .reset_index(drop=True)
    )
    fixed = np.column_stack(
        [np.ones(len(trays)), trays["treatment"] == "grit"]
        + [trays["species"] == name for name in SPECIES]
    ).astype(float)
    emerged, seeds = trays["emerged"].to_numpy(), trays["n"].to_numpy()
    hierarchy = binomial_hierarchy(
        emerged, seeds, fixed, trays["lot"].astype("category").cat.codes.to_numpy(dtype=np.int64)
    )
    theirs = REFERENCE["pooled"]["glmmTMB_species"]
    sds = [theirs["sd"][name] for name in ("lot:tray", "lot", "species")]
    value, mode = criterion(hierarchy, components_of(*sds), species=3)
    assert value + ways(emerged, seeds) == pytest.approx(theirs["log_likelihood"], rel=1e-6)
    np.testing.assert_allclose(
        mode.state.beta[:2], list(theirs["fixed"].values()), rtol=1e-4, atol=0
    )
    found = maximise(
        lambda z: -criterion(hierarchy, components_of(*np.exp(z)), species=3)[0],
        np.log([0.5, 0.5, 1.0]),
    )
    np.testing.assert_allclose(np.exp(found.x), sds, rtol=5e-4, atol=0)


@pytest.mark.parametrize("software", ["glmmTMB_ML", "glmer_ML"])
def test_likelihood_with_fixed_effects_outside_equals_both(lots, software):
    hierarchy, constant = lots
    theirs = REFERENCE["pooled"][software]
    components = components_of(theirs["sd"]["lot:tray"], theirs["sd"]["lot"])
    value, _ = criterion(hierarchy, components, list(theirs["fixed"].values()))
    assert value + constant == pytest.approx(theirs["log_likelihood"], abs=1e-4)


def test_crowder_by_laplace(plates):
    """Computed values of the shared reference: b -.54848 .09743 1.33681 -.81004, sigma .23458,
    logLik -53.770.
    """
    hierarchy, constant = plates
    found = maximise(
        lambda z: -criterion(hierarchy, components_of(float(np.exp(z[4])), _NO_LOT), z[:4])[0],
        np.array([-0.5, 0.1, 1.3, -0.8, np.log(0.3)]),
    )
    np.testing.assert_allclose(
        found.x[:4], [-0.54848, 0.09743, 1.33681, -0.81004], rtol=0, atol=5e-5
    )
    assert np.exp(found.x[4]) == pytest.approx(0.23458, abs=5e-5)
    assert -found.fun + constant == pytest.approx(-53.770, abs=5e-4)
    theirs = REFERENCE["crowder"]["glmmTMB_ML"]
    assert -found.fun + constant == pytest.approx(theirs["log_likelihood"], rel=1e-6)


def test_crowder_restricted(plates):
    hierarchy, constant = plates
    theirs = REFERENCE["crowder"]["glmmTMB_REML"]
    (sd,) = theirs["sd"].values()
    value, mode = criterion(hierarchy, components_of(sd, _NO_LOT))
    assert value + constant == pytest.approx(theirs["log_likelihood"], rel=1e-6)
    np.testing.assert_allclose(
        mode.state.beta[:4], list(theirs["fixed"].values()), rtol=1e-3, atol=0
    )


@pytest.mark.parametrize("points", [15, 25])
def test_crowder_by_quadrature(plates, points):
    """Plate effects integrated by Gauss-Hermite: -.5484 .0970 1.3370 -.8104, sigma .2362 (seen and
    computed).
    """
    hierarchy, _ = plates
    found = maximise(
        lambda z: -by_quadrature(hierarchy, z[:4], float(np.exp(z[4])), points),
        np.array([-0.5, 0.1, 1.3, -0.8, np.log(0.3)]),
    )
    theirs = REFERENCE["crowder"][f"glmer_{points}"]
    (sd,) = theirs["sd"].values()
    np.testing.assert_allclose(found.x[:4], list(theirs["fixed"].values()), rtol=2e-4, atol=2e-5)
    np.testing.assert_allclose(found.x[:4], [-0.5484, 0.0970, 1.3370, -0.8104], rtol=0, atol=1e-4)
    assert np.exp(found.x[4]) == pytest.approx(sd, rel=2e-4)
    assert np.exp(found.x[4]) == pytest.approx(0.2362, abs=1e-4)


def test_lentisc_stations():
    """Emergence by microhabitat and season with stations: SD 1.46 by lme4 (computed,
    ../shared/data/README.md).
    """
    if not (SHARED.parent / "data").is_dir():
        pytest.skip("the real records of ../shared/data are not here")
    cells = pd.read_csv(SHARED.parent / "data" / "lentisc_field_cells.csv")
    theirs = REFERENCE["lentisc"]["glmer_1"]
    names = list(theirs["fixed"])
    rows = cells.assign(**{name: column(cells, name) for name in names})
    keys = ["station", *names]
    trays = rows.groupby(keys, sort=True)["emerged"].agg(["sum", "count"]).reset_index()
    # a station is the same in both seasons: it is the lot here, its season's cells a tray without
    # scatter of its own
    lot = trays["station"].astype("category").cat.codes.to_numpy(dtype=np.int64)
    hierarchy = binomial_hierarchy(
        trays["sum"].to_numpy(), trays["count"].to_numpy(), trays[names].to_numpy(float), lot
    )
    (sd,) = theirs["sd"].values()
    value, _ = criterion(hierarchy, components_of(_NO_LOT, sd), list(theirs["fixed"].values()))
    # single cells: no binomial coefficient
    assert value == pytest.approx(theirs["log_likelihood"], abs=1e-3)
    assert sd == pytest.approx(1.46, abs=0.005)
    by_sd = {
        at: criterion(hierarchy, components_of(_NO_LOT, at), list(theirs["fixed"].values()))[0]
        for at in (0.9 * sd, sd, 1.1 * sd)
    }
    assert max(by_sd, key=lambda at: by_sd[at]) == sd


def by_quadrature(hierarchy, fixed, sd, points) -> float:
    """Log-likelihood with each tray's effect integrated by Gauss-Hermite, from the product's own
    tray likelihood.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(points)
    at = np.repeat((hierarchy.design[:, :, :-2] @ fixed)[None], points, axis=0)
    at[:, :, 0] += sd * nodes[:, None]
    terms = tray_terms(hierarchy.tiled(points), at.reshape(-1, 3), components_of(sd, 1.0).rho)
    values = terms.value.reshape(points, -1) + np.log(weights / weights.sum())[:, None]
    return float(logsumexp(values, axis=0).sum())


def column(cells, name):
    """A column of R's design by its name: product of level indicators."""
    if name == "(Intercept)":
        return np.ones(len(cells))
    parts = [part for part in name.split(":")]
    return np.prod(
        [
            (cells["season"] == part.removeprefix("season")).to_numpy(float)
            if part.startswith("season")
            else (cells["microhabitat"] == part.removeprefix("microhabitat")).to_numpy(float)
            for part in parts
        ],
        axis=0,
    )
