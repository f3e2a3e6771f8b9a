"""Plants lost between coming up and a plug: a mean, and how far springs and the trays of one spring
differ.

In spring y a share q_y ~ Beta(mean m, correlation r) is lost, in tray i of it q_iy ~ Beta(mean q_y,
correlation s), and of n plants a Binomial(n, q_iy) are lost. A beta of mean m and correlation r has
parameters m k and (1 - m) k with k = (1 - r) / r, so its sd is sqrt(r m (1 - m)).

Priors: the species' logit m ~ N(mu, .7) about the nursery's mu ~ N(logit .05, 1); log r and log s ~
N(log .08, 1), the same for all species. Pots of two grasses in open records of standing plants
(doi:10.1002/ecs2.3907, one spring) had s of .10 and .03 and means of .02 and .06. The springs' r
and the widths: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import betainc, betaincinv, betaln, expit, gammaln, logit, logsumexp
from scipy.stats import qmc

from germstats.engine.timing import Array

USUAL_LOSSES = 0.05
"""Share of plants lost between coming up and a plug where nothing is known; common practice, no
source.
"""
_NURSERY_SD, _SPECIES_SD = 1.0, 0.7
_CORRELATION, _CORRELATION_SD = 0.08, 1.0
_MEANS = expit(np.linspace(logit(0.004), logit(0.7), 41))
_CORRELATIONS = np.exp(np.linspace(np.log(0.004), np.log(0.5), 11))
_SHARES = expit(np.linspace(logit(2e-4), logit(0.98), 71))
"""Shares lost in a spring, between whose middles its law is cut."""
_RANGE_POINTS = 1024


@dataclass(frozen=True)
class LossLaw:
    """Possible laws of the losses of a species.

    Attributes
    ----------
    mean, spring, tray : (N,) arrays
        Mean share lost, correlation within springs (r above) and within the trays of a spring (s).
    weight : (N,) array
        Sums to 1.
    """

    mean: Array
    spring: Array
    tray: Array
    weight: Array

    @property
    def share(self) -> float:
        """Mean share lost."""
        return float(self.weight @ self.mean)

    @property
    def spring_sd(self) -> float:
        """Sd of the share lost between springs."""
        return float(np.sqrt(self.weight @ (self.spring * self.mean * (1 - self.mean))))

    @property
    def tray_sd(self) -> float:
        """Sd of the share lost between the trays of one spring: E[q_y (1 - q_y)] = (1 - r) m (1 -
        m).
        """
        within = (1 - self.spring) * self.mean * (1 - self.mean)
        return float(np.sqrt(self.weight @ (self.tray * within)))

    def picked(self, at: Array) -> tuple[Array, Array, Array]:
        """Mean, spring and tray of the laws that lie at shares `at` (0-1) of the weight."""
        steps = np.cumsum(self.weight)
        chosen = np.minimum(np.searchsorted(steps, at * steps[-1]), len(steps) - 1)
        return self.mean[chosen], self.spring[chosen], self.tray[chosen]

    def tray_range(self, level: float) -> tuple[float, float]:
        """Range of the share lost in one tray of a spring to come."""
        at = qmc.Sobol(3, seed=0).random(_RANGE_POINTS)
        mean, spring, tray = self.picked(at[:, 0])
        lost = beta_quantile(at[:, 2], beta_quantile(at[:, 1], mean, spring), tray)
        low, high = np.quantile(lost, [(1 - level) / 2, (1 + level) / 2])
        return float(low), float(high)


@dataclass(frozen=True)
class TrayLosses:
    """Plants lost in the trays of one species.

    Attributes
    ----------
    season : (T,) array
        Spring of each tray, as any number.
    came, lost : (T,) arrays
        Plants seen before the last look, and how many of them were gone at it.
    """

    season: Array
    came: Array
    lost: Array


def fixed_losses(share: float) -> LossLaw:
    """The same share lost in every tray of every spring."""
    return LossLaw(np.array([share]), np.zeros(1), np.zeros(1), np.ones(1))


def beta_quantile(at: Array, mean: Array, correlation: Array) -> Array:
    """Quantile of the beta law of a mean and a correlation; the mean itself where either is 0."""
    spread = (correlation > 0) & (mean > 0) & (mean < 1)
    safe_mean, safe = np.where(spread, mean, 0.5), np.where(spread, correlation, 0.5)
    tight = (1 - safe) / safe
    return np.asarray(
        np.where(spread, betaincinv(safe_mean * tight, (1 - safe_mean) * tight, at), mean)
    )


def loss_laws(counted: Mapping[str, TrayLosses], species: Sequence[str]) -> dict[str, LossLaw]:
    """Laws of the losses of each of `species` from the counts of all, summed over a grid.

    The scatters are the nursery's; a species' mean lies about the nursery's, so that one not
    counted takes the others'.

    Parameters
    ----------
    counted : mapping of species to TrayLosses
        May be empty: then the priors alone.
    species : sequence of str

    Returns
    -------
    dict of str to LossLaw
    """
    logits, pull = (
        logit(_MEANS),
        _log_normal(logit(_MEANS)[:, None], logit(_MEANS)[None, :], _SPECIES_SD),
    )
    own = {name: _log_likelihood(trays) for name, trays in counted.items() if len(trays.came)}
    about = {
        name: logsumexp(pull[:, :, None, None] + found[:, None], axis=0)
        for name, found in own.items()
    }
    correlations = _log_normal(np.log(_CORRELATIONS), np.log(_CORRELATION), _CORRELATION_SD)
    nursery = _log_normal(logits, logit(USUAL_LOSSES), _NURSERY_SD)[:, None, None]
    nursery = (
        nursery
        + correlations[:, None]
        + correlations[None, :]
        + sum(about.values(), start=np.zeros(()))
    )
    laws = {}
    for name in species:
        others = nursery - about[name] if name in about else nursery
        found = logsumexp(pull[:, :, None, None] + others[None], axis=1)
        laws[name] = _law(found + own[name] if name in own else found)
    return laws


def with_mean(law: LossLaw, share: float) -> LossLaw:
    """The same scatters about a mean that is given."""
    if share == 0:
        return fixed_losses(0.0)
    return LossLaw(np.full(len(law.mean), share), law.spring, law.tray, law.weight)


def _law(log_weight: Array) -> LossLaw:
    """From log weights (means, springs, trays) over the grid."""
    mean, spring, tray = np.meshgrid(_MEANS, _CORRELATIONS, _CORRELATIONS, indexing="ij")
    weight = np.exp(log_weight - log_weight.max())
    return LossLaw(mean.ravel(), spring.ravel(), tray.ravel(), (weight / weight.sum()).ravel())


def _log_normal(value: Array, middle: Array | float, sd: float) -> Array:
    """Log density at steps of an even grid, up to a constant."""
    return np.asarray(-0.5 * ((value - middle) / sd) ** 2)


def _log_likelihood(trays: TrayLosses) -> Array:
    """(means, springs, trays) log likelihood of the counts; springs are summed over `_SHARES`."""
    pairs, which = np.unique(np.column_stack([trays.came, trays.lost]), axis=0, return_inverse=True)
    each = _beta_binomial(
        pairs[:, 1, None, None], pairs[:, 0, None, None], _SHARES[:, None], _CORRELATIONS
    )
    springs = _spring_masses()
    total = np.zeros((len(_MEANS), len(_CORRELATIONS), len(_CORRELATIONS)))
    for season in np.unique(trays.season):
        alike = np.bincount(which.ravel()[trays.season == season], minlength=len(pairs))
        of_spring = np.tensordot(alike, each, axes=1)
        top = of_spring.max(axis=0)
        total += np.log(np.maximum(springs @ np.exp(of_spring - top), 1e-300)) + top
    return total


def _beta_binomial(lost: Array, came: Array, mean: Array, correlation: Array) -> Array:
    tight = (1 - correlation) / correlation
    ways = gammaln(came + 1) - gammaln(lost + 1) - gammaln(came - lost + 1)
    a, b = mean * tight, (1 - mean) * tight
    return np.asarray(ways + betaln(a + lost, b + came - lost) - betaln(a, b))


@cache
def _spring_masses() -> Array:
    """(means, springs, shares) probability of each of `_SHARES`, cut half-way between them."""
    tight = (1 - _CORRELATIONS) / _CORRELATIONS
    cuts = (_SHARES[1:] + _SHARES[:-1]) / 2
    below = betainc(
        (_MEANS[:, None] * tight)[..., None], ((1 - _MEANS[:, None]) * tight)[..., None], cuts
    )
    return np.asarray(np.diff(below, axis=-1, prepend=0.0, append=1.0))
