"""The outer layer: what the trays say of the scatter itself, with its uncertainty carried on.

Scales are written in coordinates divided by their prior sds, so that every prior is standard normal. The criterion's
gradient is differenced along the mode's own path: the mode at scales moved by h is x + h dx/dz to first order, so that
no mode is solved again inside a difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.optimize import minimize
from scipy.special import expit

from germstats.models.pooled_mode import BetaPrior, PooledMode, criterion_at, find_pooled_mode, mode_slope
from germstats.models.timing import Array
from germstats.models.tree import Scales, State, Tree

LOGIT_RHO = float(np.log(0.04 / 0.96))
"""Centre of the prior of logit rho (sd 1): statistics of the design, common practice, no source."""
_STEP = 0.05  # of a prior sd, for differences along the path
_BEND_STEP = 0.15  # of a prior sd, for differences of gradients
_DRAWS_DF = 6
_USUAL_VARIANCE = (
    0.25  # of a scale, in its prior variances, once the trays have been asked: 12 evaluations instead of 17
)
_TALLEST_VARIANCE = 1.5  # a direction in which the criterion hardly bends keeps about its prior variance (1)


@dataclass(frozen=True)
class Coordinate:
    """One unknown scale: its transformed value has a normal prior."""

    name: str
    mean: float
    sd: float

    def value(self, z: float) -> float:
        """The scale at coordinate z."""
        at = self.mean + self.sd * z
        if self.name == "delay":
            return at
        return float(expit(at)) if self.name == "rho" else float(np.exp(at))


COORDINATES = {
    "tray": Coordinate("tray", float(np.log(0.5)), 0.6),
    "lot": Coordinate("lot", float(np.log(0.5)), 0.6),
    "tray_time": Coordinate("tray_time", float(np.log(0.08)), 0.7),
    "lot_time": Coordinate("lot_time", float(np.log(0.08)), 0.7),
    "rho": Coordinate("rho", LOGIT_RHO, 1.0),
    "place": Coordinate("place", float(np.log(0.3)), 0.6),
    "delay": Coordinate("delay", 0.0, 8.0),
}
"""Priors of the unknown scales (statistics of the design; that of places: common practice, no source)."""


@dataclass(frozen=True)
class ScaleSet:
    """Which scales are unknown, and the values of those held."""

    unknown: tuple[Coordinate, ...]
    held: Mapping[str, float]

    def at(self, z: Array) -> Scales:
        """Scales at coordinates z."""
        values = {coordinate.name: coordinate.value(at) for coordinate, at in zip(self.unknown, z, strict=True)}
        return Scales(**{**self.held, **values})


@dataclass(frozen=True)
class ScaleFit:
    """The scales' posterior.

    Attributes
    ----------
    mode : (K,) array
        In prior sds.
    covariance : (K, K) array
    found : PooledMode
        Effects at the mode.
    criterion : float
        Laplace's criterion with the scales' priors.
    gradient : float
        Largest component of the criterion's gradient at the mode, by which convergence is judged.
    evaluations : int
    """

    mode: Array
    covariance: Array
    found: PooledMode
    criterion: float
    gradient: float
    evaluations: int


@dataclass(frozen=True)
class ScaleDraw:
    """One draw of the scales with its weight, and the effects' mode there."""

    scales: Scales
    weight: float
    found: PooledMode


class _Outer:
    """Criterion and gradient in the scales' coordinates, starting each mode where the last one points to."""

    def __init__(self, tree: Tree, prior: BetaPrior, scale_set: ScaleSet, start: State) -> None:
        self.tree, self.prior, self.scale_set, self.last = tree, prior, scale_set, start
        self.evaluations = 0
        self.at: Array | None = None  # where `paths` lead away from
        self.paths: list[State] = []

    def mode(self, z: Array) -> PooledMode:
        """The mode at z, started where the last one's paths lead to first order."""
        start = self.last
        if self.at is not None:
            for path, step in zip(self.paths, z - self.at, strict=True):
                start = start.moved(path, float(step))
        found = find_pooled_mode(self.tree, self.prior, self.scale_set.at(z), start)
        self.last, self.at, self.paths = found.state, None, []
        self.evaluations += 1
        return found

    def loss(self, z: Array) -> tuple[float, Array]:
        found = self.mode(z)
        return 0.5 * float(z @ z) - found.criterion, z - self.slope(z, found)

    def slope(self, z: Array, found: PooledMode) -> Array:
        """Gradient of Laplace's criterion (without the scales' priors)."""
        slope, paths = np.empty(len(z)), []
        for k in range(len(z)):
            moved = np.zeros(len(z))
            moved[k] = _STEP
            ahead, behind = self.scale_set.at(z + moved), self.scale_set.at(z - moved)
            path = mode_slope(self.tree, self.prior, found, ahead, behind, 2 * _STEP)
            paths.append(path)
            high = criterion_at(self.tree, self.prior, ahead, found.state.moved(path, _STEP))
            low = criterion_at(self.tree, self.prior, behind, found.state.moved(path, -_STEP))
            slope[k] = (high - low) / (2 * _STEP)
        self.at, self.paths = z.copy(), paths
        return slope


def fit_scales(
    tree: Tree, prior: BetaPrior, scale_set: ScaleSet, start: State, near: Mapping[str, float] | None = None
) -> ScaleFit:
    """Mode and curvature of the scales' posterior.

    Parameters
    ----------
    tree : Tree
    prior : BetaPrior
    scale_set : ScaleSet
    start : State
    near : dict of str to float, optional
        Coordinates by name from which the mode is sought; 0 where not given.

    Returns
    -------
    ScaleFit
    """
    outer = _Outer(tree, prior, scale_set, start)
    size = len(scale_set.unknown)
    if size == 0:
        found = outer.mode(np.zeros(0))
        return ScaleFit(np.zeros(0), np.zeros((0, 0)), found, found.criterion, 0.0, 1)
    result = minimize(
        outer.loss, np.array([(near or {}).get(one.name, 0.0) for one in scale_set.unknown]), jac=True, method="BFGS",
        options={"gtol": 0.01, "maxiter": 40, "hess_inv0": _USUAL_VARIANCE * np.eye(size)},
    )  # fmt: skip
    evaluations = outer.evaluations
    mode = np.asarray(result.x)
    base = np.asarray(result.jac)
    bend = np.empty((size, size))
    for k in range(size):
        moved = np.zeros(size)
        moved[k] = _BEND_STEP
        bend[k] = (outer.loss(mode + moved)[1] - outer.loss(mode - moved)[1]) / (2 * _BEND_STEP)
    values, vectors = np.linalg.eigh((bend + bend.T) / 2)
    covariance = (vectors / np.maximum(values, 1 / _TALLEST_VARIANCE)) @ vectors.T
    found = outer.mode(mode)
    criterion = found.criterion - 0.5 * float(mode @ mode)
    return ScaleFit(mode, covariance, found, criterion, float(np.abs(base).max()), evaluations)


def draw_scales(
    tree: Tree, prior: BetaPrior, scale_set: ScaleSet, fit: ScaleFit, draws: int, seed: int = 0
) -> tuple[ScaleDraw, ...]:
    """Draws of the scales from a t law around their mode, re-weighted by the criterion.

    Parameters
    ----------
    tree : Tree
    prior : BetaPrior
    scale_set : ScaleSet
    fit : ScaleFit
    draws : int
        A power of two spreads them evenly (scrambled Sobol points).
    seed : int

    Returns
    -------
    tuple of ScaleDraw
        Weights sum to 1.
    """
    size = len(scale_set.unknown)
    if size == 0:
        return (ScaleDraw(scale_set.at(np.zeros(0)), 1.0, fit.found),)
    points = stats.qmc.Sobol(size + 1, seed=seed).random(draws)
    normal = stats.norm.ppf(points[:, :size])
    stretch = np.sqrt(_DRAWS_DF / stats.chi2.ppf(points[:, size], _DRAWS_DF))[:, None]
    root = np.linalg.cholesky(fit.covariance)
    z = fit.mode + (normal * stretch) @ root.T
    proposed = stats.multivariate_t(fit.mode, fit.covariance, df=_DRAWS_DF).logpdf(z).reshape(draws)
    found = [find_pooled_mode(tree, prior, scale_set.at(at), fit.found.state) for at in z]
    reached = np.array([one.criterion for one in found])
    log_weight = np.where(np.isfinite(reached), reached, -np.inf) - 0.5 * (z**2).sum(axis=1) - proposed
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    return tuple(
        ScaleDraw(scale_set.at(at), float(one_weight), one)
        for at, one_weight, one in zip(z, weight, found, strict=True)
        if one_weight > 1e-6
    )


def effective_share(draws: tuple[ScaleDraw, ...], asked: int) -> float:
    """Effective number of draws over the number asked for: near 1 where the t law fits the scales well."""
    weight = np.array([draw.weight for draw in draws])
    return float(weight.sum() ** 2 / (weight**2).sum() / asked)
