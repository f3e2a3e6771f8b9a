"""The mode of all effects at given variance components, and Laplace's criterion for those."""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from germstats.engine.hierarchy import (
    Hierarchy,
    State,
    VarianceComponents,
    predictors,
    start_state,
    terms_at,
)
from germstats.engine.likelihood import TrayTerms
from germstats.engine.schur import SchurComplement, eliminate
from germstats.engine.timing import Array

HEAVY_DF = 3.0
"""Degrees of freedom of the effects that are usually small and now and then very large, such as a
spring's chill.
"""
_STEPS = 80
DECREMENT = 1e-9
"""Of Newton's method, under which a mode is found."""
_LEAST_BEND = 0.05
_HALVINGS = 20
_LONGEST = 3.0  # largest change of a predictor in one Newton step


@dataclass(frozen=True)
class QuadraticSummary:
    """What trays say of the common effects, to second order.

    Attributes
    ----------
    information : (P, P) array
    slope : (P,) array
        Gradient at `at`.
    at : (P,) array
    """

    information: Array
    slope: Array
    at: Array


@dataclass(frozen=True)
class BetaPrior:
    """Prior of the common effects.

    Attributes
    ----------
    mean, sd : (P,) arrays
        sd inf is flat.
    heavy : (P,) bool array
        Effects with a t law of `HEAVY_DF` degrees of freedom and scale sd.
    learned : dict
        Field of `VarianceComponents` -> (P,) bool array: effects whose sd it is.
    outside : QuadraticSummary, optional
        What trays outside the hierarchy say.
    """

    mean: Array
    sd: Array
    heavy: Array
    learned: Mapping[str, Array] = field(default_factory=dict)
    outside: QuadraticSummary | None = None

    def sd_at(self, components: VarianceComponents) -> Array:
        """(P,) sds at these components."""
        sd = self.sd
        for name, here in self.learned.items():
            sd = np.where(here, getattr(components, name), sd)
        return sd

    def bend(self, beta: Array, components: VarianceComponents) -> Array:
        """The log density's own curvature, (P,) or (P, P), for Newton's method to converge fast.

        Never below `_LEAST_BEND` of a normal law's.
        """
        sd = self.sd_at(components)
        away = np.where(np.isfinite(sd), (beta - self.mean) / sd, 0.0) ** 2
        heavy = np.maximum((HEAVY_DF + 1) * (HEAVY_DF - away) / (HEAVY_DF + away) ** 2, _LEAST_BEND)
        return self._with_outside(
            np.where(np.isfinite(sd), np.where(self.heavy, heavy, 1.0) / sd**2, 0.0)
        )

    def _with_outside(self, precision: Array) -> Array:
        return precision if self.outside is None else np.diag(precision) + self.outside.information

    def at(self, beta: Array, components: VarianceComponents) -> tuple[float, Array, Array]:
        """The prior's log density, with its gradient and the matching normal law.

        Parameters
        ----------
        beta : (P,) array
        components : VarianceComponents

        Returns
        -------
        value : float
            Log density; flat effects are left out.
        slope : (P,) array
        precision : (P,) or (P, P) array
            The latter where trays outside say something of the effects.
        """
        sd = self.sd_at(components)
        proper = np.isfinite(sd)
        away = np.where(proper, (beta - self.mean) / sd, 0.0)
        loose = np.where(self.heavy, (HEAVY_DF + 1) / (HEAVY_DF + away**2), 1.0)
        precision = np.where(proper, loose / sd**2, 0.0)
        depth = np.where(self.heavy, (HEAVY_DF + 1) * np.log1p(away**2 / HEAVY_DF), away**2)
        value = -0.5 * float(depth.sum()) - float(np.log(sd[proper]).sum())
        slope = -precision * np.where(proper, beta - self.mean, 0.0)
        if self.outside is not None:
            off = beta - self.outside.at
            bent = self.outside.information @ off
            value += float(off @ (self.outside.slope - 0.5 * bent))
            slope = slope + self.outside.slope - bent
        return value, slope, self._with_outside(precision)


@dataclass(frozen=True)
class PooledMode:
    """The mode at given components.

    Attributes
    ----------
    state : State
    terms : TrayTerms
    elimination : SchurComplement
    criterion : float
        Log of the integral over all effects by Laplace's method, up to a constant: with the fixed
        effects inside it is the restricted criterion.
    converged : bool
    """

    state: State
    terms: TrayTerms
    elimination: SchurComplement
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


def _point(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    components: VarianceComponents,
    state: State,
    terms: TrayTerms,
) -> _Point:
    """Log posterior at `state` with the priors' gradients."""
    fixed, beta, precision = prior.at(state.beta, components)
    tray_precision, lot_precision = (
        hierarchy.tray_precision(components),
        hierarchy.lot_precision(components),
    )
    own, lots = -state.trays * tray_precision, -state.lots * lot_precision
    value = float(terms.value.sum()) + fixed
    value += 0.5 * float(
        (own * state.trays).sum() + (lots * state.lots).sum() + hierarchy.log_precision(components)
    )
    return _Point(
        state=state, terms=terms, value=value, own=own, lots=lots, beta=beta, precision=precision
    )


def criteria_at(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    components: Sequence[VarianceComponents],
    states: Sequence[State],
) -> list[float]:
    """Laplace's criterion with the expansion taken at each state, which need not be the mode.

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    components : sequence of VarianceComponents
    states : sequence of State

    Returns
    -------
    list of float
    """
    found = []
    for known, state, terms in zip(
        components, states, terms_at(hierarchy, states, components), strict=True
    ):
        point = _point(hierarchy, prior, components=known, state=state, terms=terms)
        log_det = (
            eliminate(hierarchy, terms.hessian, known, point.precision).log_det
            if np.isfinite(point.value)
            else 0.0
        )
        found.append(point.value - 0.5 * log_det)
    return found


def find_pooled_modes(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    components: Sequence[VarianceComponents],
    starts: Sequence[State],
    decrement: float = DECREMENT,
) -> list[PooledMode]:
    """Modes at several sets of components, by Newton's method with elimination.

    Steps are halved where the value falls.

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    components : sequence of VarianceComponents
    starts : sequence of State
    decrement : float
        Of Newton's method, under which a search ends. What it leaves of the criterion's value is
        added by the parabola that the next step rests on.

    Returns
    -------
    list of PooledMode
        Judged converged by the decrement taken before the step.
    """
    searches = [
        _search(hierarchy, prior, components=known, start=start, decrement=decrement)
        for known, start in zip(components, starts, strict=True)
    ]
    asked = {k: next(search) for k, search in enumerate(searches)}
    found: dict[int, PooledMode] = {}
    while asked:  # in step, so that the likelihood is asked for all that still move at once
        terms = terms_at(hierarchy, list(asked.values()), [components[k] for k in asked])
        for k, answer in zip(list(asked), terms, strict=True):
            try:
                asked[k] = searches[k].send(answer)
            except StopIteration as done:
                found[k] = done.value
                del asked[k]
    return [found[k] for k in range(len(searches))]


def find_pooled_mode(
    hierarchy: Hierarchy, prior: BetaPrior, components: VarianceComponents, start: State
) -> PooledMode:
    """One mode, as in `find_pooled_modes`."""
    return find_pooled_modes(hierarchy, prior, [components], [start])[0]


def _search(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    components: VarianceComponents,
    start: State,
    decrement: float,
) -> Generator[State, TrayTerms, PooledMode]:
    """Asks for the likelihood at one state after another, and ends with the mode.

    A start at which the likelihood is no number gives way to no effect at all about the prior's
    middle. Where that is impossible too, so are the records under these components: the criterion
    is -inf.
    """
    here = _point(hierarchy, prior, components=components, state=start, terms=(yield start))
    if not _is_number(here):
        start = start_state(hierarchy, prior.mean.copy())
        here = _point(hierarchy, prior, components=components, state=start, terms=(yield start))
    if not _is_number(here):
        flat = eliminate(hierarchy, np.zeros_like(here.terms.hessian), components, here.precision)
        return PooledMode(
            state=here.state, terms=here.terms, elimination=flat, criterion=-np.inf, converged=False
        )

    for _ in range(_STEPS):
        bend = prior.bend(here.state.beta, components)
        found = eliminate(hierarchy, here.terms.hessian, components, bend)
        step = found.solve(here.terms.gradient, here.own, here.lots, here.beta)
        moves = predictors(hierarchy, step)
        gain = _slope(here, step, moves)
        if gain < decrement:
            break
        farthest = float(np.abs(moves).max(initial=0.0))
        ahead = yield from _ahead(
            hierarchy, prior, components=components, here=here, step=step, moved=farthest
        )
        if ahead is None:
            break
        here = ahead
    else:
        bend = here.precision
        found = eliminate(hierarchy, here.terms.hessian, components, bend)

    if not np.array_equal(bend, here.precision):
        found = _under(found, hierarchy, components, here)
    converged = gain < decrement
    value = here.value + 0.5 * gain if converged else here.value
    return PooledMode(
        state=here.state,
        terms=here.terms,
        elimination=found,
        criterion=value - 0.5 * found.log_det,
        converged=converged,
    )


def _is_number(here: _Point) -> bool:
    return bool(np.isfinite(here.value) and np.isfinite(here.terms.sums).all())


def _under(
    found: SchurComplement, hierarchy: Hierarchy, components: VarianceComponents, here: _Point
) -> SchurComplement:
    """The elimination with the precision of the matching normal law.

    That may be looser than Newton's own: the likelihood is eliminated again where too little is
    left.
    """
    try:
        return found.under(here.precision)
    except np.linalg.LinAlgError:
        return eliminate(hierarchy, here.terms.hessian, components, here.precision)


def _ahead(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    components: VarianceComponents,
    here: _Point,
    step: State,
    moved: float,
) -> Generator[State, TrayTerms, _Point | None]:
    """A point along `step` that is no worse, the step halved until it is; None if there is none.

    The whole step moves some predictor by `moved`.
    """
    by = min(1.0, _LONGEST / moved) if moved > 0 else 1.0
    for halving in range(_HALVINGS):
        state = here.state.moved(step, by * 0.5**halving)
        ahead = _point(hierarchy, prior, components=components, state=state, terms=(yield state))
        if ahead.value >= here.value - 1e-10 and _is_number(ahead):
            return ahead
    return None


def _slope(here: _Point, step: State, moves: Array) -> float:
    """Gradient along `step`, which moves the predictors by `moves`."""
    along = float((here.terms.gradient * moves).sum())
    return along + float(
        (here.own * step.trays).sum() + (here.lots * step.lots).sum() + here.beta @ step.beta
    )


def mode_slopes(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    mode: PooledMode,
    here: VarianceComponents,
    ahead: Sequence[VarianceComponents],
    gap: float,
) -> list[State]:
    """How the mode moves with each coordinate of the components.

    It is H^-1 times the change of the gradient at fixed effects. For a delay of the spring that
    change is taken from both sides: trays of a few days bend so sharply in it, and few and late are
    so nearly the same there, that from one side the path was off by a hundredfold.

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    mode : PooledMode
    here : VarianceComponents
        Of the mode.
    ahead : sequence of VarianceComponents
        With one coordinate further by `gap` in each.
    gap : float

    Returns
    -------
    list of State
        Per unit of each coordinate.
    """
    low = _point(hierarchy, prior, components=here, state=mode.state, terms=mode.terms)
    changes = _likelihood_changes(hierarchy, mode, here, ahead)
    paths = []
    for components, change in zip(ahead, changes, strict=True):
        high = _point(hierarchy, prior, components=components, state=mode.state, terms=mode.terms)
        paths.append(
            mode.elimination.solve(
                change / gap,
                (high.own - low.own) / gap,
                (high.lots - low.lots) / gap,
                (high.beta - low.beta) / gap,
            )
        )
    return paths


def _likelihood_changes(
    hierarchy: Hierarchy,
    mode: PooledMode,
    here: VarianceComponents,
    ahead: Sequence[VarianceComponents],
) -> list[Array]:
    """(T, 3) changes of the likelihood's gradient ahead, at the effects of the mode.

    Only rho and a delay change it.
    """
    delayed = [k for k, one in enumerate(ahead) if one.delay != here.delay]
    moved = [k for k, one in enumerate(ahead) if one.rho != here.rho or k in delayed]
    behind = [replace(here, delay=2 * here.delay - ahead[k].delay) for k in delayed]
    asked = [*(ahead[k] for k in moved), *behind]
    terms = terms_at(hierarchy, [mode.state] * len(asked), asked)
    high = dict(zip(moved, terms, strict=False))
    low = dict(zip(delayed, terms[len(moved) :], strict=True))

    changes = []
    for k in range(len(ahead)):
        if k in low:
            changes.append((high[k].gradient - low[k].gradient) / 2)
        elif k in high:
            changes.append(high[k].gradient - mode.terms.gradient)
        else:
            changes.append(np.zeros_like(mode.terms.gradient))
    return changes
