"""Fill of a new tray against seeds per cell: `fill_by_seeds`."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from germstats.engine.estimates import RowEstimate
from germstats.forecast.seeds_per_cell import cells_wanted, fill_of, rates_of
from germstats.forecast.tray import chance_of_filling, new_tray

MOST_SHOWN = 8
"""Seeds per cell up to which a curve is drawn."""


@dataclass(frozen=True)
class FillAt:
    """A new tray at one number of seeds per cell.

    Attributes
    ----------
    seeds_per_cell : float
        Mean pinch where the lot is sown by the pinch.
    fill, low, high : float
        Share of cells: mean and 90 % range.
    chance : float
        Of filling the target.
    """

    seeds_per_cell: float
    fill: float
    low: float
    high: float
    chance: float


def fill_by_seeds(
    row: RowEstimate,
    target: float,
    cells: int | None = None,
    numbers: Iterable[float] = range(1, MOST_SHOWN + 1),
) -> tuple[FillAt, ...]:
    """Fill and chance of a new tray of a lot and treatment at several numbers of seeds per cell.

    Parameters
    ----------
    row : RowEstimate
    target : float
        Share of cells to be filled.
    cells : int, optional
        By default those of the lot's latest tray.
    numbers : iterable of float

    Returns
    -------
    tuple of FillAt
    """
    size = cells or row.tray_cells
    tray = new_tray(row.draws)
    found = []
    for number in numbers:
        rates = rates_of(number, row.rate)
        fill, low, high = fill_of(tray, rates, size)
        found.append(
            FillAt(
                seeds_per_cell=number,
                fill=fill,
                low=low,
                high=high,
                chance=chance_of_filling(tray, rates, size, cells_wanted(target, size)),
            )
        )
    return tuple(found)
