"""Trays in lots under common effects: one Newton step, one log determinant, by exact elimination.

For tray i of design row g and lot l

    (eta_i, mu_i, log sigma_i) = X_g beta + (a_l, 0) + (u_i, 0),

u_i ~ N(0, diag(tray, tray_time)^2), a_l ~ N(0, diag(lot, lot_time)^2). The negative Hessian is an arrow on an arrow:
each tray's 2 x 2 block is eliminated, then each lot's, and only beta's P x P block is left. The cost grows linearly
with trays and lots. Blocks are kept positive definite away from the mode by a floor that does not bind at it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, cholesky

from germstats.models.compiled import Compiled, Index, group_starts, only, tiled
from germstats.models.likelihood import Origin, TrayTerms, evaluate
from germstats.models.sparse_design import SparseDesign, sparse_design
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
        return np.column_stack([np.full(self.trays, scales.tray**-2.0), self._held[0] * scales.tray_time**-2.0])

    def lot_precision(self, scales: Scales) -> Array:
        """(L, 2) diagonals of the inverse covariances of the lots' effects."""
        held = self._held[1]
        return np.column_stack([np.full(len(held), scales.lot**-2.0), held * scales.lot_time**-2.0])

    @cached_property
    def size(self) -> int:
        """Rows of the likelihood, times and cells together."""
        return sum(part.data.time_tray.size + part.data.cells.row.size + part.data.pinches.tray.size
                   for part in self.parts)  # fmt: skip

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
    rows = tree.entries.times(state.beta)
    rows[:, :2] += state.lots[tree.lot]
    trays: Array = rows[tree.group]
    trays[:, :2] += state.trays
    return trays


def state_of(tree: Tree, state: State, kept: NDArray[np.bool_]) -> State:
    """The effects of some of its trays, (T,) bool, and of their lots, for `part_of`."""
    return State(state.beta, state.lots[np.unique(tree.lot[tree.group[kept]])], state.trays[kept])


def tray_terms(parts: tuple[Part, ...], at: Array, rho: Array | float, delay: Array | None = None) -> TrayTerms:
    """Log-likelihood of every tray with derivatives at predictors `at`, (T, 3); `rho` and `delay` as in `evaluate`."""
    size = len(at)
    total = TrayTerms(np.zeros(size), np.zeros((size, 3)), np.zeros((size, 3, 3)))
    for part in parts:
        eta, mu, log_sigma = at[part.trays].T
        late = None if delay is None else delay[part.trays]
        own = rho[part.trays] if isinstance(rho, np.ndarray) else rho
        with np.errstate(over="ignore", invalid="ignore"):  # a step too far comes back as not finite, and is halved
            terms = evaluate(part.data, eta, mu, log_sigma, own, part.family, part.origin, late)
        total.value[part.trays] = terms.value
        total.gradient[part.trays] = terms.gradient
        total.hessian[part.trays] = terms.hessian
    return total


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
        parts = (np.split(part, len(some)) for part in (terms.value, terms.gradient, terms.hessian))
        found += [TrayTerms(*each) for each in zip(*parts, strict=True)]
    return found


def _firm(blocks: Array, precision: Array) -> Array:
    """2 x 2 blocks plus their prior precisions (N, 2), the smallest eigenvalue in its units lifted to the floor."""
    root = np.sqrt(precision)
    scaled = blocks / (root[:, :, None] * root[:, None, :]) + np.eye(2)
    middle = (scaled[:, 0, 0] + scaled[:, 1, 1]) / 2
    apart = np.hypot((scaled[:, 0, 0] - scaled[:, 1, 1]) / 2, scaled[:, 0, 1])
    det = scaled[:, 0, 0] * scaled[:, 1, 1] - scaled[:, 0, 1] ** 2  # far away one may dwarf the other
    smallest = np.where(middle > 0, det / (np.abs(middle) + apart), middle - apart)
    lifted = 1.0 + np.maximum(_FLOOR - smallest, 0.0)
    return np.asarray(blocks + (lifted[:, None] * precision)[:, :, None] * np.eye(2))


def _inverse(blocks: Array, precision: Array) -> tuple[Array, Array]:
    """Inverses and log determinants of symmetric 2 x 2 blocks whose eigenvalues in units of `precision` are not below
    the floor; where one dwarfs the other by more than a double holds, that bounds the determinant."""
    a, b, d = blocks[:, 0, 0], blocks[:, 0, 1], blocks[:, 1, 1]
    det = np.maximum(a * d - b * b, _FLOOR**2 * precision.prod(axis=1))
    inverse = np.empty_like(blocks)
    inverse[:, 0, 0], inverse[:, 1, 1] = d / det, a / det
    inverse[:, 0, 1] = inverse[:, 1, 0] = -b / det
    return inverse, np.log(det)


@dataclass(frozen=True)
class Reduced:
    """The negative Hessian with trays and lots eliminated.

    Attributes
    ----------
    curvature : (T, 3, 3) array
        Negative Hessian of each tray's log-likelihood.
    tray_inverse : (T, 2, 2), tray_pull : (T, 2, 3) arrays
        B^-1 and B^-1 N of each tray: given the rest, u has mean - tray_pull y and covariance B^-1.
    lot_inverse : (L, 2, 2), lot_pull : (L, 2, P) arrays
        The same of each lot.
    left : (P, P) array
        What they tell of beta: its information, without its prior.
    tray_log_det, lot_log_det : (T,), (L,) arrays
    """

    tree: Tree
    curvature: Array
    tray_inverse: Array
    tray_pull: Array
    lot_inverse: Array
    lot_pull: Array
    left: Array
    tray_log_det: Array
    lot_log_det: Array

    def passed_up(self, trays: Array, own: Array, lots: Array) -> tuple[Array, Array, Array]:
        """A right-hand side carried up to beta, (P,), with what goes back down to lots (L, 2) and trays (T, 2).

        `trays` (T, 3) acts on eta, mu and log sigma of each tray and so on everything above it, as the gradient of a
        log-likelihood does; `own` (T, 2) and `lots` (L, 2) act on those effects alone, as priors do.
        """
        tree = self.tree
        first = np.einsum("tij,tj->ti", self.tray_inverse, trays[:, :2] + own)
        rows = np.add.reduceat(trays - np.einsum("tij,tj->ti", self.curvature[:, :, :2], first), tree.starts[0])
        for_lots = np.add.reduceat(rows[:, :2], tree.starts[1]) + lots
        for_beta = tree.entries.gathered(rows) - self.lot_pull.reshape(-1, len(self.left)).T @ for_lots.ravel()
        return for_beta, for_lots, first


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
        step = cho_solve((self.factor, False), for_beta + beta)
        step_lots = np.einsum("lij,lj->li", self.lot_inverse, for_lots) - self.lot_pull @ step
        rows_step = self.tree.entries.times(step)
        rows_step[:, :2] += step_lots[self.tree.lot]
        step_trays = first - np.einsum("tij,tj->ti", self.tray_pull, rows_step[self.tree.group])
        return State(step, step_lots, step_trays)


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
    factor = cholesky(left)
    log_det = float(found.tray_log_det.sum() + found.lot_log_det.sum() + 2 * np.log(np.diag(factor)).sum())
    return Elimination(**vars(found), factor=factor, log_det=log_det)


def reduced(tree: Tree, curvature: Array, scales: Scales) -> Reduced:
    """Trays and lots eliminated from `curvature` (T, 3, 3), the trays' negative Hessians."""
    by_prior = tree.tray_precision(scales)
    tray_inverse, tray_log_det = _inverse(_firm(curvature[:, :2, :2], by_prior), by_prior)
    pull = tray_inverse @ curvature[:, :2, :]
    rows = np.add.reduceat(curvature - curvature[:, :, :2] @ pull, tree.starts[0])
    blocks = np.add.reduceat(rows[:, :2, :2], tree.starts[1])
    of_lots = tree.lot_precision(scales)
    lot_inverse, lot_log_det = _inverse(_firm(blocks, of_lots), of_lots)
    crossed = tree.entries.crossed(rows, tree.lot)
    half = (np.linalg.cholesky(lot_inverse).transpose(0, 2, 1) @ crossed).reshape(-1, tree.design.shape[2])
    left = tree.entries.sandwich(rows) - half.T @ half
    return Reduced(tree, curvature, tray_inverse, pull, lot_inverse, lot_inverse @ crossed, left,
                   tray_log_det, lot_log_det)  # fmt: skip


def start_state(tree: Tree, beta: Array) -> State:
    """No lot or tray effect."""
    return State(beta, np.zeros((int(tree.lot[-1]) + 1, 2)), np.zeros((tree.trays, 2)))
