"""Days to half of what emerged by lifelines alone.

This is accelerated-failure-time regression of interval-censored times.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from germstats.engine.timing import Array

_SMALLEST_DAY = 1e-3  # lifelines' log-normal fit fails at a lower bound of exactly 0


@dataclass(frozen=True)
class _Law:
    """A lifelines regression log T = location + s e, and where it keeps its parameters."""

    location: str
    spread: str
    power: float
    """s = exp(power x spread coefficient)."""
    half: float
    """Median of e."""
    sd: float
    """Standard deviation of e, for a starting value."""
    tolerance: float | None = None
    """Of the log-likelihood, where lifelines' own is too loose for days to two decimals."""


_LAWS = {
    "LogNormal": _Law(location="mu_", spread="sigma_", power=1.0, half=0.0, sd=1.0),
    "LogLogistic": _Law(
        location="alpha_",
        spread="beta_",
        power=-1.0,
        half=0.0,
        sd=float(np.pi / np.sqrt(3)),
        tolerance=1e-10,
    ),
    "Weibull": _Law(
        location="lambda_",
        spread="rho_",
        power=-1.0,
        half=float(np.log(np.log(2))),
        sd=float(np.pi / np.sqrt(6)),
    ),
}


@dataclass(frozen=True)
class TimeRegression:
    """The law of timing lifelines prefers, one location per group and a common spread.

    Attributes
    ----------
    law : {"LogNormal", "LogLogistic", "Weibull"}
    groups : tuple of str
        G groups in the order of `location`; the first is the baseline of the regression.
    location : (G,) array
        log days: mu, log alpha or log lambda of lifelines.
    scale : float
        Spread of log days.
    covariance : (G + 1, G + 1) array
        Of `location` and log `scale`, every seed taken as independent.
    log_likelihood, aic : float
    """

    law: str
    groups: tuple[str, ...]
    location: Array
    scale: float
    covariance: Array
    log_likelihood: float
    aic: float

    def medians(self) -> dict[str, tuple[float, float]]:
        """Group -> median days with its standard error (delta method on the log)."""
        half = _LAWS[self.law].half * self.scale
        slope = np.eye(len(self.groups), len(self.groups) + 1)
        slope[:, -1] = half
        sds = np.sqrt(np.maximum(np.einsum("gi,ij,gj->g", slope, self.covariance, slope), 0.0))
        days = np.exp(self.location + half)
        return {
            group: (float(day), float(day * sd))
            for group, day, sd in zip(self.groups, days, sds, strict=True)
        }


def regress_times(
    intervals: pd.DataFrame, laws: tuple[str, ...] = tuple(_LAWS)
) -> TimeRegression | None:
    """Regress log time on group, the law chosen by AIC.

    Parameters
    ----------
    intervals : pandas.DataFrame
        ``group``, ``lo``, ``hi``, ``count``: `count` seeds came in (lo, hi], days; ``hi`` inf where
        it never came.
    laws : tuple of str
        Those to choose from: LogNormal, LogLogistic, Weibull.

    Returns
    -------
    TimeRegression or None
        None where lifelines converges under no law, or there is nothing to regress.
    """
    if intervals.empty:
        return None
    rows = intervals.groupby(["group", "lo", "hi"])[["count"]].sum().reset_index()
    rows = rows.assign(lo=rows["lo"].clip(lower=_SMALLEST_DAY))
    groups = tuple(str(group) for group in rows["group"].unique())
    fits = [fit for law in laws if (fit := _regression(law, rows, groups)) is not None]
    return min(fits, key=lambda fit: fit.aic) if fits else None


def _regression(name: str, rows: pd.DataFrame, groups: tuple[str, ...]) -> TimeRegression | None:
    import lifelines
    from lifelines.exceptions import ConvergenceError

    law = _LAWS[name]
    contrasts = {
        f"t{k}": (rows["group"] == group).astype(float)
        for k, group in enumerate(groups[1:], start=1)
    }
    frame = rows[["lo", "hi", "count"]].assign(**contrasts)
    # lifelines finds starting values for its own class names by a simplex search, four fifths of
    # the whole time; under any other name it takes those it is given
    fitter: Any = type(f"{name}Times", (getattr(lifelines, f"{name}AFTFitter"),), {})()
    settings: dict[str, Any] = {"initial_point": _start(law, rows, len(groups))}
    if law.tolerance is not None:
        settings["fit_options"] = {"ftol": law.tolerance}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its notes on whole-number weights and small gradients
        try:
            fitter.fit_interval_censoring(
                frame, "lo", "hi", weights_col="count", ancillary=False, **settings
            )
        except ConvergenceError:
            return None
    names = [
        (law.location, "Intercept"),
        *((law.location, name) for name in contrasts),
        (law.spread, "Intercept"),
    ]
    at = fitter.params_.loc[names].to_numpy(float)
    covariance = fitter.variance_matrix_.loc[names, names].to_numpy(float)
    change = np.eye(len(names))
    change[1:-1, 0] = 1.0  # location of a group = intercept + its contrast
    change[-1, -1] = law.power
    location, spread = (change @ at)[:-1], (change @ at)[-1]
    return TimeRegression(
        law=name,
        groups=groups,
        location=location,
        scale=float(np.exp(spread)),
        covariance=change @ covariance @ change.T,
        log_likelihood=float(fitter.log_likelihood_),
        aic=float(fitter.AIC_),
    )


def _start(law: _Law, rows: pd.DataFrame, groups: int) -> Mapping[str, Array]:
    """Starting values from the middles of the intervals; lifelines puts the intercept last."""
    ends = rows["hi"].where(np.isfinite(rows["hi"]), 2 * rows["lo"])
    middle, weight = np.log((rows["lo"] + ends) / 2).to_numpy(float), rows["count"].to_numpy(float)
    mean = float(np.average(middle, weights=weight))
    scale = max(float(np.sqrt(np.average((middle - mean) ** 2, weights=weight))) / law.sd, 0.01)
    return {
        law.location: np.r_[np.zeros(groups - 1), mean - law.half * scale],
        law.spread: np.array([np.log(scale) / law.power]),
    }
