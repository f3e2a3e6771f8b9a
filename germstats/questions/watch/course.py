"""The spring of every tray day by day, as draws: what is filled, what will be, and when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from germstats.engine.arrays import Index
from germstats.engine.draws import even_draws
from germstats.engine.fit import EmergenceFit
from germstats.engine.quantiles import weighted_values
from germstats.engine.timing import Array
from germstats.forecast.tray import empty_share
from germstats.forecast.weather import HeatClock
from germstats.forecast.within_season import CourseSpec, SeasonForecast, finish_season
from germstats.questions.watch.spec import Window
from germstats.records.intervals.patterns import ONE_SEED
from germstats.records.intervals.seed_totals import seeds_as_cells, told_by_seeds
from germstats.records.seasons import FIRST_OF_FEBRUARY
from germstats.records.tables import Trays

_DRAWS = 400
_FROM, _STEP = -60.0, 2.0  # days from 1 February
_WINDOW = np.array([0.05, 0.95])  # what nine in ten draws lie within
_REMAINING = 0.05
"""Share of a lot's remaining plugs still to come after which waiting is pointless (the
design's).
"""
# of the cells a lot will fill: the K-th plant where no order says otherwise; common practice, no
# source
_MOST = 0.9
_NOTHING = 0.5  # expected cells, of a whole lot, that are not worth a wait


@dataclass(frozen=True)
class SpringCourse:
    """Trays of one spring, U of them.

    Attributes
    ----------
    trays : pandas.DataFrame
        Their rows as sown, index 0..U-1. ``counted`` is what the numbers of a tray count, ``cells``
        or, where only seedlings were, ``seeds``, each of which stands as a cell of its own;
        ``rate`` is what was sown in one of them, ``tray_rate`` what was sown in a real cell.
    checked : (U,) bool array
        Whether the tray has a check that counts.
    cells, now : (U,) int arrays
        Cells known, and filled by the last check.
    last_day : (U,) array
        Days from sowing to the last check; 0 before the first.
    final : (N, U) int array
    weight : (N,) array
    dates : pandas.DatetimeIndex, (D,)
    course : (N, D, U) array
        Cells expected to be filled by each date.
    on : pandas.Timestamp
        The day of the forecast.
    rho : float
        Correlation of the fates of two seeds of one cell, by the fit.
    """

    trays: pd.DataFrame
    checked: NDArray[np.bool_]
    cells: Index
    now: Index
    last_day: Array
    final: Index
    weight: Array
    dates: pd.DatetimeIndex
    course: Array
    on: pd.Timestamp
    rho: float = 0.0

    def plugs(self, k: int, numbers: Array | Index) -> Array:
        """Plants that a tray gives where so many (N,) of it come: one for each filled cell.

        Seedlings of a tray fill as many cells as such a share of its seeds does on average; those
        of a tray of one cell, a flat, are all pricked out (common practice, no source).
        """
        row = self.trays.iloc[k]
        came: Array = numbers.astype(float)
        if row["counted"] == "cells" or row["tray_cells"] == 1:
            return came
        share = came / max(float(self.cells[k]), 1.0)
        empty = empty_share(share, np.full(share.shape, self.rho), row["tray_rate"])
        return np.asarray(float(row["tray_cells"]) * (1 - empty))

    def quantiles(self, values: Array | Index) -> tuple[int, int]:
        """5 and 95 % points of whole numbers (N,)."""
        low, high = weighted_values(values, self.weight, _WINDOW)
        return int(low), int(high)

    def window(self, filled: Array, wanted: Array | float) -> Window | None:
        """90 % window of the date by which `filled` (N, D) reaches `wanted`, in draws that do.

        None where few do; a day gone by is given as the day of the forecast.
        """
        reached = filled >= np.broadcast_to(np.asarray(wanted, dtype=float), len(filled))[:, None]
        does = reached.any(axis=1)
        if float(self.weight @ does) < _REMAINING:
            return None
        low, high = weighted_values(reached.argmax(axis=1)[does], self.weight[does], _WINDOW)
        return max(self.dates[int(low)], self.on), max(self.dates[int(high)], self.on)


def course_of(
    fit: EmergenceFit,
    trays: pd.DataFrame,
    closed: Mapping[str, int],
    clock: HeatClock | None,
    on: pd.Timestamp,
) -> SpringCourse:
    """Forecast the trays of a spring from all records so far.

    Parameters
    ----------
    fit : EmergenceFit
        Of the records so far; trays not looked at yet are in it with a look at sowing.
    trays : pandas.DataFrame
        As sown, of this spring, with ``checked``; those without a record in the fit are left out.
    closed : mapping
        Tray -> empty cells that can fill no more.
    clock : HeatClock or None
        Set where the fit's days are counted by heat.
    on : pandas.Timestamp

    Returns
    -------
    SpringCourse
    """
    trays, known = _with_records(fit, trays)
    closed = {**closed, **_closed_seeds(closed, known[known["by_seeds"]], fit.patterns.trays)}

    # days of the calendar from 1 February on, and what the fit's clock shows on them
    spring = int(trays["judged"].iloc[0]) if len(trays) else on.year
    start = pd.Timestamp(spring, *FIRST_OF_FEBRUARY)
    end = float((trays["window_end"].iloc[0] - start).days) if len(trays) else 0.0
    calendar = np.append(np.arange(_FROM, end, _STEP), end)
    days = calendar if clock is None else clock.heat_days(spring, calendar)

    seasons = sorted({int(season) for season in trays[Trays.season]})
    finished = [
        finish_season(fit, season, _DRAWS, course=CourseSpec(days, closed)) for season in seasons
    ]
    columns = _Columns(finished, tuple(trays[Trays.tray].astype(str)))
    filled = columns.of("course", np.zeros((1, len(calendar), 0)))
    if clock is not None:
        filled = _in_weathers(filled, days, clock.onward(spring, calendar))
    no_trays = np.zeros(0, dtype=np.int64)
    return SpringCourse(
        trays=trays,
        checked=trays["checked"].to_numpy(dtype=bool),
        cells=columns.of("cells", no_trays),
        now=columns.of("filled_now", no_trays),
        last_day=known["last_day"].to_numpy(dtype=float),
        final=columns.of("final", np.zeros((1, 0), dtype=np.int64)),
        weight=finished[0].weight if finished else np.ones(1),
        dates=start + pd.to_timedelta(calendar, unit="D"),
        course=filled,
        on=on,
        rho=_rho(fit),
    )


def _with_records(fit: EmergenceFit, trays: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Trays with a record in the fit, and that record, row by row; where only seedlings were
    counted, each seed stands as a cell of its own.
    """
    counts = seeds_as_cells(fit.patterns)
    known = counts.trays.assign(by_seeds=told_by_seeds(fit.patterns)).set_index(Trays.tray)
    there = known.index[known["filled"].notna()]
    trays = trays[trays[Trays.tray].isin(there)].reset_index(drop=True)
    known = known.loc[list(trays[Trays.tray])]
    by_seeds = known["by_seeds"].to_numpy(dtype=bool)
    trays = trays.assign(
        counted=np.where(by_seeds, "seeds", "cells"),
        tray_rate=trays["rate"],
        rate=trays["rate"].where(~by_seeds, ONE_SEED),
    )
    return trays, known


class _Columns:
    """Forecasts of several seasons, read tray by tray."""

    def __init__(self, seasons: Sequence[SeasonForecast], trays: tuple[str, ...]) -> None:
        self._seasons = seasons
        places = {
            tray: (k, place)
            for k, season in enumerate(seasons)
            for place, tray in enumerate(season.trays)
        }
        self._at = [places[tray] for tray in trays]

    def of(self, name: str, empty: Array | Index) -> Any:
        """A field of the forecasts, trays along its last axis; `empty` where there are none."""
        parts = [getattr(self._seasons[k], name)[..., place] for k, place in self._at]
        return np.stack(parts, axis=-1) if parts else empty


def mixed(
    courses: Sequence[tuple[SpringCourse, Mapping[str, float]]],
    group_of: Sequence[str],
    seed: int = 0,
) -> SpringCourse:
    """Courses of the same trays under several laws of timing as one: each species' draws come from
    its laws by weight.

    Parameters
    ----------
    courses : sequence of (Course, dict)
        With the weight of its law for each species (or lot).
    group_of : sequence of str
        Species (or lot) of each tray.
    seed : int

    Returns
    -------
    Course
        With equally likely draws; those of one species belong together.
    """
    first = courses[0][0]
    if len(courses) == 1:
        return first
    size = len(first.weight)
    order = np.random.default_rng(seed).permutation(size)
    picked = [even_draws(one.weight, size)[order] for one, _ in courses]
    final = np.empty((size, first.final.shape[1]), dtype=first.final.dtype)
    course = np.empty((size, *first.course.shape[1:]))
    groups = np.array(group_of)
    for group in dict.fromkeys(group_of):
        at = np.flatnonzero(groups == group)
        share = np.cumsum([weights.get(group, 0.0) for _, weights in courses])
        ends = np.round(size * share / share[-1]).astype(int)
        for (one, _), rows, begin, end in zip(courses, picked, [0, *ends[:-1]], ends, strict=True):
            final[begin:end, at] = one.final[np.ix_(rows[begin:end], at)]
            course[begin:end, :, at] = one.course[rows[begin:end]][:, :, at]
    return replace(first, final=final, course=course, weight=np.full(size, 1 / size))


def _rho(fit: EmergenceFit) -> float:
    """Mean of the cell scatter over the fit's draws."""
    draws = fit.pooled.draws
    weight = sum(draw.weight for draw in draws)
    return sum(draw.weight * draw.components.rho for draw in draws) / weight


def _closed_seeds(
    closed: Mapping[str, int], by_seeds: pd.DataFrame, sown: pd.DataFrame
) -> dict[str, int]:
    """Tray -> seeds not up that can come no more: those of the closed cells, as many of which came
    as elsewhere.
    """
    cells = dict(zip(sown["tray"], sown["cells"], strict=True))
    return {
        str(tray): round(closed[str(tray)] / cells[tray] * (row["cells"] - row["filled"]))
        for tray, row in by_seeds.iterrows()
        if str(tray) in closed
    }


def _in_weathers(course: Array, told: Array, onward: Array) -> Array:
    """The course by date, each draw under one of the weathers (S, D) that may come; the end stays
    the end.

    Parameters
    ----------
    course : (N, D, U) array
        By the heat days `told`.
    told : (D,) array
    onward : (S, D) array
        Heat days that each weather brings by the dates.
    """
    at = np.searchsorted(told, onward + 1e-9, side="right") - 1
    at = np.clip(at, 0, len(told) - 1)
    at[:, -1] = len(told) - 1
    return np.asarray(np.stack([one[at[n % len(at)]] for n, one in enumerate(course)]))


def seen_by_date(course: SpringCourse, at: Index, seed: int = 0) -> Index:
    """(N, D) draws of the cells of these trays filled by each date: whole cells, where `course`
    holds expectations.
    """
    rng = np.random.default_rng(seed)
    now = course.now[at]
    more = course.final[:, at] - now
    whole = np.maximum(course.course[:, -1, at] - now, 1e-12)
    came = np.clip((course.course[:, :, at] - now) / whole[:, None], 0.0, 1.0)
    filled = np.repeat(np.full((len(more), 1), now.sum()), len(course.dates), axis=1)
    before = np.zeros_like(whole)
    for day in range(len(course.dates)):
        step = np.clip((came[:, day] - before) / np.maximum(1 - before, 1e-12), 0.0, 1.0)
        new = rng.binomial(more, step)
        more, before = more - new, came[:, day]
        filled[:, day:] += new.sum(axis=1)[:, None]
    return np.asarray(filled, dtype=np.int64)


def plugs_by_date(course: SpringCourse, at: Index) -> Array:
    """(N, D) draws of the plants that these trays have given by each date."""
    by_cells = at[(course.trays["counted"].iloc[at] == "cells").to_numpy()]
    total = seen_by_date(course, by_cells).astype(float)
    for k in np.setdiff1d(at, by_cells).tolist():
        total = total + course.plugs(k, seen_by_date(course, np.array([k])))
    return np.asarray(total)


def windows(course: SpringCourse, at: Index) -> tuple[Window | None, Window | None, Window | None]:
    """Windows of the first cell of these trays, of half of those they will fill, and of nine in
    ten.
    """
    filled = seen_by_date(course, at).astype(float)
    final = course.final[:, at].sum(axis=1)
    wanted = [np.maximum(np.ceil(share * final), 1.0) for share in (0.0, 0.5, _MOST)]
    first, half, most = (course.window(filled, number) for number in wanted)
    return first, half, most


def give_up_day(course: SpringCourse, at: Index, on: pd.Timestamp) -> pd.Timestamp | None:
    """The day after which under 5 % of what these trays still lack would come; None where nothing
    is to come.
    """
    mean = np.einsum("n,ndu->d", course.weight, course.course[:, :, at])
    end, now = float(mean[-1]), float(course.now[at].sum())
    if end - now < _NOTHING:
        return None
    left = (end - np.maximum(mean, now)) / (end - now)
    return max(course.dates[int((left < _REMAINING).argmax())], on)
