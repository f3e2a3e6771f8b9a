"""Treatments of one species side by side: contrasts on the share and on time, trays as the units.

logit p_i = block + level + u_i and log T_i = block + level + v_i, u_i ~ N(0, s), v_i ~ N(0, s_t).
Blocks and levels are fixed with wide priors, those of the blocks' shares as good as flat. A small
trial cannot determine s, so it is integrated over a prior borrowed from the nursery's other trays,
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
_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
"""Of trays about their level: within 6e-5 of the share for sds up to 1.5."""
_RHO_NODES, _RHO_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
"""Of the logit of rho."""
_POINTS = 2048
"""Draws of a comparison, a power of two; as many mirrored."""
_LOG_SIGMA_SD = 0.7
"""Of the prior of the log spread of log time."""
_COUNTS = 1e-4
"""Of the largest weight in a mixture: a law with less is left out."""
_OTHER_SPECIES = 0.25
"""Log sd by which one species' trays scatter otherwise than another's (common practice, no
source).
"""
_ANY_NURSERY = (0.5, 0.6)
"""Middle and log sd of any nursery's tray sd: the prior of the pooled fit."""
_SURPRISE = 0.1
"""Weight of a scatter of which the nursery's other trays say nothing: identical covers are told
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


def borrowed(sd: float | None, siblings: float = np.inf) -> SdPrior:
    """The prior of the tray sd, borrowed from the nursery's other trays.

    A part is kept for what any nursery's may be (the design's prior of a tray sd).

    Parameters
    ----------
    sd : float or None
        None gives a wide prior.
    siblings : float
        Trays beyond the first of a lot from which it was learned: n of them leave its log uncertain
        by about 1 / sqrt(2 n), as for any normal sample, and none more than its prior did.

    Returns
    -------
    SdPrior
    """
    if sd is None:
        return SdPrior(((1.0, 0.6, 0.8),))
    middle, width = _ANY_NURSERY
    spread = float(np.sqrt(_OTHER_SPECIES**2 + 1 / (1 / width**2 + 2 * siblings)))
    return SdPrior(((1 - _SURPRISE, sd, spread), (_SURPRISE, middle, width)))


def borrowed_time(sd: float | None) -> SdPrior:
    """The prior of the sd of log time, in the design's widths.

    With these, days that are alike are told apart in 2 to 6 % of trials.

    Parameters
    ----------
    sd : float or None
        None gives a wide prior.

    Returns
    -------
    SdPrior
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
    """A fit's cell scatter at five Gauss-Hermite nodes, normal on the logit.

    One value where it has no range.
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
        As the whole nursery shows it: the trial does not weigh it once more.
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
    """Posterior of every level against the reference: a mixture over tray sd and cell scatter.

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
        sobol = stats.qmc.Sobol(1 + self.mean.shape[1], seed=seed)
        points = sobol.random(_POINTS).clip(1e-9, 1 - 1e-9)
        law = np.searchsorted(np.cumsum(self.weight), points[:, 0]).clip(max=len(self.sd) - 1)
        eigen, vectors = np.linalg.eigh(self.covariance)
        roots = vectors * np.sqrt(eigen.clip(0.0))[:, None, :]  # (S, D, D)
        spread = np.einsum("nij,nj->ni", roots[law], ndtri(points[:, 1:]))
        effects = np.concatenate([self.mean[law] + spread, self.mean[law] - spread])  # (N, D)

        size = len(effects)
        block = effects[:, : self.blocks, None]
        difference = np.concatenate([np.zeros((size, 1)), effects[:, self.blocks :]], axis=1)
        return LevelDraws(
            values=block + difference[:, None, :],
            sd=np.tile(self.sd[law], 2),
            rho=np.tile(self.rho[law], 2),
            weight=np.full(size, 1 / size),
        )


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
        """Emergence of each level in an average tray, over blocks, (N, K); of logits only."""
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
    layout = _layout(trial)
    start = start_state(layout.hierarchy, layout.prior.mean.copy())
    usual_time = float(_TIME_SDS[np.argmax(time_prior.log_density(_TIME_SDS))])
    sees_cells = layout.hierarchy.parts[0].data.seeds > 1  # a seed by itself shares nothing
    rho = trial.rho if sees_cells else trial.rho.likeliest
    likeliest_rho = float(rho.likeliest.values[0])

    grid = [(sd, usual_time) for sd in _SOLVED_AT]
    usual = _modes_along(layout, likeliest_rho, grid, [start] * len(grid))
    near = [mode.state for mode in usual]
    shares = []
    for value in rho.values.tolist():
        found = usual if value == likeliest_rho else _modes_along(layout, value, grid, near)
        shares.append(
            _mixture(
                found,
                _SOLVED_AT,
                sds=TRAY_SDS,
                prior=share_prior,
                columns=layout.share_columns,
                blocks=layout.blocks,
                rho=value,
            )
        )
    share = _together(shares, rho.weight)

    time, last = None, usual[_nearest(share, _SOLVED_AT)]
    if trial.timed:
        tray_sd = float(share.sd[share.weight.argmax()])
        grid = [(tray_sd, sd) for sd in _TIME_SOLVED_AT]
        found = _modes_along(layout, likeliest_rho, grid, [last.state] * len(grid))
        time = _mixture(
            found,
            _TIME_SOLVED_AT,
            sds=_TIME_SDS,
            prior=time_prior,
            columns=layout.time_columns,
            blocks=layout.blocks,
            rho=likeliest_rho,
        )
        last = found[_nearest(time, _TIME_SOLVED_AT)]
    return TreatmentPosterior(
        share=share,
        time=time,
        log_sigma=float(last.state.beta[-1]),
        family=trial.family,
        origin=trial.origin,
    )


def _modes_along(
    layout: _TrialLayout, rho: float, grid: list[tuple[float, float]], starts: list[State]
) -> list[PooledMode]:
    """Modes along a grid of tray sds on share and time."""
    components = [
        VarianceComponents(tray=sd, tray_time=time_sd, lot=_NO_LOT, lot_time=_NO_LOT, rho=rho)
        for sd, time_sd in grid
    ]
    return find_pooled_modes(layout.hierarchy, layout.prior, components, starts)


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
    """Normal laws of some effects at each sd that counts, weighed, at one cell scatter.

    Criteria, means and covariances are smooth in log sd: cubic splines through the modes solved.
    With many trays the weight is narrower than the step between those, and a mixture over them
    alone would snap to one. An sd under which the records are impossible has no mode: it is left
    out, and so are the sds beyond it.

    Parameters
    ----------
    found : list of PooledMode
        At each of `solved_at`.
    solved_at, sds : arrays
        Sds at which modes were solved, and over which the mixture goes.
    prior : SdPrior
    columns : int array
        Effects of the blocks and of the levels' differences, (D,).
    blocks : int
    rho : float
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
    criterion = CubicSpline(at, [mode.criterion for mode in found])(fine)
    log_weight = criterion + prior.log_density(sds)
    weight = np.exp(log_weight - log_weight.max())
    kept = np.flatnonzero(weight > _COUNTS)
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


@dataclass(frozen=True)
class _TrialLayout:
    """Trays of a trial with blocks and levels as common effects, and no lots.

    Attributes
    ----------
    hierarchy : Hierarchy
    prior : BetaPrior
        Of blocks and differences on the share, the same on time, and log sigma.
    blocks, levels : int
    """

    hierarchy: Hierarchy
    prior: BetaPrior
    blocks: int
    levels: int

    @property
    def share_columns(self) -> Index:
        """Effects on the share: blocks, then differences."""
        return np.arange(self.blocks + self.levels - 1)

    @property
    def time_columns(self) -> Index:
        """The same on time."""
        return self.share_columns + len(self.share_columns)


def _layout(trial: Trial) -> _TrialLayout:
    """The trays of a trial sorted by block and level."""
    blocks, levels = int(trial.block.max()) + 1, int(trial.level.max()) + 1
    order = np.lexsort((trial.level, trial.block))
    pair = trial.block[order] * levels + trial.level[order]
    _, first, group = np.unique(pair, return_index=True, return_inverse=True)
    heads = order[first]  # one tray of each block and level
    data = compile_patterns(trial.patterns, trial.codes[order])
    if not trial.timed:
        data = taken_as_final(data)
    trays = len(order)
    hierarchy = Hierarchy(
        parts=(Part(np.arange(trays), data, FAMILIES[trial.family], trial.origin),),
        design=_design_rows(trial.block[heads], trial.level[heads], blocks, levels),
        group=group.astype(np.int64),
        lot=np.zeros(len(heads), dtype=np.int64),
        delayed=np.zeros(trays, dtype=bool),
    )
    return _TrialLayout(hierarchy, _prior_of(trial, blocks, levels), blocks, levels)


def _design_rows(block: Index, level: Index, blocks: int, levels: int) -> Array:
    """(G, 3, P) rows that carry blocks, differences and log sigma to eta, mu and log sigma."""
    half = blocks + levels - 1
    design = np.zeros((len(block), 3, 2 * half + 1))
    rows = np.arange(len(block))
    treated = np.flatnonzero(level > 0)
    for what in (0, 1):
        design[rows, what, what * half + block] = 1.0
        design[treated, what, what * half + blocks + level[treated] - 1] = 1.0
    design[:, 2, -1] = 1.0
    return design


def _prior_of(trial: Trial, blocks: int, levels: int) -> BetaPrior:
    """Priors of the effects in the order of the design's columns."""
    differences = np.zeros(levels - 1)
    mean = [np.zeros(blocks), differences, np.full(blocks, trial.log_time), differences]
    sd = [
        np.full(blocks, BLOCK_SD),
        np.full(levels - 1, LEVEL_SD),
        np.full(blocks, _BLOCK_TIME_SD),
        np.full(levels - 1, _LEVEL_TIME_SD),
    ]
    means = np.concatenate([*mean, [trial.log_sigma]])
    sds = np.concatenate([*sd, [_LOG_SIGMA_SD]])
    return BetaPrior(means, sds, np.zeros(len(means), dtype=bool))
