"""Germination fractions by the libraries' road.

Crowder 1978, Appl. Statist. 27:34-37, Table 3 (21 plates; coefficients seen; x1 = 1 for seed O73, x2 = 1 for cucumber
root extract). Mead, Curnow & Hasted 2002, Statistical Methods in Agriculture and Experimental Biology, pp. 350-351
(residual deviances, seen, tolerance .005).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from germstats.models.library_road import library_road
from tests.made_patterns import ONE, made_patterns

HERE = Path(__file__).parent


def test_crowder_coefficients_from_the_shares_of_the_libraries_road():
    plates = pd.read_csv(HERE / "crowder_plates.csv")
    trays = [
        {"lot": p.seed, "treatment": p.root, "cells": float(p.n), "seeds": float(p.n), "emerged": float(p.y),
         "filled": float(p.y)}
        for p in plates.itertuples()
    ]  # fmt: skip
    finishes = [
        (k, 0, s, 10.0, "counts", c) for k, p in enumerate(plates.itertuples()) for s, c in ((1, p.y), (0, p.n - p.y))
    ]
    times = [(k, 0.0, 10.0, p.y) for k, p in enumerate(plates.itertuples()) if p.y]
    road = library_road(made_patterns(trays, times=times, finishes=finishes, sowings=(ONE,))).to_frame()
    pooled = plates.groupby(["seed", "root"])[["y", "n"]].sum()
    for r in road.itertuples():
        seen = pooled.loc[(r.lot, r.treatment)]
        assert r.curve == pytest.approx(seen["y"] / seen["n"], rel=1e-9)  # all finished: the curve ends at the share
        assert r.curve_low < r.curve < r.curve_high
    logit = {(r.lot, r.treatment): np.log(r.share / (1 - r.share)) for r in road.itertuples()}
    b0 = logit["O75", "BEAN"]
    x1, x2 = logit["O73", "BEAN"] - b0, logit["O75", "CUCUMBER"] - b0
    assert b0 == pytest.approx(-0.5582, abs=5e-5)
    assert x1 == pytest.approx(0.1459, abs=5e-5)
    assert x2 == pytest.approx(1.3182, abs=5e-5)
    assert logit["O73", "CUCUMBER"] - b0 - x1 - x2 == pytest.approx(-0.7781, abs=5e-5)


@pytest.mark.parametrize(
    ("formula", "deviance", "df"),
    [("1", 1193.80, 63), ("temp", 430.11, 60), ("C(conc)", 980.10, 60), ("temp + C(conc)", 148.11, 57),
     ("temp * C(conc)", 55.64, 48)],
)  # fmt: skip
def test_mead_deviances(formula, deviance, df):
    """The regression the libraries' road leans on gives the published analysis of deviance."""
    data = pd.read_csv(HERE / "mead_germination.csv")
    data["rest"] = data["seeds"] - data["germ"]
    fit = smf.glm(f"germ + rest ~ {formula}", data, family=sm.families.Binomial()).fit()
    assert fit.deviance == pytest.approx(deviance, abs=0.005)
    assert fit.df_resid == df
