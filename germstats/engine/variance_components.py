"""What the trays say of the variance components, with their uncertainty carried on.

Components are written in coordinates divided by their prior sds, so that every prior is standard
normal. The criterion's gradient is differenced along the mode's own path: the mode at components
moved by h is x + h dx/dz to first order, so that no mode is solved again inside a difference.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.optimize import OptimizeResult, minimize
from scipy.special import expit

from germstats.engine.hierarchy import Hierarchy, State, VarianceComponents, predictors
from germstats.engine.laplace import (
    DECREMENT,
    BetaPrior,
    PooledMode,
    criteria_at,
    find_pooled_modes,
    mode_slopes,
)
from germstats.engine.timing import Array

LOGIT_RHO = float(np.log(0.04 / 0.96))
"""Center of the prior of logit rho (sd 1): statistics of the design, common practice, no source."""
_NESTED = (("tray", "lot"), ("tray_time", "lot_time"))
_STEP = 1e-4
"""Of a prior sd, for differences along the path: they are one-sided, so it is small beside the
width of well known components.
"""
_CURVATURE_STEP = 0.5
"""Of a likely width, for second differences."""
_NEARLY = 0.001
"""Newton's decrement at the ends of second differences."""
_UNLIKE_SHARES = {"tray": 1.5, "lot": 1.5, "tray_time": -0.5}
"""Where trays differ widely in their share, in prior sds."""
_SAME = 0.5
"""Likely widths between two modes that are one."""
_FAR = 50.0
"""On the log: farther from the mode than that is all the same."""
_DOUBTFUL = 2.0
"""Loss half a likely width from the mode, where an eighth is to be expected."""
_LONG_PATH = 3.0
"""On a predictor: as far as one Newton step goes."""
_NEAR_ENOUGH = 0.2
"""Standard errors from the mode at which a search that stopped short still counts as ended."""
_NEAR = 0.02
"""Standard errors from the mode at which its search ends."""
_USUAL_VARIANCE = 0.25
"""Of a component, in its prior variances, once the trays have been asked."""
_TALLEST_VARIANCE = 1.5
"""A direction in which the criterion hardly bends keeps about its prior variance (1)."""


@dataclass(frozen=True)
class Coordinate:
    """One unknown component: its transformed value has a normal prior.

    Attributes
    ----------
    name : str
        Field of `VarianceComponents`.
    mean, sd : float
        Of the log of an sd, of the logit of rho, and of a delay itself.
    """

    name: str
    mean: float
    sd: float

    def value(self, z: float) -> float:
        """The component at coordinate z."""
        at = self.mean + self.sd * z
        if self.name == "delay":
            return at
        if self.name == "rho":
            return float(expit(at))
        return float(np.exp(at))


COORDINATES = {
    "tray": Coordinate("tray", float(np.log(0.5)), 0.6),
    "lot": Coordinate("lot", float(np.log(0.5)), 0.6),
    "tray_time": Coordinate("tray_time", float(np.log(0.08)), 0.7),
    "lot_time": Coordinate("lot_time", float(np.log(0.08)), 0.7),
    "rho": Coordinate("rho", LOGIT_RHO, 1.0),
    "place": Coordinate("place", float(np.log(0.3)), 0.6),
    "species": Coordinate("species", 0.0, 0.5),
    "delay": Coordinate("delay", 0.0, 8.0),
}
"""Priors of the unknown components (statistics of the design; those of places and species: common
practice, no source).
"""


@dataclass(frozen=True)
class ComponentSet:
    """Which components are unknown, and the values of those held.

    Attributes
    ----------
    unknown : tuple of Coordinate
        K of them.
    held : dict
        Field of `VarianceComponents` -> value.
    """

    unknown: tuple[Coordinate, ...]
    held: Mapping[str, float]

    def at(self, z: Array) -> VarianceComponents:
        """Components at coordinates z (K,)."""
        values = {one.name: one.value(at) for one, at in zip(self.unknown, z, strict=True)}
        return VarianceComponents(**{**self.held, **values})

    @cached_property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        """Places of the sds of trays and of lots, where both are unknown: share, then time."""
        place = {one.name: k for k, one in enumerate(self.unknown)}
        return tuple(
            (place[tray], place[lot]) for tray, lot in _NESTED if tray in place and lot in place
        )

    def straightened(self, z: Array) -> Array:
        """Coordinates in which the sds of trays and lots are one sum and one ratio.

        Few trays of a lot show the variance of trays and lots together, not how it is divided: a
        ridge that is bent in the logs of the two sds, and straight in the log of their root sum of
        squares and the log of their ratio. Volumes stay what they are.

        Parameters
        ----------
        z : (N, K) array

        Returns
        -------
        (N, K) array
        """
        y = z.copy()
        for tray, lot in self.pairs:
            of_tray, of_lot = self.unknown[tray], self.unknown[lot]
            log_tray = of_tray.mean + of_tray.sd * z[:, tray]
            log_lot = of_lot.mean + of_lot.sd * z[:, lot]
            y[:, tray] = np.logaddexp(2 * log_tray, 2 * log_lot) / 2 / of_tray.sd
            y[:, lot] = (log_tray - log_lot) / of_lot.sd
        return y

    def bent(self, y: Array) -> Array:
        """Inverse of `straightened`, (N, K)."""
        z = y.copy()
        for tray, lot in self.pairs:
            of_tray, of_lot = self.unknown[tray], self.unknown[lot]
            log_both, log_ratio = of_tray.sd * y[:, tray], of_lot.sd * y[:, lot]
            log_tray = log_both - np.logaddexp(0.0, -2 * log_ratio) / 2
            z[:, tray] = (log_tray - of_tray.mean) / of_tray.sd
            z[:, lot] = (log_tray - log_ratio - of_lot.mean) / of_lot.sd
        return z

    def slant(self, z: Array) -> Array:
        """(K, K) derivatives of `straightened` at one z (K,)."""
        steps = 1e-5 * np.eye(len(z))
        return np.asarray((self.straightened(z + steps) - self.straightened(z - steps)).T / 2e-5)


@dataclass(frozen=True)
class ComponentFit:
    """The posterior of the variance components about one mode.

    Attributes
    ----------
    mode : (K,) array
        In prior sds.
    covariance : (K, K) array
    found : PooledMode
        Effects at the mode.
    criterion : float
        Laplace's criterion with the components' priors.
    converged : bool
        The search for the mode came to its end, and so did that for the effects there.
    """

    mode: Array
    covariance: Array
    found: PooledMode
    criterion: float
    converged: bool = True


@dataclass(frozen=True)
class _Asked:
    """The loss where it was asked, and what leads away from there.

    Attributes
    ----------
    z : (K,) array
    loss : float
        Minus the criterion with the components' priors.
    gradient : (K,) array
    found : PooledMode
    components : VarianceComponents
    paths : list of State
        How the mode of the effects moves with each coordinate.
    """

    z: Array
    loss: float
    gradient: Array
    found: PooledMode
    components: VarianceComponents
    paths: list[State]


class ComponentSearch:
    """The loss of components with its gradient, by modes of the effects that follow one another.

    Each mode is sought from where the last one's paths lead.

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    component_set : ComponentSet
        K unknown components.
    start : State
        Where the first mode is sought from.
    """

    def __init__(
        self, hierarchy: Hierarchy, prior: BetaPrior, component_set: ComponentSet, start: State
    ) -> None:
        self.hierarchy, self.prior, self.component_set = hierarchy, prior, component_set
        self.start = start
        self.asked: _Asked | None = None
        """Where the loss was asked last and was a number."""
        self.best: _Asked | None = None
        """Where it was least, of places at which the effects were found to the end."""

    @property
    def here(self) -> _Asked:
        """Where the loss was asked last."""
        assert self.asked is not None, "ask for the loss first"
        return self.asked

    def modes(self, z: Array, decrement: float = DECREMENT) -> list[PooledMode]:
        """The modes of the effects at each row of z, (N, K)."""
        return find_pooled_modes(
            self.hierarchy,
            self.prior,
            components=[self.component_set.at(one) for one in z],
            starts=[self._start_for(one) for one in z],
            decrement=decrement,
        )

    def _start_for(self, z: Array) -> State:
        """Where the last mode's paths lead at z (K,), if that is not far.

        A straight line says nothing of where a bent path ends: beyond `_LONG_PATH` it is the last
        mode itself.
        """
        if self.asked is None:
            return self.start
        start = self.start
        for path, step in zip(self.asked.paths, z - self.asked.z, strict=True):
            start = start.moved(path, float(step))
        moved = predictors(self.hierarchy, start) - predictors(self.hierarchy, self.start)
        return start if np.abs(moved).max(initial=0.0) < _LONG_PATH else self.start

    def loss(self, z: Array) -> tuple[float, Array]:
        """What a search makes small at z (K,), and its gradient (K,)."""
        if self.asked is not None and np.array_equal(z, self.asked.z):
            return self.asked.loss, self.asked.gradient
        found = self.modes(z[None])[0]
        if not np.isfinite(found.criterion):
            return self._loss_where_impossible(z)
        self.start = found.state
        slope, paths = self.slope(z, found)
        self.asked = _Asked(
            z=z.copy(),
            loss=0.5 * float(z @ z) - found.criterion,
            gradient=np.where(np.isfinite(slope), z - slope, 0.0),
            found=found,
            components=self.component_set.at(z),
            paths=paths,
        )
        # where the effects were not found to the end the criterion is rough, and may dip below what
        # it truly is
        if found.converged and (self.best is None or self.asked.loss < self.best.loss):
            self.best = self.asked
        return self.asked.loss, self.asked.gradient

    def _loss_where_impossible(self, z: Array) -> tuple[float, Array]:
        """Far worse than where the loss was asked last, with a gradient that leads back there."""
        if self.asked is None:
            return np.inf, np.zeros(len(z))
        away = z - self.asked.z
        return self.asked.loss + _FAR, _FAR * away / max(float(away @ away), 1e-12)

    def settle(self, z: Array) -> tuple[Array, float]:
        """Ask at z (K,), where a search ended, or where it was best if z has no loss.

        A better place left on the way is none to settle at: the criterion jumps where the effects
        have two modes, and at the brink of a jump its curvature says nothing.

        Parameters
        ----------
        z : (K,) array

        Returns
        -------
        z : (K,) array
            The place settled at.
        loss : float
        """
        loss, _ = self.loss(z)
        if self.best is None or np.isfinite(loss):
            return z, loss
        z, self.start = self.best.z, self.best.found.state
        self.asked = None
        return z, self.loss(z)[0]

    def slope(self, z: Array, found: PooledMode) -> tuple[Array, list[State]]:
        """Gradient of Laplace's criterion, without the components' priors.

        Parameters
        ----------
        z : (K,) array
        found : PooledMode
            The effects there.

        Returns
        -------
        slope : (K,) array
        paths : list of State
            How the mode of the effects moves with each coordinate.
        """
        here = self.component_set.at(z)
        ahead = [self.component_set.at(z + step) for step in _STEP * np.eye(len(z))]
        paths = mode_slopes(
            self.hierarchy, self.prior, mode=found, here=here, ahead=ahead, gap=_STEP
        )
        states = [found.state.moved(path, _STEP) for path in paths]
        reached = criteria_at(self.hierarchy, self.prior, ahead, states)
        return (np.array(reached) - found.criterion) / _STEP, paths

    def likely_width(self) -> Array:
        """(K,) about how wide the posterior will be, from where the loss was asked last.

        N effects of sd s, each known with variance v, carry information 2 sum (1 - v / s^2)^2 on
        log s. Of rho, places, species and delays nothing of the kind is known: the usual width.
        """
        found, components = self.here.found.elimination, self.here.components
        effects = {  # inverses (N, 2, 2), and which of the two entries
            "tray": (found.tray_inverse, 0),
            "tray_time": (found.tray_inverse, 1),
            "lot": (found.lot_inverse, 0),
            "lot_time": (found.lot_inverse, 1),
        }
        variance = np.full(len(self.component_set.unknown), _USUAL_VARIANCE)
        for k, one in enumerate(self.component_set.unknown):
            if one.name not in effects:
                continue
            inverse, at = effects[one.name]
            left = inverse[:, at, at] / getattr(components, one.name) ** 2
            variance[k] = 1 / (1 + 2 * one.sd**2 * ((1 - left) ** 2).sum())
        return np.asarray(np.sqrt(variance))

    def losses(self, z: Array, found: Sequence[PooledMode]) -> Array:
        """(N,) how much worse places z (N, K) are than where the loss was asked last.

        `_FAR` at most, also where the records are impossible.
        """
        criteria = np.array([one.criterion for one in found])
        worse = 0.5 * (z**2).sum(axis=1) - criteria - self.here.loss
        return np.where(worse < _FAR, worse, _FAR)

    def curvature(self, z: Array, root: Array) -> Array:
        """Curvature of the loss at z, where it was asked last, by values half a width away.

        Values cost less than slopes, each of which needs the criterion at K more places.

        Parameters
        ----------
        z : (K,) array
        root : (K, K) array
            Likely widths: z + root u for u of unit length.

        Returns
        -------
        (K, K) array
        """
        size = len(z)
        some, others = np.triu_indices(size, 1)
        sides = np.eye(size)
        ends = np.concatenate([sides, -sides, sides[some] + sides[others]])
        at = z + _CURVATURE_STEP * ends @ root.T  # (2 K + K (K - 1) / 2, K)
        worse = self.losses(at, self.modes(at, _NEARLY))

        # a straight path may have led to another mode of the effects
        doubtful = np.flatnonzero(worse > _DOUBTFUL)
        if doubtful.size:
            again = self._modes_from_the_last(at[doubtful])
            worse[doubtful] = np.minimum(worse[doubtful], self.losses(at[doubtful], again))

        ahead, behind, both = np.split(worse, [size, 2 * size])
        bent = np.diag(ahead + behind)
        bent[some, others] = bent[others, some] = both - ahead[some] - ahead[others]
        away = np.linalg.inv(root)
        return np.asarray(away.T @ bent @ away / _CURVATURE_STEP**2)

    def _modes_from_the_last(self, z: Array) -> list[PooledMode]:
        """The modes at each row of z, (N, K), sought from the last mode itself."""
        return find_pooled_modes(
            self.hierarchy,
            self.prior,
            components=[self.component_set.at(one) for one in z],
            starts=[self.start] * len(z),
            decrement=_NEARLY,
        )


def fit_components(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    component_set: ComponentSet,
    start: State,
    near: ComponentFit | None = None,
) -> ComponentFit:
    """Mode and curvature of the posterior of the variance components.

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    component_set : ComponentSet
    start : State
    near : ComponentFit, optional
        Of nearly the same records and the same unknown components: where the mode is sought from.

    Returns
    -------
    ComponentFit

    Raises
    ------
    FloatingPointError
        The criterion is no number at its mode: the records are impossible under every scatter.
    """
    search = ComponentSearch(hierarchy, prior, component_set, start)
    if not component_set.unknown:
        found = search.modes(np.zeros((1, 0)))[0]
        return ComponentFit(np.zeros(0), np.zeros((0, 0)), found, found.criterion)
    mode, root, ended = _find_mode(search, near)
    mode, loss = search.settle(mode)  # where it was asked last, unless the search stopped short
    if not np.isfinite(loss):
        raise FloatingPointError("the criterion of the scatters is no number at its mode")
    found = search.here.found
    values, vectors = np.linalg.eigh(search.curvature(mode, root))
    half = vectors / np.sqrt(np.maximum(values, 1 / _TALLEST_VARIANCE))
    covariance = half @ half.T
    return ComponentFit(
        mode=mode,
        covariance=(covariance + covariance.T) / 2,
        found=found,
        criterion=-loss,
        converged=ended and found.converged,
    )


def fit_components_twice(
    hierarchy: Hierarchy, prior: BetaPrior, component_set: ComponentSet, start: State
) -> tuple[ComponentFit, ...]:
    """The modes found from the priors' middle and from trays that differ widely in their share.

    After the first seedlings of a species' first spring "many, widely scattered in time" and "few,
    from few of the trays" explain the same counts, each with a mode of its own.

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    component_set : ComponentSet
    start : State

    Returns
    -------
    tuple of ComponentFit
        The likelier first; one where both searches end at the same mode.
    """
    first = fit_components(hierarchy, prior, component_set, start)
    mode = np.array([_UNLIKE_SHARES.get(one.name, 0.0) for one in component_set.unknown])
    unlike = replace(first, mode=mode, covariance=_USUAL_VARIANCE * np.eye(len(mode)))
    second = fit_components(hierarchy, prior, component_set=component_set, start=start, near=unlike)
    away = np.linalg.solve(np.linalg.cholesky(first.covariance), second.mode - first.mode)
    if np.linalg.norm(away) < _SAME:
        return (first,)
    return tuple(sorted((first, second), key=lambda fit: -fit.criterion))


def loss_at(
    hierarchy: Hierarchy, prior: BetaPrior, component_set: ComponentSet, start: State, z: Array
) -> tuple[float, Array]:
    """What the search makes small at coordinates z (K,), and its gradient (K,).

    Parameters
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
    component_set : ComponentSet
    start : State
    z : (K,) array
    """
    return ComponentSearch(hierarchy, prior, component_set, start).loss(z)


def components_near(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    component_set: ComponentSet,
    start: State,
    near: ComponentFit,
) -> VarianceComponents:
    """The likeliest components only; parameters as in `fit_components`."""
    if not component_set.unknown:
        return component_set.at(np.zeros(0))
    search = ComponentSearch(hierarchy, prior, component_set, start)
    mode, _, _ = _find_mode(search, near)
    return component_set.at(mode)


def _find_mode(search: ComponentSearch, near: ComponentFit | None) -> tuple[Array, Array, bool]:
    """The mode by BFGS, from what a like fit found or from the prior's middle.

    The search goes in units of its likely width. It ends where the slope per standard error, or the
    gain of the last step, is that of `_NEAR` standard errors off: beyond, differenced slopes no
    longer agree with the value, and a line search goes on for nothing.

    Parameters
    ----------
    search : ComponentSearch
    near : ComponentFit or None

    Returns
    -------
    mode : (K,) array
    root : (K, K) array
        A root of the likely covariance, lower triangular.
    ended : bool
        Whether the search came to its end.
    """
    center, root = _center_and_root(search, near)

    def loss(at: Array) -> tuple[float, Array]:
        value, slope = search.loss(center + root @ at)
        return value, root.T @ slope

    reached = [np.inf]

    def stop_where_nothing_is_gained(intermediate_result: OptimizeResult) -> None:
        reached.append(float(intermediate_result.fun))
        if reached[-2] - reached[-1] < _NEAR**2 / 2:
            raise StopIteration

    found = minimize(
        loss,
        np.zeros(len(center)),
        jac=True,
        method="BFGS",
        callback=stop_where_nothing_is_gained,
        options={"gtol": _NEAR, "maxiter": 40},
    )
    gained_nothing = reached[-2:][0] - reached[-1] < _NEAR**2 / 2
    is_flat = np.linalg.norm(found.jac) < _NEAR_ENOUGH
    ended = bool(found.success or gained_nothing or is_flat)
    return np.asarray(center + root @ found.x), root, ended


def _center_and_root(search: ComponentSearch, near: ComponentFit | None) -> tuple[Array, Array]:
    """Where a search begins, (K,), and a root (K, K) of its likely covariance."""
    if near is not None and np.isfinite(search.loss(near.mode)[0]):
        return near.mode, np.asarray(np.linalg.cholesky(near.covariance), dtype=float)
    center = np.zeros(len(search.component_set.unknown))
    if not np.isfinite(search.loss(center)[0]):
        raise FloatingPointError("the criterion of the scatters is no number at its prior's middle")
    return center, np.diag(search.likely_width())
