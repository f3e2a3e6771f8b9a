"""What the trays of a plan share, row by row of equally likely springs: the spring, its losses and
the benches.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats
from scipy.special import betainc, ndtr, ndtri
from scipy.stats import qmc

from germstats.engine.timing import Array
from germstats.forecast.later_losses import LossLaw, beta_quantile

ROWS, COARSE_ROWS, TIMED_ROWS = 1024, 256, 512
"""Springs a forecast is averaged over; fewer while many ways of sowing are compared, and for dates.
Powers of two, over which Sobol's points are even.
"""
MOST_BENCHES = 6
"""Benches told apart; with more the place is as good as averaged out."""
_SPRING, _LOSSES, _LAW, _BENCH = 0, 1, 2, 3
_OWN = 2  # points of each species' own: its spring and its spring's losses
LOST = np.sin(np.linspace(0.0, np.pi / 2, 65)) ** 2
"""Shares lost in a tray at which forecasts are worked out."""
_HARDLY = 1e-7


@dataclass(frozen=True)
class Luck:
    """What the trays of one species share in each of M springs.

    Attributes
    ----------
    spring : (M,) array
        Standard normal: how good the spring is for the species' share.
    benches : (M, B) array
        Standard normal: how good each bench is, for all species alike.
    lost : (M,) array
        Share of plants lost later in that spring, over all its trays.
    tray_losses : (M,) array
        Correlation of the losses within a tray, given the spring's.
    tray_lost : (M, K) array
        Probability that a tray loses each share of `LOST`; K = 0 where the same share is lost
        everywhere.
    """

    spring: Array
    benches: Array
    lost: Array
    tray_losses: Array
    tray_lost: Array

    def first(self, rows: int) -> Luck:
        """The first of its springs."""
        return Luck(**{name: values[:rows] for name, values in vars(self).items()})


def shared_luck(laws: Mapping[str, LossLaw], benches: int = 1) -> dict[str, Luck]:
    """Luck of each species in the same springs, on the same benches.

    Half of the variance of a spring, and of what it costs in losses, is common to all species, as
    in the fit (of the losses: common practice, no source). All is drawn together from scrambled
    Sobol points.

    Parameters
    ----------
    laws : mapping of species to LossLaw
    benches : int
        At most `MOST_BENCHES` are told apart.

    Returns
    -------
    dict of str to Luck
    """
    told = min(max(benches, 1), MOST_BENCHES)
    names = sorted(laws)
    points = qmc.Sobol(_BENCH + MOST_BENCHES + _OWN * len(names), seed=0).random(ROWS)
    z = ndtri(np.clip(points, 1e-9, 1 - 1e-9))
    found = {}
    for k, name in enumerate(names):
        own = _BENCH + MOST_BENCHES + _OWN * k
        bad = (z[:, _LOSSES] + z[:, own + 1]) / np.sqrt(2)
        mean, spring, tray = laws[name].picked(points[:, _LAW])
        lost = beta_quantile(ndtr(bad), mean, spring)
        found[name] = Luck(
            spring=(z[:, _SPRING] + z[:, own]) / np.sqrt(2),
            benches=z[:, _BENCH : _BENCH + told],
            lost=lost,
            tray_losses=tray,
            tray_lost=_tray_lost(lost, tray) if tray.any() else np.zeros((ROWS, 0)),
        )
    return found


def thinned(pmf: Array, luck: Luck) -> Array:
    """Plugs left of filled cells in a tray.

    Parameters
    ----------
    pmf : (M, cells + 1) array
        P(0, 1, ... filled cells) in each spring.
    luck : Luck

    Returns
    -------
    (M, cells + 1) array
    """
    if not luck.tray_lost.size:
        return np.asarray(pmf @ _kept(pmf.shape[1], float(luck.lost[0])))
    plugs = np.zeros_like(pmf)
    for share, weight in zip(LOST, luck.tray_lost.T, strict=True):
        some = np.flatnonzero(weight)
        plugs[some] += weight[some, None] * (pmf[some] @ _kept(pmf.shape[1], float(share)))
    return plugs


@lru_cache(maxsize=2 * len(LOST))
def _kept(counts: int, lost: float) -> Array:
    """(counts, counts): row f holds P(0, 1, ... plugs | f filled cells)."""
    filled = np.arange(counts)
    return np.asarray(stats.binom.pmf(filled, filled[:, None], 1 - lost))


def _tray_lost(lost: Array, correlation: Array) -> Array:
    """(M, len(LOST)) probability of each of `LOST` under a beta law, each part shared out so as to
    keep the mean.
    """
    mean = np.clip(lost, 1e-9, 1 - 1e-9)[:, None]
    tight = ((1 - correlation) / correlation)[:, None]
    a, b = mean * tight, (1 - mean) * tight
    below = np.diff(betainc(a, b, LOST), axis=1)
    moment = np.diff(mean * betainc(a + 1, b, LOST), axis=1)
    up = (moment - LOST[:-1] * below) / np.diff(LOST)
    weight = np.zeros((len(lost), len(LOST)))
    weight[:, :-1] += below - up
    weight[:, 1:] += up
    weight[weight < _HARDLY] = 0.0
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))
