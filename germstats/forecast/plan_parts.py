"""Parts of a plan of orders: when an order is ready, what its seeds cost, and what to collect."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

SHARE_TO_TAKE = 0.2
"""Largest share of a stand's ripe seed to take; common practice, no source."""


@dataclass(frozen=True)
class Ready:
    """Dates of one order line.

    Attributes
    ----------
    first, last : pandas.Timestamp or None
        90 % range of the day the last plant needed has come up (and grown on), in springs in which
        so many come at all.
    by_due : float or None
        Chance that all have by the due date, given that so many come.
    notes : tuple of str
    """

    first: pd.Timestamp | None = None
    last: pd.Timestamp | None = None
    by_due: float | None = None
    notes: tuple[str, ...] = ()


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
        Number with the largest expected gain per cell; None where seed and thinning cost nothing,
        for then every further seed pays.
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


@dataclass(frozen=True)
class CollectingRow:
    """Seed of one species to collect so that the same orders could be grown again.

    Attributes
    ----------
    species : str
    seeds_needed : int or None
        For all its order lines at the recommended rate and assurance; None where no number of trays
        reaches it.
    seeds_left : int or None
        What the plan leaves in store; None where a lot's store is unknown and nothing else is
        there.
    seeds, grams : int or None, float or None
        To collect; grams None where seeds per gram are unknown.
    ripe_grams : float or None
        Ripe seed a stand should hold so that no more than `SHARE_TO_TAKE` of it is taken.
    notes : tuple of str
    """

    species: str
    seeds_needed: int | None
    seeds_left: int | None
    seeds: int | None
    grams: float | None
    ripe_grams: float | None
    notes: tuple[str, ...]
