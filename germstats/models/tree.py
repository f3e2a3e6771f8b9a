"""Trays in lots under common effects: one Newton step, one log determinant, by exact elimination.

For tray i of design row g and lot l

    (eta_i, mu_i, log sigma_i) = X_g beta + (a_l, 0) + (u_i, 0),

u_i ~ N(0, diag(tray, tray_time)^2), a_l ~ N(0, diag(lot, lot_time)^2). The negative Hessian is an arrow on an arrow:
each tray's 2 x 2 block is eliminated, then each lot's, and only beta's P x P block is left. The cost grows linearly
with trays and lots. Blocks are kept positive definite away from the mode by a floor that does not bind at it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve
from scipy.linalg.lapack import dpotrf

from germstats.models.compiled import Compiled, Index, group_starts, only, summed, tiled
from germstats.models.likelihood import Origin, TrayTerms, evaluate
from germstats.models.sparse_design import LotEntries, SparseDesign, lot_entries, sparse_design
from germstats.models.timing import Array, TimingFamily

_STILL = 1e4  # a hundredth of the usual sd
_AT_ONCE = 20_000  # rows of the likelihood that go through together
_FLOOR = 0.05  # smallest eigenvalue of a block in units of its prior precision


@dataclass(frozen=True)
class Part:
    """Trays that follow one law of timing.

    Attributes
    ----------
    trays : (t,) int array
        Their places among all trays.
    data : Compiled
    family : TimingFamily
    origin : {"sowing", "1 February"}
    """

    trays: Index
    data: Compiled
    family: TimingFamily
    origin: Origin


@dataclass(frozen=True)
class Tree:
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
        Finished trays in which no seedling was seen. Their own time effects are held near 0, and those of lots made of
        such trays: where nothing came nothing is told of time, and "very late" must not stand in for "none".
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
    def starts(self) -> tuple[Index, Index]:
        """First tray of each design row, first design row of each lot."""
        return group_starts(self.group), group_starts(self.lot)

    @cached_property
    def _held(self) -> tuple[Array, Array]:
        """Factors on the time precisions of trays and of lots."""
        silent = np.zeros(self.trays) if self.silent is None else np.asarray(self.silent, dtype=float)
        by_lot = np.minimum.reduceat(np.minimum.reduceat(silent, self.starts[0]), self.starts[1])
        return 1.0 + silent * _STILL, 1.0 + by_lot * _STILL

    def tray_precision(self, scales: Scales) -> Array:
        """(T, 2) diagonals of the inverse covariances of the trays' effects."""
        return np.stack([np.full(self.trays, scales.tray**-2.0), self._held[0] * scales.tray_time**-2.0]).T

    def lot_precision(self, scales: Scales) -> Array:
        """(L, 2) diagonals of the inverse covariances of the lots' effects."""
        held = self._held[1]
        return np.stack([np.full(len(held), scales.lot**-2.0), held * scales.lot_time**-2.0]).T

    @cached_property
    def size(self) -> int:
        """Rows of the likelihood, times and cells together."""
        return sum(part.data.time_tray.size + part.data.finishes.row.size + part.data.fillings.row.size
                   + part.data.pinches.tray.size for part in self.parts)  # fmt: skip

    @cached_property
    def _tiles(self) -> dict[int, tuple[Part, ...]]:
        return {1: self.parts}

    def tiled(self, times: int) -> tuple[Part, ...]:
        """The parts laid out `times` times over, tray i of copy k at i + k T; made once for each number of times."""
        if times not in self._tiles:
            moved = [(part.trays[None, :] + self.trays * np.arange(times)[:, None]).ravel() for part in self.parts]
            self._tiles[times] = tuple(
                replace(part, trays=trays, data=tiled(part.data, times))
                for part, trays in zip(self.parts, moved, strict=True)
            )
        return self._tiles[times]


def part_of(tree: Tree, kept: NDArray[np.bool_]) -> Tree:
    """The tree of some of its trays, (T,) bool, under the same common effects."""
    trays = np.flatnonzero(kept)
    code = np.cumsum(kept) - 1
    rows, group = np.unique(tree.group[trays], return_inverse=True)
    parts = []
    for part in tree.parts:
        own = kept[part.trays]
        if own.any():
            parts.append(replace(part, trays=code[part.trays[own]], data=only(part.data, np.flatnonzero(own))))
    return Tree(tuple(parts), tree.design[rows], group, np.unique(tree.lot[rows], return_inverse=True)[1],
                tree.delayed[trays], None if tree.silent is None else tree.silent[trays])  # fmt: skip


@dataclass(frozen=True)
class Scales:
    """Standard deviations of tray, lot and place effects, rho, and the delay of the current spring in days."""

    tray: float
    tray_time: float
    lot: float
    lot_time: float
    rho: float
    place: float = 1.0
    delay: float = 0.0


@dataclass(frozen=True)
class State:
    """Values of beta (P,), lot effects (L, 2) and tray effects (T, 2)."""

    beta: Array
    lots: Array
    trays: Array

    def moved(self, step: State, by: float) -> State:
        """This state, `by` steps further."""
        return State(self.beta + by * step.beta, self.lots + by * step.lots, self.trays + by * step.trays)


def predictors(tree: Tree, state: State) -> Array:
    """(T, 3) array of eta, mu and log sigma."""
    rows = tree.entries.times(state.beta).T
    rows[:2] += state.lots.T.take(tree.lot, axis=1)
    trays = rows.take(tree.group, axis=1)
    trays[:2] += state.trays.T
    return np.asarray(trays.T)


def state_of(tree: Tree, state: State, kept: NDArray[np.bool_]) -> State:
    """The effects of some of its trays, (T,) bool, and of their lots, for `part_of`."""
    return State(state.beta, state.lots[np.unique(tree.lot[tree.group[kept]])], state.trays[kept])


def tray_terms(parts: tuple[Part, ...], at: Array, rho: Array | float, delay: Array | None = None) -> TrayTerms:
    """Log-likelihood of every tray with derivatives at predictors `at`, (T, 3); `rho` and `delay` as in `evaluate`."""
    sums = np.zeros((10, len(at)))
    for part in parts:
        eta, mu, log_sigma = at.T.take(part.trays, axis=1)
        late = None if delay is None else delay[part.trays]
        own = rho[part.trays] if isinstance(rho, np.ndarray) else rho
        with np.errstate(over="ignore", invalid="ignore"):  # a step too far comes back as not finite, and is halved
            sums[:, part.trays] = evaluate(part.data, eta, mu, log_sigma, own, part.family, part.origin, late).sums
    return TrayTerms(sums)


def delays(tree: Tree, scales: Sequence[Scales]) -> Array | None:
    """(K T,) days by which the spring of each tray is late at each of K scales; None where no tray's may be."""
    if not tree.delayed.any():
        return None
    return np.concatenate([np.where(tree.delayed, one.delay, np.nan) for one in scales])


def terms_at(tree: Tree, states: Sequence[State], scales: Sequence[Scales]) -> list[TrayTerms]:
    """What `tray_terms` gives at each state and its scales: as many at once as pay, since small arrays cost most by
    their number."""
    together, found = max(_AT_ONCE // max(tree.size, 1), 1), []
    for first in range(0, len(states), together):
        some, known = states[first : first + together], scales[first : first + together]
        at = np.concatenate([predictors(tree, state) for state in some])
        rho = known[0].rho if len(known) == 1 else np.repeat([one.rho for one in known], tree.trays)
        terms = tray_terms(tree.tiled(len(some)), at, rho, delays(tree, known))
        found += [TrayTerms(sums) for sums in np.split(terms.sums, len(some), axis=1)]
    return found


def _inverted(blocks: Array, precision: Array) -> tuple[Array, Array]:
    """Symmetric 2 x 2 blocks (2, 2, N) plus their prior precisions (N, 2), inverted, and their log determinants.

    The smallest eigenvalue in units of the precision is lifted to the floor, if it lies lower; where one entry dwarfs
    the other by more than a double holds, that bounds the determinant.
    """
    first, last = precision.T
    across = blocks[0, 1]
    a, d = blocks[0, 0] / first + 1.0, blocks[1, 1] / last + 1.0
    det = a * d - across * across / (first * last)
    middle, apart = (a + d) / 2, np.sqrt(((a - d) / 2) ** 2 + across * across / (first * last))
    with np.errstate(divide="ignore", invalid="ignore"):  # far away one may dwarf the other
        smallest = np.where(middle > 0, det / (np.abs(middle) + apart), middle - apart)
    lift = np.maximum(_FLOOR - smallest, 0.0)
    a, d = (a + lift) * first, (d + lift) * last
    det = np.maximum(a * d - across * across, _FLOOR**2 * first * last)
    return np.stack([d, -across, -across, a]).reshape(2, 2, -1) / det, np.log(det)


_HALF = {2: ((0, 0), (0, 1), (1, 1)), 3: ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))}
_WHOLE = {2: np.array([[0, 1], [1, 2]]), 3: np.array([[0, 1, 2], [1, 3, 4], [2, 4, 5]])}


def _symmetric(blocks: Array, codes: Index, size: int) -> Array:
    """Sums (K, K, size) of symmetric (K, K, N) blocks over each code."""
    half = summed([blocks[pair] for pair in _HALF[len(blocks)]], codes, size)
    return np.asarray(half[_WHOLE[len(blocks)]])


@dataclass(frozen=True)
class Reduced:
    """The negative Hessian with trays and lots eliminated; arrays lie entry by entry in memory.

    Attributes
    ----------
    curvature : (T, 3, 3) array
        Negative Hessian of each tray's log-likelihood.
    tray_inverse : (T, 2, 2), tray_pull : (T, 2, 3) arrays
        B^-1 and B^-1 N of each tray: given the rest, u has mean - tray_pull y and covariance B^-1.
    lot_inverse : (L, 2, 2) array
        The same of each lot.
    pulled : (2, M) array
        B^-1 N of each lot, by `Tree.lot_entries`.
    left : (P, P) array
        What they tell of beta: its information, without its prior.
    tray_log_det, lot_log_det : (T,), (L,) arrays
    """

    tree: Tree
    curvature: Array
    tray_inverse: Array
    tray_pull: Array
    lot_inverse: Array
    pulled: Array
    left: Array
    tray_log_det: Array
    lot_log_det: Array

    @cached_property
    def lot_pull(self) -> Array:
        """(L, 2, P) array: B^-1 N of each lot."""
        return self.tree.lot_entries.dense(self.pulled)

    def passed_up(self, trays: Array, own: Array, lots: Array) -> tuple[Array, Array, Array]:
        """A right-hand side carried up to beta, (P,), with what goes back down to lots (L, 2) and trays (T, 2).

        `trays` (T, 3) acts on eta, mu and log sigma of each tray and so on everything above it, as the gradient of a
        log-likelihood does; `own` (T, 2) and `lots` (L, 2) act on those effects alone, as priors do.
        """
        tree = self.tree
        first = _times(self.tray_inverse, trays[:, :2] + own)
        rows = summed([*(trays - _times(self.curvature, first)).T], tree.group, len(tree.lot))
        for_lots = summed([*rows[:2]], tree.lot, len(lots)).T + lots
        for_beta = tree.entries.gathered(rows.T) - tree.lot_entries.gathered(self.pulled, for_lots)
        return for_beta, for_lots, first


def _times(blocks: Array, by: Array) -> Array:
    """(N, I) products of (N, I, J) `blocks`, of which the first K columns are taken, and (N, K) `by`."""
    found = blocks[:, :, 0].T * by[:, 0]
    for k in range(1, by.shape[1]):
        found += blocks[:, :, k].T * by[:, k]
    return np.asarray(found.T)


@dataclass(frozen=True)
class Elimination(Reduced):
    """The negative Hessian, eliminated tray by tray and lot by lot.

    Attributes
    ----------
    factor : (P, P) array
        Upper Cholesky factor of what is left for beta, its prior in it.
    log_det : float
    """

    factor: Array
    log_det: float

    def solve(self, trays: Array, own: Array, lots: Array, beta: Array) -> State:
        """H^-1 times a right-hand side: as in `passed_up`, with `beta` (P,) for its prior."""
        for_beta, for_lots, first = self.passed_up(trays, own, lots)
        step = cho_solve((self.factor, False), for_beta + beta, check_finite=False)
        step_lots = _times(self.lot_inverse, for_lots) - self.tree.lot_entries.times(self.pulled, step)
        rows_step = self.tree.entries.times(step)
        rows_step[:, :2] += step_lots[self.tree.lot]
        step_trays = first - _times(self.tray_pull, rows_step.T.take(self.tree.group, axis=1).T)
        return State(step, step_lots, step_trays)

    def under(self, precision: Array) -> Elimination:
        """The same with another prior precision of beta, (P,) or (P, P)."""
        return _factored(self, precision)


def eliminate(tree: Tree, hessian: Array, scales: Scales, precision: Array) -> Elimination:
    """Eliminate trays, then lots.

    Parameters
    ----------
    tree : Tree
    hessian : (T, 3, 3) array
        Of the trays' log-likelihood.
    scales : Scales
    precision : (P,) or (P, P) array
        Prior precision of beta.

    Returns
    -------
    Elimination
        Far from the mode, where what is left for beta is not positive definite, each tray's curvature is replaced by
        its nearest positive semi-definite one.

    Raises
    ------
    numpy.linalg.LinAlgError
        It is not even then.
    """
    try:
        return _factored(reduced(tree, -hessian, scales), precision)
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(-hessian)
        firm = (vectors * values.clip(1e-9)[:, None, :]) @ vectors.transpose(0, 2, 1)
        return _factored(reduced(tree, firm, scales), precision)


def _factored(found: Reduced, precision: Array) -> Elimination:
    left = found.left + precision if precision.ndim == 2 else found.left.copy()
    if precision.ndim == 1:
        left[np.diag_indices(len(left))] += precision
    factor, failed = dpotrf(left, clean=True)
    if failed:
        raise np.linalg.LinAlgError("what is left for the common effects is not positive definite")
    log_det = float(found.tray_log_det.sum() + found.lot_log_det.sum() + 2 * np.log(np.diag(factor)).sum())
    parts = {one.name: getattr(found, one.name) for one in fields(Reduced)}
    return Elimination(**parts, factor=factor, log_det=log_det)


def reduced(tree: Tree, curvature: Array, scales: Scales) -> Reduced:
    """Trays and lots eliminated from `curvature` (T, 3, 3), the trays' negative Hessians."""
    entries = curvature.transpose(1, 2, 0)
    tray_inverse, tray_log_det = _inverted(entries[:2, :2], tree.tray_precision(scales))
    pull = tray_inverse[:, :1] * entries[:1] + tray_inverse[:, 1:] * entries[1:2]
    rows = entries - entries[:, :1] * pull[:1] - entries[:, 1:2] * pull[1:]
    rows = _symmetric(rows, tree.group, len(tree.lot))
    by_prior = tree.lot_precision(scales)
    lot_inverse, lot_log_det = _inverted(_symmetric(rows[:2, :2], tree.lot, len(by_prior)), by_prior)
    by_row, of_lots = rows.transpose(2, 0, 1), tree.lot_entries
    crossed, own = of_lots.crossed(by_row), lot_inverse[:, :, of_lots.lot]
    pulled = own[:, 0] * crossed[0] + own[:, 1] * crossed[1]
    left = tree.entries.sandwich(by_row) - of_lots.squared(crossed, pulled)
    return Reduced(tree, curvature, tray_inverse.transpose(2, 0, 1), pull.transpose(2, 0, 1),
                   lot_inverse.transpose(2, 0, 1), pulled, left, tray_log_det, lot_log_det)  # fmt: skip


def start_state(tree: Tree, beta: Array) -> State:
    """No lot or tray effect."""
    return State(beta, np.zeros((int(tree.lot[-1]) + 1, 2)), np.zeros((tree.trays, 2)))
