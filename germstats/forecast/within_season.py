"""A season under way: how many cells each tray will have filled by the end of its spring.

The common and lot effects are drawn from the pooled fit's normal laws; each tray's own effects,
given those, are drawn exactly: twelve candidates from the normal law around them, one picked with
weight likelihood x prior / proposal. What is still empty then fills with P(empty at the end | empty
now), cells of one tray independent given its draw.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.linalg import solve_triangular
from scipy.special import expit

from germstats.engine.arrays import Index, PatternArrays, compile_patterns, tiled
from germstats.engine.fit import EmergenceFit
from germstats.engine.hierarchy import Part, predictors
from germstats.engine.horizon import spring_end_days
from germstats.engine.likelihood import log_likelihood
from germstats.engine.pooled import PooledDraw, PooledFit
from germstats.engine.threads import one_thread
from germstats.engine.timing import Array
from germstats.forecast.tray import empty_by
from germstats.records.intervals.patterns import Patterns
from germstats.records.intervals.seed_totals import seeds_as_cells
from germstats.records.seeds import SowingRate
from germstats.records.tables import Trays

_CANDIDATES = 12
_STRETCH = 1.25  # of the proposal's spread, so that its tails hold the exact law's
# tray copies evaluated at once: enough to spread the overhead, few enough for the cache
_TOGETHER = 4000
_ROWS = 100  # kinds of empty cells whose course is worked out at once, for the same reason


@dataclass(frozen=True)
class SeasonForecast:
    """Forecast of a season's trays.

    Attributes
    ----------
    trays : tuple of str
        Tray ids, U of them.
    cells, filled_now : (U,) int arrays
        Cells with known contents, and those filled by the last check.
    final : (N, U) int array
        Draws of the cells filled by the end of the spring; draw n belongs together over trays.
    weight : (N,) array
        Sums to 1.
    seen_share : (N, U) array
        Draws of F(last check).
    course : (N, D, U) array
        Draws of the cells expected to be filled by the days asked for; (N, 0, U) where none were.
    """

    trays: tuple[str, ...]
    cells: Index
    filled_now: Index
    final: Index
    weight: Array
    seen_share: Array
    course: Array


@dataclass(frozen=True)
class CourseSpec:
    """How the course of a season is to be told.

    Attributes
    ----------
    days : (D,) array
        Days from 1 February as the fit's clock tells them, ascending; the last is the end of the
        spring.
    closed : dict
        Tray -> empty cells that something ended: they can fill no more.
    """

    days: Array
    closed: Mapping[str, int] = field(default_factory=dict)


def finish_season(
    fit: EmergenceFit,
    season: int,
    draws: int = 400,
    seed: int = 0,
    course: CourseSpec | None = None,
) -> SeasonForecast:
    """Forecast the trays of a season from their records so far.

    Parameters
    ----------
    fit : EmergenceFit
        A pooled fit of records that hold the season's checks so far.
    season : int
    draws : int
    seed : int
    course : CourseSpec, optional
        Days at which the course of the season is told, and cells that can fill no more.

    Returns
    -------
    SeasonForecast
        Trays of which the filled cells are known, or the seedlings of known seeds, each of which
        stands as a cell.
    """
    pooled = fit.pooled
    assert fit.horizons is None, "a half-way forecast needs shares told to the end of all days"
    patterns = seeds_as_cells(fit.patterns)
    known = (patterns.trays[Trays.season] == season) & patterns.trays["filled"].notna()
    under_way = _UnderWay(
        pooled=pooled,
        patterns=patterns,
        codes=np.flatnonzero(known.to_numpy()),
        spring_ends=fit.spec.spring_ends,
        course=course,
    )
    rng = np.random.default_rng(seed)
    each = max(draws // len(pooled.draws), 1)
    finals, seen, weights, courses = [], [], [], []
    with one_thread():
        for draw in pooled.draws:
            at = _effects(under_way, draw, each, rng)
            final, share, filled = _finished(under_way, draw, at, rng)
            finals.append(final)
            courses.append(filled)
            seen.append(share)
            weights.append(np.full(each, draw.weight / each))
    trays = under_way.trays
    return SeasonForecast(
        trays=tuple(trays[Trays.tray].astype(str)),
        cells=trays["cells"].to_numpy(dtype=np.int64),
        filled_now=trays["filled"].to_numpy(dtype=np.int64),
        final=np.concatenate(finals),
        weight=np.concatenate(weights),
        seen_share=np.concatenate(seen),
        course=np.concatenate(courses),
    )


@dataclass(frozen=True)
class _UnderWay:
    """The trays forecast, U of them, and what does not change from draw to draw."""

    pooled: PooledFit
    patterns: Patterns
    codes: Index
    spring_ends: tuple[int, int]
    course: CourseSpec | None

    @cached_property
    def trays(self) -> pd.DataFrame:
        return self.patterns.trays.iloc[self.codes]

    @cached_property
    def places(self) -> Index:
        """Their places in the tree."""
        return self.pooled.design.place_of[self.codes]

    @cached_property
    def delayed(self) -> Index:
        return self.pooled.design.hierarchy.delayed[self.places]

    @cached_property
    def origin_days(self) -> Array:
        return self.trays["origin_days"].to_numpy(dtype=float)

    @cached_property
    def empty(self) -> pd.DataFrame:
        """Cells still empty that may fill: ``k`` (place among the trays), ``sowing``, ``last``
        (day), ``count``.
        """
        place = pd.Series(np.arange(len(self.codes)), index=self.codes)
        whole = self.trays["record"] == "seedlings"  # finishes of these are single seeds, not cells
        finishes = self.patterns.finishes
        finishes = finishes[
            (finishes["seen"] == 0) & finishes["tray"].isin(self.codes[~whole.to_numpy()])
        ]
        parts = finishes.assign(k=place.reindex(finishes["tray"]).to_numpy())[
            ["k", "sowing", "last", "count"]
        ]
        counted = self.trays[whole]
        singly = pd.DataFrame(
            {
                "k": place.reindex(counted.index).to_numpy(),
                "sowing": counted["sowing"].to_numpy(),
                "last": counted["last_day"].to_numpy(),
                "count": (counted["cells"] - counted["filled"]).clip(lower=0).to_numpy(),
            }
        )
        found = pd.concat([part for part in (parts, singly) if len(part)] or [parts]).sort_values(
            ["k", "last"]
        )
        before = found.groupby("k")["count"].cumsum() - found["count"]
        closed = {} if self.course is None else self.course.closed
        gone = np.array([closed.get(str(tray), 0) for tray in self.trays[Trays.tray]], dtype=float)
        # ended cells were looked at first
        left = gone[found["k"].to_numpy(dtype=np.int64)] - before
        return found.assign(count=found["count"] - left.clip(lower=0).clip(upper=found["count"]))

    @cached_property
    def alike(self) -> list[tuple[Index, SowingRate]]:
        """Rows of `empty` sown alike, so many at a time."""
        sowing = self.empty["sowing"].to_numpy(dtype=np.int64)
        rows = [np.flatnonzero(sowing == code) for code in np.unique(sowing)]
        parts = [part for own in rows for part in np.array_split(own, -(-len(own) // _ROWS))]
        return [(part, self.patterns.sowings[sowing[part[0]]]) for part in parts]

    @cached_property
    def end_days(self) -> Array:
        """Days from sowing to the end of the spring each tray is judged in, as the fit's clock
        tells them.
        """
        if self.course is not None:
            return np.asarray(self.origin_days + self.course.days[-1])
        return spring_end_days(self.trays, self.spring_ends)

    @cached_property
    def pieces(self) -> list[tuple[Part, Index, PatternArrays]]:
        """Laws of timing, the positions of the trays that follow them, and those trays' records."""
        found = [
            (part, np.flatnonzero(np.isin(self.places, part.trays)))
            for part in self.pooled.design.hierarchy.parts
        ]
        return [
            (part, at, compile_patterns(self.patterns, self.codes[at]))
            for part, at in found
            if at.size
        ]


def _effects(trays: _UnderWay, draw: PooledDraw, each: int, rng: np.random.Generator) -> Array:
    """(each, U, 3) draws of eta, mu and log sigma of the trays."""
    tree, found, middle = trays.pooled.design.hierarchy, draw.law.elimination, draw.law.middle
    places = trays.places
    beta_step = solve_triangular(found.factor, rng.standard_normal((len(middle.beta), each)))
    lot_root = np.linalg.cholesky(found.lot_inverse)
    lot_step = np.einsum("lij,lje->eli", lot_root, rng.standard_normal((len(middle.lots), 2, each)))
    lot_step -= np.einsum("lip,pe->eli", found.lot_pull, beta_step)
    above = np.einsum("gip,pe->egi", tree.design, beta_step)
    above[:, :, :2] += lot_step[:, tree.lot]
    above = above[:, tree.group[places]]
    centre = predictors(tree, middle)[places] + above  # at the tray effects of the middle
    pull = np.einsum("tij,etj->eti", found.tray_pull[places], above)
    return _exact_trays(trays, draw, centre=centre, pull=pull, rng=rng)


def _exact_trays(
    trays: _UnderWay, draw: PooledDraw, centre: Array, pull: Array, rng: np.random.Generator
) -> Array:
    """Pick each tray's own effects among candidates by their exact weight."""
    places = trays.places
    each, size, _ = centre.shape
    root = _STRETCH * np.linalg.cholesky(draw.law.elimination.tray_inverse[places])
    normal = rng.standard_normal((_CANDIDATES, each, size, 2))
    offset = np.einsum("tij,cetj->ceti", root, normal) - pull
    own = draw.law.middle.trays[places] + offset
    at = np.broadcast_to(centre, (_CANDIDATES, *centre.shape)).copy()
    at[..., :2] += offset
    value = _values(trays, draw, at.reshape(-1, size, 3)).reshape(_CANDIDATES, each, size)
    log_weight = (
        value
        - 0.5
        * (own**2 * trays.pooled.design.hierarchy.tray_precision(draw.components)[places]).sum(
            axis=3
        )
        + 0.5 * (normal**2).sum(axis=3)
    )
    log_weight = np.where(np.isfinite(log_weight), log_weight, -np.inf)
    picked = (log_weight + rng.gumbel(size=log_weight.shape)).argmax(axis=0)
    return np.asarray(np.take_along_axis(at, picked[None, :, :, None], axis=0)[0])


def _values(trays: _UnderWay, draw: PooledDraw, at: Array) -> Array:
    """(M, U) log-likelihood of the trays at predictors (M, U, 3)."""
    values = np.zeros(at.shape[:2])
    for part, members, data in trays.pieces:
        delay = np.where(trays.delayed[members], draw.components.delay, np.nan)
        together = max(_TOGETHER // len(members), 1)
        for first in range(0, len(at), together):
            some = at[first : first + together, members]
            eta, mu, log_sigma = some.reshape(-1, 3).T
            with np.errstate(over="ignore", invalid="ignore"):
                value = log_likelihood(
                    tiled(data, len(some)),
                    eta,
                    mu=mu,
                    log_sigma=log_sigma,
                    rho=draw.components.rho,
                    family=part.family,
                    origin=part.origin,
                    delay=np.tile(delay, len(some)),
                )
            values[first : first + together, members] = value.reshape(len(some), -1)
    return values


def _finished(
    trays: _UnderWay, draw: PooledDraw, at: Array, rng: np.random.Generator
) -> tuple[Index, Array, Array]:
    """Draws of the cells filled at the end, of F(last check), and of the cells expected to be
    filled by each day.
    """
    final = np.repeat(trays.trays["filled"].to_numpy(dtype=np.int64)[None], len(at), axis=0)
    last = trays.trays["last_day"].to_numpy(dtype=float)
    days = (
        []
        if trays.course is None
        else [np.maximum(trays.origin_days + day, last) for day in trays.course.days]
    )
    days.append(np.maximum(trays.end_days, last))
    every = np.arange(len(last))
    shares = np.stack([_share_by(trays, draw, at=at, of=every, days=day) for day in days])
    course = np.repeat(final[:, None].astype(float), len(days) - 1, axis=1)
    empty = trays.empty
    of = empty["k"].to_numpy(dtype=np.int64)
    by_now = _share_by(trays, draw, at=at, of=of, days=empty["last"].to_numpy(dtype=float))
    count = empty["count"].to_numpy(dtype=np.int64)
    for rows, rate in trays.alike:
        fills = _fills(
            draw,
            at[:, of[rows], 0],
            by_now=by_now[:, rows],
            shares=shares[:, :, of[rows]],
            rate=rate,
        )
        for place, row in enumerate(rows):
            k, fill = of[row], fills[:, :, place]
            final[:, k] += rng.binomial(count[row], fill[-1])
            course[:, :, k] += count[row] * fill[:-1].T
    return final, _share_by(trays, draw, at=at, of=every, days=last), course


def _fills(draw: PooledDraw, eta: Array, by_now: Array, shares: Array, rate: SowingRate) -> Array:
    """(D, each, R) chance that a cell still empty now is filled by each of D days.

    Parameters
    ----------
    draw : PooledDraw
    eta, by_now : (each, R) arrays
        Logit of the share, and how much of what comes is out by now.
    shares : (D, each, R) array
        The same by each day.
    rate : SowingRate
    """
    p, rho = expit(eta), np.full(eta.shape, draw.components.rho)
    still = empty_by(p, rho, np.maximum(shares, by_now), rate)
    now = empty_by(p, rho, by_now, rate)
    left = np.divide(
        still, now, out=np.zeros_like(still), where=np.broadcast_to(now > 0, still.shape)
    )
    return np.asarray(np.clip(1 - left, 0.0, 1.0))


def _share_by(trays: _UnderWay, draw: PooledDraw, at: Array, of: Index, days: Array) -> Array:
    """(each, E) draws of F at `days` from sowing of the trays `of`, (E,) both."""
    share = np.empty((len(at), len(of)))
    for part, members, _ in trays.pieces:
        here = np.flatnonzero(np.isin(of, members))
        which = of[here]
        elapsed = days[here] - (trays.origin_days[which] if part.origin == "1 February" else 0.0)
        late = np.logaddexp(0.0, elapsed - draw.components.delay)
        shown = np.where(trays.delayed[which], late, np.maximum(elapsed, 1e-9))
        share[:, here] = part.family.cdf(
            (np.log(shown) - at[:, which, 1]) / np.exp(at[:, which, 2])
        )
    return share
