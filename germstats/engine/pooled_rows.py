"""The pooled fit read out: draws and estimates per lot and treatment, for new lots and for unknown
species.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from germstats.engine.arrays import Index
from germstats.engine.design import (
    ALL_SPECIES,
    TIME,
    TREATMENT_SD,
    TREATMENT_TIME_SD,
    TrayKey,
    share_seen,
)
from germstats.engine.draws import (
    RowDraws,
    TimeDraws,
    WorstSpring,
    in_ordinary_spring,
)
from germstats.engine.estimates import (
    RowEstimate,
    any_seen,
    horizon_facts,
    horizon_notes,
    raw_counts,
    record_notes,
    trays_of,
)
from germstats.engine.hierarchy import predictors
from germstats.engine.lots import LotRecords
from germstats.engine.pooled import PooledFit
from germstats.engine.quantiles import weighted_quantiles
from germstats.engine.threads import one_thread
from germstats.engine.timing import Array
from germstats.engine.variance_components import COORDINATES
from germstats.records.checking.parsing import so_many
from germstats.records.intervals.patterns import Patterns

_DRAWS = 512  # of the effects, shared out evenly among the draws of the scales
_MOSTLY_OTHERS = 0.5
_HALF = np.array([0.5])
CONTRADICTED = 4.6
"""Seedlings the timing curve has after the last one seen, from which on a plateau contradicts it:
of so many expected none comes in one case of a hundred (Poisson).
"""


def pooled_rows(fit: PooledFit, patterns: Patterns, level: float) -> list[RowEstimate]:
    """Estimates of every lot and treatment."""
    at = predictors(fit.design.tree, fit.scales.found.state)
    seen = np.empty(len(at))
    seen[fit.design.order] = share_seen(fit.design, at)
    each = [
        (lot, number, row)
        for number, lot in enumerate(fit.design.lots)
        for row in range(len(lot.labels))
    ]
    asks = [
        _Ask(
            lot.group, lot.labels[row], number, lot.timed and any_seen(trays_of(lot, row, patterns))
        )
        for lot, number, row in each
    ]
    with one_thread():
        draws = _draws(fit, asks)
    return [
        _row(fit, *one, patterns, level, seen, drawn)
        for one, drawn in zip(each, draws, strict=True)
    ]


def _row(
    fit: PooledFit,
    lot: LotRecords,
    number: int,
    row: int,
    patterns: Patterns,
    level: float,
    seen: Array,
    draws: RowDraws,
) -> RowEstimate:
    trays = trays_of(lot, row, patterns)
    found_any = any_seen(trays)
    share = draws.share()
    tails = np.array([0.5, (1 - level) / 2, (1 + level) / 2])
    middle, low, high = weighted_quantiles(share, draws.weight, tails)
    mean = float(draws.weight @ share)
    days = _days(draws, float(trays["origin_days"].mean()), tails)
    share_out = float(seen[lot.codes[lot.row == row]].mean()) if lot.timed else 1.0
    horizon = None if fit.horizons is None else fit.horizons.lots[lot.species, lot.lot]
    facts = horizon_facts(horizon, trays)
    quiet = _quiet(draws, lot.codes[lot.row == row], patterns)
    against = quiet is not None and quiet[1] > CONTRADICTED
    return RowEstimate(
        **vars(raw_counts(lot, row, patterns)),
        emergence=float(middle),
        emergence_low=float(low) if found_any else 0.0,
        emergence_high=float(high),
        emergence_sd=float(np.sqrt(max(float(draws.weight @ share**2) - mean**2, 0.0))),
        median_days=days[0],
        median_days_low=days[1],
        median_days_high=days[2],
        median_log_sd=days[3],
        share_seen=share_out,
        notes=record_notes(
            trays,
            patterns,
            lot=lot,
            share_seen=share_out,
            at_most=None if found_any else float(high),
        )
        + horizon_notes(horizon, facts.get("horizon_on"))
        + (_plateau_notes(*quiet) if quiet is not None and against else ())
        + _rests_on(fit, lot, number),
        draws=draws,
        plateau=against,
        **facts,
    )


def _quiet(draws: RowDraws, codes: Index, patterns: Patterns) -> tuple[float, float] | None:
    """Days of looking after the last seedling of these trays, and how many more the timing curve
    has there.

    By the curve's middle: the seedlings seen times the share of them that it puts after the last of
    all. None where no timing is known or nothing was seen.
    """
    time = draws.time
    if time is None:
        return None
    trays = patterns.trays.iloc[codes]
    origin_days = trays["origin_days"].to_numpy(dtype=float)
    place = pd.Series(np.arange(len(codes)), index=codes)
    rose, count = np.zeros(len(codes)), np.zeros(len(codes))
    for seen in (patterns.times, patterns.occupied):
        own = seen[seen["tray"].isin(codes)]
        at = place.reindex(own["tray"]).to_numpy(dtype=np.int64)
        np.maximum.at(rose, at, time.on_clock(own["hi"].to_numpy(dtype=float), origin_days[at]))
        np.add.at(count, at, own["count"].to_numpy(dtype=float))
    if not count.any():
        return None
    last = time.on_clock(trays["last_day"].to_numpy(dtype=float), origin_days)
    since = float(rose.max())
    middle = [
        np.array(float(weighted_quantiles(one, draws.weight, _HALF)[0]))
        for one in (time.mu, time.sigma)
    ]
    missing = np.maximum(time.share_by(last, *middle) - time.share_by(since, *middle), 0.0)
    return float(max(last.max() - since, 0.0)), float(count @ missing)


def _plateau_notes(days: float, more: float) -> tuple[str, ...]:
    quiet = f"nothing came up in the last {so_many(round(days), 'day')} you looked"
    return (
        f"{quiet}, but the timing curve expects about {more:.0f} more: trust the emergence, not "
        "the days",
    )


def _days(
    draws: RowDraws, origin_days: float, tails: Array
) -> tuple[float, float, float, float] | tuple[None, None, None, None]:
    """Days from sowing to half of what emerges, with range and standard error on the log."""
    time = draws.time
    if time is None:
        return None, None, None, None
    log_days = time.log_day_of(0.5, time.mu, time.sigma)
    shift = origin_days if time.origin == "1 February" else 0.0
    middle, low, high = np.exp(weighted_quantiles(log_days, draws.weight, tails)) + shift
    mean = float(draws.weight @ log_days)
    sd = float(np.sqrt(max(float(draws.weight @ log_days**2) - mean**2, 0.0)))
    return float(middle), float(low), float(high), sd * float(middle - shift) / float(middle)


def _rests_on(fit: PooledFit, lot: LotRecords, number: int) -> tuple[str, ...]:
    """Whether the lot's own trays say less of it than the species' others do."""
    known = sum(
        draw.weight * float(draw.law.elimination.lot_inverse[number, 0, 0]) / draw.scales.lot**2
        for draw in fit.draws
    )
    others = sum(other.group == lot.group for other in fit.design.lots) - 1
    return ("rests mostly on the species' other lots",) if others and known > _MOSTLY_OTHERS else ()


def _nodes(fit: PooledFit, name: str, forms: int) -> Array:
    """(J, E, forms) standard normal points, E for each draw of the scales; another name gives
    another pairing.

    All J E points of a form together are evenly spread, so that quantiles are right where the
    scales are well known: the same E for every draw of the scales would stand for the middles of E
    steps only.
    """
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    draws, each = len(fit.draws), _DRAWS // len(fit.draws)
    points = np.empty((draws, each, forms))
    for form in range(forms):
        shift = (rng.permutation(draws) + 0.5) / draws
        even = ndtri((np.arange(each) + shift[:, None]) / each)
        points[:, :, form] = rng.permuted(even, axis=1)
    return np.asarray(points / points.std(axis=(0, 1)))


def _worst_season(fit: PooledFit, group: str) -> int | None:
    """The season on record in which the species' springs took most from the share; one still under
    way is none.
    """
    seasons = [season for season in fit.design.seasons if season != fit.current]
    if len(seasons) < 2 or fit.scatter.season == 0:
        return None
    shifts = [
        float(_spring(fit, group, season) @ fit.scales.found.state.beta) for season in seasons
    ]
    return seasons[int(np.argmin(shifts))]


def _spring(fit: PooledFit, group: str, season: int) -> Array:
    """(P,) form: what a season adds to the logit of the species' share."""
    row, chill = fit.design.columns.row, fit.design.chill.get(group)
    late = _late_of(fit, group, None)
    return np.asarray(
        (
            row(TrayKey(group=group, label=None, season=season, chill=chill, late=late))
            - row(TrayKey(group, None))
        )[0]
    )


def row_draws(
    fit: PooledFit, group: str, label: str | None, lot: int | None, timed: bool
) -> RowDraws:
    """Draws of one lot (or of a new one) under one treatment.

    Parameters
    ----------
    fit : PooledFit
    group : str
        Species (or the lot's own name where species are not recorded).
    label : str or None
        Treatment; one never tried with the species is given the spread of treatments.
    lot : int or None
        Number of the lot in the design; None draws a new lot.
    timed : bool

    Returns
    -------
    RowDraws
        (J x E) draws; draw j of the scales fills E rows, the same of every lot.
    """
    with one_thread():
        return _draws(fit, [_Ask(group, label, lot, timed)])[0]


@dataclass(frozen=True)
class _Ask:
    """One row to be drawn, with the parameters of `row_draws`."""

    group: str
    label: str | None
    lot: int | None
    timed: bool


def _draws(fit: PooledFit, asks: Sequence[_Ask]) -> list[RowDraws]:
    worst = {group: _worst_season(fit, group) for group in dict.fromkeys(ask.group for ask in asks)}
    forms = np.array([_forms(fit, ask, worst[ask.group]) for ask in asks])
    size = forms.shape[1]
    codes = np.array([-1 if ask.lot is None else ask.lot for ask in asks])
    treatment = np.array(
        [[0.0, 0.0] if _tried(fit, ask) else [TREATMENT_SD, TREATMENT_TIME_SD] for ask in asks]
    )
    nodes = np.array([_nodes(fit, f"{ask.group}/{ask.label}/{ask.lot}", size) for ask in asks])
    values = np.empty(nodes.shape)
    for k, draw in enumerate(fit.draws):
        mean, covariance = draw.law.rows(forms, codes)
        lots = np.where(codes[:, None] < 0, [[draw.scales.lot, draw.scales.lot_time]], 0.0)
        spread = np.zeros((len(asks), size))
        spread[:, :2] = np.hypot(treatment, lots)
        roots = _roots(covariance + spread[:, :, None] ** 2 * np.eye(size))
        values[:, k] = mean[:, None] + nodes[:, k] @ roots.transpose(0, 2, 1)
    return [
        _assembled(fit, own, ask, worst[ask.group]) for own, ask in zip(values, asks, strict=True)
    ]


def _forms(fit: PooledFit, ask: _Ask, worst: int | None) -> list[Array]:
    """(P,) forms of one row: eta, mu, log sigma; how late its springs were; what the worst spring
    did.
    """
    forms = [*fit.design.columns.row(TrayKey(ask.group, ask.label)), _springs_time(fit, ask)]
    if worst is not None:
        forms.append(_spring(fit, ask.group, worst))
    return forms


def _springs_time(fit: PooledFit, ask: _Ask) -> Array:
    """(P,) form: how late the springs of a row's trays were on average, on log days."""
    tree = fit.design.tree
    trays = np.isin(tree.lot[tree.group], _lots_of(fit, ask.group, ask.lot))
    return np.asarray(tree.design[tree.group[trays], TIME].mean(axis=0) * fit.design.of_springs)


def _lots_of(fit: PooledFit, group: str, lot: int | None) -> list[int]:
    """Numbers of the lots that tell of a row: its own; of a new lot, all of the species."""
    return [k for k, one in enumerate(fit.design.lots) if one.group == group and lot in (None, k)]


def _late_of(fit: PooledFit, group: str, lot: int | None) -> float:
    """What a spring later by one on log days takes from the logit of a row's share in the fit."""
    lots = [fit.design.lots[k] for k in _lots_of(fit, group, lot)]
    return (
        float(np.mean([fit.design.late.get((one.species, one.lot), 0.0) for one in lots]))
        if lots
        else 0.0
    )


def _horizon_of(fit: PooledFit, ask: _Ask) -> float:
    """Days on the species' clock up to which a row is told."""
    if fit.horizons is None:
        return np.inf
    if ask.lot is None:
        return fit.horizons.groups[ask.group].day
    lot = fit.design.lots[ask.lot]
    return fit.horizons.lots[lot.species, lot.lot].day


def _tried(fit: PooledFit, ask: _Ask) -> bool:
    known = ("treatment", 0, ask.group, ask.label) in fit.design.columns.at
    return known or ask.label in _labels(fit, ask.group)


def _labels(fit: PooledFit, group: str) -> set[str]:
    return {label for lot in fit.design.lots if lot.group == group for label in lot.labels}


def _roots(covariance: Array) -> Array:
    """(R, K, K) lower triangular roots of (R, K, K) covariances, which may be singular: the first
    form, the logit of the share, takes the first of the even points alone.
    """
    values, vectors = np.linalg.eigh(covariance)
    half = np.sqrt(values.clip(0.0))[:, :, None] * vectors.transpose(0, 2, 1)
    upper: Array = np.asarray(np.linalg.qr(half, mode="r"))
    turned = np.where(
        np.diagonal(upper, axis1=1, axis2=2) < 0, -1.0, 1.0
    )  # all roots alike, else points do not interlock
    return (turned[:, :, None] * upper).transpose(0, 2, 1)


def _assembled(fit: PooledFit, values: Array, ask: _Ask | None, season: int | None) -> RowDraws:
    """Values (J, E, K) of eta, mu, log sigma, the springs' lateness (and the worst spring's shift)
    with the scales of their draws.
    """

    def each(per_draw: list[float]) -> Array:
        return np.repeat(np.array(per_draw, dtype=float), values.shape[1])

    scales = [draw.scales for draw in fit.draws]
    has_places = "place" in fit.design.prior.learnt
    drawn = values.reshape(-1, values.shape[2])
    size = len(drawn)
    time = None
    if ask is not None and ask.timed:
        choice = fit.choices[ask.group]
        time = TimeDraws(
            mu=drawn[:, 1],
            sigma=np.exp(drawn[:, 2]),
            tray_sd=each([one.tray_time for one in scales]),
            season_sd=np.full(size, fit.scatter.season_time),
            family=choice.family,
            origin=choice.origin,
            horizon=_horizon_of(fit, ask),
        )
    theta, as_seen, late_then = drawn[:, 0], None, None
    if ask is not None and time is not None:
        late_then = drawn[:, 3]
        as_seen = theta - _late_of(fit, ask.group, ask.lot) * late_then
        theta = in_ordinary_spring(time, as_seen, late_then)
    weight = each([draw.weight / values.shape[1] for draw in fit.draws])
    alike = time is None or fit.scatter.season == 0  # springs are taken to be all the same
    late = 0.0 if alike or time is None else float(weight @ time.lateness(theta))
    return RowDraws(
        theta=theta,
        rho=each([one.rho for one in scales]),
        tray_sd=each(
            [float(np.hypot(one.tray, one.place if has_places else 0.0)) for one in scales]
        ),
        season_sd=np.full(size, np.hypot(fit.scatter.season, late * fit.scatter.season_time)),
        weight=weight,
        time=time,
        worst=WorstSpring(season, drawn[:, 4]) if season is not None else None,
        place_sd=each([one.place for one in scales]) if has_places else None,
        as_seen=as_seen,
        late=late_then,
    )


def unknown_species_draws(fit: PooledFit) -> RowDraws:
    """Draws for a species never sown: a guess from where the book's species lie and how far
    apart.
    """
    columns, only = fit.design.columns, fit.design.lots[0].group
    alone = ALL_SPECIES not in columns.at  # both lie apart from what they have in common
    middle = columns.row(TrayKey(only if alone else "", None))[None, :2]
    nodes = _nodes(fit, "unknown species", 1)
    if alone:
        even = ndtri((np.arange(len(fit.draws)) + 0.5) / len(fit.draws))
        between = [2 * COORDINATES["species"].value(z) ** 2 for z in even]
    else:
        between = [draw.scales.species**2 for draw in fit.draws]
    values = []
    for draw, own, apart in zip(fit.draws, nodes, between, strict=True):
        mean, covariance = draw.law.rows(middle, np.array([-1]))
        variance = covariance[0, 0, 0] + apart + draw.scales.lot**2 + TREATMENT_SD**2
        values.append(mean[0, 0] + own * np.sqrt(variance))
    return _assembled(fit, np.array(values), None, None)
