"""Posteriors of one lot by itself turned into estimates: the saturated, unpooled road."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import ndtri

from germstats.engine.draws import RowDraws, TimeDraws, share_in_average_tray
from germstats.engine.estimates import (
    RowEstimate,
    any_seen,
    horizon_facts,
    horizon_notes,
    raw_counts,
    record_notes,
    trays_of,
)
from germstats.engine.horizon import Horizon
from germstats.engine.likelihood import share_out_by
from germstats.engine.lot_posterior import (
    Law,
    Lot,
    Mode,
    ThetaPosterior,
    find_mode,
    log_det,
    theta_posterior,
)
from germstats.engine.lots import LotRecords
from germstats.engine.timing import Array
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Trays

_DRAWS = (np.arange(60) + 0.5) / 60
_STEP = 1e-4  # of slopes by differences, on log days

WIDER_SPRINGS, WIDER_WEIGHT = 3.0, 0.1
"""How much further springs may lie apart than the setting, and how often that is believed
beforehand; common practice, no source.
"""
ODD_SPRINGS = (
    "its springs differ far more than the setting allows: the range is widened, look at the "
    "springs apart"
)


def estimate_rows(
    lot: LotRecords,
    laws: tuple[Law, ...],
    weights: Array,
    start: Mode,
    patterns: Patterns,
    level: float,
    horizon: Horizon | None = None,
) -> list[RowEstimate]:
    """Estimates of every treatment row of one lot, averaged over the values of rho in `laws`."""
    end = np.inf if horizon is None else horizon.day
    middle = int(np.argmax(weights))
    usual_mode = find_mode(lot.fit, laws[middle], start.x)
    worlds, weights, odd_springs = _worlds(lot, laws, weights, usual_mode)
    modes = [find_mode(fit, law, start.x) for fit, law in worlds]
    rows = []
    for row in range(lot.fit.rows):
        posteriors = [
            theta_posterior(*world, mode, row) for world, mode in zip(worlds, modes, strict=True)
        ]
        trays = trays_of(lot, row, patterns)
        middle_share, low, high, sd = _share(posteriors, weights, lot.fit.scatter.tray, level)
        seen_any = any_seen(trays)
        seen = _share_seen(lot, laws[middle], usual_mode, row) if lot.timed else 1.0
        time = (
            _median_days(
                lot, laws[middle], mode=usual_mode, row=row, trays=trays, level=level, horizon=end
            )
            if lot.timed and seen_any
            else None
        )
        days, days_low, days_high, days_sd = time or (None, None, None, None)
        facts = horizon_facts(horizon, trays)
        odd = (ODD_SPRINGS,) if odd_springs > 0.5 and trays[Trays.season].nunique() > 1 else ()
        rows.append(
            RowEstimate(
                **vars(raw_counts(lot, row, patterns)),
                emergence=middle_share,
                emergence_low=low if seen_any else 0.0,
                emergence_high=high,
                emergence_sd=sd,
                median_days=days,
                median_days_low=days_low,
                median_days_high=days_high,
                median_log_sd=days_sd,
                share_seen=seen,
                notes=record_notes(
                    trays, patterns, lot=lot, share_seen=seen, at_most=None if seen_any else high
                )
                + horizon_notes(horizon, facts.get("horizon_on"))
                + odd,
                draws=_draws(
                    lot,
                    posteriors,
                    rho=np.array([law.rho for _, law in worlds]),
                    weights=weights,
                    time=_time_draws(lot, laws[middle], mode=usual_mode, row=row, horizon=end)
                    if time
                    else None,
                ),
                **facts,
            )
        )
    return rows


def _draws(
    lot: LotRecords,
    posteriors: list[ThetaPosterior],
    rho: Array,
    weights: Array,
    time: TimeDraws | None,
) -> RowDraws:
    """Equally likely values of theta at each world, laid end to end."""
    each, scatter = len(_DRAWS), lot.fit.scatter
    theta = np.concatenate([_quantiles(p, _DRAWS) for p in posteriors])
    if time is not None:
        mu, sigma, tray_sd, season_sd = (
            np.tile(part, len(posteriors))
            for part in (time.mu, time.sigma, time.tray_sd, time.season_sd)
        )
        time = replace(time, mu=mu, sigma=sigma, tray_sd=tray_sd, season_sd=season_sd)
    return RowDraws(
        theta=theta,
        rho=np.repeat(rho, each),
        tray_sd=np.full(len(theta), scatter.tray),
        season_sd=np.full(len(theta), scatter.season),
        weight=np.repeat(weights / each, each),
        time=time,
    )


def _time_draws(lot: LotRecords, law: Law, mode: Mode, row: int, horizon: float) -> TimeDraws:
    """Location and scale of log time around the mode; normal, in an order that has nothing to do
    with theta's.
    """
    at = [lot.fit.rows + row, 2 * lot.fit.rows]
    covariance = np.linalg.pinv(mode.negative_hessian, hermitian=True)[np.ix_(at, at)]
    rng = np.random.default_rng(0)
    nodes = np.column_stack([ndtri(rng.permutation(_DRAWS)) for _ in at])
    values, vectors = np.linalg.eigh(covariance)
    spread = nodes @ (vectors * np.sqrt(values.clip(0.0))).T
    same = np.ones(len(_DRAWS))
    return TimeDraws(
        mu=mode.x[at[0]] + spread[:, 0],
        sigma=np.exp(mode.x[at[1]] + spread[:, 1]),
        tray_sd=lot.fit.scatter.tray_time * same,
        season_sd=lot.fit.scatter.season_time * same,
        family=law.family.name,
        origin=law.origin,
        horizon=horizon,
    )


def _worlds(
    lot: LotRecords, laws: tuple[Law, ...], weights: Array, usual: Mode
) -> tuple[list[tuple[Lot, Law]], Array, float]:
    """The rho values to average over, and beside them springs that differ far more than the setting
    says.

    A lot whose own springs contradict ``season_sd`` (one hurt by a mild winter, say) would
    otherwise be given a narrow range around a spring that never was. The wider world has
    `WIDER_SPRINGS` times the sd and prior weight `WIDER_WEIGHT`; Laplace evidence decides. Returns
    worlds, weights, and the wider world's share of them.
    """
    fit = lot.fit
    if fit.scatter.season == 0 or fit.season.max() == 0:
        return [(fit, law) for law in laws], weights, 0.0
    wider = replace(fit, scatter=replace(fit.scatter, season=WIDER_SPRINGS * fit.scatter.season))
    law = laws[int(np.argmax(weights))]
    modes = usual, find_mode(wider, law, usual.x)
    usual_evidence, wider_evidence = (
        mode.value - 0.5 * log_det(mode.negative_hessian) for mode in modes
    )
    odds = (
        WIDER_WEIGHT
        / (1 - WIDER_WEIGHT)
        * np.exp(np.clip(wider_evidence - usual_evidence, -50, 50))
    )
    share = float(odds / (1 + odds))
    worlds = [(one, law) for one in (fit, wider) for law in laws]
    return worlds, np.concatenate([(1 - share) * weights, share * weights]), share


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
        (
            w * np.interp(theta, p.theta, _cumulative(p), left=0.0, right=1.0)
            for w, p in zip(weights, posteriors, strict=True)
        ),
        start=np.zeros_like(theta),
    )
    tails = np.array([0.5, (1 - level) / 2, (1 + level) / 2])
    middle, low, high = share_in_average_tray(np.interp(tails, cumulative, theta), tray_sd)
    moments = np.zeros(2)
    for w, p in zip(weights, posteriors, strict=True):
        shares = share_in_average_tray(p.theta, tray_sd)
        moments += w * np.array([p.weight @ shares, p.weight @ shares**2])
    return (
        float(middle),
        float(low),
        float(high),
        float(np.sqrt(max(moments[1] - moments[0] ** 2, 0.0))),
    )


def _median_days(
    lot: LotRecords,
    law: Law,
    mode: Mode,
    row: int,
    trays: pd.DataFrame,
    level: float,
    horizon: float,
) -> tuple[float, float, float, float]:
    """Days from sowing to half of the seeds that emerge by the horizon, with a range on the log of
    the days since the clock started (delta method).
    """
    at = [lot.fit.rows + row, 2 * lot.fit.rows]

    def log_days(mu: float, log_sigma: float) -> float:
        mu_, sigma = np.array(mu), np.exp(np.array(log_sigma))
        z = law.family.time_of(0.5, (np.log(horizon) - mu_) / sigma)
        return float(mu_ + sigma * z)

    mu, log_sigma = mode.x[at]
    middle = log_days(mu, log_sigma)
    slope = np.array(
        [
            (log_days(mu + _STEP, log_sigma) - log_days(mu - _STEP, log_sigma)) / (2 * _STEP),
            (log_days(mu, log_sigma + _STEP) - log_days(mu, log_sigma - _STEP)) / (2 * _STEP),
        ]
    )
    covariance = np.linalg.pinv(mode.negative_hessian, hermitian=True)[np.ix_(at, at)]
    sd = float(np.sqrt(max(float(slope @ covariance @ slope), 0.0)))
    reach = float(ndtri((1 + level) / 2)) * sd
    shift = float(trays["origin_days"].mean()) if law.origin == "1 February" else 0.0
    days, low, high = (float(np.exp(middle + k * reach)) + shift for k in (0, -1, 1))
    return days, low, high, sd * (days - shift) / days


def _share_seen(lot: LotRecords, law: Law, mode: Mode, row: int) -> float:
    """Expected share of the emerging seeds out by the last checks, averaged over the row's
    trays.
    """
    data = lot.fit.data
    mu, sigma = lot.fit.design[1] @ mode.x, np.exp(mode.x[2 * lot.fit.rows])
    seen = share_out_by(law.family, law.origin, data=data, mu=mu, sigma=sigma)
    return float(seen[lot.fit.row == row].mean())
