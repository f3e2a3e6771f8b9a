"""The same estimates by general-purpose libraries alone: statsmodels for shares, lifelines for times.

A user who trusts only the libraries can read this road by itself. What it cannot do is said in its notes: it takes the
last counts as final, knows no season scatter, and times only what emerged.
"""

from __future__ import annotations

import warnings
from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from germstats.models.estimates import FEW_SEEN, RowEstimate
from germstats.records.patterns import Patterns

_SMALLEST_DAY = 1e-3  # lifelines' log-normal fit fails at a lower bound of exactly 0


@dataclass(frozen=True)
class LibraryRoad:
    """Estimates of the libraries, one row per lot and treatment.

    Attributes
    ----------
    table : pandas.DataFrame
        ``species``, ``lot``, ``treatment`` (label), ``trays``, ``share`` and ``share_sd`` (0-1, NaN where the
        libraries give none), ``median_days`` and ``median_days_sd``, ``curve``, ``curve_low``, ``curve_high`` (end of
        the empirical curve: seeds where counted, else cells filled), ``note``.
    """

    table: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """The table."""
        return self.table.copy()


def library_road(patterns: Patterns) -> LibraryRoad:
    """Estimate every lot and treatment by statsmodels and lifelines.

    Shares: binomial regression of the last counts with errors clustered by tray, logit link for counted seeds,
    complementary log-log link with offset log(seeds per cell) for filled cells. Times: lifelines'
    accelerated-failure-time regression, per lot with its treatments, of the intervals of what emerged, from sowing.
    Curves: its product-limit curve.

    Parameters
    ----------
    patterns : Patterns

    Returns
    -------
    LibraryRoad
    """
    rows = []
    for (species, lot), of_lot in patterns.trays.groupby(["species", "lot"], dropna=False):
        medians = _medians(of_lot, patterns)
        for label, trays in of_lot.groupby("treatment"):
            share, share_sd, note = _share(trays, patterns)
            median, median_sd = medians.get(str(label), (np.nan, np.nan))
            came, came_low, came_high = _curve(trays, patterns)
            rows.append(
                {"species": species if isinstance(species, str) else None, "lot": lot, "treatment": label,
                 "trays": len(trays), "share": share, "share_sd": share_sd, "median_days": median,
                 "median_days_sd": median_sd, "curve": came, "curve_low": came_low, "curve_high": came_high,
                 "note": note}
            )  # fmt: skip
    return LibraryRoad(pd.DataFrame(rows))


def _share(trays: pd.DataFrame, patterns: Patterns) -> tuple[float, float, str]:
    """Share per seed with its standard error, and how it was come by."""
    import statsmodels.api as sm

    counted = trays[trays["emerged"].notna() & trays["seeds"].notna()]
    by_count = len(counted) * 2 >= len(trays)
    used = counted if by_count else trays[trays["filled"].notna()]
    hits = (used["emerged"] if by_count else used["filled"]).to_numpy(dtype=float)
    tries = (used["seeds"] if by_count else used["cells"]).to_numpy(dtype=float)
    note = "seeds counted" if by_count else "filled cells"
    if len(used) < len(trays):
        note += f", {len(used)} of {len(trays)} trays"
    if float(hits.sum()) in (0.0, float(tries.sum())) or (hits > tries).any():
        return np.nan, np.nan, f"{note}: all or none, for which these regressions have no answer"
    seeds = np.array([patterns.sowings[int(code)].mean for code in used["sowing"]])
    link = sm.families.links.Logit() if by_count else sm.families.links.CLogLog()
    offset = None if by_count else np.log(seeds)
    model = sm.GLM(np.column_stack([hits, tries - hits]), np.ones((len(used), 1)),
                   family=sm.families.Binomial(link=link), offset=offset)  # fmt: skip
    if len(used) > 1:
        result = model.fit(cov_type="cluster", cov_kwds={"groups": np.arange(len(used))})
    else:
        with np.errstate(divide="ignore", invalid="ignore"):  # its residual scale has no degree of freedom, nor any use
            result = model.fit()
        note += "; one tray, errors of independent seeds"
    at, sd = float(result.params[0]), float(result.bse[0])
    if by_count:
        share = 1 / (1 + np.exp(-at))
        return share, sd * share * (1 - share), note
    hazard = np.exp(at)
    return float(-np.expm1(-hazard)), float(sd * hazard * np.exp(-hazard)), note


def _medians(lot: pd.DataFrame, patterns: Patterns) -> dict[str, tuple[float, float]]:
    """Treatment -> days from sowing to half of what emerged, with its standard error.

    One accelerated-failure-time regression per lot with its treatments as covariates, log-normal or log-logistic by
    AIC; in both the median is exp(linear predictor). Empty where nothing can be timed.
    """
    from lifelines import LogLogisticAFTFitter, LogNormalAFTFitter
    from lifelines.exceptions import ConvergenceError

    parts = [part.loc[part["tray"].isin(lot.index), ["tray", "lo", "hi", "count"]]
             for part in (patterns.times, patterns.occupied)]  # fmt: skip
    seen = pd.concat([part for part in parts if len(part)] or parts[:1])
    seen["treatment"] = lot["treatment"].reindex(seen["tray"]).to_numpy()
    seen = seen.groupby(["treatment", "lo", "hi"])[["count"]].sum().reset_index()
    timed = [label for label, part in seen.groupby("treatment") if len(part) > 2]  # fewer intervals place no median
    seen = seen[seen["treatment"].isin(timed)]
    if not timed:
        return {}
    frame = pd.DataFrame({"lo": seen["lo"].clip(lower=_SMALLEST_DAY), "hi": seen["hi"], "count": seen["count"]})
    for k, label in enumerate(timed[1:], start=1):
        frame[f"t{k}"] = (seen["treatment"] == label).astype(float)
    best = None
    for fitter in (LogNormalAFTFitter(), LogLogisticAFTFitter()):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its notes on whole-number weights and small gradients
            try:
                fitter.fit_interval_censoring(frame, "lo", "hi", weights_col="count", ancillary=False)
            except ConvergenceError:
                continue
        if best is None or best.AIC_ > fitter.AIC_:
            best = fitter
    if best is None:
        return {}
    where = "mu_" if "mu_" in best.params_.index else "alpha_"
    at, covariance = best.params_[where], best.variance_matrix_.loc[where, where]
    medians = {}
    for k, label in enumerate(timed):
        terms = ["Intercept", *([f"t{k}"] if k else [])]
        middle, variance = float(np.exp(at[terms].sum())), float(covariance.loc[terms, terms].to_numpy().sum())
        medians[str(label)] = (middle, middle * float(np.sqrt(max(variance, 0.0))))
    return medians


def _curve(trays: pd.DataFrame, patterns: Patterns) -> tuple[float, float, float]:
    """End of lifelines' empirical emergence curve, with its 95 % band: seeds where counted, else cells filled.

    Each is dated by the check that first saw it; what had not come is censored at its own last check, so that a tray
    whose checks stopped early is not taken for a failure.
    """
    from lifelines import KaplanMeierFitter

    counted = trays["emerged"].notna().all() and trays["seeds"].notna().all()
    came = patterns.times if counted else patterns.occupied
    came = came[came["tray"].isin(trays.index)]
    ends = patterns.finishes[patterns.finishes["tray"].isin(trays.index)]
    if counted:
        sown = np.array([patterns.sowings[int(code)].mean for code in ends["sowing"]])
        left = (sown - ends["seen"].to_numpy()) * ends["count"].to_numpy()
    else:
        left = np.where(ends["seen"] == 0, ends["count"], 0.0)
    days = np.concatenate([came["hi"].to_numpy(float), ends["last"].to_numpy(float)])
    weights = np.concatenate([came["count"].to_numpy(float), left])
    seen = np.r_[np.ones(len(came)), np.zeros(len(ends))]
    if weights.sum() == 0 or not (weights[seen == 1] > 0).any():
        return np.nan, np.nan, np.nan
    keep = weights > 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its note on weights: they are whole seeds or cells here
        curve = KaplanMeierFitter().fit(days[keep], seen[keep], weights=weights[keep])
    low, high = 1 - curve.confidence_interval_.iloc[-1].to_numpy(dtype=float)[::-1]
    return float(1 - curve.survival_function_.iloc[-1, 0]), float(low), float(high)


def compare_roads(rows: tuple[RowEstimate, ...], road: LibraryRoad) -> pd.DataFrame:
    """Where the joint model and the libraries agree within two standard errors, and why they part.

    Both rest on the same records, so the larger of the two standard errors is the yardstick, not their sum.

    Returns
    -------
    pandas.DataFrame
        ``lot``, ``treatment``, ``points`` (joint minus libraries, 0-100), ``points_agree``, ``days``, ``days_agree``
        (None where one road has no answer), ``why``.
    """
    found = {(line["lot"], line["treatment"]): line for line in road.table.to_dict("records")}
    return pd.DataFrame([_compared(row, found[row.lot, row.label]) for row in rows])


def _compared(row: RowEstimate, other: dict[Hashable, Any]) -> dict[str, object]:
    points = 100 * (row.emergence - other["share"])
    agree = None if np.isnan(points) else abs(points) <= 200 * max(row.emergence_sd, other["share_sd"])
    days, days_agree = np.nan, None
    if row.median_days is not None and row.median_log_sd is not None and not np.isnan(other["median_days"]):
        days = row.median_days - other["median_days"]
        days_agree = abs(days) <= 2 * max(row.median_log_sd * row.median_days, other["median_days_sd"])
    return {"lot": row.lot, "treatment": row.label, "points": points, "points_agree": agree, "days": days,
            "days_agree": days_agree, "why": _why(row, other, agree, days_agree)}  # fmt: skip


def _why(row: RowEstimate, other: dict[Hashable, Any], agree: bool | None, days_agree: bool | None) -> str:
    reasons = []
    if agree is None:
        reasons.append(str(other["note"]))
    if agree is False:
        if row.share_seen < FEW_SEEN:
            reasons.append("checks stopped early: the libraries take late seeds for dead ones")
        elif row.rate.k is not None:
            reasons.append("pinches are uneven: the libraries take every pinch for its mean")
        else:
            reasons.append(f"the libraries know no scatter between seeds of a cell or springs ({other['note']})")
    if days_agree is False:
        first = "the first seedling of a cell, not every seed, " if row.emerged is None else ""
        reasons.append(f"the libraries time {first}the seasons sown, from sowing")
    return "; ".join(reasons)
