"""What a further seed in a cell costs and gains: seed, thinning, cell, and the value of a plug."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from germstats.engine.timing import Array
from germstats.forecast.tray import NewTray, empty_share
from germstats.records.seeds import SowingRate


@dataclass(frozen=True)
class Prices:
    """In the grower's own money.

    Attributes
    ----------
    plug : float
        What a filled cell is worth: price and the cost of a missing plug.
    seed : float
        One seed.
    thinning : float
        Taking out one seedling too many.
    cell : float
        One cell: mix, tray, water, bench.
    """

    plug: float
    seed: float = 0.0
    thinning: float = 0.0
    cell: float = 0.0


@dataclass(frozen=True)
class CostView:
    """Seeds per cell by cost.

    Attributes
    ----------
    optimum : float or None
        Number with the largest expected gain per cell; None where seed and thinning cost nothing, for then every
        further seed pays.
    planned : float
        Seeds per cell recommended.
    gain, gain_at_plan : float
        Expected money per cell at the optimum and at the number planned.
    prices : Prices
    """

    optimum: float | None
    planned: float
    gain: float
    gain_at_plan: float
    prices: Prices


def gain_per_cell(tray: NewTray, rate: SowingRate, prices: Prices, losses: float) -> float:
    """Expected money a cell brings: value x fill x (1 - losses) - cell - seeds - thinning.

    Parameters
    ----------
    tray : NewTray
        Share per seed in a tray not yet sown.
    rate : SowingRate
    prices : Prices
    losses : float

    Returns
    -------
    float
    """
    fill: Array = 1 - empty_share(tray.p, tray.rho, rate)
    extra = rate.mean * tray.p - fill
    money = prices.plug * fill * (1 - losses) - prices.thinning * extra
    return float(tray.weight @ money) - prices.cell - prices.seed * rate.mean


def best_by_cost(
    tray: NewTray, rates: dict[float, SowingRate], planned: float, prices: Prices, losses: float
) -> CostView:
    """Compare seeds per cell by expected money; `rates` holds each number considered, `planned` among them."""
    gains = {n: gain_per_cell(tray, rate, prices, losses) for n, rate in rates.items()}
    numbers = list(gains)
    best = numbers[int(np.argmax([gains[n] for n in numbers]))]
    free = prices.seed == 0 and prices.thinning == 0
    return CostView(None if free else best, planned, gains[best], gains[planned], prices)
