"""How strongly seeds of one cell share their fate, and which records show it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from scipy.special import expit

from germstats.engine.lots import LotRecords

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
    learned_from : int
        Lots with trays in which two cells or more, sown with two seeds or more, were counted.
    learned : bool
        The records had a say: such lots, or species sown with different numbers of seeds; else it
        is the prior alone.
    """

    rho: float
    low: float
    high: float
    learned_from: int
    learned: bool = False


def cell_scatter(
    middle: float, sd: float, lots: tuple[LotRecords, ...], learned: bool
) -> CellScatter:
    """Summary of a normal law of logit rho.

    Parameters
    ----------
    middle, sd : float
        Of logit rho.
    lots : tuple of LotRecords
    learned : bool
        Whether the records had a say.

    Returns
    -------
    CellScatter
    """
    return CellScatter(
        rho=float(expit(middle)),
        low=float(expit(middle - 1.96 * sd)),
        high=float(expit(middle + 1.96 * sd)),
        learned_from=sum(lot.has_cell_counts for lot in lots),
        learned=learned,
    )


def cell_scatter_is_shown(lots: tuple[LotRecords, ...]) -> bool:
    """Whether some species' lots show whether seeds of one cell share their fate.

    Elsewhere rho would take up whatever misfit there is, of the law of timing above all.
    """
    groups = dict.fromkeys(lot.group for lot in lots)
    return any(_shows(lot for lot in lots if lot.group == group) for group in groups)


def _shows(lots: Iterable[LotRecords]) -> bool:
    """Whether lots of one species show it: by counted cells, or by unlike numbers of seeds."""
    lots = tuple(lots)
    if any(lot.has_cell_counts for lot in lots):
        return True
    seeds = [number for lot in lots for number in lot.seeds_sown]
    return bool(seeds) and max(seeds) >= _APART * min(seeds)
