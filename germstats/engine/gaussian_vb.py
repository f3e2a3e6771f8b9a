"""From the mode to the middle: a normal law that fits the posterior's mass, not its peak.

The joint mode reads "late" as "few". Here every tray's derivatives are averaged over the normal law
of its own (eta, mu) by 3 x 3 Gauss-Hermite nodes, and the effects re-solved with them, a few damped
times: at the end the average gradient is 0, which is the stationarity of the Gaussian variational
approximation (Opper & Archambeau 2009, Neural Computation 21:786-792, memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from germstats.engine.arrays import Index
from germstats.engine.hierarchy import (
    Hierarchy,
    State,
    VarianceComponents,
    delays,
    predictors,
    tray_terms,
)
from germstats.engine.laplace import BetaPrior, PooledMode
from germstats.engine.likelihood import TrayTerms
from germstats.engine.schur import SchurComplement, eliminate
from germstats.engine.timing import Array

_PASSES = 3
_DAMPING = 0.8
_LONGEST = 1.5
_ROOT3 = float(np.sqrt(3.0))
_NODES = np.array([(a, b) for a in (-_ROOT3, 0.0, _ROOT3) for b in (-_ROOT3, 0.0, _ROOT3)])
_WEIGHTS = np.array([a * b for a in (1 / 6, 2 / 3, 1 / 6) for b in (1 / 6, 2 / 3, 1 / 6)])


@dataclass(frozen=True)
class NormalLaw:
    """Normal law of all effects at given components: a middle and the eliminated precision."""

    middle: State
    elimination: SchurComplement

    def rows(self, design: Array, lot: Index) -> tuple[Array, Array]:
        """Joint law of design rows.

        Parameters
        ----------
        design : (R, K, P) array
            K linear forms of beta in each row; the first two are a tray's eta and mu and take the
            lot's effects.
        lot : (R,) int array
            -1 leaves the lot out.

        Returns
        -------
        mean, covariance : (R, K), (R, K, K) arrays
        """
        known = np.flatnonzero(lot >= 0)
        mean = design @ self.middle.beta
        mean[known, :2] += self.middle.lots[lot[known]]
        pull = design.copy()
        pull[known, :2] -= self.elimination.lot_pull[lot[known]]
        half = solve_triangular(
            self.elimination.factor,
            pull.reshape(-1, design.shape[2]).T,
            trans="T",
            check_finite=False,
        )
        half = half.T.reshape(*pull.shape)
        covariance = half @ half.transpose(0, 2, 1)
        covariance[known, :2, :2] += self.elimination.lot_inverse[lot[known]]
        return mean, covariance

    def trays(self) -> Array:
        """Covariances (T, 2, 2) of (eta, mu) of the fitted trays."""
        hierarchy = self.elimination.hierarchy
        _, rows = self.rows(hierarchy.design, hierarchy.lot)
        carry = -self.elimination.tray_pull
        carry[:, 0, 0] += 1.0
        carry[:, 1, 1] += 1.0
        return np.asarray(
            carry @ rows[hierarchy.group] @ carry.transpose(0, 2, 1) + self.elimination.tray_inverse
        )


def normal_law(
    hierarchy: Hierarchy, prior: BetaPrior, components: VarianceComponents, mode: PooledMode
) -> NormalLaw:
    """The variational normal law, started at a mode.

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    components : VarianceComponents
    mode : PooledMode

    Returns
    -------
    NormalLaw
    """
    law = NormalLaw(mode.state, mode.elimination)
    for _ in range(_PASSES):
        terms = averaged_terms(hierarchy, components, law)
        if not np.isfinite(terms.hessian).all():
            return law
        _, beta, precision = prior.at(law.middle.beta, components)
        found = eliminate(hierarchy, terms.hessian, components, precision)
        own, lots = (
            -law.middle.trays * hierarchy.tray_precision(components),
            -law.middle.lots * hierarchy.lot_precision(components),
        )
        step = found.solve(terms.gradient, own, lots, beta)
        moved = np.abs(predictors(hierarchy, step)).max(initial=0.0)
        law = NormalLaw(law.middle.moved(step, min(_DAMPING, _LONGEST / max(moved, 1e-9))), found)
    return law


def averaged_terms(
    hierarchy: Hierarchy, components: VarianceComponents, law: NormalLaw
) -> TrayTerms:
    """Gradient and Hessian of every tray averaged over the law of its (eta, mu).

    Parameters
    ----------
    hierarchy : Hierarchy
    components : VarianceComponents
    law : NormalLaw

    Returns
    -------
    TrayTerms
    """
    middle = predictors(hierarchy, law.middle)
    covariance = law.trays()
    root = np.zeros_like(covariance)
    root[:, 0, 0] = np.sqrt(covariance[:, 0, 0])
    root[:, 1, 0] = covariance[:, 1, 0] / root[:, 0, 0]
    root[:, 1, 1] = np.sqrt(np.maximum(covariance[:, 1, 1] - root[:, 1, 0] ** 2, 0.0))
    at = np.repeat(middle[None], len(_NODES), axis=0)
    at[:, :, :2] += np.einsum("tij,kj->kti", root, _NODES)
    nodes = hierarchy.tiled(len(_NODES))
    terms = tray_terms(
        nodes, at.reshape(-1, 3), components.rho, delays(hierarchy, [components] * len(_NODES))
    )
    return TrayTerms(np.einsum("k,skt->st", _WEIGHTS, terms.sums.reshape(10, -1, hierarchy.trays)))
