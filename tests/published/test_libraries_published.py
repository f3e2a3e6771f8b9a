"""Germination fractions by the libraries' road.

Crowder 1978, Appl. Statist. 27:34-37, Table 3 (21 plates; coefficients seen, the rest computed; x1
= 1 for seed O73, x2 = 1 for cucumber root extract) and Table 1 (16 plates; pooled proportions
seen). Newcombe 1998, Statistics in Medicine (memory, confirmed by computing). Mead, Curnow & Hasted
2002, Statistical Methods in Agriculture and Experimental Biology, pp. 350-351 (residual deviances,
seen, tolerance .005).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from germstats.engine.crosscheck import library_estimates
from tests.made_patterns import ONE, made_patterns

HERE = Path(__file__).parent


def road_of_plates(plates, lot, treatment):
    """The libraries' road of plates looked at once, each a tray of single seeds."""
    trays = [
        {
            "lot": lot(p),
            "treatment": treatment(p),
            "cells": float(p.n),
            "seeds": float(p.n),
            "emerged": float(p.y),
            "filled": float(p.y),
        }
        for p in plates.itertuples()
    ]
    finishes = [
        (k, 0, s, 10.0, "counts", c)
        for k, p in enumerate(plates.itertuples())
        for s, c in ((1, p.y), (0, p.n - p.y))
    ]
    times = [(k, 0.0, 10.0, p.y) for k, p in enumerate(plates.itertuples()) if p.y]
    return library_estimates(
        made_patterns(trays, times=times, finishes=finishes, sowings=(ONE,))
    ).to_frame()


def test_crowder_coefficients_from_the_shares_of_the_libraries_road():
    plates = pd.read_csv(HERE / "crowder_plates.csv")
    road = road_of_plates(plates, lambda p: p.seed, lambda p: p.root)
    pooled = plates.groupby(["seed", "root"])[["y", "n"]].sum()
    for r in road.itertuples():
        seen = pooled.loc[(r.lot, r.treatment)]
        # all finished: the curve ends at the share
        assert r.curve == pytest.approx(seen["y"] / seen["n"], rel=1e-9)
        assert r.curve_low < r.curve < r.curve_high
    logit = {(r.lot, r.treatment): np.log(r.share / (1 - r.share)) for r in road.itertuples()}
    b0 = logit["O75", "BEAN"]
    x1, x2 = logit["O73", "BEAN"] - b0, logit["O75", "CUCUMBER"] - b0
    assert b0 == pytest.approx(-0.5582, abs=5e-5)
    assert x1 == pytest.approx(0.1459, abs=5e-5)
    assert x2 == pytest.approx(1.3182, abs=5e-5)
    assert logit["O73", "CUCUMBER"] - b0 - x1 - x2 == pytest.approx(-0.7781, abs=5e-5)


def test_crowder_regression():
    """The regression the libraries' road leans on, with interaction: errors, deviance and Pearson
    statistic.
    """
    plates = pd.read_csv(HERE / "crowder_plates.csv")
    plates = plates.assign(
        rest=plates["n"] - plates["y"],
        x1=(plates["seed"] == "O73").astype(float),
        x2=(plates["root"] == "CUCUMBER").astype(float),
    )
    fit = smf.glm("y + rest ~ x1 * x2", plates, family=sm.families.Binomial()).fit()
    np.testing.assert_allclose(fit.params, [-0.5582, 0.1459, 1.3182, -0.7781], rtol=0, atol=5e-5)
    np.testing.assert_allclose(fit.bse, [0.1260, 0.2232, 0.1775, 0.3064], rtol=0, atol=5e-5)
    assert fit.deviance == pytest.approx(33.278, abs=5e-4)
    assert fit.pearson_chi2 == pytest.approx(31.651, abs=5e-4)
    assert fit.df_resid == 17


def test_crowder_pooled_proportions_by_dilution():
    plates = pd.read_csv(HERE / "crowder_dilutions.csv", dtype={"dilution": str})
    by_dilution = road_of_plates(plates, lambda p: "dilutions", lambda p: p.dilution).set_index(
        "treatment"
    )["share"]
    for dilution, share in (("1/1", 0.142), ("1/25", 0.872), ("1/625", 0.842)):
        assert by_dilution[dilution] == pytest.approx(share, abs=5e-4)
    (overall,) = road_of_plates(plates, lambda p: "all", lambda p: "all")["share"]
    assert overall == pytest.approx(0.614, abs=5e-4)


@pytest.mark.parametrize(
    ("seen", "seeds", "low", "high"), [(0, 20, 0.0, 0.1684), (20, 20, 0.8316, 1.0)]
)
def test_newcombe_exact_range_where_none_or_all_came(seen, seeds, low, high):
    """Clopper-Pearson 0 of 20; 20 of 20 is its mirror image."""
    row = road_of_plates(
        pd.DataFrame({"n": [seeds], "y": [seen]}), lambda p: "A", lambda p: "none"
    ).iloc[0]
    assert row["share_low"] == pytest.approx(low, abs=5e-5)
    assert row["share_high"] == pytest.approx(high, abs=5e-5)


@pytest.mark.parametrize(
    ("seen", "seeds", "method", "low", "high"),
    [
        (81, 263, "wilson", 0.2553, 0.3662),
        (81, 263, "beta", 0.2527, 0.3676),
        (15, 148, "wilson", 0.0624, 0.1605),
        (15, 148, "beta", 0.0578, 0.1617),
        (0, 20, "wilson", 0.0, 0.1611),
        (0, 20, "beta", 0.0, 0.1684),
        (1, 29, "wilson", 0.0061, 0.1718),
        (1, 29, "beta", 0.0009, 0.1776),
    ],
)
def test_newcombe_intervals_of_the_library(seen, seeds, method, low, high):
    """The function behind that exact range; Jeffreys intervals are in test_shares_published.py, by
    this package.
    """
    from statsmodels.stats.proportion import proportion_confint

    found = proportion_confint(seen, seeds, method=method)
    np.testing.assert_allclose(found, (low, high), rtol=0, atol=5e-5 + 1e-9)


@pytest.mark.parametrize(
    ("formula", "deviance", "df"),
    [
        ("1", 1193.80, 63),
        ("temp", 430.11, 60),
        ("C(conc)", 980.10, 60),
        ("temp + C(conc)", 148.11, 57),
        ("temp * C(conc)", 55.64, 48),
    ],
)
def test_mead_deviances(formula, deviance, df):
    """The regression the libraries' road leans on gives the published analysis of deviance."""
    data = pd.read_csv(HERE / "mead_germination.csv")
    data["rest"] = data["seeds"] - data["germ"]
    fit = smf.glm(f"germ + rest ~ {formula}", data, family=sm.families.Binomial()).fit()
    assert fit.deviance == pytest.approx(deviance, abs=0.005)
    assert fit.df_resid == df
