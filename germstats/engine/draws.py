"""Weighted draws of what one lot does under one treatment: how a fit hands on its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from germstats.engine.likelihood import Origin
from germstats.engine.timing import FAMILIES, Array, TimingFamily

NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
NODE_WEIGHTS = NODE_WEIGHTS / NODE_WEIGHTS.sum()
"""Gauss-Hermite rule for a standard normal effect."""
_NO_SHARE = 1e-12
_REFUTED = 100.0  # times every seed; common practice, no source
# on the logit for one on log days: a tenth later takes the odds of a half to under a quarter
_STEEPEST = 12.0


def share_in_average_tray(theta: Array, tray_sd: Array | float) -> Array:
    """E[expit(theta + u)] over trays, u ~ N(0, tray_sd).

    Parameters
    ----------
    theta : array
        Logits.
    tray_sd : array or float
        Broadcasts with `theta`.

    Returns
    -------
    array
        Of the shape of `theta`.
    """
    shares = expit(theta[..., None] + np.asarray(tray_sd)[..., None] * NODES)
    return np.asarray(shares @ NODE_WEIGHTS)


def lateness(family: TimingFamily, log_gap: Array, sigma: Array, theta: Array) -> Array:
    """The slope of `TimeDraws.lateness`, at most `_STEEPEST`.

    Parameters
    ----------
    family : TimingFamily
    log_gap, sigma : arrays
        Log H less the location of log days, and their scale.
    theta : array
        Logit of the share by H.

    Returns
    -------
    array
    """
    z = log_gap / sigma
    log_share = family.log_difference(np.full(np.shape(z), -np.inf), z)
    with np.errstate(over="ignore"):
        slope = np.exp(family.log_density(z) - log_share) / sigma * (1 + np.exp(theta))
    return np.asarray(np.minimum(slope, _STEEPEST))


@dataclass(frozen=True)
class TimeDraws:
    """When the seeds that emerge do so, draw by draw.

    Attributes
    ----------
    mu, sigma : (N,) arrays
        Location and scale of log days after the clock's start, in an average tray of an ordinary
        spring.
    tray_sd, season_sd : (N,) arrays
        Scatter of mu between trays and between springs.
    family, origin : str
        Law of timing (a name in `germstats.engine.timing.FAMILIES`) and where its clock starts.
    horizon : float
        Days on the clock up to which emergence is counted; inf: to the end of all days.
    """

    mu: Array
    sigma: Array
    tray_sd: Array
    season_sd: Array
    family: str
    origin: Origin
    horizon: float = np.inf

    def on_clock(self, days: Array | float, origin_days: Array | float) -> Array:
        """Days from sowing as days on the clock, where 1 February is `origin_days` after sowing.

        Parameters
        ----------
        days, origin_days : arrays or floats

        Returns
        -------
        array
        """
        return np.asarray(days - (origin_days if self.origin == "1 February" else 0.0))

    def share_by(self, day: Array | float, mu: Array, sigma: Array) -> Array:
        """Share of what emerges by the horizon that is out by `day`.

        Parameters
        ----------
        day : array or float
            Days on the clock.
        mu, sigma : arrays
            Values of `mu` and `sigma`, with whatever lies between trays and springs; all three
            broadcast.

        Returns
        -------
        array
        """
        with np.errstate(divide="ignore"):
            log_day, log_end = np.log(np.maximum(day, 0.0)), np.log(self.horizon)
        return FAMILIES[self.family].share_by((log_day - mu) / sigma, (log_end - mu) / sigma)

    def lateness(self, theta: Array) -> Array:
        """What a spring or tray later by one on log days takes from the logit of the share, (N,).

        The share is that by the horizon. With q = p F(H), d logit q / d mu = -f(H) / (F(H) sigma (1
        - q)); 0 where all that comes is out by then.

        Parameters
        ----------
        theta : (N,) array
            Logit of q.
        """
        if not np.isfinite(self.horizon):
            return np.zeros_like(theta)
        return lateness(FAMILIES[self.family], np.log(self.horizon) - self.mu, self.sigma, theta)

    def log_day_of(self, share: Array | float, mu: Array, sigma: Array) -> Array:
        """Log of the day on the clock by which a share of what emerges by the horizon is out.

        Parameters
        ----------
        share : array or float
        mu, sigma : arrays
            As in `share_by`.

        Returns
        -------
        array
        """
        end = (np.log(self.horizon) - mu) / sigma
        return np.asarray(mu + sigma * FAMILIES[self.family].time_of(share, end))


def in_ordinary_spring(time: TimeDraws, as_seen: Array, late: Array) -> Array:
    """Logit of the share by the horizon in an ordinary spring, from that in springs late by `late`.

    With q the share by H in the springs seen, z = (log H - mu) / sigma and l = late / sigma, the
    share that ever comes is p = q / F(z - l), at most 1, and that by H in an ordinary spring p
    F(z). A fit carries lateness as a slope on the logit, which knows no end and far from 0 promises
    more seedlings than ever come.

    Seedlings that all came at the last look show no tail: where q is `_REFUTED` times F(z - l)
    the law says nothing, and the steepest slope stays.

    Parameters
    ----------
    time : TimeDraws
    as_seen : (N,) array
        Logit of q.
    late : (N,) array
        On log days.
    """
    if not np.isfinite(time.horizon):
        return as_seen
    family = FAMILIES[time.family]
    z = (np.log(time.horizon) - time.mu) / time.sigma
    start = np.full(np.shape(z), -np.inf)
    log_ever = -np.logaddexp(0.0, -as_seen) - family.log_difference(start, z - late / time.sigma)
    log_share = np.minimum(log_ever, 0.0) + family.log_difference(start, z)
    log_share = np.clip(log_share, np.log(_NO_SHARE), np.log1p(-_NO_SHARE))
    by_law = log_share - np.log(-np.expm1(log_share))
    return np.where(log_ever < np.log(_REFUTED), by_law, as_seen + _STEEPEST * late)


@dataclass(frozen=True)
class WorstSpring:
    """The spring on record in which the species did worst.

    Attributes
    ----------
    season : int
    shift : (N,) array
        What that spring did to the logit of the share, draw by draw.
    """

    season: int
    shift: Array


@dataclass(frozen=True)
class RowDraws:
    """Draws for one lot and treatment; draw n of every array belongs together.

    Attributes
    ----------
    theta : (N,) array
        Logit of the share of seeds that emerge in an average tray of an ordinary spring, before
        averaging over trays.
    rho : (N,) array
        Correlation of the fates of two seeds of one cell.
    tray_sd, season_sd : (N,) arrays
        Scatter of the logit between trays of one spring and between springs.
    weight : (N,) array
        Sums to 1.
    time : TimeDraws or None
        None where no timing could be estimated.
    worst : WorstSpring or None
        None where fewer than two springs are on record.
    place_sd : (N,) array or None
        The part of `tray_sd` that the trays of one bench share, so that sd^2 = own^2 + place^2;
        None where no benches are recorded.
    as_seen, late : (N,) arrays or None
        `theta` as it was in springs as early or late as those of the lot's trays, and by how much
        these were late on log days; None where nothing sets them apart from ordinary ones.
    """

    theta: Array
    rho: Array
    tray_sd: Array
    season_sd: Array
    weight: Array
    time: TimeDraws | None = None
    worst: WorstSpring | None = None
    place_sd: Array | None = None
    as_seen: Array | None = None
    late: Array | None = None

    @property
    def shared_sd(self) -> Array:
        """Scatter between benches, 0 where none are recorded, (N,)."""
        return np.zeros_like(self.tray_sd) if self.place_sd is None else self.place_sd

    @property
    def own_sd(self) -> Array:
        """Scatter between the trays of one bench, (N,)."""
        return np.asarray(np.sqrt(np.maximum(self.tray_sd**2 - self.shared_sd**2, 0.0)))

    def share(self) -> Array:
        """Share of seeds in an average tray of an ordinary spring, (N,)."""
        return share_in_average_tray(self.theta, self.tray_sd)

    def share_as_seen(self) -> Array:
        """Share of seeds in an average tray of springs as early or late as those seen, (N,)."""
        return share_in_average_tray(
            self.theta if self.as_seen is None else self.as_seen, self.tray_sd
        )


_FEW_NODES, _FEW_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_FEW_WEIGHTS = _FEW_WEIGHTS / _FEW_WEIGHTS.sum()


def by_day(draws: RowDraws, day: float) -> RowDraws:
    """The same lot counted up to an earlier day, with what late trays and springs add to scatter.

    The logit of the share by that day has, draw by draw, the mean and the spread that tray and
    spring effects on share and time give it (7 x 7 Gauss-Hermite each).

    Parameters
    ----------
    draws : RowDraws
    day : float
        Days on the clock of `RowDraws.time`; at its horizon or later nothing changes, nor without a
        timing.

    Returns
    -------
    RowDraws
    """
    time = draws.time
    if time is None or day >= time.horizon:
        return draws
    late = time.lateness(draws.theta)
    middle, tray_sd = _logit_by(
        draws.theta, draws.tray_sd, late=late, time=time, time_sd=time.tray_sd, day=day
    )
    _, season_sd = _logit_by(
        draws.theta, draws.season_sd, late=late, time=time, time_sd=time.season_sd, day=day
    )
    worst = draws.worst
    if worst is not None:
        there, _ = _logit_by(
            draws.theta + worst.shift,
            draws.tray_sd,
            late=late,
            time=time,
            time_sd=time.tray_sd,
            day=day,
        )
        worst = replace(worst, shift=there - middle)
    return replace(
        draws,
        theta=middle,
        tray_sd=tray_sd,
        season_sd=season_sd,
        worst=worst,
        as_seen=None,
        late=None,
        time=replace(time, horizon=max(day, 1e-3)),
    )


def nothing_up(draws: RowDraws) -> RowDraws:
    """The same lot before anything of it can have come."""
    return replace(
        draws, theta=np.full_like(draws.theta, logit(_NO_SHARE)), as_seen=None, late=None
    )


def _logit_by(
    theta: Array, sd: Array, late: Array, time: TimeDraws, time_sd: Array, day: float
) -> tuple[Array, Array]:
    """Mean and spread of the logit of the share by a day, (N,) both, over one kind of effect.

    `sd` is the spread of the logit by the horizon, of which `late` x `time_sd` comes from time.
    """
    own = np.sqrt(np.maximum(sd**2 - (late * time_sd) ** 2, 0.0))
    shift = time_sd[:, None] * _FEW_NODES
    out = time.share_by(day, time.mu[:, None] + shift, time.sigma[:, None])
    by_horizon = expit(
        theta[:, None, None]
        + (own[:, None] * _FEW_NODES)[:, :, None]
        - (late[:, None] * shift)[:, None]
    )
    logits = logit(np.clip(by_horizon * out[:, None, :], _NO_SHARE, 1 - _NO_SHARE))
    weight = _FEW_WEIGHTS[:, None] * _FEW_WEIGHTS
    mean = (logits * weight).sum(axis=(1, 2))
    square = ((logits - mean[:, None, None]) ** 2 * weight).sum(axis=(1, 2))
    return mean, np.sqrt(square)


def even_draws(weight: Array, number: int) -> NDArray[np.intp]:
    """Positions of equally likely draws, at even steps of the weights (systematic resampling).

    Parameters
    ----------
    weight : (N,) array
    number : int

    Returns
    -------
    (number,) int array
    """
    steps = np.cumsum(weight)
    at = (np.arange(number) + 0.5) / number * steps[-1]
    return np.asarray(np.minimum(np.searchsorted(steps, at), len(steps) - 1))
