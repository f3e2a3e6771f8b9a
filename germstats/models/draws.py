"""Weighted draws of what one lot does under one treatment: the form in which every fit hands on its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from germstats.models.likelihood import Origin
from germstats.models.timing import Array

NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
NODE_WEIGHTS = NODE_WEIGHTS / NODE_WEIGHTS.sum()
"""Gauss-Hermite rule for a standard normal effect."""


def share_in_average_tray(theta: Array, tray_sd: Array | float) -> Array:
    """E[expit(theta + u)] over trays, u ~ N(0, tray_sd); the shape of `theta`, with which `tray_sd` broadcasts."""
    shares = expit(theta[..., None] + np.asarray(tray_sd)[..., None] * NODES)
    return np.asarray(shares @ NODE_WEIGHTS)


@dataclass(frozen=True)
class TimeDraws:
    """When the seeds that emerge do so, draw by draw.

    Attributes
    ----------
    mu, sigma : (N,) arrays
        Location and scale of log days after the clock's start, in an average tray of an ordinary spring.
    tray_sd, season_sd : (N,) arrays
        Scatter of mu between trays and between springs.
    family, origin : str
        Law of timing (a name in `germstats.models.timing.FAMILIES`) and where its clock starts.
    """

    mu: Array
    sigma: Array
    tray_sd: Array
    season_sd: Array
    family: str
    origin: Origin


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
        Logit of the share of seeds that emerge in an average tray of an ordinary spring, before averaging over trays.
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
        The part of `tray_sd` that the trays of one bench share, so that sd^2 = own^2 + place^2; None where no benches
        are told apart.
    """

    theta: Array
    rho: Array
    tray_sd: Array
    season_sd: Array
    weight: Array
    time: TimeDraws | None = None
    worst: WorstSpring | None = None
    place_sd: Array | None = None

    @property
    def shared_sd(self) -> Array:
        """Scatter between benches, 0 where none are told apart, (N,)."""
        return np.zeros_like(self.tray_sd) if self.place_sd is None else self.place_sd

    @property
    def own_sd(self) -> Array:
        """Scatter between the trays of one bench, (N,)."""
        return np.asarray(np.sqrt(np.maximum(self.tray_sd**2 - self.shared_sd**2, 0.0)))

    def share(self) -> Array:
        """Share of seeds in an average tray of an ordinary spring, (N,)."""
        return share_in_average_tray(self.theta, self.tray_sd)


def weighted_quantiles(values: Array, weight: Array, at: Array) -> Array:
    """Quantiles of weighted draws, interpolated between the middles of their steps.

    Parameters
    ----------
    values, weight : (N,) arrays
    at : (Q,) array
        Shares, 0-1.

    Returns
    -------
    (Q,) array
    """
    order = np.argsort(values, kind="stable")
    steps = np.cumsum(weight[order])
    return np.asarray(np.interp(at, (steps - weight[order] / 2) / steps[-1], values[order]))
