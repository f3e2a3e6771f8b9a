"""Posteriors of one lot turned into the estimates a grower reads, each beside its raw counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
import pandas as pd
from scipy.special import expit, ndtri

from germstats.models.lot_posterior import Law, Lot, Mode, ThetaPosterior, find_mode, log_det, theta_posterior
from germstats.models.lots import LotRecords
from germstats.models.timing import Array
from germstats.records.patterns import Patterns
from germstats.records.seeds import SowingRate
from germstats.records.sown import treatment_of

_TRAY_NODES, _TRAY_WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_DRAWS = (np.arange(60) + 0.5) / 60
FEW_SEEN = 0.7
"""Below this expected share seen at the last check, few and late seeds cannot be told apart (the design's measurements:
the spread of the share is then three times that of finished trays)."""


WIDER_SPRINGS, WIDER_WEIGHT = 3.0, 0.1
"""How much further springs may lie apart than the setting, and how often that is believed beforehand; common practice,
no source."""
ODD_SPRINGS = "its springs differ far more than the setting allows: the range is widened, look at the springs apart"


@dataclass(frozen=True)
class SharePosterior:
    """Posterior draws of a row, for forecasts.

    Attributes
    ----------
    theta : (J, Q) array
        Equally likely values of theta at each of J values of rho.
    rho : (J,) array
    weight : (J,) array
        Sums to 1.
    """

    theta: Array
    rho: Array
    weight: Array


@dataclass(frozen=True)
class RowEstimate:
    """One species, lot and treatment.

    Attributes
    ----------
    species, lot : str or None, str
    treatment : dict
        cover, cover_depth_mm, pretreatment, as far as recorded.
    label : str
    trays, cells : int
    seeds, emerged, filled : int or None
        Raw counts; None where not known (a range, a pinch, occupancy only).
    emergence, emergence_low, emergence_high, emergence_sd : float
        Share of seeds expected in an average tray of an ordinary season, its range and standard error.
    median_days, median_days_low, median_days_high, median_log_sd : float or None
        Days from sowing until half of the seeds that emerge have; standard error on the log.
    share_seen : float
        Expected share of the emerging seeds that had emerged at the last checks.
    notes : tuple of str
    rate : SowingRate
        How the latest tray was sown.
    tray_cells : int
        Cells of the latest tray.
    posterior : SharePosterior
    """

    species: str | None
    lot: str
    treatment: Mapping[str, str | float]
    label: str
    trays: int
    cells: int
    seeds: int | None
    emerged: int | None
    filled: int | None
    emergence: float
    emergence_low: float
    emergence_high: float
    emergence_sd: float
    median_days: float | None
    median_days_low: float | None
    median_days_high: float | None
    median_log_sd: float | None
    share_seen: float
    notes: tuple[str, ...]
    rate: SowingRate
    tray_cells: int
    posterior: SharePosterior

    RECORD: ClassVar[tuple[str, ...]] = (
        "species", "lot", "treatment", "trays", "cells", "seeds", "emerged", "emergence", "emergence_low",
        "emergence_high", "median_days", "median_days_low", "median_days_high", "notes",
    )  # fmt: skip

    def as_record(self) -> dict[str, object]:
        """The columns of `EmergenceFit.to_frame`."""
        return {name: getattr(self, name) for name in self.RECORD}


def share_in_average_tray(theta: Array, tray_sd: float) -> Array:
    """E[expit(theta + u)] over trays, u ~ N(0, tray_sd); 21-point Gauss-Hermite."""
    shares = expit(theta[..., None] + tray_sd * _TRAY_NODES)
    return np.asarray(shares @ _TRAY_WEIGHTS / _TRAY_WEIGHTS.sum())


def estimate_rows(
    lot: LotRecords, laws: tuple[Law, ...], weights: Array, start: Mode, patterns: Patterns, level: float
) -> list[RowEstimate]:
    """Estimates of every treatment row of one lot, averaged over the values of rho in `laws`."""
    middle = int(np.argmax(weights))
    usual_mode = find_mode(lot.fit, laws[middle], start.x)
    worlds, weights, odd_springs = _worlds(lot, laws, weights, usual_mode)
    modes = [find_mode(fit, law, start.x) for fit, law in worlds]
    rows = []
    for row in range(lot.fit.rows):
        posteriors = [theta_posterior(*world, mode, row) for world, mode in zip(worlds, modes, strict=True)]
        trays = patterns.trays.iloc[lot.codes[lot.fit.row == row]]
        middle_share, low, high, sd = _share(posteriors, weights, lot.fit.scatter.tray, level)
        seen_any = bool((trays[["emerged", "filled"]].fillna(0) > 0).any(axis=None))
        low = low if seen_any else 0.0
        seen = _share_seen(lot, laws[middle], usual_mode, row) if lot.timed else 1.0
        latest = trays.sort_values(["season", "sown_on"], kind="stable").iloc[-1].to_dict()
        time = _median_days(lot, laws[middle], usual_mode, row, trays, level) if lot.timed and seen_any else None
        days, days_low, days_high, days_sd = time or (None, None, None, None)
        rows.append(
            RowEstimate(
                species=lot.species,
                lot=lot.lot,
                treatment=treatment_of(latest),
                label=lot.labels[row],
                trays=len(trays),
                cells=int(trays["cells"].sum()),
                seeds=_whole(trays["seeds"]),
                emerged=_whole(trays["emerged"]),
                filled=_whole(trays["filled"]),
                emergence=middle_share,
                emergence_low=low,
                emergence_high=high,
                emergence_sd=sd,
                median_days=days,
                median_days_low=days_low,
                median_days_high=days_high,
                median_log_sd=days_sd,
                share_seen=seen,
                notes=_notes(trays, patterns, lot, seen, None if seen_any else high)
                + ((ODD_SPRINGS,) if odd_springs > 0.5 and trays["season"].nunique() > 1 else ()),
                rate=patterns.sowings[int(latest["sowing"])],
                tray_cells=int(latest["tray_cells"]),
                posterior=SharePosterior(
                    np.array([_quantiles(p, _DRAWS) for p in posteriors]),
                    np.array([law.rho for _, law in worlds]),
                    weights,
                ),
            )
        )
    return rows


def _worlds(
    lot: LotRecords, laws: tuple[Law, ...], weights: Array, usual: Mode
) -> tuple[list[tuple[Lot, Law]], Array, float]:
    """The rho values to average over, and beside them springs that differ far more than the setting says.

    A lot whose own springs contradict ``season_sd`` (one hurt by a mild winter, say) would otherwise be given a narrow
    range around a spring that never was. The wider world has `WIDER_SPRINGS` times the sd and prior weight
    `WIDER_WEIGHT`; Laplace evidence decides. Returns worlds, weights, and the wider world's share of them.
    """
    fit = lot.fit
    if fit.scatter.season == 0 or fit.season.max() == 0:
        return [(fit, law) for law in laws], weights, 0.0
    wider = replace(fit, scatter=replace(fit.scatter, season=WIDER_SPRINGS * fit.scatter.season))
    law = laws[int(np.argmax(weights))]
    modes = usual, find_mode(wider, law, usual.x)
    usual_evidence, wider_evidence = (mode.value - 0.5 * log_det(mode.negative_hessian) for mode in modes)
    odds = WIDER_WEIGHT / (1 - WIDER_WEIGHT) * np.exp(np.clip(wider_evidence - usual_evidence, -50, 50))
    share = float(odds / (1 + odds))
    worlds = [(one, law) for one in (fit, wider) for law in laws]
    return worlds, np.concatenate([(1 - share) * weights, share * weights]), share


def _whole(column: pd.Series) -> int | None:
    return None if column.isna().any() else int(column.sum())


def _cumulative(posterior: ThetaPosterior) -> Array:
    return np.asarray(np.cumsum(posterior.weight) - posterior.weight / 2)


def _quantiles(posterior: ThetaPosterior, at: Array) -> Array:
    return np.interp(at, _cumulative(posterior), posterior.theta)


def _share(
    posteriors: list[ThetaPosterior], weights: Array, tray_sd: float, level: float
) -> tuple[float, float, float, float]:
    """Middle, low, high and standard deviation of the share in an average tray."""
    theta = np.unique(np.concatenate([p.theta for p in posteriors]))
    cumulative = sum(
        (w * np.interp(theta, p.theta, _cumulative(p), left=0.0, right=1.0)
         for w, p in zip(weights, posteriors, strict=True)), start=np.zeros_like(theta)
    )  # fmt: skip
    tails = np.array([0.5, (1 - level) / 2, (1 + level) / 2])
    middle, low, high = share_in_average_tray(np.interp(tails, cumulative, theta), tray_sd)
    moments = np.zeros(2)
    for w, p in zip(weights, posteriors, strict=True):
        shares = share_in_average_tray(p.theta, tray_sd)
        moments += w * np.array([p.weight @ shares, p.weight @ shares**2])
    return float(middle), float(low), float(high), float(np.sqrt(max(moments[1] - moments[0] ** 2, 0.0)))


def _median_days(
    lot: LotRecords, law: Law, mode: Mode, row: int, trays: pd.DataFrame, level: float
) -> tuple[float, float, float, float]:
    """Days from sowing to half of the emerging seeds, with a range on the log of the days since the clock started."""
    sigma_at = 2 * lot.fit.rows
    covariance = np.linalg.pinv(mode.negative_hessian, hermitian=True)
    half, sigma = law.family.quantile(0.5), float(np.exp(mode.x[sigma_at]))
    slope = np.zeros(len(mode.x))
    slope[lot.fit.rows + row], slope[sigma_at] = 1.0, half * sigma
    sd = float(np.sqrt(max(float(slope @ covariance @ slope), 0.0)))
    middle = mode.x[lot.fit.rows + row] + half * sigma
    reach = float(ndtri((1 + level) / 2)) * sd
    shift = float(trays["origin_days"].mean()) if law.origin == "1 February" else 0.0
    days, low, high = (float(np.exp(middle + k * reach)) + shift for k in (0, -1, 1))
    return days, low, high, sd * (days - shift) / days


def _share_seen(lot: LotRecords, law: Law, mode: Mode, row: int) -> float:
    """Expected share of the emerging seeds out by the last checks, averaged over the row's trays."""
    data = lot.fit.data
    last = np.zeros(data.trays)
    for tray, day in ((data.cells.tray, data.cells.hi), (data.pinches.tray, data.pinches.hi)):
        np.maximum.at(last, tray, day)
    elapsed = last - (data.origin_days if law.origin == "1 February" else 0.0)
    mu = lot.fit.design[1] @ mode.x
    z = (np.log(np.maximum(elapsed, 1e-3)) - mu) / np.exp(mode.x[2 * lot.fit.rows])
    return float(law.family.cdf(z)[lot.fit.row == row].mean())


def _notes(
    trays: pd.DataFrame, patterns: Patterns, lot: LotRecords, share_seen: float, at_most: float | None
) -> tuple[str, ...]:
    notes = []
    rates = {patterns.sowings[code] for code in trays["sowing"]}
    if at_most is not None:
        notes.append(f"none emerged: at most {100 * at_most:.2g} % of seeds")
    if share_seen < FEW_SEEN:
        notes.append(f"checks stopped too early to tell few from late (about {100 * share_seen:.0f} % had come)")
    if not lot.timed:
        notes.append("looked at once only: count taken as final, no timing")
    if any(rate.kind == "range" for rate in rates):
        notes.append("some trays sown with a range of seeds per cell: averaged over the range")
    if pinches := [rate for rate in rates if rate.k is not None]:
        means = sorted({f"{rate.mean:.2g}" for rate in pinches}, key=float)
        source = "from pinches counted" if all(rate.k_measured for rate in pinches) else "assumed, no pinches counted"
        size = means[0] if len(means) == 1 else f"{means[0]} to {means[-1]}"
        notes.append(f"sown by the pinch: mean {size} seeds, evenness k {pinches[0].k:.2g} ({source})")
    if any(rate.kind == "pinch_unmeasured" for rate in rates):
        notes.append("pinch of unknown size: the share is of pinches that fill a cell, not of seeds")
    if len(trays) == 1:
        notes.append("one tray only")
    for tray in trays["tray"]:
        notes.extend(f"{tray}: {note}" for note in patterns.notes.get(tray, ()))
    return tuple(notes)
