"""Which effects a tray carries: species, treatments, springs and places, with their priors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

import numpy as np
import pandas as pd

from germstats.engine.arrays import Index, compile_patterns, taken_as_final
from germstats.engine.hierarchy import Hierarchy, Part, State, VarianceComponents, start_state
from germstats.engine.laplace import BetaPrior, PooledMode, find_pooled_mode
from germstats.engine.likelihood import Origin, share_out_by
from germstats.engine.lots import LotRecords, groups_of
from germstats.engine.priors import Scatter, TimePriors
from germstats.engine.timing import FAMILIES, Array
from germstats.engine.variance_components import COORDINATES, ComponentSet
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Species, Trays

SHARE_SD = float(np.pi)
"""Of the prior of what all species have in common on logit p, or of the only one: that of a logit
under Jeffreys' prior of a share, Beta(1/2, 1/2), whose variance is 2 psi'(1/2) = pi^2. How far
species lie about it is learned.
"""
TREATMENT_SD, TREATMENT_TIME_SD = 1.0, 0.15
"""Spread of a treatment's effect within a species, on logit p and on log time; common practice, no
source.
"""
CHILL_SD = 0.25
"""Usual size of a spring's slope on the weeks of cold a species needs, per ten weeks, on logit p;
heavy-tailed.
"""
_PER_WEEKS = 10.0
_LEAST_SD = 1e-3
"""Of a component that is held; its precision stays finite."""

SHARE, TIME, SPREAD = 0, 1, 2
"""The three predictors of a tray: logit p, log time, log sigma."""
_OF_SPRINGS = ("season", "species in season")
ALL_SPECIES = ("all species", SHARE)
"""Name of the effect about which species lie, where there are several."""


@dataclass(frozen=True)
class Columns:
    """Common effects by name, with their priors.

    Attributes
    ----------
    at : dict
        Name such as ("species", SHARE, "PEAT") -> column.
    """

    at: dict[tuple[object, ...], int] = field(default_factory=dict)
    mean: list[float] = field(default_factory=list)
    sd: list[float] = field(default_factory=list)
    heavy: list[bool] = field(default_factory=list)
    component: list[str] = field(default_factory=list)

    def add(
        self,
        name: tuple[object, ...],
        sd: float = 1.0,
        *,
        mean: float = 0.0,
        heavy: bool = False,
        component: str = "",
    ) -> None:
        """Append a column; one with sd 0 is left out.

        Parameters
        ----------
        name : tuple
        sd, mean : float
            Of its prior.
        heavy : bool
            Whether it has a t law.
        component : str
            Field of `VarianceComponents` that is its sd instead.
        """
        if sd <= 0 or name in self.at:
            return
        self.at[name] = len(self.mean)
        self.mean.append(mean)
        self.sd.append(sd)
        self.heavy.append(heavy)
        self.component.append(component)

    def row(self, key: TrayKey) -> Array:
        """(3, P) design row of `key`; effects without a column are left out."""
        row = np.zeros((3, len(self.mean)))
        for what, name, weight in _effects(key):
            if name in self.at:
                row[what, self.at[name]] += weight
        return row

    def prior(self) -> BetaPrior:
        """The columns' priors as arrays."""
        component = np.array(self.component)
        names = np.unique(component[component != ""])
        return BetaPrior(
            mean=np.array(self.mean),
            sd=np.array(self.sd),
            heavy=np.array(self.heavy, dtype=bool),
            learned={str(name): component == name for name in names},
        )


@dataclass(frozen=True)
class TrayKey:
    """What decides a tray's common effects; None leaves an effect out.

    Attributes
    ----------
    group : str
        Its species.
    label : str or None
        Its treatment.
    season : int or None
        None: an ordinary spring.
    place : str or None
        None: an average place.
    chill : float or None
        Weeks of cold the species needs.
    late : float
        What a spring later by one on log days takes from the logit of the share by the horizon.
    """

    group: str
    label: str | None
    season: int | None = None
    place: str | None = None
    chill: float | None = None
    late: float = 0.0


@dataclass(frozen=True)
class PooledDesign:
    """A nursery's trays laid out for the pooled fit.

    Attributes
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    columns : Columns
    lots : tuple of LotRecords
        In the order of the hierarchy's lots.
    order : (T,) int array
        Tray code in the patterns of each tray of the hierarchy.
    chill : dict
        Species -> weeks of cold it needs, where given.
    seasons : tuple of int
        Seasons on record, ascending.
    late : dict
        (Species or None, lot) -> what a spring later by one on log days takes from the logit of its
        share by the horizon; empty where shares are counted to the end of all days.
    """

    hierarchy: Hierarchy
    prior: BetaPrior
    columns: Columns
    lots: tuple[LotRecords, ...]
    order: Index
    chill: dict[str, float]
    seasons: tuple[int, ...]
    late: dict[tuple[str | None, str], float] = field(default_factory=dict)

    @cached_property
    def of_springs(self) -> Array:
        """(P,) 1 for effects of springs on time, 0 for others."""
        return np.array(
            [float(name[0] in _OF_SPRINGS and name[1] == TIME) for name in self.columns.at]
        )

    @cached_property
    def place_of(self) -> Index:
        """(T,) int array: place in the hierarchy of each tray code."""
        return np.argsort(self.order)


Effect = tuple[object, ...]


def _effects(key: TrayKey) -> list[tuple[int, Effect, float]]:
    """The common effects of a tray: on which predictor, name, weight."""
    effects: list[tuple[int, Effect, float]] = [(SHARE, ALL_SPECIES, 1.0)]
    for what in (SHARE, TIME, SPREAD):
        effects.append((what, ("species", what, key.group), 1.0))
        effects.append((what, ("treatment", what, key.group, key.label), 1.0))
        effects.append((what, ("season", what, key.season), 1.0))
        effects.append((what, ("species in season", what, key.group, key.season), 1.0))
    if key.late:
        effects.append((SHARE, ("season", TIME, key.season), -key.late))
        effects.append((SHARE, ("species in season", TIME, key.group, key.season), -key.late))
    if key.chill:
        effects.append((SHARE, ("chill", SHARE, key.season), key.chill / _PER_WEEKS))
    effects.append((SHARE, ("place", SHARE, key.season, key.place), 1.0))
    return effects


def build_design(
    patterns: Patterns,
    lots: tuple[LotRecords, ...],
    laws: dict[str, tuple[str, Origin]],
    priors: dict[str, TimePriors],
    scatter: Scatter,
    current: int | None = None,
    late: Mapping[tuple[str | None, str], float] = MappingProxyType({}),
) -> PooledDesign:
    """Lay out trays, lots and common effects.

    Parameters
    ----------
    patterns : Patterns
    lots : tuple of LotRecords
    laws : dict
        Group (species) -> family and origin of its law of timing.
    priors : dict
        Group -> weak prior of its log time and spread.
    scatter : Scatter
        Season sds in total; half of each variance is common to all species, half the species' own.
    current : int, optional
        A season still under way, whose spring may be late.
    late : dict, optional
        As in `PooledDesign`.

    Returns
    -------
    PooledDesign
    """
    trays = patterns.trays
    columns = _columns(trays, lots, priors, scatter)
    groups = groups_of(trays)
    chill = {
        str(g): float(w) for g, w in zip(groups, trays[Species.chill_weeks], strict=True) if w > 0
    }
    lot_of = _lot_of(lots, len(trays))
    by_lot = np.array([late.get((lot.species, lot.lot), 0.0) for lot in lots])[lot_of]
    keys = _keys(trays, groups, chill, by_lot)
    named = pd.DataFrame({"lot": lot_of, "key": [repr(key) for key in keys]})
    order = named.sort_values(["lot", "key"], kind="stable").index.to_numpy(dtype=np.int64)
    _, first, group = np.unique(
        named.iloc[order].groupby(["lot", "key"], sort=False).ngroup(),
        return_index=True,
        return_inverse=True,
    )
    heads = order[first]
    here = (
        trays[Trays.season].to_numpy(dtype=int) == current
        if current
        else np.zeros(len(trays), dtype=bool)
    )
    return PooledDesign(
        hierarchy=Hierarchy(
            parts=_parts(patterns, lots, laws, order),
            design=np.array([columns.row(keys[code]) for code in heads]),
            group=group.astype(np.int64),
            lot=lot_of[heads],
            delayed=here[order],
            silent=(_silent(patterns) & ~here)[order],
        ),
        prior=columns.prior(),
        columns=columns,
        lots=lots,
        order=order,
        chill=chill,
        seasons=tuple(sorted({int(season) for season in trays[Trays.season]})),
        late=dict(late),
    )


def _lot_of(lots: tuple[LotRecords, ...], trays: int) -> Index:
    """(T,) number of each tray's lot."""
    lot_of = np.empty(trays, dtype=np.int64)
    for k, lot in enumerate(lots):
        lot_of[lot.codes] = k
    return lot_of


def _keys(
    trays: pd.DataFrame, groups: pd.Series, chill: dict[str, float], late: Array
) -> list[TrayKey]:
    columns = (groups, trays["treatment"], trays[Trays.season], trays[Trays.place], late)
    return [
        TrayKey(
            group=group,
            label=str(label),
            season=int(season),
            place=str(place),
            chill=chill.get(group),
            late=float(by),
        )
        for group, label, season, place, by in zip(*columns, strict=True)
    ]


def _silent(patterns: Patterns) -> Index:
    """(T,) bool: trays in which no seedling was seen."""
    silent = np.ones(len(patterns.trays), dtype=bool)
    silent[patterns.times["tray"].to_numpy(dtype=np.int64)] = False
    silent[patterns.occupied["tray"].to_numpy(dtype=np.int64)] = False
    return silent


def _columns(
    trays: pd.DataFrame,
    lots: tuple[LotRecords, ...],
    priors: dict[str, TimePriors],
    scatter: Scatter,
) -> Columns:
    """The common effects of some trays, with their priors."""
    columns = Columns()
    _add_species(columns, lots, priors)
    _add_treatments(columns, lots)
    _add_springs(columns, trays, scatter)
    _add_places(columns, trays)
    return columns


def _add_species(
    columns: Columns, lots: tuple[LotRecords, ...], priors: dict[str, TimePriors]
) -> None:
    """What all species have in common, where there are several, and each species' own."""
    several = len({lot.group for lot in lots}) > 1
    if several:
        columns.add(ALL_SPECIES, SHARE_SD)
    for lot in lots:
        prior = priors[lot.group]
        component = "species" if several else ""
        columns.add(("species", SHARE, lot.group), SHARE_SD, component=component)
        columns.add(("species", TIME, lot.group), prior.log_time_sd, mean=prior.log_time)
        columns.add(("species", SPREAD, lot.group), prior.log_sigma_sd, mean=prior.log_sigma)


def _add_treatments(columns: Columns, lots: tuple[LotRecords, ...]) -> None:
    """Those of each species that has several."""
    for group in dict.fromkeys(lot.group for lot in lots):
        labels = {label for lot in lots if lot.group == group for label in lot.labels}
        if len(labels) < 2:
            continue
        for label in sorted(labels):
            columns.add(("treatment", SHARE, group, label), TREATMENT_SD)
            columns.add(("treatment", TIME, group, label), TREATMENT_TIME_SD)


def _add_springs(columns: Columns, trays: pd.DataFrame, scatter: Scatter) -> None:
    """Half of each variance common to all species, half the species' own, and a chill slope."""
    half, half_time = scatter.season / np.sqrt(2), scatter.season_time / np.sqrt(2)
    groups = groups_of(trays)
    for season in sorted({int(year) for year in trays[Trays.season]}):
        columns.add(("season", SHARE, season), half)
        columns.add(("season", TIME, season), half_time)
        here = trays[Trays.season] == season
        for group in sorted(groups[here].unique()):
            columns.add(("species in season", SHARE, group, season), half, heavy=True)
            columns.add(("species in season", TIME, group, season), half_time)
        if scatter.season > 0 and (trays.loc[here, Species.chill_weeks] > 0).any():
            columns.add(("chill", SHARE, season), CHILL_SD, heavy=True)


def _add_places(columns: Columns, trays: pd.DataFrame) -> None:
    """Those of each spring, where several are recorded."""
    placed = trays[trays[Trays.place] != ""]
    if placed[Trays.place].nunique() < 2:
        return
    pairs = zip(placed[Trays.season], placed[Trays.place], strict=True)
    for season, place in sorted({(int(season), str(place)) for season, place in pairs}):
        columns.add(("place", SHARE, season, place), component="place")


def _parts(
    patterns: Patterns,
    lots: tuple[LotRecords, ...],
    laws: dict[str, tuple[str, Origin]],
    order: Index,
) -> tuple[Part, ...]:
    """Trays that share a law, compiled together."""
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    parts = []
    for law in dict.fromkeys(laws.values()):
        members = [lot for lot in lots if laws[lot.group] == law]
        codes = np.sort(np.concatenate([lot.codes for lot in members]))
        untimed = [lot.codes for lot in members if not lot.timed]
        data = compile_patterns(patterns, codes)
        if untimed:
            data = taken_as_final(data, np.flatnonzero(np.isin(codes, np.concatenate(untimed))))
        parts.append(Part(place[codes], data, FAMILIES[law[0]], law[1]))
    return tuple(parts)


def share_seen(design: PooledDesign, at: Array) -> Array:
    """Expected share of each tray's emerging seeds out by its last check.

    Parameters
    ----------
    design : PooledDesign
    at : (T, 3) array
        Predictors.

    Returns
    -------
    (T,) array
    """
    seen = np.ones(design.hierarchy.trays)
    for part in design.hierarchy.parts:
        mu, sigma = at[part.trays, 1], np.exp(at[part.trays, 2])
        seen[part.trays] = share_out_by(
            part.family, part.origin, data=part.data, mu=mu, sigma=sigma
        )
    return seen


def component_set_of(design: PooledDesign, held: Mapping[str, float]) -> ComponentSet:
    """The variance components of a design: those held, and the others as unknown.

    Parameters
    ----------
    design : PooledDesign
    held : dict
        Values by field of `VarianceComponents`; without effect where nothing has that component.

    Returns
    -------
    ComponentSet
    """
    names = ["tray", "lot", "tray_time", "lot_time", "rho"]
    names += [name for name in ("species", "place") if name in design.prior.learned]
    if design.hierarchy.delayed.any():
        names.append("delay")
    given = {name: max(sd, _LEAST_SD) for name, sd in held.items() if name in names}
    unknown = tuple(COORDINATES[name] for name in names if name not in given)
    return ComponentSet(unknown, given)


def usual_components(design: PooledDesign) -> VarianceComponents:
    """The middles of the priors, where no tray has been asked yet."""
    usual = component_set_of(design, {})
    return usual.at(np.zeros(len(usual.unknown)))


def mode_of_design(
    design: PooledDesign, components: VarianceComponents, near: State | None = None
) -> PooledMode:
    """The mode of all effects at given variance components.

    Parameters
    ----------
    design : PooledDesign
    components : VarianceComponents
    near : State, optional
        Where the mode is sought from.

    Returns
    -------
    PooledMode
    """
    start = near or start_state(design.hierarchy, design.prior.mean.copy())
    return find_pooled_mode(design.hierarchy, design.prior, components, start)
