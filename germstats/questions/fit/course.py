"""The course of one lot under one treatment: what is expected day by day, and what was seen between
the checks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from germstats.engine.curves import dated, interval_masses
from germstats.engine.draws import NODE_WEIGHTS, NODES, RowDraws
from germstats.engine.estimates import RowEstimate
from germstats.engine.quantiles import weighted_quantiles
from germstats.engine.timing import Array
from germstats.forecast.tray import empty_by
from germstats.records.intervals.patterns import Patterns
from germstats.records.seeds import SowingRate
from germstats.records.tables import Trays

_LEVEL = 0.9
_TIMES = 4  # new trays made of every draw
_DAYS = 61
_SOME, _MOST, _AROUND = 0.02, 0.95, 7.0
_FLAT = 1.15  # without timing the expectation stands beyond the last check, this much further

Sown = list[tuple[SowingRate, float]]
"""How the cells were sown, with weights that sum to 1; empty where shares are of seeds."""


@dataclass(frozen=True)
class Boxes:
    """What was seen: box k says that a share ``top[k] - bottom[k]`` came between two checks.

    Attributes
    ----------
    left, right : (B,) arrays
        Days of the two checks.
    bottom, top : (B,) arrays
        Share that had come by them, 0-1.
    last : float
        Day of the last check.
    trays, came, sown : int
        Trays that say when seeds (cells) came, how many did, and of how many.
    about : bool
        The seeds sown are the mean pinch times the cells.
    """

    left: Array
    right: Array
    bottom: Array
    top: Array
    last: float
    trays: int
    came: int
    sown: int
    about: bool = False


@dataclass(frozen=True)
class EmergenceCourse:
    """One lot and treatment over time.

    Attributes
    ----------
    row : RowEstimate
    unit : {"seeds", "cells"}
        What shares are of.
    by_date : bool
        Days are counted from 1 February, else from sowing.
    day : (D,) array
    middle, low, high : (D,) arrays
        Share that has come: of an average tray in an ordinary spring, and the range of nine new
        trays in ten.
    seen : Boxes
    """

    row: RowEstimate
    unit: str
    by_date: bool
    day: Array
    middle: Array
    low: Array
    high: Array
    seen: Boxes

    def busy(self) -> tuple[float, float]:
        """The days worth looking at: from when some may come until new trays have come and the last
        box is closed.

        All, where no timing is known.
        """
        if self.row.draws.time is None:
            return min([0.0, *self.seen.left]), float(self.day[-1])
        first = np.flatnonzero(self.high >= _SOME * self.high[-1])[0]
        done = np.flatnonzero(self.low >= _MOST * self.low[-1])[0]
        start = min([self.day[first], *self.seen.left[self.seen.top >= _SOME][:1]]) - _AROUND
        end = max([self.day[done], *self.seen.right[-1:]]) + _AROUND
        return max(start, float(self.day[0])), min(end, float(self.day[-1]))

    def expected_by(self, day: float) -> tuple[float, float, float]:
        """Middle and ends of the range at a day."""
        middle, low, high = (
            float(np.interp(day, self.day, one)) for one in (self.middle, self.low, self.high)
        )
        return middle, low, high


@dataclass(frozen=True)
class Telling:
    """Trays that say in one unit when something came: as `germstats.engine.curves.dated`; `about`
    as in `Boxes`.
    """

    unit: str
    codes: tuple[int, ...]
    intervals: pd.DataFrame
    about: bool = False


def courses_of_lot(rows: Sequence[RowEstimate], patterns: Patterns) -> list[EmergenceCourse]:
    """The courses of a lot's rows, in one unit where all were counted in one.

    Parameters
    ----------
    rows : sequence of RowEstimate
        All of one lot.
    patterns : Patterns
        Records that hold the lot's.
    """
    told = [_tellings(patterns, _trays_of(patterns, row)) for row in rows]
    shared = [
        unit
        for unit in ("seeds", "cells")
        if all(any(one.unit == unit for one in own) for own in told)
    ]

    def best(own: list[Telling], units: Sequence[str]) -> Telling:
        return max((one for one in own if one.unit in units), key=lambda one: len(one.codes))

    units = max(
        ([unit] for unit in shared),
        key=lambda unit: sum(len(best(own, unit).codes) for own in told),
        default=["seeds", "cells"],
    )
    return [_course(patterns, row, best(own, units)) for row, own in zip(rows, told, strict=True)]


def _trays_of(patterns: Patterns, row: RowEstimate) -> pd.DataFrame:
    trays = patterns.trays
    own = trays["species"].isna() if row.species is None else trays["species"] == row.species
    chosen: pd.DataFrame = trays[
        own & (trays[Trays.lot] == row.lot) & (trays["treatment"] == row.label)
    ]
    return chosen


def _tellings(patterns: Patterns, trays: pd.DataFrame) -> list[Telling]:
    """What these trays say in seeds sown by number, in cells, and in seeds sown by the pinch; at
    least one.
    """
    by_number = trays["emerged"].notna() & trays["seeds"].notna()
    parts = [trays[by_number], trays[trays["record"].isin(["occupancy", "totals"]) & ~by_number]]
    told = [Telling(*dated(patterns, part)) for part in parts if len(part)]
    codes, intervals = _by_pinch(patterns, trays[~by_number])
    return [*told, Telling("seeds", codes, intervals, about=True)] if codes or not told else told


def _by_pinch(patterns: Patterns, trays: pd.DataFrame) -> tuple[tuple[int, ...], pd.DataFrame]:
    """Trays with seedlings counted that were sown by a pinch of known size, and their intervals as
    in `dated`.
    """
    mean = np.array([rate.mean if rate.k is not None else np.nan for rate in patterns.sowings])[
        trays["sowing"]
    ]
    own = trays[trays["emerged"].notna() & np.isfinite(mean)]
    seeds = (mean * trays["cells"]).loc[own.index].to_numpy(float)
    columns = ["tray", "lo", "hi", "count"]
    came = patterns.times.loc[patterns.times["tray"].isin(own.index), columns].to_numpy(float)
    left = np.maximum(seeds - own["emerged"].to_numpy(float), 0.0)
    never = np.column_stack([own.index, own["last_day"], np.full(len(own), np.inf), left])
    intervals = pd.DataFrame(np.concatenate([came, never.astype(float)]), columns=columns).astype(
        {"tray": np.int64}
    )
    return tuple(int(code) for code in own.index), intervals[intervals["count"] > 0]


def _course(patterns: Patterns, row: RowEstimate, telling: Telling) -> EmergenceCourse:
    trays = _trays_of(patterns, row)
    time = row.draws.time
    by_date = time is not None and time.origin == "1 February"
    seen = _seen(telling, trays, by_date)
    sown: Sown = []
    if telling.unit == "cells":
        rates = trays.loc[list(telling.codes), "sowing"].value_counts(normalize=True)
        sown = [(patterns.sowings[int(str(code))], float(part)) for code, part in rates.items()]
    if time is None:
        day, out = np.array([seen.last, seen.last * _FLAT]), (np.ones((1, 2)), np.ones((1, 2)))
    else:
        day = np.linspace(min([0.0, seen.last, *seen.left]), seen.last, _DAYS)
        out = _out(row.draws, day)
    return EmergenceCourse(row, telling.unit, by_date, day, *_expected(row.draws, *out, sown), seen)


def _seen(telling: Telling, trays: pd.DataFrame, by_date: bool) -> Boxes:
    """Innermost intervals with their masses, without a law of timing
    (`germstats.engine.curves`).
    """
    start = trays["origin_days"].astype(float) * by_date
    last = float((trays["last_day"].astype(float) - start).max())
    intervals = telling.intervals
    if intervals.empty:
        none = np.zeros(0)
        return Boxes(
            left=none, right=none, bottom=none, top=none, last=last, trays=0, came=0, sown=0
        )
    shift = start.loc[intervals["tray"]].to_numpy(dtype=np.float64)
    lo, hi, count = (intervals[name].to_numpy(dtype=np.float64) for name in ("lo", "hi", "count"))
    found = interval_masses(lo - shift, hi - shift, count)
    came = np.isfinite(found.right)
    top = np.cumsum(found.mass[came])
    numbers = (
        len(telling.codes),
        round(float(count[np.isfinite(hi)].sum())),
        round(float(count.sum())),
    )
    return Boxes(
        found.left[came],
        found.right[came],
        top - found.mass[came],
        top,
        last,
        *numbers,
        telling.about,
    )


def _out(draws: RowDraws, day: Array) -> tuple[Array, Array]:
    """Share of what emerges that is out by each day: in the average tray (N, D), and in new trays
    (M, D).
    """
    time = draws.time
    assert time is not None
    reach = time.mu[:, None] + time.tray_sd[:, None] * NODES
    average = np.einsum(
        "nkd,k->nd", time.share_by(day, reach[..., None], time.sigma[:, None, None]), NODE_WEIGHTS
    )
    sd = np.tile(np.hypot(time.tray_sd, time.season_sd), _TIMES)
    mu = np.tile(time.mu, _TIMES) + sd * np.random.default_rng(1).standard_normal(len(sd))
    return average, time.share_by(day, mu[:, None], np.tile(time.sigma, _TIMES)[:, None])


def _expected(
    draws: RowDraws, average: Array, new: Array, sown: Sown
) -> tuple[Array, Array, Array]:
    """Middle of the average tray, and the range of new trays, by day."""
    share = draws.theta[:, None] + draws.tray_sd[:, None] * NODES
    reach = np.tile(np.hypot(draws.tray_sd, draws.season_sd), _TIMES)
    theta = np.tile(draws.theta, _TIMES) + reach * np.random.default_rng(0).standard_normal(
        len(reach)
    )
    of_nodes = _came(_expit(share), draws.rho[:, None], average.T[:, :, None], sown) @ NODE_WEIGHTS
    of_new = _came(_expit(theta), np.tile(draws.rho, _TIMES), new.T, sown)
    tails, weight = np.array([(1 - _LEVEL) / 2, (1 + _LEVEL) / 2]), np.tile(draws.weight, _TIMES)
    middle = np.array(
        [weighted_quantiles(of_day, draws.weight, np.array([0.5]))[0] for of_day in of_nodes]
    )
    low, high = np.array([weighted_quantiles(of_day, weight, tails) for of_day in of_new]).T
    # no draw falls, but where draws of uneven weight change places a quantile between them may, by
    # a hair
    return np.maximum.accumulate(middle), np.maximum.accumulate(low), np.maximum.accumulate(high)


def _expit(logit: Array) -> Array:
    return np.asarray(1 / (1 + np.exp(-logit)))


def _came(p: Array, rho: Array, out: Array, sown: Sown) -> Array:
    """Share of seeds, or of cells sown like `sown`, that have come when a share `out` of what
    emerges is out.
    """
    p, rho = np.broadcast_arrays(p, rho)
    out = np.broadcast_to(out, np.broadcast_shapes(p.shape, out.shape))
    if not sown:
        return np.asarray(p * out)
    return np.asarray(sum(part * (1 - empty_by(p, rho, out, rate)) for rate, part in sown))
