"""Draws of the variance components about their modes, weighed by the criterion.

Where no record shows rho, the cell scatter, it has its prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from germstats.engine.arrays import Index
from germstats.engine.hierarchy import Hierarchy, State, VarianceComponents
from germstats.engine.laplace import BetaPrior, PooledMode, find_pooled_modes
from germstats.engine.timing import Array
from germstats.engine.variance_components import COORDINATES, ComponentFit, ComponentSet, loss_at

_DRAWS_DF = 6
_LEAST_WEIGHT = 1e-6
"""Share of the weight under which a draw is left out."""
_FAR_RHO = 1.5
"""In prior sds."""
_LONGEST_MOVE = 2.0
"""In likely widths of the components."""


@dataclass(frozen=True)
class ComponentDraw:
    """One draw of the variance components with its weight, and the effects' mode there."""

    components: VarianceComponents
    weight: float
    found: PooledMode


@dataclass(frozen=True)
class GivenRho:
    """Equally likely values of rho that the records have no say in.

    Attributes
    ----------
    rho : (J,) array
    modes : tuple of (J, K) arrays
        About which the other components are drawn at each, for each mode of their posterior.
    """

    rho: Array
    modes: tuple[Array, ...]


@dataclass(frozen=True)
class _Points:
    """Points in the coordinates of the components at which draws are weighed.

    Attributes
    ----------
    z : (N, K) array
    log_density : (N,) array
        Of the laws they were drawn from.
    value : (N,) int array
        Which value of rho each belongs to; 0 where rho is one of the components.
    starts : list of State
        Where the mode of the effects is sought from.
    """

    z: Array
    log_density: Array
    value: Index
    starts: list[State]


def given_rho(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    component_set: ComponentSet,
    fits: Sequence[ComponentFit],
    values: int,
) -> GivenRho:
    """Rho by its prior alone, for records that cannot show it.

    Where the other components' posterior lies at another rho is found by one Newton step from their
    mode, taken at two values of rho, and a parabola through both: the draws are weighed afterwards,
    so that near is enough.

    Parameters
    ----------
    hierarchy, prior : Hierarchy, BetaPrior
    component_set : ComponentSet
        With rho held at the middle of its prior.
    fits : sequence of ComponentFit
        One for each mode.
    values : int
        How many values of rho, J.

    Returns
    -------
    GivenRho
    """
    even = stats.norm.ppf((np.arange(values) + 0.5) / values)
    z = even / even.std()  # (J,)
    modes = []
    for fit in fits:
        ahead, behind = (
            _newton_step(hierarchy, prior, component_set=component_set, fit=fit, z_rho=at)
            for at in (_FAR_RHO, -_FAR_RHO)
        )
        straight = (ahead - behind) / 2 / _FAR_RHO
        bent = (ahead + behind) / 2 / _FAR_RHO**2
        modes.append(fit.mode + z[:, None] * straight + z[:, None] ** 2 * bent)  # (J, K)
    return GivenRho(np.array([COORDINATES["rho"].value(at) for at in z]), tuple(modes))


def _newton_step(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    component_set: ComponentSet,
    fit: ComponentFit,
    z_rho: float,
) -> Array:
    """(K,) Newton step of the components from their mode where rho lies at `z_rho` instead."""
    held = {**component_set.held, "rho": COORDINATES["rho"].value(z_rho)}
    loss, slope = loss_at(
        hierarchy,
        prior,
        component_set=replace(component_set, held=held),
        start=fit.found.state,
        z=fit.mode,
    )
    if not len(fit.mode) or not np.isfinite(loss) or not np.isfinite(slope).all():
        return np.zeros(len(fit.mode))
    step = -fit.covariance @ slope
    length = float(np.sqrt(-step @ slope))
    return np.asarray(step * min(1.0, _LONGEST_MOVE / max(length, 1e-9)))


def draw_components(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    component_set: ComponentSet,
    fits: Sequence[ComponentFit],
    draws: int,
    seed: int = 0,
    given: GivenRho | None = None,
) -> tuple[ComponentDraw, ...]:
    """Draws of the components from t laws around their modes, weighed again by the criterion.

    They are drawn in the coordinates of `ComponentSet.straightened`.

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    component_set : ComponentSet
    fits : sequence of ComponentFit
        One for each mode.
    draws : int
        Around each mode; a power of two spreads them evenly (scrambled Sobol points).
    seed : int
    given : GivenRho, optional
        Values of rho that the records have no say in: each has as many draws as the others, and the
        same weight.

    Returns
    -------
    tuple of ComponentDraw
        Weights sum to 1.
    """
    if not component_set.unknown and given is None:
        return (ComponentDraw(component_set.at(np.zeros(0)), 1.0, fits[0].found),)
    points = _points(component_set, fits, draws, seed=seed, given=given)
    components = [component_set.at(at) for at in points.z]
    if given is not None:
        components = [
            replace(one, rho=float(given.rho[k]))
            for one, k in zip(components, points.value, strict=True)
        ]
    found = find_pooled_modes(hierarchy, prior, components, points.starts)

    criterion = np.array([one.criterion for one in found])
    criterion = np.where(np.isfinite(criterion), criterion, -np.inf)
    log_prior = -0.5 * (points.z**2).sum(axis=1)
    # a cell of one seed knows no rho: all draws are weighed together, or a few of each value would
    # carry its whole part
    shares_cells = any(part.data.seeds > 1 for part in hierarchy.parts)
    value = points.value if shares_cells else np.zeros_like(points.value)
    weight = _weights(criterion + log_prior - points.log_density, value)
    return tuple(
        ComponentDraw(components[k], float(weight[k]), found[k]) for k in np.flatnonzero(weight)
    )


def _points(
    component_set: ComponentSet,
    fits: Sequence[ComponentFit],
    draws: int,
    seed: int,
    given: GivenRho | None,
) -> _Points:
    """Points from t laws about the modes, the same number for each value of rho that is given."""
    size = len(component_set.unknown)
    columns = size + 1 if given is None else size + 2
    uniform = stats.qmc.Sobol(columns, seed=seed).random(draws)  # (draws, K + 1 or K + 2)
    stretch = np.sqrt(_DRAWS_DF / stats.chi2.ppf(uniform[:, size], _DRAWS_DF))
    steps = stats.norm.ppf(uniform[:, :size]) * stretch[:, None]  # (draws, K), standard t
    if given is None:
        modes = tuple(fit.mode[None] for fit in fits)
        value_of_step = np.zeros(draws, dtype=int)
    else:
        modes = given.modes
        value_of_step = (uniform[:, -1] * len(given.rho)).astype(int)

    z, log_density, value, starts = [], [], [], []
    for k in range(len(modes[0])):
        laws = [(mode[k], fit.covariance) for mode, fit in zip(modes, fits, strict=True)]
        own = steps[value_of_step == k]
        at, density = _drawn_about(component_set, laws, own)
        z.append(at)
        log_density.append(density)
        value.append(np.full(len(at), k))
        starts += [fit.found.state for fit in fits for _ in own]
    return _Points(np.concatenate(z), np.concatenate(log_density), np.concatenate(value), starts)


def _drawn_about(
    component_set: ComponentSet, laws: Sequence[tuple[Array, Array]], steps: Array
) -> tuple[Array, Array]:
    """Coordinates drawn from t laws about several modes, and the log density of all laws there.

    Parameters
    ----------
    component_set : ComponentSet
    laws : sequence of ((K,) array, (K, K) array)
        Mode and covariance of each of F laws.
    steps : (n, K) array
        Standard t, the same for every law.

    Returns
    -------
    z : (F n, K) array
        One law after the other.
    log_density : (F n,) array
    """
    if steps.shape[1] == 0:
        return np.zeros((len(laws) * len(steps), 0)), np.zeros(len(laws) * len(steps))
    straight = []
    for mode, covariance in laws:
        slant = component_set.slant(mode)
        middle = component_set.straightened(mode[None])[0]
        straight.append((middle, slant @ covariance @ slant.T))
    y = np.concatenate([middle + steps @ np.linalg.cholesky(wide).T for middle, wide in straight])
    log_densities = [
        stats.multivariate_t(middle, wide, df=_DRAWS_DF).logpdf(y).reshape(len(y))
        for middle, wide in straight
    ]
    return component_set.bent(y), np.asarray(np.logaddexp.reduce(log_densities, axis=0))


def _weights(log_weight: Array, value: Index) -> Array:
    """Weights (N,) that sum to 1, as much for one `value` of rho, (N,), as for another.

    A draw with next to no weight among those of its value gets 0.
    """
    weight = np.zeros(len(log_weight))
    for k in np.unique(value):
        own = np.flatnonzero(value == k)
        top = log_weight[own].max()
        if not np.isfinite(top):
            continue
        relative = np.exp(log_weight[own] - top)
        relative = np.where(relative > _LEAST_WEIGHT * relative.sum(), relative, 0.0)
        weight[own] = relative / relative.sum()
    return np.asarray(weight / weight.sum())


def effective_share(draws: tuple[ComponentDraw, ...], asked: int) -> float:
    """Effective number of draws over the number asked for; near 1 where the t law fits well.

    Parameters
    ----------
    draws : tuple of ComponentDraw
    asked : int

    Returns
    -------
    float
        0-1.
    """
    weight = np.array([draw.weight for draw in draws])
    return float(weight.sum() ** 2 / (weight**2).sum() / asked)
