"""Draws and estimates of a fit: per lot and treatment, of new lots and of unknown species."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import ndtri

from germstats.engine.arrays import Index
from germstats.engine.design import (
    ALL_SPECIES,
    SHARE,
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
from germstats.engine.horizon import Horizon
from germstats.engine.lots import LotRecords
from germstats.engine.pooled import PooledFit
from germstats.engine.quantiles import weighted_quantiles
from germstats.engine.threads import one_thread
from germstats.engine.timing import Array
from germstats.engine.variance_components import COORDINATES
from germstats.records.checking.parsing import so_many
from germstats.records.intervals.patterns import Patterns

_DRAWS = 512
"""Of the effects, shared out evenly among the draws of the variance components."""
_MOSTLY_OTHERS = 0.5
_HALF = np.array([0.5])
CONTRADICTED = 4.6
"""Seedlings the timing curve has after the last one seen, from which on a plateau contradicts it:
of so many expected none comes in one case of a hundred (Poisson).
"""


def pooled_rows(fit: PooledFit, patterns: Patterns, level: float) -> list[RowEstimate]:
    """Estimates of every lot and treatment.

    Parameters
    ----------
    fit : PooledFit
    patterns : Patterns
        The records it rests on.
    level : float
        Coverage of the ranges.

    Returns
    -------
    list of RowEstimate
        Sorted by lot, then treatment.
    """
    at = predictors(fit.design.hierarchy, fit.component_fit.found.state)
    seen = np.empty(len(at))  # (T,) by tray code
    seen[fit.design.order] = share_seen(fit.design, at)
    rows = [
        _Row(fit, patterns, lot, number, row)
        for number, lot in enumerate(fit.design.lots)
        for row in range(len(lot.labels))
    ]
    with one_thread():
        draws = _draws(fit, [row.request for row in rows])
    return [_estimate(row, drawn, level, seen) for row, drawn in zip(rows, draws, strict=True)]


@dataclass(frozen=True)
class RowRequest:
    """One row to be drawn.

    Attributes
    ----------
    group : str
        Species (or the lot's own name where species are not recorded).
    label : str or None
        Treatment; one never tried with the species is given the spread of treatments.
    lot : int or None
        Number of the lot in the design; None draws a new lot.
    timed : bool
    """

    group: str
    label: str | None
    lot: int | None
    timed: bool


@dataclass(frozen=True)
class _Row:
    """One treatment of one lot of a fit."""

    fit: PooledFit
    patterns: Patterns
    lot: LotRecords
    number: int
    row: int

    @cached_property
    def trays(self) -> pd.DataFrame:
        """Its rows of `Patterns.trays`."""
        return trays_of(self.lot, self.row, self.patterns)

    @cached_property
    def codes(self) -> Index:
        """Its tray codes."""
        codes: Index = self.lot.codes[self.lot.row == self.row]
        return codes

    @property
    def request(self) -> RowRequest:
        """What is to be drawn of it."""
        return RowRequest(
            group=self.lot.group,
            label=self.lot.labels[self.row],
            lot=self.number,
            timed=self.lot.timed and any_seen(self.trays),
        )

    @property
    def horizon(self) -> Horizon | None:
        """Up to when it is counted."""
        horizons = self.fit.horizons
        return None if horizons is None else horizons.lots[self.lot.species, self.lot.lot]


@dataclass(frozen=True)
class _Days:
    """Days from sowing to half of what emerges, with range and standard error on the log."""

    median: float | None = None
    low: float | None = None
    high: float | None = None
    log_sd: float | None = None


@dataclass(frozen=True)
class _QuietEnd:
    """Days of looking after the last seedling, and how many more the timing curve has there."""

    days: float
    expected: float

    @property
    def contradicts(self) -> bool:
        """Whether the curve should have brought a seedling."""
        return self.expected > CONTRADICTED

    @property
    def note(self) -> str:
        """What must be known of it."""
        return (
            f"nothing came up in the last {so_many(round(self.days), 'day')} you looked, but the "
            f"timing curve expects about {self.expected:.0f} more: trust the emergence, not the "
            "days"
        )


def _estimate(row: _Row, draws: RowDraws, level: float, seen: Array) -> RowEstimate:
    """What the draws say of a row; `seen` (T,) is the share out by each tray's last check."""
    found_any = any_seen(row.trays)
    share = draws.share()  # (N,)
    mean = float(draws.weight @ share)
    variance = float(draws.weight @ share**2) - mean**2
    tails = np.array([0.5, (1 - level) / 2, (1 + level) / 2])
    middle, low, high = (float(end) for end in weighted_quantiles(share, draws.weight, tails))
    days = _days(draws, float(row.trays["origin_days"].mean()), tails)
    share_out = float(seen[row.codes].mean()) if row.lot.timed else 1.0
    quiet = _quiet_end(draws, row.codes, row.patterns)
    plateau = quiet is not None and quiet.contradicts
    facts = horizon_facts(row.horizon, row.trays)
    notes = [
        *record_notes(
            row.trays,
            row.patterns,
            lot=row.lot,
            share_seen=share_out,
            at_most=None if found_any else high,
        ),
        *horizon_notes(row.horizon, facts.get("horizon_on")),
    ]
    if quiet is not None and plateau:
        notes.append(quiet.note)
    if _rests_on_others(row):
        notes.append("rests mostly on the species' other lots")
    return RowEstimate(
        **vars(raw_counts(row.lot, row.row, row.patterns)),
        emergence=middle,
        emergence_low=low if found_any else 0.0,
        emergence_high=high,
        emergence_sd=float(np.sqrt(max(variance, 0.0))),
        median_days=days.median,
        median_days_low=days.low,
        median_days_high=days.high,
        median_log_sd=days.log_sd,
        share_seen=share_out,
        notes=tuple(notes),
        draws=draws,
        plateau=plateau,
        **facts,
    )


def _quiet_end(draws: RowDraws, codes: Index, patterns: Patterns) -> _QuietEnd | None:
    """What the timing curve has after the last seedling of some trays, up to their last look.

    By the curve's middle: the seedlings seen times the share of them that it puts after the last of
    all. None where no timing is known or nothing was seen.
    """
    time = draws.time
    if time is None:
        return None
    trays = patterns.trays.iloc[codes]
    origin_days = trays["origin_days"].to_numpy(dtype=float)
    place = pd.Series(np.arange(len(codes)), index=codes)
    rose, count = np.zeros(len(codes)), np.zeros(len(codes))  # last rise on the clock; seedlings
    for seen in (patterns.times, patterns.occupied):
        own = seen[seen["tray"].isin(codes)]
        at = place.reindex(own["tray"]).to_numpy(dtype=np.int64)
        np.maximum.at(rose, at, time.on_clock(own["hi"].to_numpy(dtype=float), origin_days[at]))
        np.add.at(count, at, own["count"].to_numpy(dtype=float))
    if not count.any():
        return None
    last_look = time.on_clock(trays["last_day"].to_numpy(dtype=float), origin_days)
    last_rise = float(rose.max())
    mu, sigma = (
        np.array(float(weighted_quantiles(one, draws.weight, _HALF)[0]))
        for one in (time.mu, time.sigma)
    )
    after = time.share_by(last_look, mu, sigma) - time.share_by(last_rise, mu, sigma)
    return _QuietEnd(
        days=float(max(last_look.max() - last_rise, 0.0)),
        expected=float(count @ np.maximum(after, 0.0)),
    )


def _days(draws: RowDraws, origin_days: float, tails: Array) -> _Days:
    """Days from sowing to half of what emerges; `tails` are the middle, low and high share."""
    time = draws.time
    if time is None:
        return _Days()
    log_days = time.log_day_of(0.5, time.mu, time.sigma)  # (N,)
    shift = origin_days if time.origin == "1 February" else 0.0
    middle, low, high = np.exp(weighted_quantiles(log_days, draws.weight, tails)) + shift
    mean = float(draws.weight @ log_days)
    sd = float(np.sqrt(max(float(draws.weight @ log_days**2) - mean**2, 0.0)))
    return _Days(
        median=float(middle),
        low=float(low),
        high=float(high),
        log_sd=sd * float(middle - shift) / float(middle),
    )


def _rests_on_others(row: _Row) -> bool:
    """Whether the lot's own trays say less of it than the species' other lots do."""
    others = sum(other.group == row.lot.group for other in row.fit.design.lots) - 1
    unknown = sum(
        draw.weight
        * float(draw.law.elimination.lot_inverse[row.number, 0, 0])
        / draw.components.lot**2
        for draw in row.fit.draws
    )
    return bool(others and unknown > _MOSTLY_OTHERS)


def row_draws(
    fit: PooledFit, group: str, label: str | None, lot: int | None, timed: bool
) -> RowDraws:
    """Draws of one lot (or of a new one) under one treatment.

    Parameters
    ----------
    fit : PooledFit
    group, label, lot, timed
        As in `RowRequest`.

    Returns
    -------
    RowDraws
        (J x E) draws; draw j of the components fills E rows, the same of every lot.
    """
    with one_thread():
        return _draws(fit, [RowRequest(group, label, lot, timed)])[0]


def unknown_species_draws(fit: PooledFit) -> RowDraws:
    """Draws for a species never sown: a guess from where the book's species lie.

    Parameters
    ----------
    fit : PooledFit

    Returns
    -------
    RowDraws
        As far from the others as these lie apart.
    """
    columns, only = fit.design.columns, fit.design.lots[0].group
    alone = ALL_SPECIES not in columns.at  # both lie apart from what they have in common
    middle = columns.row(TrayKey(only if alone else "", None))[None, :2]
    points = _even_points(fit, "unknown species", 1)
    if alone:
        even = ndtri((np.arange(len(fit.draws)) + 0.5) / len(fit.draws))
        between = [2 * COORDINATES["species"].value(z) ** 2 for z in even]
    else:
        between = [draw.components.species**2 for draw in fit.draws]
    values = np.empty(points.shape)  # (J, E, 1)
    for k, draw in enumerate(fit.draws):
        mean, covariance = draw.law.rows(middle, np.array([-1]))
        variance = covariance[0, 0, 0] + between[k] + draw.components.lot**2 + TREATMENT_SD**2
        values[k] = mean[0, 0] + points[k] * np.sqrt(variance)
    theta = values.reshape(-1)
    return _assembled(fit, theta, time=None)


def _draws(fit: PooledFit, requests: Sequence[RowRequest]) -> list[RowDraws]:
    """Draws of R rows from the laws of their effects."""
    groups = dict.fromkeys(request.group for request in requests)
    worst = {group: _worst_season(fit, group) for group in groups}
    forms = np.array([_forms(fit, one, worst[one.group]) for one in requests])  # (R, K, P)
    lots = np.array([-1 if one.lot is None else one.lot for one in requests])  # (R,)
    untried = _sd_of_untried_treatments(fit, requests)  # (R, 2)
    names = [f"{one.group}/{one.label}/{one.lot}" for one in requests]
    size = forms.shape[1]
    points = np.array([_even_points(fit, name, size) for name in names])  # (R, J, E, K)

    values = np.empty(points.shape)
    for k, draw in enumerate(fit.draws):
        mean, covariance = draw.law.rows(forms, lots)  # (R, K), (R, K, K)
        new_lot = [[draw.components.lot, draw.components.lot_time]]
        extra_sd = np.zeros((len(requests), size))
        extra_sd[:, :2] = np.hypot(untried, np.where(lots[:, None] < 0, new_lot, 0.0))
        roots = _roots(covariance + extra_sd[:, :, None] ** 2 * np.eye(size))
        values[:, k] = mean[:, None] + points[:, k] @ roots.transpose(0, 2, 1)
    return [
        _row_draws(fit, own, one, worst[one.group])
        for own, one in zip(values, requests, strict=True)
    ]


def _even_points(fit: PooledFit, name: str, forms: int) -> Array:
    """(J, E, forms) standard normal points, E for each draw of the components.

    Another name gives another pairing. All J E points of a form together are evenly spread, so that
    quantiles are right where the components are well known: the same E points for every draw would
    be the middles of E steps only.
    """
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    draws, each = len(fit.draws), _DRAWS // len(fit.draws)
    points = np.empty((draws, each, forms))
    for form in range(forms):
        shift = (rng.permutation(draws) + 0.5) / draws
        even = ndtri((np.arange(each) + shift[:, None]) / each)
        points[:, :, form] = rng.permuted(even, axis=1)
    return np.asarray(points / points.std(axis=(0, 1)))


def _sd_of_untried_treatments(fit: PooledFit, requests: Sequence[RowRequest]) -> Array:
    """(R, 2) spread of treatments on share and time, for those never tried with the species."""
    tried = np.array([_tried(fit, one) for one in requests])
    return np.where(tried[:, None], 0.0, [[TREATMENT_SD, TREATMENT_TIME_SD]])


def _tried(fit: PooledFit, request: RowRequest) -> bool:
    """Whether the species was sown under the treatment."""
    if ("treatment", SHARE, request.group, request.label) in fit.design.columns.at:
        return True
    own = [lot for lot in fit.design.lots if lot.group == request.group]
    return any(request.label in lot.labels for lot in own)


def _forms(fit: PooledFit, request: RowRequest, worst: int | None) -> list[Array]:
    """Linear forms (P,) of the common effects that make up a row.

    They are eta, mu and log sigma, how late its springs were, and what the worst spring did.
    """
    forms = [*fit.design.columns.row(TrayKey(request.group, request.label))]
    forms.append(_lateness_of_springs(fit, request))
    if worst is not None:
        forms.append(_spring(fit, request.group, worst))
    return forms


def _lateness_of_springs(fit: PooledFit, request: RowRequest) -> Array:
    """(P,) form: how late the springs of a row's trays were on average, on log days."""
    hierarchy = fit.design.hierarchy
    trays = np.isin(hierarchy.lot[hierarchy.group], _lots_of(fit, request.group, request.lot))
    on_time = hierarchy.design[hierarchy.group[trays], TIME]  # (trays, P)
    return np.asarray(on_time.mean(axis=0) * fit.design.of_springs)


def _worst_season(fit: PooledFit, group: str) -> int | None:
    """The season in which the species' springs took most from the share; None of fewer than two.

    One still under way is none.
    """
    seasons = [season for season in fit.design.seasons if season != fit.current]
    if len(seasons) < 2 or fit.scatter.season == 0:
        return None
    beta = fit.component_fit.found.state.beta
    shifts = [float(_spring(fit, group, season) @ beta) for season in seasons]
    return seasons[int(np.argmin(shifts))]


def _spring(fit: PooledFit, group: str, season: int) -> Array:
    """(P,) form: what a season adds to the logit of the species' share."""
    then = TrayKey(
        group=group,
        label=None,
        season=season,
        chill=fit.design.chill.get(group),
        late=_late_of(fit, group, None),
    )
    row = fit.design.columns.row
    return np.asarray(row(then)[SHARE] - row(TrayKey(group, None))[SHARE])


def _lots_of(fit: PooledFit, group: str, lot: int | None) -> list[int]:
    """Numbers of the lots that a row rests on: its own; of a new lot, all of the species."""
    return [k for k, one in enumerate(fit.design.lots) if one.group == group and lot in (None, k)]


def _late_of(fit: PooledFit, group: str, lot: int | None) -> float:
    """What a spring later by one on log days takes from the logit of a row's share in the fit."""
    lots = [fit.design.lots[k] for k in _lots_of(fit, group, lot)]
    if not lots:
        return 0.0
    return float(np.mean([fit.design.late.get((one.species, one.lot), 0.0) for one in lots]))


def _horizon_day(fit: PooledFit, request: RowRequest) -> float:
    """Days on the species' clock up to which a row is counted."""
    if fit.horizons is None:
        return np.inf
    if request.lot is None:
        return fit.horizons.groups[request.group].day
    lot = fit.design.lots[request.lot]
    return fit.horizons.lots[lot.species, lot.lot].day


def _roots(covariance: Array) -> Array:
    """(R, K, K) lower triangular roots of (R, K, K) covariances, which may be singular.

    The first form, the logit of the share, takes the first of the even points alone.
    """
    values, vectors = np.linalg.eigh(covariance)
    half = np.sqrt(values.clip(0.0))[:, :, None] * vectors.transpose(0, 2, 1)
    upper: Array = np.asarray(np.linalg.qr(half, mode="r"))
    # all roots have the same signs, or the points of two rows would not match
    sign = np.where(np.diagonal(upper, axis1=1, axis2=2) < 0, -1.0, 1.0)
    return (sign[:, :, None] * upper).transpose(0, 2, 1)


def _row_draws(fit: PooledFit, values: Array, request: RowRequest, worst: int | None) -> RowDraws:
    """Draws of one row from values (J, E, K) of its forms."""
    drawn = values.reshape(-1, values.shape[2])  # (N, K)
    theta = drawn[:, 0]
    shift = None if worst is None else WorstSpring(worst, drawn[:, 4])
    if not request.timed:
        return _assembled(fit, theta, time=None, worst=shift)
    time = TimeDraws(
        mu=drawn[:, 1],
        sigma=np.exp(drawn[:, 2]),
        tray_sd=_each([draw.components.tray_time for draw in fit.draws], len(drawn)),
        season_sd=np.full(len(drawn), fit.scatter.season_time),
        family=fit.choices[request.group].family,
        origin=fit.choices[request.group].origin,
        horizon=_horizon_day(fit, request),
    )
    late = drawn[:, 3]
    as_seen = theta - _late_of(fit, request.group, request.lot) * late
    ordinary = in_ordinary_spring(time, as_seen, late)
    return _assembled(fit, ordinary, time=time, worst=shift, as_seen=as_seen, late=late)


def _assembled(
    fit: PooledFit,
    theta: Array,
    time: TimeDraws | None,
    worst: WorstSpring | None = None,
    as_seen: Array | None = None,
    late: Array | None = None,
) -> RowDraws:
    """Draws of the logit of a share, (N,), with the components of the draws they come from."""
    size = len(theta)
    components = [draw.components for draw in fit.draws]
    weight = _each([draw.weight for draw in fit.draws], size) / (size // len(fit.draws))
    place_sd = None
    tray_sd = _each([one.tray for one in components], size)
    if "place" in fit.design.prior.learned:
        place_sd = _each([one.place for one in components], size)
        tray_sd = np.hypot(tray_sd, place_sd)
    slope = 0.0
    if time is not None and fit.scatter.season != 0:  # else springs are taken to be all the same
        slope = float(weight @ time.lateness(theta))
    return RowDraws(
        theta=theta,
        rho=_each([one.rho for one in components], size),
        tray_sd=tray_sd,
        season_sd=np.full(size, np.hypot(fit.scatter.season, slope * fit.scatter.season_time)),
        weight=weight,
        time=time,
        worst=worst,
        place_sd=place_sd,
        as_seen=as_seen,
        late=late,
    )


def _each(per_draw: list[float], size: int) -> Array:
    """(size,) values of the draws of the components, each for as many draws of the effects."""
    return np.repeat(np.array(per_draw, dtype=float), size // len(per_draw))
