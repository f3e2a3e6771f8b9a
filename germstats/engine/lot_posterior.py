"""One lot at a time: its treatments' emergence shares and times, with tray and season scatter
integrated out.

For tray i of treatment row r in season y

    logit p_i = theta_r + s_y + u_i,   log T_i = m_r + d_y + v_i (+ sigma e),

with s, u, d, v normal of given sds. theta has the Jeffreys prior of a binomial share (density
sqrt(p(1 - p)) on the logit), so that without scatter the range of a share is the published Jeffreys
interval and all-empty or all-full trays give finite answers. m and log sigma have weak normal
priors. Random effects are integrated out by Laplace's method; the posterior of each theta is taken
on a grid, the other parameters re-fitted at each point, so that skewness is kept (Tierney & Kadane
1986, J. Amer. Statist. Assoc. 81:82-86, memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.linalg import cho_factor, cho_solve
from scipy.special import expit, log_expit

from germstats.engine.arrays import Index, PatternArrays
from germstats.engine.likelihood import Origin, evaluate
from germstats.engine.timing import Array, TimingFamily

_HALF_GRID = np.array([0.5, 1.0, 1.5, 2.0, 2.6, 3.3, 4.1, 5.0, 6.0])
_GRID = np.concatenate([-_HALF_GRID[::-1], [0.0], _HALF_GRID])
_FINE = np.linspace(-14.0, 14.0, 2801)
_STEPS = 60
_HALVINGS = 25


@dataclass(frozen=True)
class Scatter:
    """Standard deviations of the random parts.

    Attributes
    ----------
    tray, season : float
        On logit p, between trays of one lot and treatment in one season, and between seasons.
    tray_time, season_time : float
        On log time.
    late_spring : bool
        A season still under way may be late as a whole, by a number of days; off where days are
        told by heat.
    """

    tray: float = 0.5
    season: float = 0.35
    tray_time: float = 0.08
    season_time: float = 0.15
    late_spring: bool = True


@dataclass(frozen=True)
class Priors:
    """Weak priors of the fixed parts; ``weak`` False turns them off (maximum likelihood).

    Attributes
    ----------
    log_time : float
        Centre of the prior of m: log days to half of the species' seen seedlings.
    log_time_sd, log_sigma, log_sigma_sd : float
    """

    log_time: float
    weak: bool = True
    log_time_sd: float = 0.5
    log_sigma: float = float(np.log(0.3))
    log_sigma_sd: float = 0.7


@dataclass(frozen=True)
class Lot:
    """What is fitted together: the trays of one lot.

    Attributes
    ----------
    data : PatternArrays
        T trays.
    row : (T,) int array
        Treatment row of each tray, 0..R-1.
    season : (T,) int array
        Season of each tray, 0..S-1.
    scatter : Scatter
    """

    data: PatternArrays
    row: Index
    season: Index
    scatter: Scatter
    design: tuple[Array, Array] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "design", _design(self.row, self.season, self.scatter))

    @property
    def rows(self) -> int:
        """Number of treatment rows R."""
        return int(self.row.max()) + 1


@dataclass(frozen=True)
class Law:
    """The law of timing and cell scatter held fixed during one fit."""

    family: TimingFamily
    origin: Origin
    rho: float
    priors: Priors


@dataclass(frozen=True)
class Mode:
    """A posterior mode.

    Attributes
    ----------
    x : (D,) array
        theta (R), m (R), log sigma, then scaled random effects.
    value : float
        Log posterior density there.
    negative_hessian : (D, D) array
    integrated : float
        Log-likelihood of the fixed parts with the random effects integrated out (priors of the
        fixed parts left out).
    converged : bool
        The gradient is small, whatever the steps did.
    """

    x: Array
    value: float
    negative_hessian: Array
    integrated: float
    converged: bool


def _design(row: Index, season: Index, scatter: Scatter) -> tuple[Array, Array]:
    """(T, D) matrices that carry the parameters to eta and to mu; effects with sd 0 are
    left out.
    """
    trays, rows = len(row), int(row.max()) + 1
    in_row, in_season, own = np.eye(rows)[row], np.eye(int(season.max()) + 1)[season], np.eye(trays)
    nothing = np.zeros((trays, 1))
    eta, mu = [in_row, 0 * in_row, nothing], [0 * in_row, in_row, nothing]
    for sd, block, on_time in (
        (scatter.season, in_season, False),
        (scatter.tray, own, False),
        (scatter.season_time, in_season, True),
        (scatter.tray_time, own, True),
    ):
        if sd > 0:
            eta.append(block * (0.0 if on_time else sd))
            mu.append(block * (sd if on_time else 0.0))
    return np.hstack(eta), np.hstack(mu)


def _fixed_priors(x: Array, rows: int, priors: Priors) -> tuple[float, Array, Array]:
    """Value, gradient and diagonal curvature of the fixed parts' log priors."""
    gradient, curvature = np.zeros(len(x)), np.zeros(len(x))
    if not priors.weak:
        return 0.0, gradient, curvature
    theta, m, log_sigma = x[:rows], x[rows : 2 * rows], x[2 * rows]
    p, q = expit(theta), expit(-theta)
    value = float(0.5 * (log_expit(theta) + log_expit(-theta)).sum())
    gradient[:rows], curvature[:rows] = (q - p) / 2, -p * q
    off = (m - priors.log_time) / priors.log_time_sd
    off_sigma = (log_sigma - priors.log_sigma) / priors.log_sigma_sd
    value -= float(0.5 * (off @ off) + 0.5 * off_sigma**2)
    gradient[rows : 2 * rows], curvature[rows : 2 * rows] = (
        -off / priors.log_time_sd,
        -1 / priors.log_time_sd**2,
    )
    gradient[2 * rows], curvature[2 * rows] = (
        -off_sigma / priors.log_sigma_sd,
        -1 / priors.log_sigma_sd**2,
    )
    return value, gradient, curvature


def _posterior(lot: Lot, law: Law, x: Array) -> tuple[float, Array, Array, float]:
    """Log posterior, gradient, negative Hessian, and the value of the fixed priors alone."""
    to_eta, to_mu = lot.design
    at = 2 * lot.rows
    with np.errstate(
        over="ignore", invalid="ignore"
    ):  # a step too far comes back as not finite, and is halved
        terms = evaluate(
            lot.data,
            to_eta @ x,
            mu=to_mu @ x,
            log_sigma=float(x[at]),
            rho=law.rho,
            family=law.family,
            origin=law.origin,
        )
    prior, gradient, curvature = _fixed_priors(x, lot.rows, law.priors)
    effects = x[at + 1 :]
    value = float(terms.value.sum()) + prior - 0.5 * float(effects @ effects)
    gradient = gradient + to_eta.T @ terms.gradient[:, 0] + to_mu.T @ terms.gradient[:, 1]
    gradient[at] += terms.gradient[:, 2].sum()
    gradient[at + 1 :] -= effects
    h = terms.hessian
    hessian = to_eta.T @ (h[:, 0, 0, None] * to_eta) + to_mu.T @ (h[:, 1, 1, None] * to_mu)
    cross = to_eta.T @ (h[:, 0, 1, None] * to_mu)
    hessian += cross + cross.T
    with_sigma = to_eta.T @ h[:, 0, 2] + to_mu.T @ h[:, 1, 2]
    hessian[at, :] += with_sigma
    hessian[:, at] += with_sigma
    hessian[at, at] += h[:, 2, 2].sum()
    diagonal = curvature.copy()
    diagonal[at + 1 :] -= 1.0
    hessian[np.diag_indices_from(hessian)] += diagonal
    return value, gradient, -hessian, prior


def find_mode(
    lot: Lot, law: Law, start: Array | None = None, held: tuple[int, float] | None = None
) -> Mode:
    """Newton's method with a ridge where the curvature is not yet negative, and halved steps where
    the value falls.

    Parameters
    ----------
    lot : Lot
    law : Law
    start : (D,) array, optional
    held : (index, value), optional
        One parameter kept at a value.

    Returns
    -------
    Mode
    """
    x = np.zeros(lot.design[0].shape[1]) if start is None else start.copy()
    if start is None:
        x[lot.rows : 2 * lot.rows], x[2 * lot.rows] = law.priors.log_time, law.priors.log_sigma
    free = np.arange(len(x))
    if held is not None:
        x[held[0]] = held[1]
        free = np.delete(free, held[0])
    value, gradient, curvature, prior = _posterior(lot, law, x)
    for _ in range(_STEPS):
        if not np.isfinite(value):
            break
        step = _newton_step(gradient[free], curvature[np.ix_(free, free)])
        decrement = float(gradient[free] @ step)
        if decrement < 1e-10:
            break
        for halving in range(_HALVINGS):
            trial = x.copy()
            trial[free] += step * 0.5**halving
            ahead = _posterior(lot, law, trial)
            if ahead[0] >= value - 1e-12 and np.isfinite(ahead[2]).all():
                break
        else:
            break
        x, (value, gradient, curvature, prior) = trial, ahead
    converged = bool(np.isfinite(value) and np.abs(gradient[free]).max() < 1e-3)
    random = curvature[2 * lot.rows + 1 :, 2 * lot.rows + 1 :]
    integrated = value - prior - 0.5 * log_det(random) if np.isfinite(value) else -np.inf
    return Mode(
        x=x, value=value, negative_hessian=curvature, integrated=integrated, converged=converged
    )


def _newton_step(gradient: Array, curvature: Array) -> Array:
    size = np.sqrt(np.abs(np.diag(curvature)).clip(1e-8))
    scaled = curvature / np.outer(size, size)
    ridge = 0.0
    while True:
        try:
            factor = cho_factor(scaled + ridge * np.eye(len(size)))
        except np.linalg.LinAlgError:
            ridge = max(4 * ridge, 1e-3)
            continue
        step: Array = cho_solve(factor, gradient / size) / size
        longest = np.abs(step).max(initial=0.0)
        return step * min(1.0, 4.0 / longest) if longest > 0 else step


def log_det(matrix: Array) -> float:
    """Log determinant of a positive-definite matrix; NaN where it is not."""
    if matrix.size == 0:
        return 0.0
    sign, value = np.linalg.slogdet(matrix)
    return float(value) if sign > 0 else np.nan


@dataclass(frozen=True)
class ThetaPosterior:
    """Posterior of one row's theta at one rho: equally fine grid with probabilities.

    Attributes
    ----------
    theta : (G,) array
        Logit of the share in an average tray of an ordinary season, before averaging over trays.
    weight : (G,) array
        Sums to 1.
    """

    theta: Array
    weight: Array


def theta_posterior(lot: Lot, law: Law, mode: Mode, row: int) -> ThetaPosterior:
    """Posterior of theta of `row`, on a grid around `mode` with the rest re-fitted at each
    point.
    """
    covariance = np.linalg.pinv(mode.negative_hessian, hermitian=True)
    sd = float(np.sqrt(max(covariance[row, row], 1e-12)))
    direction = covariance[:, row] / covariance[row, row]
    keep = np.delete(np.arange(len(mode.x)), row)
    log_density = np.empty(len(_GRID))
    for k, offset in enumerate(_GRID):
        at = mode.x[row] + offset * sd
        moved = find_mode(lot, law, mode.x + offset * sd * direction, (row, at))
        log_density[k] = moved.value - 0.5 * log_det(moved.negative_hessian[np.ix_(keep, keep)])
    known = np.isfinite(log_density)
    spline = CubicSpline(_GRID[known], log_density[known])
    first, last = _GRID[known][0], _GRID[known][-1]
    inside = np.clip(_FINE, first, last)
    fine = spline(inside) + np.where(first > _FINE, spline(first, 1), spline(last, 1)) * (
        _FINE - inside
    )
    weight = np.exp(fine - fine.max())
    return ThetaPosterior(mode.x[row] + _FINE * sd, weight / weight.sum())
