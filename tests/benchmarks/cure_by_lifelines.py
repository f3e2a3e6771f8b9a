"""A cure regression as a custom lifelines fitter: S(t) = 1 - p F(t), interval censored,
log-logistic times.

lifelines (Davidson-Pilon) knows no such regression for intervals: its own cure fitter does not
subtract S(inf), so that a seed never seen counts as one that comes later. Here a bound at NEVER has
survival 0, which puts the cured there.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

NEVER = 1e6
_FIRST_DAY = 1e-3  # log time needs a start after 0; F is 0 there to double precision


def cure_regression():
    """The fitter; parameters are logit p, the location and the log scale of log time."""
    from autograd import numpy as anp
    from autograd.scipy.special import expit
    from lifelines.fitters import ParametricRegressionFitter

    class CureRegression(ParametricRegressionFitter):
        _fitted_parameter_names = ["share_", "time_", "scale_"]  # noqa: RUF012 - lifelines wants a list
        _scipy_fit_options = {"gtol": 1e-7}  # noqa: RUF012 - its likelihood is per seed, so this is what -8 digits need

        def _cumulative_hazard(self, params, times, covariates):
            p = expit(anp.dot(covariates["share_"], params["share_"]))
            mu = anp.dot(covariates["time_"], params["time_"])
            sigma = anp.exp(anp.dot(covariates["scale_"], params["scale_"]))
            hazard = -anp.log1p(-p * expit((anp.log(anp.maximum(times, _FIRST_DAY)) - mu) / sigma))
            return anp.where(times >= NEVER, 700.0, hazard)

    return CureRegression()


def as_intervals(
    times: list[np.ndarray], finishes: list[np.ndarray], design: np.ndarray
) -> pd.DataFrame:
    """Patterns of single seeds as lifelines takes them: seen in (lo, hi], or later than the last
    check.
    """
    tray, lo, hi, count = times
    at, _, _, last, seeds = (part[finishes[2] == 0] for part in finishes)
    rows = pd.DataFrame(
        {
            "lo": np.r_[lo, last].astype(float),
            "hi": np.r_[hi.astype(float), np.full(len(last), NEVER)],
            "weight": np.r_[count, seeds].astype(float),
        }
    )
    covariates = design[np.r_[tray, at]]
    return rows.assign(**{f"x{k}": covariates[:, k] for k in range(design.shape[1])})


def fit_by_lifelines(rows: pd.DataFrame, start: np.ndarray):
    """Fitted lifelines model, from the same starting values as ours (share, time, log scale)."""
    names = [name for name in rows.columns if name.startswith("x")]
    rows = rows.assign(one=1.0)
    fitter = cure_regression()
    # lifelines divides covariates by it, but not the starting values it is given
    spread = rows[names].std().to_numpy()
    spread[spread < 1e-8] = 1.0
    begin = {
        "share_": start[: len(names)] * spread,
        "time_": start[len(names) : -1] * spread,
        "scale_": start[-1:],
    }
    return fitter.fit_interval_censoring(
        rows,
        "lo",
        "hi",
        weights_col="weight",
        initial_point=begin,
        regressors={"share_": names, "time_": names, "scale_": ["one"]},
    )
