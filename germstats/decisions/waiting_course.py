"""The spring of every tray day by day, as draws: what is filled, what will be, and when."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from germstats.decisions.waiting_spec import Window
from germstats.models.compiled import Index
from germstats.models.draws import RowDraws
from germstats.models.emergence import EmergenceFit
from germstats.models.forecast import empty_by
from germstats.models.halfway import finish_season
from germstats.models.new_lots import new_lot, unknown_species
from germstats.models.order_forecast import even_draws
from germstats.models.timing import FAMILIES, Array
from germstats.models.weather import HeatClock
from germstats.records.seeds import SowingRate

_DRAWS = 400
_STEP = 2.0
_REMAINING = 0.05
"""Share of a lot's remaining plugs still to come after which waiting is pointless (the design's)."""
_NOTHING = 0.5  # expected cells, of a whole lot, that are not worth a wait


@dataclass(frozen=True)
class Course:
    """Trays of one spring, U of them.

    Attributes
    ----------
    trays : pandas.DataFrame
        Their rows as sown, index 0..U-1.
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
        The day it is told on.
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

    def quantiles(self, values: Array | Index) -> tuple[int, int]:
        """5 and 95 % points of whole numbers (N,)."""
        low, high = self._points(values, self.weight)
        return int(low), int(high)

    @staticmethod
    def _points(values: Array | Index, weight: Array) -> tuple[float, float]:
        """The values that hold 5 and 95 % of the weight."""
        order = np.argsort(values, kind="stable")
        steps = np.cumsum(weight[order]) / weight.sum()
        at = np.minimum(np.searchsorted(steps, [0.05, 0.95]), len(values) - 1)
        low, high = np.asarray(values)[order][at].astype(float)
        return float(low), float(high)

    def window(self, filled: Array, wanted: Array | float) -> Window | None:
        """90 % window of the date by which `filled` (N, D) reaches `wanted`, in draws that do.

        None where few do; a day gone by is given as the day it is told on.
        """
        reached = filled >= np.broadcast_to(np.asarray(wanted, dtype=float), len(filled))[:, None]
        does = reached.any(axis=1)
        if float(self.weight @ does) < _REMAINING:
            return None
        low, high = self._points(reached.argmax(axis=1)[does], self.weight[does])
        return max(self.dates[int(low)], self.on), max(self.dates[int(high)], self.on)


def course_of(
    fit: EmergenceFit, trays: pd.DataFrame, left_out: Mapping[str, str], clock: HeatClock | None, on: pd.Timestamp
) -> Course:
    """Forecast the trays of a spring: from their checks so far, or from the past alone before the first.

    Parameters
    ----------
    fit : EmergenceFit
        Of the records so far.
    trays : pandas.DataFrame
        As sown, of this spring.
    left_out : mapping
        Trays kept out by a finding: nothing is foretold of them.
    clock : HeatClock or None
        Set where the fit's days are told by heat.
    on : pandas.Timestamp

    Returns
    -------
    Course
    """
    spring = int(trays["judged"].iloc[0]) if len(trays) else on.year
    grid = np.arange(-60.0, 182.0, _STEP)
    days = grid if clock is None else clock.heat_days(spring, grid)
    seasons = sorted({int(y) for y in trays["season"]} & {int(y) for y in fit.patterns.trays["season"]})
    told: dict[str, tuple[int, int, float, Index, Array]] = {}
    weight = np.full(_DRAWS, 1 / _DRAWS)
    last = dict(zip(fit.patterns.trays["tray"], fit.patterns.trays["last_day"], strict=True))
    for season in seasons:
        found = finish_season(fit, season, _DRAWS, days=days)
        weight = found.weight
        for k, tray in enumerate(found.trays):
            told[tray] = (int(found.cells[k]), int(found.filled_now[k]), float(last[tray]), found.final[:, k],
                          found.course[:, :, k])  # fmt: skip
    usable = [str(tray) for tray in trays["tray"] if tray in told or tray not in left_out]
    kept = trays[trays["tray"].isin(usable)].reset_index(drop=True)
    rng = np.random.default_rng(spring)
    columns = [told.get(str(row["tray"])) or _before_checks(fit, row, days, len(weight), rng)
               for row in kept.to_dict("records")]  # fmt: skip
    dates = pd.DatetimeIndex([pd.Timestamp(spring, 2, 1) + pd.Timedelta(days=float(d)) for d in grid])
    size = (len(weight), len(dates))
    return Course(
        kept,
        np.array([tray in told for tray in kept["tray"]], dtype=bool),
        np.array([one[0] for one in columns], dtype=np.int64),
        np.array([one[1] for one in columns], dtype=np.int64),
        np.array([one[2] for one in columns], dtype=float),
        np.stack([one[3] for one in columns], axis=1) if columns else np.zeros((size[0], 0), dtype=np.int64),
        weight,
        dates,
        np.stack([one[4] for one in columns], axis=2) if columns else np.zeros((*size, 0)),
        on,
    )


def _before_checks(
    fit: EmergenceFit, tray: dict[Any, Any], days: Array, size: int, rng: np.random.Generator
) -> tuple[int, int, float, Index, Array]:
    """A tray not looked at yet, from the past alone: fresh tray and spring effects."""
    draws = known_draws(fit, tray)
    at = np.resize(even_draws(draws, size), size)
    rate: SowingRate = tray["rate"]
    cells = int(tray["tray_cells"])
    spread = np.hypot(draws.tray_sd[at], draws.season_sd[at])
    p = expit(draws.theta[at] + spread * rng.standard_normal(size))
    shape = (size, len(days))
    share = np.broadcast_to((days >= 0).astype(float), shape)
    if draws.time is not None:
        time = draws.time
        origin = float((tray["origin"] - tray["sown_on"]).days) if time.origin == "sowing" else 0.0
        mu = time.mu[at] + np.hypot(time.tray_sd[at], time.season_sd[at]) * rng.standard_normal(size)
        elapsed = np.log(np.maximum(days + origin, 1e-3))
        share = FAMILIES[time.family].cdf((elapsed - mu[:, None]) / time.sigma[at][:, None])
    grid = np.broadcast_to(p[:, None], shape), np.broadcast_to(draws.rho[at][:, None], shape)
    fill = 1 - empty_by(*grid, share, rate)
    final = rng.binomial(cells, np.clip(1 - empty_by(p, draws.rho[at], np.ones(size), rate), 0.0, 1.0))
    return cells, 0, 0.0, final.astype(np.int64), cells * fill


def known_draws(fit: EmergenceFit, tray: dict[Any, Any]) -> RowDraws:
    """What the past says of a tray's lot and treatment, else of its species, else of all species."""
    species, lot, label = tray["species"], str(tray["lot"]), str(tray["treatment"])
    own = [row for row in fit.rows if row.lot == lot and row.label == label]
    if own:
        return own[0].draws
    if species is not None and any(row.species == species for row in fit.rows):
        return new_lot(fit, str(species), label)
    return unknown_species(fit)


def windows(course: Course, at: Index) -> tuple[Window | None, Window | None, Window | None]:
    """Windows of the first cell of these trays, of half of those they will fill, and of nine in ten."""
    filled, final = course.course[:, :, at].sum(axis=2), course.final[:, at].sum(axis=1)
    ends = filled[:, -1]
    some = np.where(final > 0, 1.0, np.inf)
    return (course.window(filled, np.minimum(some, np.maximum(ends, 1e-9)) if (ends > 0).any() else some),
            course.window(filled, np.where(ends > 0, ends / 2, np.inf)),
            course.window(filled, np.where(ends > 0, 0.9 * ends, np.inf)))  # fmt: skip


def give_up_day(course: Course, at: Index, on: pd.Timestamp) -> pd.Timestamp | None:
    """The day after which under 5 % of what these trays still lack would come; None where nothing is to come."""
    mean = np.einsum("n,ndu->d", course.weight, course.course[:, :, at])
    end, now = float(mean[-1]), float(course.now[at].sum())
    if end - now < _NOTHING:
        return None
    left = end - np.maximum(mean, now)
    day = course.dates[int((left <= _REMAINING * (end - now)).argmax())]
    return max(day, on)
