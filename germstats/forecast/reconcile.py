"""What a book already holds of a plan: trays that are sown, and rows written ahead whose day is
still blank.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from germstats.forecast.order_plan import OrderPlan, OrderSpec
from germstats.forecast.planned_sowing import PlannedSowing
from germstats.forecast.trays_to_sow import order_noted
from germstats.records.book import RecordBook
from germstats.records.checking.findings import rows_of
from germstats.records.tables import Lots, Orders, Trays
from germstats.records.tray_names import new_names, well_formed


@dataclass(frozen=True)
class Reconciliation:
    """What the book holds of a plan.

    Attributes
    ----------
    sown : int
        Trays of the plan that have their day of sowing.
    written : frozenset of str
        Names of trays still to be sown whose rows stand in the book, ``sown_on`` blank.
    others : int
        Other trays sown for the same spring: they stand for none of the plan by their note or name.
    """

    sown: int = 0
    written: frozenset[str] = frozenset()
    others: int = 0


@dataclass(frozen=True)
class NextSowings:
    """What to sow.

    Attributes
    ----------
    season : int
    trays : tuple of PlannedSowing
        Named trays of a plan still to be sown; without one, a nameless line per lot and treatment.
    plan : OrderPlan or None
    no_orders : str
        Why there is no plan; blank where there is one.
    spec : OrderSpec
    already : Reconciliation
        What the book holds of the plan.
    """

    season: int
    trays: tuple[PlannedSowing, ...]
    plan: OrderPlan | None
    no_orders: str
    spec: OrderSpec
    already: Reconciliation = field(default_factory=Reconciliation)


def spring_being_sown(book: RecordBook) -> int | None:
    """The book's latest spring, where trays of a plan are among its own and none of them was looked
    at yet; else None.

    Trays of a plan are known by their names, or by the order their note tells.
    """
    trays = book.trays
    if trays[Trays.season].isna().all():
        return None
    latest = trays[(trays[Trays.season] == trays[Trays.season].max()).fillna(False)]
    orders = tuple(book.orders[Orders.order].unique())
    planned = [
        well_formed(row["tray"]) or bool(order_noted(row["note"], orders))
        for row in rows_of(latest)
    ]
    looked = any(
        book.tables[name]["tray"].isin(latest[Trays.tray]).any()
        for name in ("checks", "cells", "maps")
    )
    return int(latest[Trays.season].iloc[0]) if any(planned) and not looked else None


def before_sowing(book: RecordBook, season: int | None) -> RecordBook:
    """The book without the trays of a spring, from which its plan comes out the same however much
    of it is sown.
    """
    trays = book.trays
    if season is None:
        return book
    other = ~(trays[Trays.season] >= season).fillna(False).astype(bool)
    # no other tray tells when and how it was sown
    if trays[other].dropna(subset=[Trays.season, Trays.sown_on]).empty:
        return book
    return replace(book, tables={**book.tables, "trays": trays[other].reset_index(drop=True)})


def still_to_sow(
    trays: Sequence[PlannedSowing], book: RecordBook
) -> tuple[tuple[PlannedSowing, ...], Reconciliation]:
    """Take from a plan what the book says is sown: a tray of the order its note tells, else the one
    of its name.

    Parameters
    ----------
    trays : sequence of PlannedSowing
        The whole plan, of one spring.
    book : RecordBook

    Returns
    -------
    tuple of PlannedSowing
        Those left, in their order; none bears the name of another tray of the book.
    Reconciliation
    """
    table, season = book.trays, trays[0].season
    assert season is not None, "a named tray has its season"
    # blank days come last
    rows = table[(table[Trays.season] == season).fillna(False)].sort_values(Trays.sown_on)
    orders = {*book.orders[Orders.order], *(one.order for one in trays)}
    of_lot = dict(zip(book.lots[Lots.lot], book.lots[Lots.species], strict=True))
    waiting, sown, others = dict(enumerate(trays)), 0, 0
    written: dict[int, str] = {}
    for row in rows_of(rows):
        order = order_noted(row["note"], orders)
        alike = [
            k
            for k, one in waiting.items()
            if _stands_for(one, row, order, of_lot.get(row["lot"], ""))
        ]
        own = max(
            alike,
            key=lambda k: (trays[k].tray == row["tray"], trays[k].lot == row["lot"]),
            default=None,
        )
        if pd.isna(row[Trays.sown_on]):
            if own is not None and trays[own].lot == row["lot"]:
                written[own] = row["tray"]
                del waiting[own]
        elif own is None:
            others += 1
        else:
            sown += 1
            del waiting[own]
    taken = set(table[Trays.tray])
    fresh = new_names(season, [*taken, *(one.tray for one in trays)])
    names = written | {
        k: next(fresh) if one.tray in taken else one.tray for k, one in waiting.items()
    }
    left = tuple(replace(trays[k], tray=names[k]) for k in sorted(names))
    return left, Reconciliation(sown, frozenset(written.values()), others)


def _stands_for(one: PlannedSowing, row: dict[str, Any], order: str, species: str) -> bool:
    """Whether a row of the table trays may be this tray of a plan."""
    if order:
        return (one.order, one.species) == (order, species)
    return (one.tray, one.lot) == (row["tray"], row["lot"])
