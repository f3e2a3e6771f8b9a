"""The day up to which emergence is counted: none is promised from days on which nobody looked.

A law of timing always has a tail, and a tail that no check has reached is a guess. So shares, and
all that follows from them, refer to a horizon: a day on the species' own clock up to which enough
of a lot's trays were looked at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from germstats.engine.likelihood import Origin
from germstats.engine.lots import LotRecords, groups_of
from germstats.engine.timing import Array
from germstats.records.intervals.patterns import Patterns, seen_by
from germstats.records.seasons import SPRING_ENDS, day_in_years
from germstats.records.tables import Trays

ENOUGH_TRAYS = 0.25
"""Share of a lot's trays with seed still to come that must have been looked at on the day or later,
and two of them where there are two; common practice, no source.
"""
_FIRST_DAY = 1.0
"""Of a horizon on any clock, so that its logarithm is known."""
_SAME_DAYS = 7.0
"""Single looks further apart cannot be read as one count; common practice, no source."""


class Basis(StrEnum):
    """What a horizon comes from.

    Finished springs of the lot, its only spring, other lots of its species, all species, or trays
    in which every seed had come (then it is the end of the spring).
    """

    LOOKED_AT = "looked at"
    SEASON_NOT_OVER = "season not over"
    SPECIES = "species"
    BOOK = "book"
    ALL_CAME = "all came"


@dataclass(frozen=True)
class Horizon:
    """Up to when the emergence of a lot is counted.

    Attributes
    ----------
    day : float
        Days on the clock of the species.
    origin : {"sowing", "1 February"}
        Where that clock starts.
    basis : Basis
    mixed_looks : bool
        No tray was looked at twice, and the single looks lie more than a week apart: few and late
        look alike.
    """

    day: float
    origin: Origin
    basis: Basis
    mixed_looks: bool = False

    def from_sowing(self, origin_days: Array | float) -> Array:
        """Days from sowing, where 1 February is `origin_days` after it."""
        return np.asarray(
            self.day + (np.asarray(origin_days) if self.origin == "1 February" else 0.0)
        )


@dataclass(frozen=True)
class Horizons:
    """Horizons of lots, of species for lots not sown yet, and of species not sown yet.

    Attributes
    ----------
    lots : dict
        (Species or None, lot) -> Horizon.
    groups : dict
        Species (or lot, where species are not recorded) -> Horizon.
    book : Horizon
        The middle one of all species', as days after 1 February.
    """

    lots: Mapping[tuple[str | None, str], Horizon]
    groups: Mapping[str, Horizon]
    book: Horizon

    def of(self, species: str | None, lot: str) -> Horizon:
        """That of a lot, else of its species, else of the book."""
        own = self.lots.get((species, lot))
        if own is not None:
            return own
        return self.groups.get(lot if species is None else species, self.book)


def spring_end_days(trays: pd.DataFrame, spring_ends: tuple[int, int] = SPRING_ENDS) -> Array:
    """Days from sowing to the end of the spring in which each tray is judged, (T,).

    Parameters
    ----------
    trays : pandas.DataFrame
        Rows of `Patterns.trays`.
    spring_ends : (month, day)
    """
    starts = trays[Trays.sown_on] + pd.to_timedelta(trays["origin_days"], unit="D")
    ends = day_in_years(starts.dt.year, spring_ends)
    return np.asarray((ends - pd.DatetimeIndex(trays[Trays.sown_on])).days, dtype=float)


def find_horizons(
    patterns: Patterns,
    lots: tuple[LotRecords, ...],
    origins: Mapping[str, Origin],
    spring_ends: tuple[int, int] = SPRING_ENDS,
) -> Horizons:
    """Up to when the emergence of each lot can be counted.

    Parameters
    ----------
    patterns : Patterns
    lots : tuple of LotRecords
    origins : dict
        Species (or lot, where species are not recorded) -> where its clock starts.
    spring_ends : (month, day)

    Returns
    -------
    Horizons
    """
    facts = _facts(patterns.trays, origins, spring_ends)
    under_way = _under_way(facts)
    groups = {
        group: _horizon(facts[facts["group"] == group], under_way, origins[group])
        for group in dict.fromkeys(facts["group"])
    }
    of_lots = {
        (lot.species, lot.lot): _horizon_of_lot(lot, facts, under_way, groups[lot.group])
        for lot in lots
    }
    return Horizons(of_lots, groups, _horizon_of_book(facts, groups))


def _horizon_of_lot(
    lot: LotRecords, facts: pd.DataFrame, under_way: int, of_species: Horizon
) -> Horizon:
    """That of its own finished springs, else of its species."""
    own = facts.iloc[lot.codes]
    horizon = of_species
    if own["season"].min() < under_way or of_species.basis == Basis.SEASON_NOT_OVER:
        horizon = _horizon(own, under_way, of_species.origin)
    elif of_species.basis == Basis.LOOKED_AT:
        horizon = replace(of_species, basis=Basis.SPECIES)
    mixed = not lot.timed and float(np.ptp(own["day"])) > _SAME_DAYS
    return replace(horizon, mixed_looks=mixed)


def _horizon_of_book(facts: pd.DataFrame, groups: Mapping[str, Horizon]) -> Horizon:
    """The middle one of all species', as days after 1 February."""
    february = facts.groupby("group")["origin"].mean()
    after_february = [
        one.day - (february[group] if one.origin == "sowing" else 0.0)
        for group, one in groups.items()
    ]
    day = max(float(np.median(after_february)), _FIRST_DAY)
    return Horizon(day, "1 February", Basis.BOOK)


def _facts(
    trays: pd.DataFrame,
    origins: Mapping[str, Origin],
    spring_ends: tuple[int, int],
    usual: Origin = "sowing",
) -> pd.DataFrame:
    """What decides the horizon, by tray.

    Columns are ``group``, ``season``, ``origin`` (days from sowing to 1 February), ``complete``,
    and on the clock of its species ``day`` (of its last look) and ``ends`` (of its spring).
    """
    groups = groups_of(trays).to_numpy()
    origin = trays["origin_days"].to_numpy(dtype=float)
    from_february = np.array([origins.get(group, usual) == "1 February" for group in groups])
    start = np.where(from_february, origin, 0.0)  # of the clock, days from sowing
    return pd.DataFrame(
        {
            "group": groups,
            "season": trays[Trays.season].to_numpy(dtype=int),
            "origin": origin,
            "complete": _complete(trays),
            "day": trays["last_day"].to_numpy(dtype=float) - start,
            "ends": spring_end_days(trays, spring_ends) - start,
        }
    )


def _complete(trays: pd.DataFrame) -> NDArray[np.bool_]:
    """Trays in which nothing is left to come, (T,).

    Every seed is up, or every cell filled where only that was written.
    """
    emerged, seeds, filled, cells = (
        trays[name].to_numpy(dtype=float) for name in ("emerged", "seeds", "filled", "cells")
    )
    knows_cells_only = trays["record"].isin(["occupancy", "totals"]).to_numpy()
    all_filled = knows_cells_only & (filled >= cells)
    return np.asarray((emerged >= seeds) | all_filled, dtype=bool)


def _under_way(facts: pd.DataFrame) -> int:
    """The latest season, if it was not looked at to its end; else the one after it."""
    latest = int(facts["season"].max())
    here = facts[(facts["season"] == latest) & ~facts["complete"]]
    return latest if len(here) and (here["day"] < here["ends"]).all() else latest + 1


def _horizon(own: pd.DataFrame, under_way: int, origin: Origin) -> Horizon:
    """The horizon of some trays of one clock, by those of finished springs if there are any."""
    finished = own[own["season"] < under_way]
    basis = Basis.LOOKED_AT if len(finished) else Basis.SEASON_NOT_OVER
    asked = finished if len(finished) else own
    open_trays = asked[~asked["complete"]]
    if open_trays.empty:
        return Horizon(max(float(asked["ends"].max()), _FIRST_DAY), origin, Basis.ALL_CAME)
    days = np.sort(open_trays["day"].to_numpy(dtype=float))[::-1]
    needed = max(int(np.ceil(ENOUGH_TRAYS * len(days) - 1e-9)), min(2, len(days)))
    return Horizon(max(float(days[needed - 1]), _FIRST_DAY), origin, basis)


def nearest_looks(patterns: Patterns, days: Array) -> Array:
    """The horizon of each tray, moved to its first look after it if that is nearer than the last.

    A tray looked at little, and above all one listed only when something stood in it, would lose
    what it says: one that was empty long after the horizon was empty on it. What comes between the
    two days counts as come by the horizon.

    Parameters
    ----------
    patterns : Patterns
        With `Patterns.units`.
    days : (T,) array
        Days from sowing.

    Returns
    -------
    (T,) array
    """
    units = patterns.units
    assert units is not None, "these patterns do not know when trays were looked at"
    tray = units.looks["tray"].to_numpy(dtype=np.int64)
    day = units.looks["day"].to_numpy(dtype=float)
    before, after = np.zeros(len(days)), np.full(len(days), np.inf)
    early = day <= days[tray]
    np.maximum.at(before, tray[early], day[early])
    np.minimum.at(after, tray[~early], day[~early])
    return np.asarray(np.where(after - days < days - before, after, days))


def pair_horizon(
    patterns: Patterns,
    arms: Sequence[NDArray[np.int64]],
    origin: Origin,
    spring_ends: tuple[int, int],
) -> Horizon:
    """Up to when two levels of a trial can be counted together: the earlier of theirs.

    Parameters
    ----------
    patterns : Patterns
    arms : sequence of int arrays
        Tray codes of each level.
    origin : {"sowing", "1 February"}
    spring_ends : (month, day)

    Returns
    -------
    Horizon
    """
    facts = _facts(patterns.trays, {}, spring_ends, origin)
    under_way = _under_way(facts)
    horizons = [_horizon(facts.iloc[codes], under_way, origin) for codes in arms]
    return min(horizons, key=lambda one: one.day)


def counted_up_to(
    patterns: Patterns,
    lots: tuple[LotRecords, ...],
    horizons: Horizons,
    spring_ends: tuple[int, int] = SPRING_ENDS,
) -> Patterns:
    """The records up to each lot's horizon, with ``horizon`` (days from sowing) in ``trays``.

    Lots whose trays were each looked at once keep their counts. Patterns that were not read from a
    book keep all looks: days after the horizon then count as the horizon.

    Parameters
    ----------
    patterns : Patterns
    lots : tuple of LotRecords
        Of these patterns.
    horizons : Horizons
    spring_ends : (month, day)

    Returns
    -------
    Patterns
        The same trays in the same order.
    """
    trays = patterns.trays
    day = np.full(len(trays), np.inf)
    kept = np.zeros(len(trays), dtype=bool)
    origin = trays["origin_days"].to_numpy(dtype=float)
    for lot in lots:
        day[lot.codes] = horizons.lots[lot.species, lot.lot].from_sowing(origin[lot.codes])
        kept[lot.codes] = not lot.timed
    day = np.maximum(np.minimum(day, spring_end_days(trays, spring_ends)), _FIRST_DAY)
    day = day if patterns.units is None else nearest_looks(patterns, day)
    return up_to(patterns, day, np.where(kept, np.inf, day))


def up_to(patterns: Patterns, horizon: Array, cut: Array) -> Patterns:
    """The records up to some days, with ``horizon`` (days from sowing) in ``trays``.

    Patterns that were not read from a book keep all looks, and a horizon no earlier than the last.

    Parameters
    ----------
    patterns : Patterns
    horizon, cut : (T,) arrays
        Days from sowing up to which emergence is counted (inf: the end of all days), and after
        which nothing seen is kept (inf: every look).

    Returns
    -------
    Patterns
    """
    if patterns.units is None:
        horizon = np.maximum(horizon, patterns.trays["last_day"].to_numpy(dtype=float))
    else:
        patterns = seen_by(patterns, cut)
    return replace(patterns, trays=patterns.trays.assign(horizon=horizon))
