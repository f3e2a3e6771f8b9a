"""The outer layer: what the trays say of the scatter itself, with its uncertainty carried on.

Scales are written in coordinates divided by their prior sds, so that every prior is standard
normal. The criterion's gradient is differenced along the mode's own path: the mode at scales moved
by h is x + h dx/dz to first order, so that no mode is solved again inside a difference.
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
"""Centre of the prior of logit rho (sd 1): statistics of the design, common practice, no source."""
_NESTED = (("tray", "lot"), ("tray_time", "lot_time"))
# of a prior sd, for differences along the path: one-sided, so small beside the width of well known
# scales
_STEP = 1e-4
_BEND_STEP = 0.5  # likely widths, for second differences
_NEARLY = 0.001  # Newton's decrement at their ends
_UNLIKE_SHARES = {"tray": 1.5, "lot": 1.5, "tray_time": -0.5}  # in prior sds
_SAME = 0.5  # likely widths between two modes that are one
_FAR = 50.0  # on the log: farther from the mode than that is all the same
_DOUBTFUL = 2.0  # loss half a likely width from the mode, where an eighth is to be expected
_LONG_PATH = 3.0  # on a predictor: as far as one Newton step goes
_NEAR_ENOUGH = (
    0.2  # standard errors from the mode at which a search that stopped short still counts as ended
)
_NEAR = 0.02  # standard errors from the mode at which its search ends
_USUAL_VARIANCE = 0.25  # of a scale, in its prior variances, once the trays have been asked
_TALLEST_VARIANCE = (
    1.5  # a direction in which the criterion hardly bends keeps about its prior variance (1)
)


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
    "species": Coordinate("species", 0.0, 0.5),
    "delay": Coordinate("delay", 0.0, 8.0),
}
"""Priors of the unknown scales (statistics of the design; those of places and species: common
practice, no source).
"""


@dataclass(frozen=True)
class ComponentSet:
    """Which scales are unknown, and the values of those held."""

    unknown: tuple[Coordinate, ...]
    held: Mapping[str, float]

    def at(self, z: Array) -> VarianceComponents:
        """Scales at coordinates z."""
        values = {
            coordinate.name: coordinate.value(at)
            for coordinate, at in zip(self.unknown, z, strict=True)
        }
        return VarianceComponents(**{**self.held, **values})

    @cached_property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        """Places of the scatters of trays and of lots, on the share and on time, where both are
        unknown.
        """
        place = {one.name: k for k, one in enumerate(self.unknown)}
        return tuple(
            (place[tray], place[lot]) for tray, lot in _NESTED if tray in place and lot in place
        )

    def straightened(self, z: Array) -> Array:
        """Coordinates (N, K) with the log of the two scatters together, and the log of their ratio,
        for each pair.

        Few trays of a lot tell the scatter of trays and lots together, not how it is shared: a
        ridge that is bent in the logs of the two, and straight here. Volumes stay what they are.
        """
        y = z.copy()
        for tray, lot in self.pairs:
            log_tray, log_lot = (
                self.unknown[k].mean + self.unknown[k].sd * z[:, k] for k in (tray, lot)
            )
            y[:, tray] = np.logaddexp(2 * log_tray, 2 * log_lot) / 2 / self.unknown[tray].sd
            y[:, lot] = (log_tray - log_lot) / self.unknown[lot].sd
        return y

    def bent(self, y: Array) -> Array:
        """Inverse of `straightened`."""
        z = y.copy()
        for tray, lot in self.pairs:
            both, ratio = self.unknown[tray].sd * y[:, tray], self.unknown[lot].sd * y[:, lot]
            log_tray = both - np.logaddexp(0.0, -2 * ratio) / 2
            z[:, tray] = (log_tray - self.unknown[tray].mean) / self.unknown[tray].sd
            z[:, lot] = (log_tray - ratio - self.unknown[lot].mean) / self.unknown[lot].sd
        return z

    def slant(self, z: Array) -> Array:
        """(K, K) derivatives of `straightened` at one z."""
        steps = 1e-5 * np.eye(len(z))
        return np.asarray((self.straightened(z + steps) - self.straightened(z - steps)).T / 2e-5)


@dataclass(frozen=True)
class ComponentFit:
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
    converged : bool
        The search for the mode came to its end, and so did that for the effects there.
    """

    mode: Array
    covariance: Array
    found: PooledMode
    criterion: float
    converged: bool = True


class _Outer:
    """Criterion and gradient in the scales' coordinates, starting each mode where the last one
    points to.
    """

    def __init__(
        self, tree: Hierarchy, prior: BetaPrior, scale_set: ComponentSet, start: State
    ) -> None:
        self.tree, self.prior, self.scale_set, self.last = tree, prior, scale_set, start
        self.at: Array | None = None  # where the loss was asked last, and `paths` lead away from
        self.paths: list[State] = []
        self.answer = np.inf, np.zeros(0)
        self.asked: tuple[PooledMode, VarianceComponents] | None = None
        self.best: tuple[float, Array, State] | None = None

    def modes(self, z: Array, decrement: float = DECREMENT) -> list[PooledMode]:
        """The modes at each row of z, started where the last one's paths lead to first order, if
        that is not far: a straight line says nothing of where a bent path ends.
        """
        starts = []
        for one in z:
            start = self.last
            if self.at is not None:
                for path, step in zip(self.paths, one - self.at, strict=True):
                    start = start.moved(path, float(step))
                moved = predictors(self.tree, start) - predictors(self.tree, self.last)
                start = start if np.abs(moved).max(initial=0.0) < _LONG_PATH else self.last
            starts.append(start)
        return find_pooled_modes(
            self.tree,
            self.prior,
            scales=[self.scale_set.at(one) for one in z],
            starts=starts,
            decrement=decrement,
        )

    def loss(self, z: Array) -> tuple[float, Array]:
        if self.at is not None and np.array_equal(z, self.at):
            return self.answer
        found = self.modes(z[None])[0]
        if not np.isfinite(found.criterion):
            return self.wall(z)
        self.last, self.at, self.asked = found.state, z.copy(), (found, self.scale_set.at(z))
        slope, self.paths = self.slope(z, found)
        self.answer = (
            0.5 * float(z @ z) - found.criterion,
            np.where(np.isfinite(slope), z - slope, 0.0),
        )
        # where the effects were not found to the end the criterion is rough, and may dip below what
        # it truly is
        if found.converged and (self.best is None or self.answer[0] < self.best[0]):
            self.best = self.answer[0], self.at, found.state
        return self.answer

    def wall(self, z: Array) -> tuple[float, Array]:
        """What a search is told where the criterion is no number: far worse than where it was asked
        last, and back.
        """
        if self.at is None:
            return np.inf, np.zeros(len(z))
        away = z - self.at
        return self.answer[0] + _FAR, _FAR * away / max(float(away @ away), 1e-12)

    def settle(self, z: Array) -> tuple[Array, float]:
        """Ask at z, where a search ended, or, if nothing can be told there, where it was best; the
        place and the loss.

        A better place left on the way is none to settle at: the criterion jumps where the effects
        have two modes, and at the brink of a jump its bend says nothing.
        """
        loss, _ = self.loss(z)
        if self.best is None or np.isfinite(loss):
            return z, loss
        _, z, self.last = self.best
        self.at = None
        return z, self.loss(z)[0]

    def slope(self, z: Array, found: PooledMode) -> tuple[Array, list[State]]:
        """Gradient of Laplace's criterion (without the scales' priors), and the paths of
        the mode.
        """
        here, ahead = (
            self.scale_set.at(z),
            [self.scale_set.at(z + step) for step in _STEP * np.eye(len(z))],
        )
        paths = mode_slopes(self.tree, self.prior, mode=found, here=here, ahead=ahead, gap=_STEP)
        reached = criteria_at(
            self.tree, self.prior, ahead, [found.state.moved(path, _STEP) for path in paths]
        )
        return (np.array(reached) - found.criterion) / _STEP, paths

    def likely_width(self) -> Array:
        """(K,) about how wide the scales' posterior will be, from where the loss was asked last.

        N effects of sd s, each known with variance v, tell of log s with information 2 sum (1 - v /
        s^2)^2. Of rho, places, species and delays nothing of the kind is known: the usual width.
        """
        assert self.asked is not None, "ask for the loss first"
        found, scales = self.asked[0].elimination, self.asked[1]
        known = {
            "tray": (found.tray_inverse, scales.tray, 0),
            "tray_time": (found.tray_inverse, scales.tray_time, 1),
            "lot": (found.lot_inverse, scales.lot, 0),
            "lot_time": (found.lot_inverse, scales.lot_time, 1),
        }
        variance = np.full(len(self.scale_set.unknown), _USUAL_VARIANCE)
        for k, one in enumerate(self.scale_set.unknown):
            if one.name in known:
                inverse, sd, at = known[one.name]
                variance[k] = 1 / (
                    1 + 2 * one.sd**2 * ((1 - inverse[:, at, at] / sd**2) ** 2).sum()
                )
        return np.asarray(np.sqrt(variance))

    def lost(self, at: Array, found: Sequence[PooledMode]) -> Array:
        """(N,) how much worse places (N, K) are than where the loss was asked last; `_FAR`
        at most.
        """
        lost = 0.5 * (at**2).sum(axis=1) - [one.criterion for one in found] - self.answer[0]
        return np.where(
            lost < _FAR, lost, _FAR
        )  # no number at all where the records are impossible

    def bend(self, z: Array, root: Array) -> Array:
        """(K, K) curvature of the loss at z, where it was last asked, by its values half a likely
        width away.

        `root` (K, K) has these widths: z + root u for u of unit length. Values cost less than
        slopes, each of which needs the criterion at K more places.
        """
        size = len(z)
        some, others = np.triu_indices(size, 1)
        sides = np.eye(size)
        ends = np.concatenate([sides, -sides, sides[some] + sides[others]])
        at = z + _BEND_STEP * ends @ root.T
        lost = self.lost(at, self.modes(at, _NEARLY))
        doubtful = np.flatnonzero(
            lost > _DOUBTFUL
        )  # a straight path may have led to another mode of the effects
        if doubtful.size:
            scales = [self.scale_set.at(one) for one in at[doubtful]]
            again = find_pooled_modes(
                self.tree,
                self.prior,
                scales=scales,
                starts=[self.last] * len(scales),
                decrement=_NEARLY,
            )
            lost[doubtful] = np.minimum(lost[doubtful], self.lost(at[doubtful], again))
        ahead, behind, both = np.split(lost, [size, 2 * size])
        bent = np.diag(ahead + behind)
        bent[some, others] = bent[others, some] = both - ahead[some] - ahead[others]
        away = np.linalg.inv(root)
        return np.asarray(away.T @ bent @ away / _BEND_STEP**2)


def fit_scales(
    tree: Hierarchy,
    prior: BetaPrior,
    scale_set: ComponentSet,
    start: State,
    near: ComponentFit | None = None,
) -> ComponentFit:
    """Mode and curvature of the scales' posterior.

    Parameters
    ----------
    tree : Hierarchy
    prior : BetaPrior
    scale_set : ComponentSet
    start : State
    near : ComponentFit, optional
        Of nearly the same records and the same unknown scales: where the mode is sought from.

    Returns
    -------
    ComponentFit

    Raises
    ------
    FloatingPointError
        The criterion is no number at its mode: the records are impossible under every scatter.
    """
    outer = _Outer(tree, prior, scale_set, start)
    size = len(scale_set.unknown)
    if size == 0:
        found = outer.modes(np.zeros((1, 0)))[0]
        return ComponentFit(np.zeros(0), np.zeros((0, 0)), found, found.criterion)
    mode, root, ended = _sought(outer, near)
    mode, loss = outer.settle(mode)  # where it was asked last, unless the search stopped short
    if not np.isfinite(loss):
        raise FloatingPointError("the criterion of the scatters is no number at its mode")
    assert outer.asked is not None
    found = outer.asked[0]
    values, vectors = np.linalg.eigh(outer.bend(mode, root))
    half = vectors / np.sqrt(np.maximum(values, 1 / _TALLEST_VARIANCE))
    covariance = half @ half.T
    return ComponentFit(
        mode=mode,
        covariance=(covariance + covariance.T) / 2,
        found=found,
        criterion=-loss,
        converged=ended and found.converged,
    )


def fit_scales_twice(
    tree: Hierarchy, prior: BetaPrior, scale_set: ComponentSet, start: State
) -> tuple[ComponentFit, ...]:
    """The modes found from the priors' middle and from trays that differ widely in their share, the
    likelier first.

    After the first seedlings of a species' first spring "many, widely scattered in time" and "few,
    from few of the trays" explain the same counts, each with a mode of its own. Parameters as in
    `fit_scales`.
    """
    first = fit_scales(tree, prior, scale_set, start)
    mode = np.array([_UNLIKE_SHARES.get(one.name, 0.0) for one in scale_set.unknown])
    unlike = replace(first, mode=mode, covariance=_USUAL_VARIANCE * np.eye(len(mode)))
    second = fit_scales(tree, prior, scale_set=scale_set, start=start, near=unlike)
    away = np.linalg.solve(np.linalg.cholesky(first.covariance), second.mode - first.mode)
    if np.linalg.norm(away) < _SAME:
        return (first,)
    return tuple(sorted((first, second), key=lambda fit: -fit.criterion))


def loss_at(
    tree: Hierarchy, prior: BetaPrior, scale_set: ComponentSet, start: State, z: Array
) -> tuple[float, Array]:
    """What the search makes small, at coordinates z (K,), and its gradient (K,); parameters as in
    `fit_scales`.
    """
    return _Outer(tree, prior, scale_set, start).loss(z)


def scales_near(
    tree: Hierarchy, prior: BetaPrior, scale_set: ComponentSet, start: State, near: ComponentFit
) -> VarianceComponents:
    """The likeliest scales only; parameters as in `fit_scales`."""
    if not scale_set.unknown:
        return scale_set.at(np.zeros(0))
    return scale_set.at(_sought(_Outer(tree, prior, scale_set, start), near)[0])


def _sought(outer: _Outer, near: ComponentFit | None) -> tuple[Array, Array, bool]:
    """The mode by BFGS, from what a like fit found or from the prior's middle, in units of its
    likely width: a root of its likely covariance, which is handed back too, and whether the search
    came to its end.

    It ends where the slope per standard error, or the gain of the last step, is that of `_NEAR`
    standard errors off: beyond, differenced slopes no longer agree with the value, and a line
    search goes on for nothing.
    """
    if near is not None and not np.isfinite(outer.loss(near.mode)[0]):
        near = None
    if near is None:
        centre = np.zeros(len(outer.scale_set.unknown))
        if not np.isfinite(outer.loss(centre)[0]):
            raise FloatingPointError(
                "the criterion of the scatters is no number at its prior's middle"
            )
        root = np.diag(outer.likely_width())
    else:
        centre, root = near.mode, np.asarray(np.linalg.cholesky(near.covariance), dtype=float)

    def loss(at: Array) -> tuple[float, Array]:
        value, slope = outer.loss(centre + root @ at)
        return value, root.T @ slope

    reached = [np.inf]

    def ends(intermediate_result: OptimizeResult) -> None:
        reached.append(float(intermediate_result.fun))
        if reached[-2] - reached[-1] < _NEAR**2 / 2:
            raise StopIteration

    found = minimize(
        loss,
        np.zeros(len(centre)),
        jac=True,
        method="BFGS",
        callback=ends,
        options={"gtol": _NEAR, "maxiter": 40},
    )
    ended = found.success or reached[-2:][0] - reached[-1] < _NEAR**2 / 2
    ended = bool(ended or np.linalg.norm(found.jac) < _NEAR_ENOUGH)
    return np.asarray(centre + root @ found.x), root, ended
