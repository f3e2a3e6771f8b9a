"""Draws of the scatters from about their modes, weighed by the criterion; rho by its prior where no
record shows it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from germstats.engine.arrays import Index
from germstats.engine.hierarchy import Hierarchy, VarianceComponents
from germstats.engine.laplace import BetaPrior, PooledMode, find_pooled_modes
from germstats.engine.timing import Array
from germstats.engine.variance_components import COORDINATES, ComponentFit, ComponentSet, loss_at

_DRAWS_DF = 6
_TRIFLE = 1e-6  # share of the weight under which a draw is left out
_FAR_RHO = 1.5  # prior sds
_LONGEST_MOVE = 2.0  # likely widths of the scales


@dataclass(frozen=True)
class ComponentDraw:
    """One draw of the scales with its weight, and the effects' mode there."""

    scales: VarianceComponents
    weight: float
    found: PooledMode


@dataclass(frozen=True)
class GivenRho:
    """Equally likely values of rho that the records have no say in.

    Attributes
    ----------
    rho : (J,) array
    modes : tuple of (J, K) arrays
        About which the other scales are drawn at each, for each mode of their posterior.
    """

    rho: Array
    modes: tuple[Array, ...]


def given_rho(
    tree: Hierarchy,
    prior: BetaPrior,
    scale_set: ComponentSet,
    fits: Sequence[ComponentFit],
    values: int,
) -> GivenRho:
    """Rho by its prior alone, for records that cannot tell it; it is held at the prior's middle in
    `scale_set`.

    Where the other scales' posterior lies at another rho is told by one Newton step from their
    mode, taken at two values of rho, and a parabola through both: the draws are weighed afterwards,
    so that near is enough.

    Parameters
    ----------
    tree, prior, scale_set : Hierarchy, BetaPrior, ComponentSet
    fits : sequence of ComponentFit
        One for each mode.
    values : int
    """
    even = stats.norm.ppf((np.arange(values) + 0.5) / values)
    z = even / even.std()
    modes = []
    for fit in fits:
        ahead, behind = (
            _moved(tree, prior, scale_set=scale_set, fit=fit, z_rho=at)
            for at in (_FAR_RHO, -_FAR_RHO)
        )
        straight, bent = (ahead - behind) / 2 / _FAR_RHO, (ahead + behind) / 2 / _FAR_RHO**2
        modes.append(fit.mode + z[:, None] * straight + z[:, None] ** 2 * bent)
    return GivenRho(np.array([COORDINATES["rho"].value(at) for at in z]), tuple(modes))


def _moved(
    tree: Hierarchy, prior: BetaPrior, scale_set: ComponentSet, fit: ComponentFit, z_rho: float
) -> Array:
    """(K,) Newton step of the scales from their mode where rho lies at `z_rho` instead."""
    held = {**scale_set.held, "rho": COORDINATES["rho"].value(z_rho)}
    loss, slope = loss_at(
        tree, prior, scale_set=replace(scale_set, held=held), start=fit.found.state, z=fit.mode
    )
    if not np.isfinite(loss) or not np.isfinite(slope).all():
        return np.zeros(len(fit.mode))
    step = -fit.covariance @ slope
    size = float(np.sqrt(-step @ slope)) if len(step) else 0.0
    return np.asarray(step * min(1.0, _LONGEST_MOVE / max(size, 1e-9)))


def draw_scales(
    tree: Hierarchy,
    prior: BetaPrior,
    scale_set: ComponentSet,
    fits: Sequence[ComponentFit],
    draws: int,
    seed: int = 0,
    given: GivenRho | None = None,
) -> tuple[ComponentDraw, ...]:
    """Draws of the scales from t laws around their modes, in `straightened` coordinates,
    re-weighted by the criterion.

    Parameters
    ----------
    tree : Hierarchy
    prior : BetaPrior
    scale_set : ComponentSet
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
    size = len(scale_set.unknown)
    if size == 0 and given is None:
        return (ComponentDraw(scale_set.at(np.zeros(0)), 1.0, fits[0].found),)
    points = stats.qmc.Sobol(size + 1 if given is None else size + 2, seed=seed).random(draws)
    normal = stats.norm.ppf(points[:, :size])
    stretch = np.sqrt(_DRAWS_DF / stats.chi2.ppf(points[:, size], _DRAWS_DF))[:, None]
    rho, modes = (
        ((np.nan,), [fit.mode[None] for fit in fits]) if given is None else (given.rho, given.modes)
    )
    of_value = (
        np.zeros(draws, dtype=int) if given is None else (points[:, -1] * len(rho)).astype(int)
    )
    parts = []
    for k in range(len(rho)):
        laws = [(mode[k], fit.covariance) for mode, fit in zip(modes, fits, strict=True)]
        parts.append(_proposed(scale_set, laws, (normal * stretch)[of_value == k]))
    z, log_proposed = (np.concatenate(part) for part in zip(*parts, strict=True))
    value = np.repeat(np.arange(len(rho)), [len(part[1]) for part in parts])
    scales = [scale_set.at(at) for at in z]
    if given is not None:
        scales = [replace(one, rho=float(rho[k])) for one, k in zip(scales, value, strict=True)]
    starts = [
        fit.found.state for part in parts for fit in fits for _ in range(len(part[1]) // len(fits))
    ]
    found = find_pooled_modes(tree, prior, scales, starts)
    reached = np.array([one.criterion for one in found])
    log_weight = (
        np.where(np.isfinite(reached), reached, -np.inf) - 0.5 * (z**2).sum(axis=1) - log_proposed
    )
    # a cell of one seed knows no rho: all draws are weighed together, or a few of each value would
    # carry its whole part
    felt = any(part.data.seeds > 1 for part in tree.parts)
    weight = _weights(log_weight, value if felt else np.zeros_like(value))
    return tuple(
        ComponentDraw(scales[k], float(weight[k]), found[k]) for k in np.flatnonzero(weight)
    )


def _proposed(
    scale_set: ComponentSet, laws: Sequence[tuple[Array, Array]], steps: Array
) -> tuple[Array, Array]:
    """Coordinates (F n, K) drawn from t laws about F modes, (K,) and (K, K), and the log density of
    all laws there.

    `steps` (n, K) are standard t, the same for every law.
    """
    if steps.shape[1] == 0:
        return np.zeros((len(laws) * len(steps), 0)), np.zeros(len(laws) * len(steps))
    straight = []
    for mode, covariance in laws:
        slant = scale_set.slant(mode)
        straight.append((scale_set.straightened(mode[None])[0], slant @ covariance @ slant.T))
    y = np.concatenate([middle + steps @ np.linalg.cholesky(wide).T for middle, wide in straight])
    of_each = [
        stats.multivariate_t(middle, wide, df=_DRAWS_DF).logpdf(y).reshape(len(y))
        for middle, wide in straight
    ]
    return scale_set.bent(y), np.asarray(np.logaddexp.reduce(of_each, axis=0))


def _weights(log_weight: Array, value: Index) -> Array:
    """Weights (N,) that sum to 1, as much for one `value` of rho, (N,), as for another; trifles are
    0.
    """
    weight = np.zeros(len(log_weight))
    for k in np.unique(value):
        own = np.flatnonzero(value == k)
        top = log_weight[own].max()
        if np.isfinite(top):
            weight[own] = np.exp(log_weight[own] - top)
            weight[own] = np.where(weight[own] > _TRIFLE * weight[own].sum(), weight[own], 0.0)
            weight[own] /= weight[own].sum()
    return np.asarray(weight / weight.sum())


def effective_share(draws: tuple[ComponentDraw, ...], asked: int) -> float:
    """Effective number of draws over the number asked for: near 1 where the t law fits the scales
    well.
    """
    weight = np.array([draw.weight for draw in draws])
    return float(weight.sum() ** 2 / (weight**2).sum() / asked)
