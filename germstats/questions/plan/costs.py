"""What a further seed in a cell costs and gains: seed, thinning, cell, and the value of a plug."""

from __future__ import annotations

import numpy as np

from germstats.engine.timing import Array
from germstats.forecast.plan_parts import CostView, Prices
from germstats.forecast.tray import NewTray, empty_share
from germstats.records.seeds import SowingRate


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
    """Compare seeds per cell by expected money; `rates` holds each number considered, `planned`
    among them.
    """
    gains = {n: gain_per_cell(tray, rate, prices, losses) for n, rate in rates.items()}
    numbers = list(gains)
    best = numbers[int(np.argmax([gains[n] for n in numbers]))]
    free = prices.seed == 0 and prices.thinning == 0
    return CostView(
        optimum=None if free else best,
        planned=planned,
        gain=gains[best],
        gain_at_plan=gains[planned],
        prices=prices,
    )
