"""What may still come after the last day looked at: a range beside the share, not in a chance.

The days on which seeds came say how the law of timing may go on. No one law is believed: every
family and clock is weighed by how well it explains the days of a species (a fortnight without a
seedling before the last look counts against a long tail), over a grid of the share F(H) it has out
by the horizon H and of its spread. Trays and lots that are early or late are moved onto one
calendar first. With q the share of a row by H, the share that ever comes is p = q / F(H), which
cannot exceed 1 and has the prior N(0, 1.5) on its logit, so that the weight of a law and q is

    exp(log-likelihood of the days) prior(sigma) prior(p) / F(H),

1 / F(H) being the slope of p on q. What may still come by the end of the spring is p (F(end) -
F(H)).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats
from scipy.special import expit, logit

from germstats.engine.arrays import Index
from germstats.engine.estimates import RowEstimate, latest_of
from germstats.engine.horizon import spring_end_days
from germstats.engine.likelihood import Origin
from germstats.engine.lots import LotRecords, groups_of
from germstats.engine.quantiles import weighted_quantiles
from germstats.engine.timing import FAMILIES, Array, TimingFamily
from germstats.engine.timing_choice import ORIGINS
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Trays

SHARE_SD = 1.5
"""Prior spread of the logit of the share that ever comes, about a half: with sd 1.5 a share is
nearly uniform.
"""
LEVEL = 0.90
_MOST_TRAYS = 40
"""Of a species whose days are read; more say little more of the tail."""
_LOG_SIGMA, _LOG_SIGMA_SD = float(np.log(0.2)), 0.5
"""Prior of the log spread of log days; common practice, no source."""
_COARSE_OUT = np.linspace(-4.0, 6.5, 15)
_COARSE_SIGMA = np.linspace(np.log(0.02), np.log(1.6), 13)
_FINE = (25, 21)
"""Points of the coarse grid of logits of F(H) and of log spreads, and numbers of fine ones."""
_UNLIKELY = 10.0
"""Below the best on the log, a law or a corner of the grid counts no more."""
_SHARES = (np.arange(32) + 0.5) / 32
_LEAST = 1e-300
_LOT_NODES = np.array([-np.sqrt(3.0), 0.0, np.sqrt(3.0)])
_LOT_WEIGHTS = np.array([1 / 6, 2 / 3, 1 / 6])  # three-point Gauss-Hermite rule
_LOT_TIME_SD = 0.08  # between lots of a species, on log days: the middle of the fit's prior


@dataclass(frozen=True)
class Clocks:
    """How the days of a species' trays are read.

    Attributes
    ----------
    origin : {"sowing", "1 February"}
        Clock on which trays are early or late.
    shift : (T,) array
        By how much each tray of the patterns is late there, on log days.
    share : (T,) array
        Expected share of its seeds by the horizon.
    """

    origin: Origin
    shift: Array
    share: Array


@dataclass(frozen=True)
class DaysSeen:
    """When seedlings of a species were seen, on the clock of a tray neither early nor late.

    Attributes
    ----------
    lo, hi, last : (R,) arrays
        `count` first seen in (lo, hi] in trays last looked at on day `last`.
    count, seeds, share : (R,) arrays
        `seeds` seeds a cell, of which the first is meant (1: every seedling); expected share of the
        tray's seeds.
    """

    lo: Array
    hi: Array
    last: Array
    count: Array
    seeds: Array
    share: Array


def moved(days: Array, origin_days: Array, clocks: Clocks, shift: Array, on: Origin) -> Array:
    """Days from sowing on a clock, as a tray neither early nor late would have had them.

    Parameters
    ----------
    days, origin_days : arrays
        From sowing; and from sowing to 1 February.
    clocks : Clocks
    shift : array
        By how much the tray is late.
    on : {"sowing", "1 February"}

    Returns
    -------
    array
        Days on that clock.
    """
    start = origin_days if clocks.origin == "1 February" else np.zeros_like(origin_days)
    after = days - start
    from_sowing = start + np.where(after > 0, after * np.exp(-shift), after)
    return np.asarray(from_sowing - origin_days if on == "1 February" else from_sowing)


def days_seen(patterns: Patterns, codes: Index, clocks: Clocks, on: Origin) -> DaysSeen:
    """When seedlings of some trays were seen, on a clock.

    Parameters
    ----------
    patterns : Patterns
    codes : int array
        Trays of one species; of many an even choice is read.
    clocks : Clocks
    on : {"sowing", "1 February"}

    Returns
    -------
    DaysSeen
    """
    step = -(-len(codes) // _MOST_TRAYS)
    chosen = codes[::step]
    trays = patterns.trays
    origin_days, last = (trays[name].to_numpy(dtype=float) for name in ("origin_days", "last_day"))
    mean = np.array([rate.mean for rate in patterns.sowings], dtype=float)
    parts = []
    for seen in (patterns.times, patterns.occupied):
        own = seen[seen["tray"].isin(chosen)]
        tray = own["tray"].to_numpy(dtype=np.int64)
        seeds = np.ones(len(own))
        if "sowing" in own:
            seeds = np.maximum(mean[own["sowing"].to_numpy(dtype=np.int64)], 1.0)
        lo, hi, last_day = (
            moved(days, origin_days[tray], clocks=clocks, shift=clocks.shift[tray], on=on)
            for days in (
                own["lo"].to_numpy(dtype=float),
                own["hi"].to_numpy(dtype=float),
                last[tray],
            )
        )
        count = own["count"].to_numpy(dtype=float)
        parts.append(np.stack([lo, hi, last_day, count, seeds, clocks.share[tray]]))
    lo, hi, last_day, count, seeds, share = np.concatenate(parts, axis=1)
    return DaysSeen(lo=lo, hi=hi, last=last_day, count=count, seeds=seeds, share=share)


@dataclass(frozen=True)
class Tail:
    """One family and clock over its shares by the horizon and its spreads, G pairs.

    Attributes
    ----------
    family : TimingFamily
    origin : {"sowing", "1 February"}
        Where the clock starts.
    mu, sigma, log_weight : (G,) arrays
        Location and scale of log days on the clock; log of the weight, on one scale for all tails
        of a species.
    """

    family: TimingFamily
    origin: Origin
    mu: Array
    sigma: Array
    log_weight: Array

    def share_by(self, day: Array) -> Array:
        """(G, D) share of all that ever comes that is out by each day on the clock, (D,)."""
        z = (np.log(np.maximum(day, 1e-6)) - self.mu[:, None]) / self.sigma[:, None]
        return np.asarray(self.family.cdf(z))


def tails_of(seen: Mapping[Origin, DaysSeen], horizon: Mapping[Origin, float]) -> tuple[Tail, ...]:
    """Every law that explains the days of a species, with its weight.

    Parameters
    ----------
    seen : dict
        The days on each clock to try; one that starts after the first seedling cannot be right.
    horizon : dict
        Day on each clock at which shares are laid out.

    Returns
    -------
    tuple of Tail
        Empty where nothing was seen.
    """
    able = [
        on
        for on, days in seen.items()
        if days.count.sum() and days.hi.min() > 0 and horizon[on] > 0
    ]
    coarse = [
        _laid_out(
            family, on, out=_COARSE_OUT, log_sigma=_COARSE_SIGMA, seen=seen[on], horizon=horizon[on]
        )
        for on in able
        for family in FAMILIES.values()
    ]
    best = max((float(tail.log_weight.max()) for tail in coarse), default=0.0)
    return tuple(
        _refined(tail, seen[tail.origin], horizon[tail.origin], best)
        for tail in coarse
        if tail.log_weight.max() > best - _UNLIKELY
    )


def _laid_out(
    family: TimingFamily,
    origin: Origin,
    out: Array,
    log_sigma: Array,
    seen: DaysSeen,
    horizon: float,
) -> Tail:
    """A law at each pair of a logit of the share by the horizon and a log spread.

    Weights count the room of a pair on its grid.
    """
    logits, log_spreads = (grid.ravel() for grid in np.meshgrid(out, log_sigma, indexing="ij"))
    sigma = np.exp(log_spreads)  # (G,)
    share = expit(logits)
    z = family.position(np.log(share), np.log1p(-share))
    room = float(np.log((out[1] - out[0]) * (log_sigma[1] - log_sigma[0])))
    log_prior = -0.5 * ((log_spreads - _LOG_SIGMA) / _LOG_SIGMA_SD) ** 2
    log_prior = log_prior + np.log(share * (1 - share)) + room
    tail = Tail(
        family=family,
        origin=origin,
        mu=np.log(horizon) - sigma * z,
        sigma=sigma,
        log_weight=log_prior,
    )
    return replace(tail, log_weight=log_prior + _log_likelihood(tail, seen, share))


def _refined(tail: Tail, seen: DaysSeen, horizon: float, best: float) -> Tail:
    """The same law on a finer grid about the pairs that count."""
    shape = len(_COARSE_OUT), len(_COARSE_SIGMA)
    counts = (tail.log_weight > best - _UNLIKELY).reshape(shape)
    axes = []
    for axis, grid, size in ((1, _COARSE_OUT, _FINE[0]), (0, _COARSE_SIGMA, _FINE[1])):
        at = np.flatnonzero(counts.any(axis=axis))
        axes.append(
            np.linspace(grid[max(at[0] - 1, 0)], grid[min(at[-1] + 1, len(grid) - 1)], size)
        )
    return _laid_out(
        tail.family, tail.origin, out=axes[0], log_sigma=axes[1], seen=seen, horizon=horizon
    )


def _log_likelihood(tail: Tail, seen: DaysSeen, share: Array) -> Array:
    """(G,) log-likelihood of the days, given that so many were seen by the last looks."""
    days, place = np.unique(np.concatenate([seen.lo, seen.hi, seen.last]), return_inverse=True)
    out = tail.share_by(days)
    lo, hi, last = np.split(place, 3)
    ever = np.minimum(seen.share / share[:, None], 1.0)

    def empty(at: Index) -> Array:
        """Share of cells without a seedling by then; of single seeds, of those that ever come."""
        by_then = out[:, at]
        return np.where(seen.seeds > 1, (1 - ever * by_then) ** seen.seeds, 1 - by_then)

    came, by_last = empty(lo) - empty(hi), 1 - empty(last)
    return np.asarray(np.log(np.maximum(came, _LEAST) / np.maximum(by_last, _LEAST)) @ seen.count)


def possible_with(
    tails: Sequence[Tail], share: Array, weight: Array, horizon: Mapping[Origin, float]
) -> tuple[Tail, ...]:
    """The laws, weighed by how likely they leave a row of the species with a share of 1 at most.

    Parameters
    ----------
    tails : sequence of Tail
    share, weight : (N,) arrays
        Draws of the row's share by its horizon.
    horizon : dict
        Day on each clock, of a tray neither early nor late.

    Returns
    -------
    tuple of Tail
    """
    order = np.argsort(share)
    ascending = share[order]
    below = np.concatenate([[0.0], np.cumsum(weight[order])])
    weighed = []
    for tail in tails:
        by_horizon = tail.share_by(np.array([horizon[tail.origin]]))[:, 0]  # (G,)
        chance = below[np.searchsorted(ascending, by_horizon)]
        log_chance = np.log(np.maximum(chance, _LEAST))
        weighed.append(replace(tail, log_weight=tail.log_weight + log_chance))
    return tuple(weighed)


def still_to_come(
    tails: Sequence[Tail],
    share: Array,
    weight: Array,
    days: Sequence[Mapping[Origin, tuple[float, float]]],
) -> tuple[float, float]:
    """Range of the share of seeds that comes after the horizon and before the end of the spring.

    Parameters
    ----------
    tails : sequence of Tail
        Of the species.
    share, weight : (N,) arrays
        Draws of the share by the horizon.
    days : sequence of dict
        Horizon and end of the spring on each clock, of a tray neither early nor late: for a lot as
        late as its three Gauss-Hermite points make it.

    Returns
    -------
    low, high : float
        `LEVEL` range.
    """
    q = weighted_quantiles(share, weight, _SHARES)[:, None]  # (shares, 1)
    values, weights = [], []
    for on_clock, likely in zip(days, _LOT_WEIGHTS, strict=True):
        for tail in tails:
            by_horizon, by_end = tail.share_by(np.array(on_clock[tail.origin])).T
            ever = q / np.maximum(by_horizon, _LEAST)
            possible = ever < 1
            log_weight = tail.log_weight - np.log(np.maximum(by_horizon, _LEAST)) + np.log(likely)
            values.append(np.where(possible, ever * (by_end - by_horizon), 0.0).ravel())
            weights.append(np.where(possible, log_weight + _log_prior(ever), -np.inf).ravel())
    log_weights = np.concatenate(weights)
    if not np.isfinite(log_weights).any():
        return 0.0, 1 - float(q.max())
    tails_of_range = np.array([(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    relative = np.exp(log_weights - log_weights.max())
    low, high = weighted_quantiles(np.concatenate(values), relative, tails_of_range)
    return float(low), float(high)


def _log_prior(ever: Array) -> Array:
    """Log density over shares p whose logit is N(0, `SHARE_SD`)."""
    p = np.clip(ever, 1e-9, 1 - 1e-9)
    return np.asarray(-0.5 * (logit(p) / SHARE_SD) ** 2 - np.log(p * (1 - p)))


def with_later(
    rows: Sequence[RowEstimate],
    lots: Sequence[LotRecords],
    patterns: Patterns,
    clocks: Mapping[str, Clocks],
    spring_ends: tuple[int, int],
) -> tuple[RowEstimate, ...]:
    """The rows of a fit with `later_low` and `later_high`, where a timing is known.

    Parameters
    ----------
    rows : sequence of RowEstimate
    lots : sequence of LotRecords
        Of `patterns`.
    patterns : Patterns
        With all looks, those after the horizon too.
    clocks : dict
        Species (or lot, where species are not recorded) -> how the days of its trays are read.
    spring_ends : (month, day)

    Returns
    -------
    tuple of RowEstimate
        In the same order.
    """
    groups = groups_of(patterns.trays).to_numpy()
    ends = spring_end_days(patterns.trays, spring_ends)
    codes = {
        (lot.species, lot.lot, label): lot.codes[lot.row == k]
        for lot in lots
        for k, label in enumerate(lot.labels)
    }
    members: dict[str, list[_TimedRow]] = {}
    for number, row in enumerate(rows):
        if row.draws.time is None:
            continue
        own = codes[row.species, row.lot, row.label]
        group = groups[own[0]]
        timed = _TimedRow(
            number=number, row=row, patterns=patterns, own=own, clocks=clocks[group], ends=ends
        )
        members.setdefault(group, []).append(timed)

    found: dict[int, RowEstimate] = {}
    for group, own_rows in members.items():
        of_group = np.flatnonzero(groups == group)
        tails = _tails_of_group(patterns, of_group, clocks[group], own_rows)
        found |= _rows_with_later(own_rows, tails)
    return tuple(found.get(number, row) for number, row in enumerate(rows))


@dataclass(frozen=True)
class _TimedRow:
    """A row of a fit with a timing, and its days on the calendar of its species."""

    number: int
    row: RowEstimate
    patterns: Patterns
    own: Index
    clocks: Clocks
    ends: Array

    @cached_property
    def latest(self) -> int:
        """Code of its latest tray."""
        return int(self.own[latest_of(self.patterns.trays.iloc[self.own])])

    @cached_property
    def days(self) -> dict[Origin, tuple[float, float]]:
        """The horizon and the end of the spring on each clock, of a tray neither early nor late."""
        return self.days_if(0.0)

    def days_if(self, later: float) -> dict[Origin, tuple[float, float]]:
        """The same for a lot later than its trays' effects say, by `later` on log days."""
        late = np.array(float(np.mean(self.clocks.shift[self.own])) + later)
        origin_days = np.array(float(self.patterns.trays["origin_days"].iloc[self.latest]))
        days = np.array([self.row.horizon_days, self.ends[self.latest]], dtype=float)
        on_clocks = {
            on: moved(days, origin_days, clocks=self.clocks, shift=late, on=on) for on in ORIGINS
        }
        return {on: (float(horizon), float(end)) for on, (horizon, end) in on_clocks.items()}

    @property
    def unsure(self) -> float:
        """Sd of how late the lot is in the springs seen, on log days."""
        draws = self.row.draws
        assert draws.time is not None, "no timing is known"
        late = 0.0 if draws.late is None else draws.late
        as_seen = draws.time.mu + late
        return min(float(np.sqrt(np.cov(as_seen, aweights=draws.weight))), _LOT_TIME_SD)

    @cached_property
    def share(self) -> Array:
        """Draws of its share by the horizon, (N,)."""
        return self.row.draws.share_as_seen()

    @property
    def over(self) -> bool:
        """Whether it was looked at to the end of the spring."""
        return (self.row.horizon_days or 0.0) >= float(self.ends[self.latest])


def _tails_of_group(
    patterns: Patterns, codes: Index, clocks: Clocks, members: Sequence[_TimedRow]
) -> tuple[Tail, ...]:
    """Every law that explains the days of a species, laid out at its rows' latest horizon."""
    seen = {on: days_seen(patterns, codes, clocks, on) for on in ORIGINS}
    return tails_of(seen, {on: max(one.days[on][0] for one in members) for on in ORIGINS})


def _rows_with_later(
    members: Sequence[_TimedRow], tails: tuple[Tail, ...]
) -> dict[int, RowEstimate]:
    """The rows of one species with what may still come, by number."""
    for one in members:
        horizon = {on: day for on, (day, _) in one.days.items()}
        tails = possible_with(tails, one.share, one.row.draws.weight, horizon)
    found = {}
    for one in members:
        if one.over:
            low, high = 0.0, 0.0
        elif tails:
            days = [one.days_if(one.unsure * z) for z in _LOT_NODES]
            low, high = still_to_come(tails, one.share, one.row.draws.weight, days)
        else:
            continue
        living = _most_living(one.patterns.trays.iloc[one.own])
        found[one.number] = replace(
            one.row, later_low=min(low, living), later_high=min(high, living)
        )
    return found


def _most_living(trays: pd.DataFrame) -> float:
    """Largest share of seeds that can still come, where those left were dug up and sorted."""
    if "left_alive" not in trays:
        return 1.0
    dug = trays[trays[Trays.left_alive].notna() & trays["seeds"].notna()]
    if dug.empty:
        return 1.0
    alive, seeds = float(dug[Trays.left_alive].sum()), float(dug["seeds"].sum())
    return float(stats.beta.ppf((1 + LEVEL) / 2, alive + 0.5, max(seeds - alive, 0.0) + 0.5))
