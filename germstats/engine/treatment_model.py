"""Treatments of one species side by side: contrasts on the share and on time, trays as the units.

logit p_i = block + level + u_i and log T_i = block + level + v_i, u_i ~ N(0, s), v_i ~ N(0, s_t).
Blocks and levels are fixed with wide priors, those of the blocks' shares as good as flat. A small
trial cannot tell s, so it is integrated over a prior borrowed from the nursery's other trays,
weighed by Laplace's criterion: given s the contrast is normal, over s it is a mixture with the
tails a small trial deserves. With s plugged in instead, identical covers are told apart in 9-31 %
of trials (the design's measurements). How seeds of one cell share their fate (rho) is integrated
over too: where two levels were sown with different seeds per cell and only filled cells are known,
the contrast hangs on it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy import stats
from scipy.interpolate import CubicSpline
from scipy.linalg import cho_solve
from scipy.special import expit, logit, logsumexp, ndtr, ndtri

from germstats.engine.arrays import Index, compile_patterns, taken_as_final
from germstats.engine.cell_scatter import CellScatter
from germstats.engine.hierarchy import Hierarchy, Part, State, VarianceComponents, start_state
from germstats.engine.laplace import BetaPrior, PooledMode, find_pooled_modes
from germstats.engine.likelihood import Origin
from germstats.engine.timing import FAMILIES, Array
from germstats.errors import NotEnoughRecordsError
from germstats.records.intervals.patterns import Patterns

BLOCK_SD, LEVEL_SD = 20.0, 2.0
"""Priors of a block's logit and of a level's difference from the reference. A block's is flat,
nearly: it is the reference's own logit there, and any pull of it towards a half would be read as a
difference of the others.
"""
_BLOCK_TIME_SD, _LEVEL_TIME_SD = 0.5, 0.5
_NO_LOT = 1e-4
_SOLVED_AT = np.exp(np.linspace(np.log(0.05), np.log(2.6), 8))
TRAY_SDS = np.exp(np.linspace(np.log(0.05), np.log(2.6), 36))
"""Tray sds over which a comparison integrates; modes are solved at every fifth, and splines go
through them (p within .001 of solving every one).
"""
_TIME_SOLVED_AT = np.exp(np.linspace(np.log(0.005), np.log(0.6), 9))
_TIME_SDS = np.exp(np.linspace(np.log(0.005), np.log(0.6), 33))
_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(
    9
)  # within 6e-5 of the share for sds up to 1.5
_RHO_NODES, _RHO_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)  # of the logit of rho
_POINTS = 2048  # a power of two; as many mirrored
_OTHER_SPECIES = 0.25
"""Log sd by which one species' trays scatter otherwise than another's (common practice, no
source).
"""
_ANY_NURSERY = (0.5, 0.6)
"""Middle and log sd of any nursery's tray sd: the prior of the pooled fit."""
_SURPRISE = 0.1
"""Weight of a scatter of which the nursery's other trays tell nothing: identical covers are told
apart in under 12 % of trials where the borrowed sd is .3 and the true one .5, and 95 % ranges still
cover no more than 98 % at two trays.
"""


@dataclass(frozen=True)
class SdPrior:
    """Mixture of log-normal laws for a standard deviation.

    Attributes
    ----------
    parts : tuple of (float, float, float)
        Weight, middle and log sd of each.
    """

    parts: tuple[tuple[float, float, float], ...]

    def log_density(self, sd: Array) -> Array:
        """Log density of log sd, up to a constant."""
        terms = [
            np.log(weight / spread) - 0.5 * ((np.log(sd) - np.log(middle)) / spread) ** 2
            for weight, middle, spread in self.parts
        ]
        return np.asarray(logsumexp(terms, axis=0))


def borrowed(sd: float | None, sisters: float = np.inf) -> SdPrior:
    """The prior of the tray sd: around that of the nursery's other trays, as far as they tell it,
    and a part kept for what any nursery's may be (the design's prior of a tray sd); wide where it
    has none.

    Parameters
    ----------
    sd : float or None
    sisters : float
        Trays beyond the first of a lot from which it was learnt: n of them leave its log uncertain
        by about 1 / sqrt(2 n), as for any normal sample, and none more than its prior did.
    """
    if sd is None:
        return SdPrior(((1.0, 0.6, 0.8),))
    middle, width = _ANY_NURSERY
    spread = float(np.sqrt(_OTHER_SPECIES**2 + 1 / (1 / width**2 + 2 * sisters)))
    return SdPrior(((1 - _SURPRISE, sd, spread), (_SURPRISE, middle, width)))


def borrowed_time(sd: float | None) -> SdPrior:
    """The same for the sd of log time, in the design's widths: alike days are told apart in 2 to 6
    % of trials.
    """
    if sd is None:
        return SdPrior(((1.0, 0.08, 0.8),))
    return SdPrior(((0.9, max(sd, 0.01), 0.35), (0.1, 0.12, 0.6)))


@dataclass(frozen=True)
class RhoLaw:
    """What the correlation of the fates of two seeds of one cell may be.

    Attributes
    ----------
    values, weight : (R,) arrays
        Weights sum to 1.
    """

    values: Array
    weight: Array

    @property
    def likeliest(self) -> RhoLaw:
        """The value of most weight, as if known."""
        return known_rho(float(self.values[self.weight.argmax()]))


def known_rho(rho: float) -> RhoLaw:
    """A law of one value."""
    return RhoLaw(np.array([rho]), np.ones(1))


def rho_law(scatter: CellScatter) -> RhoLaw:
    """A fit's cell scatter, normal on the logit, at five Gauss-Hermite nodes; one value where it
    has no range.
    """
    if scatter.low >= scatter.high:
        return known_rho(scatter.rho)
    sd = float(logit(scatter.high) - logit(scatter.low)) / (2 * 1.96)
    return RhoLaw(expit(logit(scatter.rho) + sd * _RHO_NODES), _RHO_WEIGHTS / _RHO_WEIGHTS.sum())


@dataclass(frozen=True)
class Trial:
    """The trays compared.

    Attributes
    ----------
    patterns : Patterns
    codes, level, block : (T,) int arrays
        Tray codes, treatment level 0..K-1 (0 the reference) and block 0..B-1.
    family, origin : str
        Law of timing.
    timed : bool
    rho : RhoLaw
        As the whole nursery tells it: the trial does not weigh it once more.
    log_time, log_sigma : float
        Centres of the priors of log time and log sigma.
    """

    patterns: Patterns
    codes: Index
    level: Index
    block: Index
    family: str
    origin: Origin
    timed: bool
    rho: RhoLaw
    log_time: float
    log_sigma: float


@dataclass(frozen=True)
class Contrasts:
    """Posterior of every level against the reference: a mixture of normal laws over the tray sd and
    the cell scatter.

    Attributes
    ----------
    weight : (S,) array
    sd : (S,) array
        Tray sds.
    mean, covariance : (S, B + K - 1), (S, B + K - 1, B + K - 1) arrays
        Of the blocks' logits and the levels' differences.
    blocks : int
    rho : (S,) array
        Cell scatters.
    """

    weight: Array
    sd: Array
    mean: Array
    covariance: Array
    blocks: int
    rho: Array

    def difference(self, level: int, reference: int = 0) -> tuple[Array, Array]:
        """Means and sds (S,) of the difference between two levels on its own scale."""
        form = self._form(level) - self._form(reference)
        variance = np.einsum("i,sij,j->s", form, self.covariance, form)
        return self.mean @ form, np.sqrt(variance)

    def widened(self, sd: float) -> Contrasts:
        """With a further scatter of every difference, as between springs."""
        extra = np.zeros_like(self.covariance[0])
        extra[self.blocks :, self.blocks :] = np.eye(len(extra) - self.blocks) * sd**2
        return replace(self, covariance=self.covariance + extra)

    def p_value(self, level: int, reference: int = 0) -> float:
        """Twice the smaller posterior tail beyond 0."""
        mean, sd = self.difference(level, reference)
        below = float(self.weight @ ndtr(-mean / sd))
        return float(np.clip(2 * min(below, 1 - below), 1e-6, 1.0))

    def spread(self, level: int, reference: int = 0) -> float:
        """Sd of the difference over the whole mixture."""
        mean, sd = self.difference(level, reference)
        middle = float(self.weight @ mean)
        return float(np.sqrt(self.weight @ (sd**2 + (mean - middle) ** 2)))

    def middle(self, level: int, reference: int = 0) -> float:
        """Mean of the difference."""
        return float(self.weight @ self.difference(level, reference)[0])

    def _form(self, level: int) -> Array:
        form = np.zeros(self.mean.shape[1])
        if level > 0:
            form[self.blocks + level - 1] = 1.0
        return form

    def draws(self, seed: int = 0) -> LevelDraws:
        """Draws of the levels in every block.

        Scrambled Sobol points choose the tray sd, the cell scatter and the normals there, each
        mirrored: few plain draws would shift ranges.
        """
        points = (
            stats.qmc.Sobol(1 + self.mean.shape[1], seed=seed).random(_POINTS).clip(1e-9, 1 - 1e-9)
        )
        chosen = np.searchsorted(np.cumsum(self.weight), points[:, 0]).clip(max=len(self.sd) - 1)
        eigen, vectors = np.linalg.eigh(self.covariance)
        roots = vectors * np.sqrt(eigen.clip(0.0))[:, None, :]
        spread = np.einsum("nij,nj->ni", roots[chosen], ndtri(points[:, 1:]))
        flat = np.concatenate([self.mean[chosen] + spread, self.mean[chosen] - spread])
        levels = np.concatenate([np.zeros((len(flat), 1)), flat[:, self.blocks :]], axis=1)
        values = flat[:, : self.blocks, None] + levels[:, None, :]
        sd, rho = np.tile(self.sd[chosen], 2), np.tile(self.rho[chosen], 2)
        return LevelDraws(values, sd, rho, np.full(len(flat), 1 / len(flat)))


@dataclass(frozen=True)
class LevelDraws:
    """Draws of the levels of a trial.

    Attributes
    ----------
    values : (N, B, K) array
        Of each level in each block.
    sd, rho, weight : (N,) arrays
        Tray sd, cell scatter, weights that sum to 1.
    """

    values: Array
    sd: Array
    rho: Array
    weight: Array

    @cached_property
    def shares(self) -> Array:
        """Where the values are logits: emergence of each level in an average tray, averaged over
        blocks, (N, K).
        """
        by_tray = expit(self.values[..., None] + self.sd[:, None, None, None] * _NODES)
        return np.asarray((by_tray @ (_NODE_WEIGHTS / _NODE_WEIGHTS.sum())).mean(axis=1))


@dataclass(frozen=True)
class TreatmentPosterior:
    """What a trial says.

    Attributes
    ----------
    share : Contrasts
        On logit p.
    time : Contrasts or None
        On log time.
    log_sigma : float
    family, origin : str
    """

    share: Contrasts
    time: Contrasts | None
    log_sigma: float
    family: str
    origin: Origin


def compare_levels(trial: Trial, share_prior: SdPrior, time_prior: SdPrior) -> TreatmentPosterior:
    """Posterior of the contrasts of a trial.

    Parameters
    ----------
    trial : Trial
    share_prior, time_prior : SdPrior
        Of the tray sds on logit p and on log time.

    Returns
    -------
    TreatmentPosterior
    """
    hierarchy, prior, blocks, levels = _laid_out(trial)
    columns = np.arange(blocks + levels - 1)
    usual_time = float(_TIME_SDS[np.argmax(time_prior.log_density(_TIME_SDS))])
    start = start_state(hierarchy, prior.mean.copy())
    rho = (
        trial.rho if hierarchy.parts[0].data.seeds > 1 else trial.rho.likeliest
    )  # a seed by itself shares nothing
    likeliest = float(rho.likeliest.values[0])
    grid = [(sd, usual_time) for sd in _SOLVED_AT]
    usual = _along(hierarchy, prior, rho=likeliest, grid=grid, starts=[start] * len(grid))
    near = [mode.state for mode in usual]
    laws = []
    for value in rho.values.tolist():
        found = (
            usual
            if value == likeliest
            else _along(hierarchy, prior, rho=value, grid=grid, starts=near)
        )
        laws.append(
            _mixture(
                found,
                _SOLVED_AT,
                sds=TRAY_SDS,
                prior=share_prior,
                columns=columns,
                blocks=blocks,
                rho=value,
            )
        )
    share = _together(laws, rho.weight)
    time, last = None, usual[_nearest(share, _SOLVED_AT)]
    if trial.timed:
        tray_sd = float(share.sd[share.weight.argmax()])
        grid = [(tray_sd, sd) for sd in _TIME_SOLVED_AT]
        found = _along(hierarchy, prior, rho=likeliest, grid=grid, starts=[last.state] * len(grid))
        time = _mixture(
            found,
            _TIME_SOLVED_AT,
            sds=_TIME_SDS,
            prior=time_prior,
            columns=columns + len(columns),
            blocks=blocks,
            rho=likeliest,
        )
        last = found[_nearest(time, _TIME_SOLVED_AT)]
    return TreatmentPosterior(
        share=share,
        time=time,
        log_sigma=float(last.state.beta[-1]),
        family=trial.family,
        origin=trial.origin,
    )


def _along(
    hierarchy: Hierarchy,
    prior: BetaPrior,
    rho: float,
    grid: list[tuple[float, float]],
    starts: list[State],
) -> list[PooledMode]:
    """Modes along a grid of tray sds on share and time."""
    components = [
        VarianceComponents(tray=sd, tray_time=time_sd, lot=_NO_LOT, lot_time=_NO_LOT, rho=rho)
        for sd, time_sd in grid
    ]
    return find_pooled_modes(hierarchy, prior, components, starts)


def _together(laws: list[Contrasts], weights: Array) -> Contrasts:
    """One mixture of those at each cell scatter."""
    return Contrasts(
        weight=np.concatenate(
            [weight * law.weight for weight, law in zip(weights, laws, strict=True)]
        ),
        sd=np.concatenate([law.sd for law in laws]),
        mean=np.concatenate([law.mean for law in laws]),
        covariance=np.concatenate([law.covariance for law in laws]),
        blocks=laws[0].blocks,
        rho=np.concatenate([law.rho for law in laws]),
    )


def _nearest(of: Contrasts, sds: Array) -> int:
    """Place in `sds` of the likeliest sd."""
    return int(np.abs(np.log(sds / of.sd[of.weight.argmax()])).argmin())


def _mixture(
    found: list[PooledMode],
    solved_at: Array,
    sds: Array,
    prior: SdPrior,
    columns: Index,
    blocks: int,
    rho: float,
) -> Contrasts:
    """Normal laws of `columns` at each sd that counts, weighed, at one cell scatter.

    Criteria, means and covariances are smooth in log sd: cubic splines through the modes solved.
    With many trays the weight is narrower than the step between those, and a mixture over them
    alone would snap to one. An sd under which the records are impossible has no mode: it is left
    out, and so are the sds beyond it.
    """
    possible = np.isfinite([mode.criterion for mode in found])
    if possible.sum() < 2:
        raise NotEnoughRecordsError(
            "These trays fit no law of timing: check their dates and counts."
        )
    found = [found[k] for k in np.flatnonzero(possible)]
    at = np.log(solved_at[possible])
    sds = sds[(sds > 0.999 * np.exp(at[0])) & (sds < 1.001 * np.exp(at[-1]))]
    fine = np.log(sds)
    log_weight = CubicSpline(at, [mode.criterion for mode in found])(fine) + prior.log_density(sds)
    weight = np.exp(log_weight - log_weight.max())
    kept = np.flatnonzero(weight > 1e-4)
    chosen = np.eye(len(found[0].state.beta))[:, columns]
    covariance = [cho_solve((mode.elimination.factor, False), chosen)[columns] for mode in found]
    mean = [mode.state.beta[columns] for mode in found]
    return Contrasts(
        weight=weight[kept] / weight[kept].sum(),
        sd=sds[kept],
        mean=CubicSpline(at, mean)(fine[kept]),
        covariance=CubicSpline(at, covariance)(fine[kept]),
        blocks=blocks,
        rho=np.full(len(kept), rho),
    )


def _laid_out(trial: Trial) -> tuple[Hierarchy, BetaPrior, int, int]:
    """Tree with blocks and levels as common effects and no lots, its prior, numbers of blocks and
    of levels.
    """
    blocks, levels = int(trial.block.max()) + 1, int(trial.level.max()) + 1
    half = blocks + levels - 1
    order = np.lexsort((trial.level, trial.block))
    pair = trial.block[order] * levels + trial.level[order]
    _, first, group = np.unique(pair, return_index=True, return_inverse=True)
    design = np.zeros((len(first), 3, 2 * half + 1))
    for row, at in enumerate(order[first]):
        for what in (0, 1):
            design[row, what, what * half + trial.block[at]] = 1.0
            if trial.level[at] > 0:
                design[row, what, what * half + blocks + trial.level[at] - 1] = 1.0
        design[row, 2, -1] = 1.0
    data = compile_patterns(trial.patterns, trial.codes[order])
    if not trial.timed:
        data = taken_as_final(data)
    trays = len(order)
    part = Part(np.arange(trays), data, FAMILIES[trial.family], trial.origin)
    none = np.zeros(2 * half + 1, dtype=bool)
    mean = np.concatenate(
        [np.zeros(half), np.full(blocks, trial.log_time), np.zeros(levels - 1), [trial.log_sigma]]
    )
    sd = np.concatenate(
        [
            np.full(blocks, BLOCK_SD),
            np.full(levels - 1, LEVEL_SD),
            np.full(blocks, _BLOCK_TIME_SD),
            np.full(levels - 1, _LEVEL_TIME_SD),
            [0.7],
        ]
    )
    hierarchy = Hierarchy(
        parts=(part,),
        design=design,
        group=group.astype(np.int64),
        lot=np.zeros(len(first), dtype=np.int64),
        delayed=np.zeros(trays, bool),
    )
    return hierarchy, BetaPrior(mean, sd, none), blocks, levels
