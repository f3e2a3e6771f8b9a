"""Which law of timing each species follows, and how strongly seeds of one cell share their fate."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import expit

from germstats.engine.likelihood import Origin
from germstats.engine.lot_posterior import Law, Mode, find_mode
from germstats.engine.lots import LotRecords, time_priors
from germstats.engine.timing import FAMILIES, LOG_NORMAL, Array
from germstats.engine.variance_components import LOGIT_RHO
from germstats.records.intervals.patterns import Patterns

TimingLaw = tuple[str, Origin]
"""Family and origin."""
ORIGINS: tuple[Origin, ...] = ("1 February", "sowing")
_LOGIT_RHO_SD = 1.0
THREE_NODES = np.array([-np.sqrt(3.0), 0.0, np.sqrt(3.0)])
THREE_WEIGHTS = np.array(
    [1 / 6, 2 / 3, 1 / 6]
)  # three-point Gauss-Hermite rule of a standard normal


@dataclass(frozen=True)
class TimingChoice:
    """Law of timing of one species.

    Attributes
    ----------
    family, origin : str
        Distribution and where its clock starts.
    aic : dict
        (family, origin) -> AIC at the usual scatters; infinite where a seed came before the clock
        starts. Of a pooled fit the best law of each origin has it under the scatter of trays on
        time that suits it best.
    """

    family: str
    origin: Origin
    aic: dict[TimingLaw, float]


_APART = 1.5
"""Numbers of seeds per cell that differ by this factor show whether seeds of a cell share their
fate; common practice, no source.
"""


@dataclass(frozen=True)
class CellScatter:
    """Within-cell correlation rho with its uncertainty.

    Attributes
    ----------
    rho, low, high : float
        Middle and 95 % range.
    learnt_from : int
        Lots with trays in which two cells or more, sown with two seeds or more, were counted.
    learned : bool
        The records had a say: such lots, or species sown with different numbers of seeds; else it
        is the prior alone.
    """

    rho: float
    low: float
    high: float
    learnt_from: int
    learned: bool = False


def cell_scatter(
    middle: float, sd: float, lots: tuple[LotRecords, ...], learned: bool
) -> CellScatter:
    """Summary of a normal law of logit rho."""
    low, high = expit(middle - 1.96 * sd), expit(middle + 1.96 * sd)
    counted = sum(lot.has_cell_counts for lot in lots)
    return CellScatter(
        rho=float(expit(middle)),
        low=float(low),
        high=float(high),
        learnt_from=counted,
        learned=learned,
    )


def shows_cell_scatter(lots: Iterable[LotRecords]) -> bool:
    """Whether lots of one species show whether seeds of one cell share their fate.

    Elsewhere rho would take up whatever misfit there is, of the law of timing above all.
    """
    lots = tuple(lots)
    seeds = [number for lot in lots for number in lot.seeds_sown]
    return any(lot.has_cell_counts for lot in lots) or (
        bool(seeds) and max(seeds) >= _APART * min(seeds)
    )


def cell_scatter_is_shown(lots: tuple[LotRecords, ...]) -> bool:
    """Whether any species of the book shows it."""
    groups = dict.fromkeys(lot.group for lot in lots)
    return any(shows_cell_scatter(lot for lot in lots if lot.group == group) for group in groups)


def choose_timing(
    lots: tuple[LotRecords, ...], patterns: Patterns
) -> tuple[dict[str, TimingChoice], dict[str, tuple[Law, Mode]]]:
    """Pick family and origin per species by AIC of the lots' integrated likelihoods.

    Parameters
    ----------
    lots : tuple of LotRecords
    patterns : Patterns

    Returns
    -------
    choices : dict
        Group (species) -> TimingChoice.
    fitted : dict
        Lot -> its law at the usual rho, and the mode under it, a start for what follows.
    """
    rho = float(expit(LOGIT_RHO))
    tried: dict[TimingLaw, dict[str, tuple[Law, Mode]]] = {}
    for origin in ORIGINS:
        priors = time_priors(lots, patterns, origin)
        for family in FAMILIES.values():
            laws = {lot.lot: Law(family, origin, rho, priors[lot.group]) for lot in lots}
            tried[family.name, origin] = {
                lot.lot: (laws[lot.lot], find_mode(lot.fit, laws[lot.lot])) for lot in lots
            }
    choices: dict[str, TimingChoice] = {}
    for group in dict.fromkeys(lot.group for lot in lots):
        members = [lot for lot in lots if lot.group == group]
        aic = {
            law: sum(
                2 * (2 * lot.fit.rows + 1) - 2 * found[lot.lot][1].integrated
                for lot in members
                if lot.timed
            )
            for law, found in tried.items()
        }
        best = (
            min(aic, key=lambda law: aic[law])
            if any(lot.timed for lot in members)
            else (LOG_NORMAL.name, "sowing")
        )
        choices[group] = TimingChoice(best[0], best[1], aic)
    return choices, {
        lot.lot: tried[choices[lot.group].family, choices[lot.group].origin][lot.lot]
        for lot in lots
    }


def fit_again(
    lots: tuple[LotRecords, ...], patterns: Patterns, choices: dict[str, TimingChoice]
) -> dict[str, tuple[Law, Mode]]:
    """Lot -> its law, as chosen, at the usual rho, and the mode under it."""
    rho = float(expit(LOGIT_RHO))
    fitted = {}
    for lot in lots:
        choice = choices[lot.group]
        priors = time_priors(lots, patterns, choice.origin)[lot.group]
        law = Law(FAMILIES[choice.family], choice.origin, rho, priors)
        fitted[lot.lot] = (law, find_mode(lot.fit, law))
    return fitted


def learn_cell_scatter(
    lots: tuple[LotRecords, ...], fitted: dict[str, tuple[Law, Mode]]
) -> tuple[CellScatter, Array, Array]:
    """Posterior of rho from lots that show it, each by itself; the prior alone where none does.

    The criterion is the lots' integrated likelihood (tray and season effects integrated by Laplace)
    times the prior logit rho ~ N(logit .04, 1); its curvature at the mode gives the three values to
    average over.

    Returns
    -------
    summary : CellScatter
    nodes, weights : (3,) arrays
        Values of rho to average over, with their weights.
    """
    telling = [lot for lot in lots if shows_cell_scatter([lot])]

    def criterion(logit_rho: float) -> float:
        total = -0.5 * ((logit_rho - LOGIT_RHO) / _LOGIT_RHO_SD) ** 2
        for lot in telling:
            law, mode = fitted[lot.lot]
            total += find_mode(
                lot.fit, replace(law, rho=float(expit(logit_rho))), mode.x
            ).integrated
        return float(total)

    middle, sd = LOGIT_RHO, _LOGIT_RHO_SD
    if telling:
        middle = float(
            minimize_scalar(
                lambda at: -criterion(at),
                bounds=(-9.0, 2.0),
                method="bounded",
                options={"xatol": 0.01},
            ).x
        )
        step = 0.2
        bend = (
            criterion(middle + step) - 2 * criterion(middle) + criterion(middle - step)
        ) / step**2
        sd = float(
            1 / np.sqrt(max(-bend, 1 / 9.0))
        )  # a flat or rising criterion may not claim more than sd 3
    return (
        cell_scatter(middle, sd, lots, bool(telling)),
        np.asarray(expit(middle + sd * THREE_NODES)),
        THREE_WEIGHTS,
    )
