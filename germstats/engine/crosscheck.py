"""The same estimates by libraries alone: statsmodels for shares, lifelines for times.

A user who trusts only the libraries can read these by themselves. What they cannot do is said in
their notes: they take the last counts as final, know no season scatter, and time only what emerged.
"""

from __future__ import annotations

import warnings
from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from germstats.engine.crosscheck_timing import regress_times
from germstats.engine.curves import dated
from germstats.engine.estimates import FEW_SEEN, RowEstimate
from germstats.engine.timing import Array
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Trays

_FEWEST_INTERVALS = 3  # fewer distinct ones place no median
_Z = 1.959964


@dataclass(frozen=True)
class LibraryEstimates:
    """Estimates of the libraries, one row per lot and treatment.

    Attributes
    ----------
    table : pandas.DataFrame
        ``species``, ``lot``, ``treatment`` (label), ``trays``; ``share`` and ``share_sd`` per seed
        (0-1, NaN where the libraries give none), ``share_low``, ``share_high`` (95 %, by the link;
        exact where none or all came); ``median_days`` and ``median_days_sd`` from sowing;
        ``curve``, ``curve_low``, ``curve_high`` (end of the empirical curve), ``curve_of`` (what it
        counts: ``seeds``, ``cells`` or blank, and of how many trays); ``note``.
    """

    table: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """The table."""
        return self.table.copy()


def library_estimates(patterns: Patterns) -> LibraryEstimates:
    """Estimate every lot and treatment by statsmodels and lifelines.

    Shares: binomial regression of the last counts, errors clustered by tray with statsmodels'
    correction T / (T - 1) for T trays, and never below those of independent seeds or cells, which
    few trays that happen to agree would give; logit link for counted seeds, complementary log-log
    link with offset log(mean seeds per cell) for filled cells, whichever is known of more trays.
    Times: lifelines' accelerated-failure-time regression, per lot with its treatments, of the
    intervals of what emerged. Curves: its product-limit curve. The errors of the last two take
    seeds as independent.

    Parameters
    ----------
    patterns : Patterns

    Returns
    -------
    LibraryEstimates
    """
    rows = []
    for (species, lot), of_lot in patterns.trays.groupby(["species", Trays.lot], dropna=False):
        medians = _medians(of_lot, patterns)
        for label, trays in of_lot.groupby("treatment"):
            share = _share(trays, patterns)
            median, median_sd = medians.get(str(label), (np.nan, np.nan))
            if np.isnan(median):
                share["note"] += "; came in too few different intervals to time"
            rows.append(
                {
                    "species": species if isinstance(species, str) else None,
                    "lot": lot,
                    "treatment": label,
                    "trays": len(trays),
                    **share,
                    "median_days": median,
                    "median_days_sd": median_sd,
                    **_curve(trays, patterns),
                }
            )
    table = pd.DataFrame(rows)
    return LibraryEstimates(table[[*table.columns.drop("note"), "note"]])


def _share(trays: pd.DataFrame, patterns: Patterns) -> dict[str, Any]:
    """Share per seed with its standard error and range, and how it was come by."""
    counted, filled = (
        trays[trays["emerged"].notna() & trays["seeds"].notna()],
        trays[trays["filled"].notna()],
    )
    by_count = len(counted) >= len(filled)
    used = counted if by_count else filled
    hits = (used["emerged"] if by_count else used["filled"]).to_numpy(dtype=float)
    tries = (used["seeds"] if by_count else used["cells"]).to_numpy(dtype=float)
    rates = [patterns.sowings[int(code)] for code in used["sowing"]]
    note = "seeds counted" if by_count else "filled cells"
    if len(used) < len(trays):
        note += f", {len(used)} of {len(trays)} trays"
    if not by_count and any(rate.kind in ("range", "pinch") for rate in rates):
        note += ", each sown with its mean"
    none = {"share": np.nan, "share_sd": np.nan, "share_low": np.nan, "share_high": np.nan}
    if len(used) == 0 or (hits > tries).any():
        return {**none, "note": "the last counts of seeds and cells are not known"}
    seeds = np.ones(len(used)) if by_count else np.array([rate.mean for rate in rates])
    if hits.sum() in (0.0, tries.sum()):
        low, high = _exact(hits, tries, float(seeds.mean()))
        word = "none" if hits.sum() == 0 else "all"
        said = f"{note}: {word} came, for which these regressions have no answer"
        return {
            **none,
            "share_low": low,
            "share_high": high,
            "note": f"{said} (exact range {100 * low:.2g}-{100 * high:.3g} %)",
        }
    if len(used) == 1:
        note += "; one tray, errors of independent seeds"
    return {**_regressed(hits, tries, None if by_count else seeds), "note": note}


def _exact(hits: Array, tries: Array, seeds: float) -> tuple[float, float]:
    """Clopper-Pearson 95 % range of the share per seed, all seeds or cells taken as independent."""
    from statsmodels.stats.proportion import proportion_confint

    low, high = proportion_confint(int(hits.sum()), int(tries.sum()), method="beta")
    return float(1 - (1 - low) ** (1 / seeds)), float(1 - (1 - high) ** (1 / seeds))


def _regressed(hits: Array, tries: Array, seeds: Array | None) -> dict[str, float]:
    """Share per seed by regression with a logit link.

    Where `seeds` is given the link is complementary log-log, with an offset.
    """
    import statsmodels.api as sm
    from statsmodels.tools.sm_exceptions import PerfectSeparationWarning

    link = sm.families.links.Logit() if seeds is None else sm.families.links.CLogLog()
    model = sm.GLM(
        np.column_stack([hits, tries - hits]),
        np.ones((len(hits), 1)),
        family=sm.families.Binomial(link=link),
        offset=None if seeds is None else np.log(seeds),
    )
    with np.errstate(over="ignore", divide="ignore", invalid="ignore"), warnings.catch_warnings():
        # the residual scale of one tray has no degree of freedom, nor any use; all or none never
        # get here, so that "perfect separation" is trays that agree exactly
        warnings.simplefilter("ignore", PerfectSeparationWarning)
        result = model.fit()
        at, sd = float(result.params[0]), float(result.bse[0])
        if len(hits) > 1:
            by_tray = model.fit(cov_type="cluster", cov_kwds={"groups": np.arange(len(hits))})
            sd = max(sd, float(by_tray.bse[0]))
    share, low, high = (float(link.inverse(np.array(at + k * sd))) for k in (0, -_Z, _Z))
    return {
        "share": share,
        "share_sd": sd * float(link.inverse_deriv(np.array(at))),
        "share_low": low,
        "share_high": high,
    }


def _medians(lot: pd.DataFrame, patterns: Patterns) -> dict[str, tuple[float, float]]:
    """Treatment -> days from sowing to half of what emerged, and its standard error.

    Empty where nothing is timed.
    """
    parts = [
        part.loc[part["tray"].isin(lot.index), ["tray", "lo", "hi", "count"]]
        for part in (patterns.times, patterns.occupied)
    ]
    seen = pd.concat([part for part in parts if len(part)] or parts[:1])
    seen = seen.assign(group=lot["treatment"].reindex(seen["tray"]).to_numpy())
    distinct = seen.drop_duplicates(["group", "lo", "hi"]).groupby("group").size()
    fit = regress_times(seen[seen["group"].isin(distinct.index[distinct >= _FEWEST_INTERVALS])])
    return fit.medians() if fit else {}


def _curve(trays: pd.DataFrame, patterns: Patterns) -> dict[str, Any]:
    """End of lifelines' empirical emergence curve, with its 95 % band.

    It is of seeds where they were counted, else of cells filled. Each is dated by the check that
    first saw it; what had not come is censored at its own last check, so that a tray whose checks
    stopped early is not taken for a failure. Trays that say only the other are left out.
    """
    from lifelines import KaplanMeierFitter

    unit, codes, intervals = dated(patterns, trays)
    came = np.isfinite(intervals["hi"]).to_numpy()
    if not came.any():
        return {"curve": np.nan, "curve_low": np.nan, "curve_high": np.nan, "curve_of": ""}
    days = intervals["hi"].where(came, intervals["lo"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its note on weights: they are whole seeds or cells here
        curve = KaplanMeierFitter().fit(days, came, weights=intervals["count"])
    end = float(1 - curve.survival_function_.iloc[-1, 0])
    low, high = 1 - curve.confidence_interval_.iloc[-1].to_numpy(dtype=float)[::-1]
    if end == 1:
        low = high = np.nan  # the band's formula has no width there, which is no certainty
    trays_word = "tray" if len(codes) == 1 else "trays"
    return {
        "curve": end,
        "curve_low": float(low),
        "curve_high": float(high),
        "curve_of": f"{unit}, {len(codes)} {trays_word}",
    }


def compare_with_libraries(
    rows: tuple[RowEstimate, ...], libraries: LibraryEstimates
) -> pd.DataFrame:
    """Where the joint model and the libraries agree within two standard errors, and why they part.

    Both rest on the same records, so the larger of the two standard errors is the yardstick, not
    their sum.

    Parameters
    ----------
    rows : tuple of RowEstimate
    libraries : LibraryEstimates

    Returns
    -------
    pandas.DataFrame
        ``lot``, ``treatment``; ``points`` (joint minus libraries, 0-100), ``points_limit`` (two
        standard errors), ``points_agree`` (None where one method has no answer); ``days``,
        ``days_limit``, ``days_agree`` likewise; ``why`` they part, or one has no answer.
    """
    found = {(line["lot"], line["treatment"]): line for line in libraries.table.to_dict("records")}
    return pd.DataFrame([_compared(row, found[row.lot, row.label]) for row in rows])


def _compared(row: RowEstimate, other: dict[Hashable, Any]) -> dict[str, object]:
    points, days = 100 * (row.emergence - other["share"]), np.nan
    points_limit, days_limit = 200 * max(row.emergence_sd, other["share_sd"]), np.nan
    if (
        row.median_days is not None
        and row.median_log_sd is not None
        and not np.isnan(other["median_days"])
    ):
        days = row.median_days - other["median_days"]
        days_limit = 2 * max(row.median_log_sd * row.median_days, other["median_days_sd"])
    agree = None if np.isnan(points) else bool(abs(points) <= points_limit)
    days_agree = None if np.isnan(days) else bool(abs(days) <= days_limit)
    return {
        "lot": row.lot,
        "treatment": row.label,
        "points": points,
        "points_limit": points_limit,
        "points_agree": agree,
        "days": days,
        "days_limit": days_limit,
        "days_agree": days_agree,
        "why": _why(row, other, agree, days_agree),
    }


def _why(
    row: RowEstimate, other: dict[Hashable, Any], agree: bool | None, days_agree: bool | None
) -> str:
    reasons = []
    if agree is None:
        reasons.append(str(other["note"]))
    if agree is False:
        if row.share_seen < FEW_SEEN:
            reasons.append("checks stopped early, and late seeds are taken for dead ones there")
        elif row.rate.k is not None:
            reasons.append("pinches are uneven, and every pinch is taken for its mean there")
        else:
            reasons.append(
                "no scatter between seeds of a cell or between springs is known there "
                f"({other['note']})"
            )
    if days_agree is False:
        first = "the first seedling of a cell, not every seed, " if row.emerged is None else ""
        reasons.append(f"what is timed there: {first}the seasons sown, from sowing")
    return "; ".join(reasons)
