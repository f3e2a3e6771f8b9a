"""Which law of timing each species follows, and how strongly seeds of one cell share their fate."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from germstats.engine.likelihood import Origin
from germstats.engine.lots import LotRecords

TimingLaw = tuple[str, Origin]
"""Family and origin."""
ORIGINS: tuple[Origin, ...] = ("1 February", "sowing")
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
