"""The mode of all effects at given scales, and Laplace's criterion for the scales themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from germstats.models.likelihood import TrayTerms
from germstats.models.timing import Array
from germstats.models.tree import Elimination, Scales, State, Tree, eliminate, predictors, tray_terms

HEAVY_DF = 3.0
"""Degrees of freedom of the effects that are usually small and now and then very large, such as a spring's chill."""
_STEPS = 80
_DECREMENT = 1e-9
_TRIFLE = 0.05
_HALVINGS = 20
_LONGEST = 3.0  # largest change of a predictor in one Newton step


@dataclass(frozen=True)
class BetaPrior:
    """Prior of the common effects.

    Attributes
    ----------
    mean, sd : (P,) arrays
        sd inf is flat.
    place : (P,) bool array
        Effects of places, whose sd is ``Scales.place``.
    heavy : (P,) bool array
        Effects with a t law of `HEAVY_DF` degrees of freedom and scale sd.
    """

    mean: Array
    sd: Array
    place: Array
    heavy: Array

    def bend(self, beta: Array, place_sd: float) -> Array:
        """The log density's own curvature, (P,), never below a trifle: Newton's method needs it to converge fast."""
        sd = np.where(self.place, place_sd, self.sd)
        away = np.where(np.isfinite(sd), (beta - self.mean) / sd, 0.0) ** 2
        heavy = np.maximum((HEAVY_DF + 1) * (HEAVY_DF - away) / (HEAVY_DF + away) ** 2, _TRIFLE)
        return np.where(np.isfinite(sd), np.where(self.heavy, heavy, 1.0) / sd**2, 0.0)

    def at(self, beta: Array, place_sd: float) -> tuple[float, Array, Array]:
        """Log density (flat effects left out), gradient, and the precision of the matching normal law."""
        sd = np.where(self.place, place_sd, self.sd)
        proper = np.isfinite(sd)
        away = np.where(proper, (beta - self.mean) / sd, 0.0)
        loose = np.where(self.heavy, (HEAVY_DF + 1) / (HEAVY_DF + away**2), 1.0)
        precision = np.where(proper, loose / sd**2, 0.0)
        depth = np.where(self.heavy, (HEAVY_DF + 1) * np.log1p(away**2 / HEAVY_DF), away**2)
        value = -0.5 * float(depth.sum()) - float(np.log(sd[proper]).sum())
        return value, -precision * np.where(proper, beta - self.mean, 0.0), precision


@dataclass(frozen=True)
class PooledMode:
    """The mode at given scales.

    Attributes
    ----------
    state : State
    terms : TrayTerms
    elimination : Elimination
    criterion : float
        Log of the integral over all effects by Laplace's method, up to a constant: with the fixed effects inside it is
        the restricted criterion.
    converged : bool
    """

    state: State
    terms: TrayTerms
    elimination: Elimination
    criterion: float
    converged: bool


@dataclass(frozen=True)
class _Point:
    state: State
    terms: TrayTerms
    value: float
    own: Array
    lots: Array
    beta: Array
    precision: Array


def _point(tree: Tree, prior: BetaPrior, scales: Scales, state: State, terms: TrayTerms | None = None) -> _Point:
    """Log posterior at `state` with the priors' gradients."""
    terms = terms or tray_terms(tree.parts, predictors(tree, state), scales, tree.delayed)
    fixed, beta, precision = prior.at(state.beta, scales.place)
    tray_precision, lot_precision = tree.tray_precision(scales), tree.lot_precision(scales)
    own, lots = -state.trays * tray_precision, -state.lots * lot_precision
    value = float(terms.value.sum()) + fixed
    value += 0.5 * float((own * state.trays).sum() + (lots * state.lots).sum())
    value += 0.5 * float(np.log(tray_precision).sum() + np.log(lot_precision).sum())
    return _Point(state, terms, value, own, lots, beta, precision)


def criterion_at(tree: Tree, prior: BetaPrior, scales: Scales, state: State) -> float:
    """Laplace's criterion with the expansion taken at `state`, which need not be the mode."""
    point = _point(tree, prior, scales, state)
    if not np.isfinite(point.value):
        return -np.inf
    return point.value - 0.5 * eliminate(tree, point.terms.hessian, scales, point.precision).log_det


def find_pooled_mode(tree: Tree, prior: BetaPrior, scales: Scales, start: State) -> PooledMode:
    """Newton's method by elimination, with halved steps where the value falls.

    Parameters
    ----------
    tree : Tree
    prior : BetaPrior
    scales : Scales
    start : State

    Returns
    -------
    PooledMode
        Judged converged by the decrement taken before the step.
    """
    here = _point(tree, prior, scales, start)
    for _ in range(_STEPS):
        bend = prior.bend(here.state.beta, scales.place)
        step = eliminate(tree, here.terms.hessian, scales, bend).solve(
            here.terms.gradient, here.own, here.lots, here.beta
        )
        converged = _slope(tree, here, step) < _DECREMENT
        ahead = None if converged or not np.isfinite(here.value) else _ahead(tree, prior, scales, here, step)
        if ahead is None:
            break
        here = ahead
    found = eliminate(tree, here.terms.hessian, scales, here.precision)
    return PooledMode(here.state, here.terms, found, here.value - 0.5 * found.log_det, converged)


def _ahead(tree: Tree, prior: BetaPrior, scales: Scales, here: _Point, step: State) -> _Point | None:
    """A point along `step` that is no worse, the step halved until it is; None where there is none."""
    moved = np.abs(predictors(tree, step)).max(initial=0.0)
    by = min(1.0, _LONGEST / moved) if moved > 0 else 1.0
    for halving in range(_HALVINGS):
        ahead = _point(tree, prior, scales, here.state.moved(step, by * 0.5**halving))
        if ahead.value >= here.value - 1e-10 and np.isfinite(ahead.terms.hessian).all():
            return ahead
    return None


def _slope(tree: Tree, here: _Point, step: State) -> float:
    """Gradient along `step`."""
    along = float((here.terms.gradient * predictors(tree, step)).sum())
    return along + float((here.own * step.trays).sum() + (here.lots * step.lots).sum() + here.beta @ step.beta)


def mode_slope(tree: Tree, prior: BetaPrior, mode: PooledMode, ahead: Scales, behind: Scales, gap: float) -> State:
    """How the mode moves per unit of a scale's coordinate: H^-1 times the change of the gradient at fixed effects."""
    same = (ahead.rho, ahead.delay) == (behind.rho, behind.delay)  # then the likelihood has not changed
    high, low = (_point(tree, prior, scales, mode.state, mode.terms if same else None) for scales in (ahead, behind))
    return mode.elimination.solve(
        (high.terms.gradient - low.terms.gradient) / gap,
        (high.own - low.own) / gap,
        (high.lots - low.lots) / gap,
        (high.beta - low.beta) / gap,
    )
