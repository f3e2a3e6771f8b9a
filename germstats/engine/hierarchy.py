"""Trays in lots under common effects.

For tray i of design row g and lot l

    (eta_i, mu_i, log sigma_i) = X_g beta + (a_l, 0) + (u_i, 0),

u_i ~ N(0, diag(tray, tray_time)^2), a_l ~ N(0, diag(lot, lot_time)^2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from germstats.engine.arrays import Index, PatternArrays, group_starts, only, tiled
from germstats.engine.likelihood import Origin, TrayTerms, evaluate
from germstats.engine.sparse_design import LotEntries, SparseDesign, lot_entries, sparse_design
from germstats.engine.timing import Array, TimingFamily

_STILL = 1e4  # a hundredth of the usual sd
_AT_ONCE = 20_000  # rows of the likelihood that go through together


@dataclass(frozen=True)
class Part:
    """Trays that follow one law of timing.

    Attributes
    ----------
    trays : (t,) int array
        Their places among all trays.
    data : PatternArrays
    family : TimingFamily
    origin : {"sowing", "1 February"}
    """

    trays: Index
    data: PatternArrays
    family: TimingFamily
    origin: Origin


@dataclass(frozen=True)
class Hierarchy:
    """Trays sorted by design row, design rows sorted by lot.

    Attributes
    ----------
    parts : tuple of Part
    design : (G, 3, P) array
        Carries beta to eta, mu and log sigma of each design row.
    group : (T,) int array
        Design row of each tray, ascending.
    lot : (G,) int array
        Lot of each design row, ascending.
    delayed : (T,) bool array
        Trays whose spring may be late by a common number of days.
    silent : (T,) bool array, optional
        Finished trays in which no seedling was seen. Their own time effects are held near 0, and
        those of lots made of such trays: where nothing came nothing is known of time, and "very
        late" must not pass for "none".
    """

    parts: tuple[Part, ...]
    design: Array
    group: Index
    lot: Index
    delayed: Index
    silent: Index | None = None

    @property
    def trays(self) -> int:
        """Number of trays T."""
        return len(self.group)

    @cached_property
    def entries(self) -> SparseDesign:
        """The design's entries that are not 0."""
        return sparse_design(self.design)

    @cached_property
    def lot_entries(self) -> LotEntries:
        """The same by lot."""
        return lot_entries(self.entries, self.lot)

    @cached_property
    def _held(self) -> tuple[Array, Array]:
        """Factors on the precisions of trays (T, 2) and of lots (L, 2)."""
        silent = (
            np.zeros(self.trays) if self.silent is None else np.asarray(self.silent, dtype=float)
        )
        by_row = np.minimum.reduceat(silent, group_starts(self.group))
        by_lot = np.minimum.reduceat(by_row, group_starts(self.lot))
        trays, lots = (
            np.stack([np.ones(len(one)), 1.0 + one * _STILL]).T for one in (silent, by_lot)
        )
        return trays, lots

    @cached_property
    def _log_held(self) -> float:
        return float(sum(np.log(one).sum() for one in self._held))

    def tray_precision(self, components: VarianceComponents) -> Array:
        """(T, 2) diagonals of the inverse covariances of the trays' effects."""
        return np.asarray(self._held[0] * np.array([components.tray, components.tray_time]) ** -2.0)

    def lot_precision(self, components: VarianceComponents) -> Array:
        """(L, 2) diagonals of the inverse covariances of the lots' effects."""
        return np.asarray(self._held[1] * np.array([components.lot, components.lot_time]) ** -2.0)

    def log_precision(self, components: VarianceComponents) -> float:
        """Sum of the logs of all of them."""
        trays, lots = (len(one) for one in self._held)
        return self._log_held - 2 * float(
            trays * (np.log(components.tray) + np.log(components.tray_time))
            + lots * (np.log(components.lot) + np.log(components.lot_time))
        )

    @cached_property
    def size(self) -> int:
        """Rows of the likelihood, times and cells together."""
        return sum(
            part.data.time_tray.size
            + part.data.finishes.row.size
            + part.data.fillings.row.size
            + part.data.pinches.tray.size
            for part in self.parts
        )

    @cached_property
    def _tiles(self) -> dict[int, tuple[Part, ...]]:
        return {1: self.parts}

    def tiled(self, times: int) -> tuple[Part, ...]:
        """The parts laid out several times over, tray i of copy k at i + k T; kept once made."""
        if times not in self._tiles:
            moved = [
                (part.trays[None, :] + self.trays * np.arange(times)[:, None]).ravel()
                for part in self.parts
            ]
            self._tiles[times] = tuple(
                replace(part, trays=trays, data=tiled(part.data, times))
                for part, trays in zip(self.parts, moved, strict=True)
            )
        return self._tiles[times]


def part_of(hierarchy: Hierarchy, kept: NDArray[np.bool_]) -> Hierarchy:
    """The hierarchy of some of its trays, (T,) bool, under the same common effects.

    Parameters
    ----------
    hierarchy : Hierarchy
    kept : (T,) bool array

    Returns
    -------
    Hierarchy
    """
    trays = np.flatnonzero(kept)
    code = np.cumsum(kept) - 1
    rows, group = np.unique(hierarchy.group[trays], return_inverse=True)
    parts = []
    for part in hierarchy.parts:
        own = kept[part.trays]
        if own.any():
            parts.append(
                replace(
                    part, trays=code[part.trays[own]], data=only(part.data, np.flatnonzero(own))
                )
            )
    return Hierarchy(
        parts=tuple(parts),
        design=hierarchy.design[rows],
        group=group,
        lot=np.unique(hierarchy.lot[rows], return_inverse=True)[1],
        delayed=hierarchy.delayed[trays],
        silent=None if hierarchy.silent is None else hierarchy.silent[trays],
    )


@dataclass(frozen=True)
class VarianceComponents:
    """Sds of tray, lot, place and species effects, rho, and the current spring's delay in days."""

    tray: float
    tray_time: float
    lot: float
    lot_time: float
    rho: float
    place: float = 1.0
    species: float = 1.0
    delay: float = 0.0


@dataclass(frozen=True)
class State:
    """Values of beta (P,), lot effects (L, 2) and tray effects (T, 2)."""

    beta: Array
    lots: Array
    trays: Array

    def moved(self, step: State, by: float) -> State:
        """This state, `by` steps further."""
        return State(
            self.beta + by * step.beta, self.lots + by * step.lots, self.trays + by * step.trays
        )


def predictors(hierarchy: Hierarchy, state: State) -> Array:
    """(T, 3) array of eta, mu and log sigma.

    Parameters
    ----------
    hierarchy : Hierarchy
    state : State

    Returns
    -------
    (T, 3) array
    """
    rows = hierarchy.entries.times(state.beta).T
    rows[:2] += state.lots.T.take(hierarchy.lot, axis=1)
    trays = rows.take(hierarchy.group, axis=1)
    trays[:2] += state.trays.T
    return np.asarray(trays.T)


def state_of(hierarchy: Hierarchy, state: State, kept: NDArray[np.bool_]) -> State:
    """The effects of some of its trays, (T,) bool, and of their lots, for `part_of`.

    Parameters
    ----------
    hierarchy : Hierarchy
    state : State
    kept : (T,) bool array

    Returns
    -------
    State
    """
    return State(
        state.beta, state.lots[np.unique(hierarchy.lot[hierarchy.group[kept]])], state.trays[kept]
    )


def tray_terms(
    parts: tuple[Part, ...], at: Array, rho: Array | float, delay: Array | None = None
) -> TrayTerms:
    """Log-likelihood of every tray with derivatives.

    Parameters
    ----------
    parts : tuple of Part
    at : (T, 3) array
        Predictors.
    rho, delay
        As in `evaluate`.

    Returns
    -------
    TrayTerms
    """
    sums = np.zeros((10, len(at)))
    for part in parts:
        eta, mu, log_sigma = at.T.take(part.trays, axis=1)
        late = None if delay is None else delay[part.trays]
        own = rho[part.trays] if isinstance(rho, np.ndarray) else rho
        # a step too far comes back as not finite, and is halved
        with np.errstate(over="ignore", invalid="ignore"):
            sums[:, part.trays] = evaluate(
                part.data,
                eta,
                mu=mu,
                log_sigma=log_sigma,
                rho=own,
                family=part.family,
                origin=part.origin,
                delay=late,
            ).sums
    return TrayTerms(sums)


def delays(hierarchy: Hierarchy, components: Sequence[VarianceComponents]) -> Array | None:
    """Days by which each tray's spring is late at each of K sets of components, (K T,).

    None where no tray's spring may be late.

    Parameters
    ----------
    hierarchy : Hierarchy
    components : sequence of VarianceComponents

    Returns
    -------
    (K T,) array or None
        NaN for trays whose spring is not late.
    """
    if not hierarchy.delayed.any():
        return None
    return np.concatenate([np.where(hierarchy.delayed, one.delay, np.nan) for one in components])


def terms_at(
    hierarchy: Hierarchy, states: Sequence[State], components: Sequence[VarianceComponents]
) -> list[TrayTerms]:
    """What `tray_terms` gives at each state and its components.

    As many go at once as pay, since small arrays cost most by their number.

    Parameters
    ----------
    hierarchy : Hierarchy
    states : sequence of State
    components : sequence of VarianceComponents

    Returns
    -------
    list of TrayTerms
    """
    together, found = max(_AT_ONCE // max(hierarchy.size, 1), 1), []
    for first in range(0, len(states), together):
        some, known = states[first : first + together], components[first : first + together]
        at = np.concatenate([predictors(hierarchy, state) for state in some])
        rho = (
            known[0].rho
            if len(known) == 1
            else np.repeat([one.rho for one in known], hierarchy.trays)
        )
        terms = tray_terms(hierarchy.tiled(len(some)), at, rho, delays(hierarchy, known))
        found += [TrayTerms(sums) for sums in np.split(terms.sums, len(some), axis=1)]
    return found


def start_state(hierarchy: Hierarchy, beta: Array) -> State:
    """No lot or tray effect.

    Parameters
    ----------
    hierarchy : Hierarchy
    beta : (P,) array

    Returns
    -------
    State
    """
    return State(beta, np.zeros((int(hierarchy.lot[-1]) + 1, 2)), np.zeros((hierarchy.trays, 2)))
