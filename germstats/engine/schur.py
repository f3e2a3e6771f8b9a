"""One Newton step and one log determinant of trays in lots, by exact elimination.

The negative Hessian is an arrow on an arrow: each tray's 2 x 2 block is eliminated, then each
lot's, and only beta's P x P block is left. The cost grows linearly with trays and lots. Blocks are
kept positive definite away from the mode by a floor that does not bind at it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
from scipy.linalg import cho_solve
from scipy.linalg.lapack import dpotrf

from germstats.engine.arrays import Index, summed
from germstats.engine.hierarchy import Hierarchy, State, VarianceComponents
from germstats.engine.timing import Array

_FLOOR = 0.05  # smallest eigenvalue of a block in units of its prior precision


def _inverted(blocks: Array, precision: Array) -> tuple[Array, Array]:
    """Symmetric 2 x 2 blocks (2, 2, N) plus prior precisions (N, 2), inverted; log determinants.

    The smallest eigenvalue in units of the precision is lifted to the floor, if it lies lower;
    where one entry dwarfs the other by more than a double holds, that bounds the determinant.
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
class ReducedHessian:
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
        B^-1 N of each lot, by `Hierarchy.lot_entries`.
    left : (P, P) array
        What they say of beta: its information, without its prior.
    tray_log_det, lot_log_det : (T,), (L,) arrays
    """

    hierarchy: Hierarchy
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
        return self.hierarchy.lot_entries.dense(self.pulled)

    def passed_up(self, trays: Array, own: Array, lots: Array) -> tuple[Array, Array, Array]:
        """A right-hand side carried up to beta, with what goes back down to lots and trays.

        Parameters
        ----------
        trays : (T, 3) array
            Acts on eta, mu and log sigma of each tray and so on everything above it, as the
            gradient of a log-likelihood does.
        own, lots : (T, 2), (L, 2) arrays
            Act on those effects alone, as priors do.

        Returns
        -------
        for_beta, for_lots, first : (P,), (L, 2), (T, 2) arrays
        """
        hierarchy = self.hierarchy
        first = _times(self.tray_inverse, trays[:, :2] + own)
        rows = summed(
            [*(trays - _times(self.curvature, first)).T], hierarchy.group, len(hierarchy.lot)
        )
        for_lots = summed([*rows[:2]], hierarchy.lot, len(lots)).T + lots
        for_beta = hierarchy.entries.gathered(rows.T) - hierarchy.lot_entries.gathered(
            self.pulled, for_lots
        )
        return for_beta, for_lots, first


def _times(blocks: Array, by: Array) -> Array:
    """Products (N, I) of blocks (N, I, J), of which the first K columns are taken, and (N, K)."""
    found = blocks[:, :, 0].T * by[:, 0]
    for k in range(1, by.shape[1]):
        found += blocks[:, :, k].T * by[:, k]
    return np.asarray(found.T)


@dataclass(frozen=True)
class SchurComplement(ReducedHessian):
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
        """H^-1 times a right-hand side: as in `passed_up`, with `beta` (P,) for its prior.

        Parameters
        ----------
        trays, own, lots : (T, 3), (T, 2), (L, 2) arrays
        beta : (P,) array

        Returns
        -------
        State
        """
        for_beta, for_lots, first = self.passed_up(trays, own, lots)
        step = cho_solve((self.factor, False), for_beta + beta, check_finite=False)
        step_lots = _times(self.lot_inverse, for_lots) - self.hierarchy.lot_entries.times(
            self.pulled, step
        )
        rows_step = self.hierarchy.entries.times(step)
        rows_step[:, :2] += step_lots[self.hierarchy.lot]
        step_trays = first - _times(
            self.tray_pull, rows_step.T.take(self.hierarchy.group, axis=1).T
        )
        return State(step, step_lots, step_trays)

    def under(self, precision: Array) -> SchurComplement:
        """The same with another prior precision of beta, (P,) or (P, P)."""
        return _factored(self, precision)


_STEEPEST = (1e9, 1e6, 1e3)
"""Of a tray, tried in turn: eliminating it leaves the difference of numbers as large, and 1e26
leaves only rounding.
"""
_REDUCED = tuple(one.name for one in fields(ReducedHessian))


def eliminate(
    hierarchy: Hierarchy, hessian: Array, components: VarianceComponents, precision: Array
) -> SchurComplement:
    """Eliminate trays, then lots.

    Parameters
    ----------
    hierarchy : Hierarchy
    hessian : (T, 3, 3) array
        Of the trays' log-likelihood.
    components : VarianceComponents
    precision : (P,) or (P, P) array
        Prior precision of beta.

    Returns
    -------
    SchurComplement
        Far from the mode, where what is left for beta is not positive definite, each tray's
        curvature is replaced by its nearest positive semi-definite one, no steeper than the first
        of `_STEEPEST` that does.

    Raises
    ------
    numpy.linalg.LinAlgError
        It is not even then.
    """
    try:
        # what overflows is refused, and made less steep
        with np.errstate(over="ignore", invalid="ignore"):
            return _factored(reduced(hierarchy, -hessian, components), precision)
    except np.linalg.LinAlgError:
        pass
    values, vectors = np.linalg.eigh(-hessian)
    for steepest in _STEEPEST:
        firm = (vectors * values.clip(1e-9, steepest)[:, None, :]) @ vectors.transpose(0, 2, 1)
        try:
            return _factored(reduced(hierarchy, firm, components), precision)
        except np.linalg.LinAlgError:
            continue
    raise np.linalg.LinAlgError(
        "what is left for the common effects is not positive definite, however steep"
    )


def _factored(found: ReducedHessian, precision: Array) -> SchurComplement:
    left = found.left + precision if precision.ndim == 2 else found.left.copy()
    if precision.ndim == 1:
        left[np.diag_indices(len(left))] += precision
    factor, failed = dpotrf(left, clean=True)
    if failed or not np.isfinite(factor).all():
        raise np.linalg.LinAlgError("what is left for the common effects is not positive definite")
    log_det = float(
        found.tray_log_det.sum() + found.lot_log_det.sum() + 2 * np.log(np.diag(factor)).sum()
    )
    return SchurComplement(
        **{name: getattr(found, name) for name in _REDUCED}, factor=factor, log_det=log_det
    )


def reduced(
    hierarchy: Hierarchy, curvature: Array, components: VarianceComponents
) -> ReducedHessian:
    """Trays and lots eliminated from `curvature` (T, 3, 3), the trays' negative Hessians.

    Parameters
    ----------
    hierarchy : Hierarchy
    curvature : (T, 3, 3) array
    components : VarianceComponents

    Returns
    -------
    ReducedHessian
    """
    entries = curvature.transpose(1, 2, 0)
    tray_inverse, tray_log_det = _inverted(entries[:2, :2], hierarchy.tray_precision(components))
    pull = tray_inverse[:, :1] * entries[:1] + tray_inverse[:, 1:] * entries[1:2]
    rows = entries - entries[:, :1] * pull[:1] - entries[:, 1:2] * pull[1:]
    rows = _symmetric(rows, hierarchy.group, len(hierarchy.lot))
    by_prior = hierarchy.lot_precision(components)
    lot_inverse, lot_log_det = _inverted(
        _symmetric(rows[:2, :2], hierarchy.lot, len(by_prior)), by_prior
    )
    by_row, of_lots = rows.transpose(2, 0, 1), hierarchy.lot_entries
    crossed, own = of_lots.crossed(by_row), lot_inverse[:, :, of_lots.lot]
    pulled = own[:, 0] * crossed[0] + own[:, 1] * crossed[1]
    left = hierarchy.entries.sandwich(by_row) - of_lots.squared(crossed, pulled)
    return ReducedHessian(
        hierarchy=hierarchy,
        curvature=curvature,
        tray_inverse=tray_inverse.transpose(2, 0, 1),
        tray_pull=pull.transpose(2, 0, 1),
        lot_inverse=lot_inverse.transpose(2, 0, 1),
        pulled=pulled,
        left=left,
        tray_log_det=tray_log_det,
        lot_log_det=lot_log_det,
    )
