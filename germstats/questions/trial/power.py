"""How often a trial would tell a difference: a closed formula, and the same by simulation through
the comparison.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
import pandas as pd
from scipy.special import expit, gammaincinv, logit, ndtr, ndtri

from germstats.engine.arrays import Index
from germstats.engine.threads import one_thread
from germstats.engine.timing import Array
from germstats.engine.treatment_model import (
    BLOCK_SD,
    LEVEL_SD,
    TRAY_SDS,
    SdPrior,
    Trial,
    borrowed,
    borrowed_time,
    compare_levels,
    known_rho,
)
from germstats.forecast.comparing import ANOTHER_SPRING_SD, FIRM, MOST_TRAYS
from germstats.records.intervals.patterns import Patterns
from germstats.records.seeds import SowingRate

_NODES, _MIDDLE = (np.arange(40) + 0.5) / 40, np.array([0.5])
_HALVINGS = 22
_FINISHED = 1e9  # days after which nothing more comes


@dataclass(frozen=True)
class Setting:
    """What the power of a trial depends on, beside the shares and the number of trays.

    Attributes
    ----------
    tray_sd : float
        Scatter of trays within a block, on the logit.
    borrowed_sd : float or None
        Where the comparison will centre its prior of that scatter; None where there are too few
        trays to borrow from.
    cells, seeds_per_cell : int
    rho : float
        Correlation of the fates of two seeds of one cell.
    seasons : int
    treatments : int
        How many are compared in pairs; the strictest step of Holm's rule is taken as the level.
    places : int
        Places there are to stand blocks in.
    season_sd : float
        Scatter of the difference between springs, on the logit; counts where there is more than one
        season.
    sisters : float
        Trays beyond the first of a lot that `borrowed_sd` was learned from.
    """

    tray_sd: float
    borrowed_sd: float | None
    cells: int = 72
    seeds_per_cell: int = 1
    rho: float = 0.0
    seasons: int = 1
    treatments: int = 2
    places: int = 6
    season_sd: float = ANOTHER_SPRING_SD
    sisters: float = np.inf

    @property
    def prior(self) -> SdPrior:
        """Of the scatter of trays, as the comparison will borrow it."""
        return borrowed(self.borrowed_sd, self.sisters)

    @property
    def level(self) -> float:
        """The p below which a pair of treatments is told apart."""
        return FIRM / comb(self.treatments, 2)

    @property
    def spring_variance(self) -> float:
        """Variance that the scatter of the difference between springs adds to its mean."""
        return self.season_sd**2 / self.seasons if self.seasons > 1 else 0.0


def blocks_for(trays: int, places: int) -> int:
    """Places, at least two, over which that many trays of a treatment can be shared evenly; 0 where
    none can.

    The most that hold two or more trays of each, so that trays within a block tell their scatter;
    else one of each.
    """
    even = [blocks for blocks in range(2, places + 1) if trays % blocks == 0]
    return max((blocks for blocks in even if 2 * blocks <= trays), default=max(even, default=0))


def tray_variance(share: float, setting: Setting) -> float:
    """Variance of a tray's logit: tray_sd^2 + (1 + (n - 1) rho) / (cells n p (1 - p)), by the delta
    method.
    """
    n = setting.seeds_per_cell
    return setting.tray_sd**2 + (1 + (n - 1) * setting.rho) / (
        setting.cells * n * share * (1 - share)
    )


def power_of(shares: tuple[float, float], trays: int, blocks: int, setting: Setting) -> float:
    """Chance that two treatments with these shares are told apart: normal theory of the comparison,
    priors and all.

    With the scatter s of trays known, their logits are normal to second order and the comparison is
    a linear model: its difference is normal, with a mean linear in the difference seen (`_judged`).
    What the trays say about s is a chi-square; with the borrowed prior it weighs the values of s
    (`_weight_of_sds`), and the difference that is just told is where the mixture of normal tails
    reaches the level. The comparison reads its errors off the counts, so they are taken where the
    difference is just told, found once with the true ones. The power is the mean of normal tails
    beyond it, over the chi-square, in units of an sd between those two places (a trapezium along
    the scale on which the variance would not change). With flat priors and many trays this is the
    noncentral t.

    Measured against the comparison in 575 settings (shares .03 to .95, 2 to 8 trays, both ways
    round, 600 trials each; under a somewhat wider prior): within .05, once .064, with a standard
    error of .02.

    Parameters
    ----------
    shares : (float, float)
        Of seeds, 0-1, both inside; the first is of the treatment the other is compared with.
    trays : int
        Of each treatment in each season.
    blocks : int
        In each season; 1 for trays that stand anyhow.
    setting : Setting

    Returns
    -------
    float

    References
    ----------
    From memory. Lindley and Smith (1972), J. R. Stat. Soc. B 34, 1-41: mean and variance of a
    linear model with normal priors. Box and Tiao (1973), Bayesian Inference in Statistical
    Analysis: the scale integrated out. Bartlett (1947), Biometrics 3, 39-52: the scale of steady
    variance.
    """
    ends = logit(np.array(shares))
    true = np.array([tray_variance(share, setting) for share in shares])
    plan = _Plan(
        ends=-ends if ends[1] < ends[0] else ends,
        true=true,
        each=trays / blocks,
        blocks=blocks * setting.seasons,
        setting=setting,
    )
    at = plan.means(float(_just_told(plan, plan.ends, true, _MIDDLE)[0]))
    seen = plan.variances(at)
    beyond = np.ptp(plan.ends) - _just_told(plan, at, seen, _NODES)
    return float(ndtr(beyond * (1 / plan.spread(true) + 1 / plan.spread(seen)) / 2).mean())


@dataclass(frozen=True)
class _Plan:
    """Logits (2,) of the two treatments, turned so that the second is the higher, variances (2,) of
    a tray's logit, trays of each treatment in each block, and blocks of all seasons.
    """

    ends: Array
    true: Array
    each: float
    blocks: int
    setting: Setting

    @property
    def first(self) -> float:
        """Part of a deviation of the difference that the first treatment makes."""
        return float(self.true[0] / self.true.sum())

    def means(self, difference: float) -> Array:
        """Where the two means (2,) lie, on average, when they differ by this."""
        return np.asarray(
            self.ends + (difference - np.ptp(self.ends)) * np.array([-self.first, 1 - self.first])
        )

    def variances(self, at: Array) -> Array:
        """Of a tray's logit (2,) at these means; no share is read nearer to 0 or 1 than half a
        seedling of all.
        """
        least = 0.5 / (self.each * self.blocks * self.setting.cells * self.setting.seeds_per_cell)
        return np.array(
            [tray_variance(share, self.setting) for share in expit(at).clip(least, 1 - least)]
        )

    def spread(self, variances: Array) -> float:
        """Sd of the difference of the two means."""
        return float(
            np.sqrt(variances.sum() / (self.each * self.blocks) + self.setting.spring_variance)
        )


def _just_told(plan: _Plan, at: Array, seen: Array, nodes: Array) -> Array:
    """Difference of the means that is just told at each chi-square node, errors (2,) and means (2,)
    as read there.
    """
    setting = plan.setting
    possible = seen + (TRAY_SDS**2 - setting.tray_sd**2)[:, None]
    slope, offset, variance = _judged(plan, possible / plan.each)
    weight = _weight_of_sds(plan, at, possible, nodes)
    return _crossing(
        weight,
        slope,
        offset=offset,
        spread=np.sqrt(variance + setting.spring_variance),
        tail=setting.level / 2,
    )


def _judged(plan: _Plan, possible: Array) -> tuple[Array, Array, Array]:
    """The difference as the comparison reads it at each sd: slope and offset in the difference
    seen, and variance.

    `possible` (S, 2) are the variances of a block's means. Given the means y0, y1 the difference is
    shrink (y1 - y0 + pull y0), and y0 is taken where the difference seen leaves it on average.
    """
    pull = possible[:, 0] / (BLOCK_SD**2 + possible[:, 0])
    told = plan.blocks / (possible[:, 1] + BLOCK_SD**2 * pull)
    variance = 1 / (told + 1 / LEVEL_SD**2)
    shrink = told * variance
    return shrink * (1 - pull * plan.first), shrink * pull * plan.means(0.0)[0], variance


def _weight_of_sds(plan: _Plan, at: Array, possible: Array, nodes: Array) -> Array:
    """Weight of each sd (nodes, S): the prior times the likelihood of trays about their blocks'
    means, of those about theirs, and of these (`at`) about the centre of the priors. `possible` (S,
    2) are the variances of a tray.
    """
    free = plan.blocks * (2 * plan.each - 1) - 1
    ratio = 2 * gammaincinv(free / 2, nodes)[:, None] / free  # quantiles of a chi-square
    trays = np.log(possible).sum(axis=1) + ratio * (plan.true / possible).sum(axis=1)
    # (S, 2, 2), of a block's two means
    block = BLOCK_SD**2 + possible[..., None] / plan.each * np.eye(2)
    means = np.linalg.slogdet(block)[1]
    means = means + ratio * np.einsum("sii,i->s", np.linalg.inv(block), plan.true / plan.each)
    both = block / plan.blocks + np.diag([0.0, LEVEL_SD**2])
    centre = np.linalg.slogdet(both)[1] + np.einsum("i,sij,j->s", at, np.linalg.inv(both), at)
    misfit = plan.blocks * (plan.each - 1) * trays + (plan.blocks - 1) * means + centre
    log_weight = plan.setting.prior.log_density(TRAY_SDS) - misfit / 2
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def _crossing(weight: Array, slope: Array, offset: Array, spread: Array, tail: float) -> Array:
    """Difference seen at which each row's mixture leaves `tail` below 0; by bisection between those
    of single sds.
    """
    single = (-ndtri(tail) * spread - offset) / slope
    low, high = np.full(len(weight), single.min()), np.full(len(weight), single.max())
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        unsure = (weight * ndtr(-(slope * middle[:, None] + offset) / spread)).sum(axis=1) > tail
        low, high = np.where(unsure, middle, low), np.where(unsure, high, middle)
    return np.asarray((low + high) / 2)


def worse_direction(
    share: float, points: float, trays: int, blocks: int, setting: Setting
) -> tuple[float, float]:
    """The share that lies `points` above or below and is harder to tell, and the chance to tell it.

    Where both leave 0 to 1 there is none: the share comes back as NaN.
    """
    others = [
        other for other in (share - points / 100, share + points / 100) if 0.001 < other < 0.999
    ]
    found = [(power_of((share, other), trays, blocks, setting), other) for other in others]
    power, other = min(found, default=(0.0, float("nan")))
    return other, power


def trays_needed(
    share: float, points: float, wanted: float, setting: Setting, blocked: bool = True
) -> int | None:
    """Fewest trays of each treatment in each season that tell `points` with the wanted power.

    In even blocks, or standing anyhow. None where even `MOST_TRAYS` do not.
    """
    for trays in range(2, MOST_TRAYS + 1):
        blocks = blocks_for(trays, setting.places) if blocked else 1
        if (
            blocks
            and worse_direction(share, points, trays=trays, blocks=blocks, setting=setting)[1]
            >= wanted
        ):
            return trays
    return None


def points_told(share: float, trays: int, wanted: float, setting: Setting) -> int | None:
    """Smallest whole number of points that so many trays tell with the wanted power; None where
    none does.
    """
    blocks = blocks_for(trays, setting.places) or 1
    for points in range(1, 100):
        other, power = worse_direction(share, points, trays=trays, blocks=blocks, setting=setting)
        if np.isnan(other):
            return None
        if power >= wanted:
            return points
    return None


def simulated_power(
    shares: tuple[float, float], trays: int, blocks: int, setting: Setting, trials: int, seed: int
) -> float:
    """The same chance by sowing the trial over and over and judging each by the comparison's main
    road.

    Parameters
    ----------
    shares, trays, blocks, setting :
        As in `power_of`.
    trials : int
    seed : int

    Returns
    -------
    float
        Share of trials with p below the level; its standard error is `monte_carlo_error`.
    """
    rng = np.random.default_rng([seed, trials])
    prior, time_prior = setting.prior, borrowed_time(None)
    with one_thread():
        found = [
            compare_levels(
                _sown(shares, trays, blocks=blocks, setting=setting, rng=rng), prior, time_prior
            ).share
            for _ in range(trials)
        ]
    spring_sd = float(np.sqrt(setting.spring_variance))
    return float(np.mean([share.widened(spring_sd).p_value(1) < setting.level for share in found]))


def monte_carlo_error(power: float, trials: int) -> float:
    """Standard error of a share of that many trials."""
    return float(np.sqrt(max(power * (1 - power), 1 / trials) / trials))


def _sown(
    shares: tuple[float, float], trays: int, blocks: int, setting: Setting, rng: np.random.Generator
) -> Trial:
    """One made-up trial with its counts."""
    level = np.tile(np.repeat([0, 1], trays), setting.seasons)
    season = np.repeat(np.arange(setting.seasons), 2 * trays)
    block = season * blocks + np.tile(np.arange(trays) % blocks, 2 * setting.seasons)
    eta = logit(np.array(shares))[level] + setting.tray_sd * rng.standard_normal(len(level))
    if setting.seasons > 1:
        eta += level * setting.season_sd * rng.standard_normal(setting.seasons)[season]
    seen = _counted(expit(eta), setting, rng)
    return Trial(
        patterns=_as_patterns(seen, setting),
        codes=np.arange(len(level)),
        level=level,
        block=block,
        family="log-normal",
        origin="sowing",
        timed=False,
        rho=known_rho(setting.rho),
        log_time=4.0,
        log_sigma=float(np.log(0.3)),
    )


def _counted(chance: Array, setting: Setting, rng: np.random.Generator) -> Index:
    """Cells of each tray with 0, 1, ..., n seedlings."""
    n, spread = setting.seeds_per_cell, (1 - setting.rho) / max(setting.rho, 1e-9)
    size = (len(chance), setting.cells)
    cell = np.broadcast_to(chance[:, None], size)
    if n > 1 and setting.rho > 0:
        cell = rng.beta(cell * spread, (1 - cell) * spread)
    came = rng.binomial(n, cell, size)
    return np.stack([(came == k).sum(axis=1) for k in range(n + 1)], axis=1).astype(np.int64)


def _as_patterns(seen: Index, setting: Setting) -> Patterns:
    tray, number = np.nonzero(seen)
    finishes = pd.DataFrame(
        {
            "tray": tray,
            "sowing": 0,
            "seen": number,
            "last": _FINISHED,
            "kind": "counts",
            "count": seen[tray, number],
        }
    )
    n = setting.seeds_per_cell
    return Patterns(
        trays=pd.DataFrame({"origin_days": np.zeros(len(seen))}),
        times=_NO_TIMES,
        finishes=finishes,
        occupied=_NO_FILLINGS,
        sowings=(SowingRate("counted", (n,), float(n)),),
        notes={},
        left_out={},
    )


_NO_TIMES = pd.DataFrame(
    {"tray": np.zeros(0, np.int64), "lo": np.zeros(0), "hi": np.zeros(0), "count": np.zeros(0)}
)
_NO_FILLINGS = pd.DataFrame(
    {
        "tray": np.zeros(0, np.int64),
        "sowing": np.zeros(0, np.int64),
        "lo": np.zeros(0),
        "hi": np.zeros(0),
        "count": np.zeros(0),
    }
)
