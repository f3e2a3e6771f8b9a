"""Trays to add where the practical number of seeds per cell does not fill enough of each."""

from __future__ import annotations

from functools import cache

from germstats.engine.draws import RowDraws
from germstats.forecast.later_losses import fixed_losses
from germstats.forecast.order import (
    Parts,
    SpringLaw,
    chance_of_plugs,
    plugs_of_trays,
    tray_in_a_spring,
)
from germstats.forecast.springs import COARSE_ROWS, Luck, shared_luck

BATCH = 8
"""Trays to which the extra ones are counted."""
MOST_EXTRA = 8
"""Extra trays for each batch beyond which more trays are no remedy; common practice, no source."""


def extra_trays(draws: RowDraws, parts: Parts, wanted: int, assurance: float) -> int | None:
    """Trays to add to every `BATCH`, so that together they fill as many cells as that many trays
    on target would.

    The trays share one spring and one place; nothing is lost after it came up.

    Parameters
    ----------
    draws : RowDraws
    parts : Parts
        What one tray holds.
    wanted : int
        Cells of a tray that are to fill.
    assurance : float
        Chance wanted.

    Returns
    -------
    int or None
        None where even `MOST_EXTRA` do not give the chance wanted.
    """
    law = tray_in_a_spring(draws, parts, _luck_without_losses())

    def enough(extra: int) -> bool:
        return _chance(law, BATCH + extra, BATCH * wanted) >= assurance

    if not enough(MOST_EXTRA):
        return None
    fewest, most = 0, MOST_EXTRA  # the chance rises with every tray
    while fewest < most:
        middle = (fewest + most) // 2
        if enough(middle):
            most = middle
        else:
            fewest = middle + 1
    return most


def _chance(law: SpringLaw, trays: int, wanted: int) -> float:
    """That so many trays fill so many cells."""
    return chance_of_plugs(plugs_of_trays([(law, trays)]), wanted)


@cache
def _luck_without_losses() -> Luck:
    """Springs and places that trays share; no plant is lost."""
    return shared_luck({"": fixed_losses(0.0)})[""].first(COARSE_ROWS)
