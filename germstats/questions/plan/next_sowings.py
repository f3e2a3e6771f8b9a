"""What to sow next: the trays of the orders, or plain advice where nothing is ordered."""

from __future__ import annotations

from dataclasses import replace

from germstats.engine.fit import EmergenceFit
from germstats.errors import NotEnoughRecordsError
from germstats.forecast.demand import order_lines
from germstats.forecast.order_plan import OrderPlan, OrderSpec
from germstats.forecast.planned_sowing import PlannedSowing
from germstats.forecast.reconcile import (
    NextSowings,
    Reconciliation,
    before_sowing,
    spring_being_sown,
    still_to_sow,
)
from germstats.forecast.seeds_per_cell import SowingSpec, seeds_per_cell
from germstats.forecast.sources import SeedRules, next_season
from germstats.forecast.trays_to_sow import advised_sowings, planned_trays
from germstats.questions.plan.plan import planned_orders
from germstats.records.book import RecordBook
from germstats.records.suggesting import must_know, some_of
from germstats.records.tables import Lots


def why_no_orders(book: RecordBook) -> str:
    """Why no order can be planned; blank where one can.

    Raises
    ------
    WrongUseError
        The orders table has a price below 0.
    """
    try:
        order_lines(book)
    except NotEnoughRecordsError as error:
        return str(error)
    return ""


def next_sowings(fit: EmergenceFit, book: RecordBook, spec: OrderSpec) -> NextSowings:
    """The trays that `plan_orders` sets aside, or the advice of `seeds_per_cell` where nothing is
    ordered.

    Parameters
    ----------
    fit : EmergenceFit
    book : RecordBook
        The same book.
    spec : OrderSpec

    Returns
    -------
    NextSowings

    Raises
    ------
    NotEnoughRecordsError
        The plan sows nothing, all its trays are sown, or no lot has seed left to advise on.
    WrongUseError
        A lot named is not in the book.
    """
    why = why_no_orders(book)
    if why:
        return _advised(fit, book, spec, why)
    plan, left, already = plan_and_sown(fit, book, spec)
    if not left and not already.sown:
        reasons = some_of(
            [f"{row.order} {row.species}: {row.notes[0]}" for row in plan.rows if row.notes],
            3,
            "; ",
        )
        raise NotEnoughRecordsError(
            f"The plan sows no tray ({reasons}). Next: see what `germstats plan` says."
        )
    if not left:
        raise NotEnoughRecordsError(
            f"Every tray of the plan for spring {plan.season}, {already.sown} in all, is in the "
            "book as sown: nothing is left to sow. Next: print check sheets (--kind checks), or "
            f"ask for --season {plan.season + 1}."
        )
    return NextSowings(
        season=plan.season, trays=left, plan=plan, no_orders="", spec=spec, already=already
    )


def plan_and_sown(
    fit: EmergenceFit, book: RecordBook, spec: OrderSpec
) -> tuple[OrderPlan, tuple[PlannedSowing, ...], Reconciliation]:
    """The whole plan of the orders, its trays still to be sown, and what the book holds of it as
    sown.

    Where no spring is asked for and the book holds a plan half sown, it is for that spring, not for
    the next.

    Raises
    ------
    NotEnoughRecordsError
        As `plan_orders`.
    WrongUseError
        As `plan_orders`.
    """
    if spec.season is None:
        spec = replace(spec, season=spring_being_sown(book))
    before = before_sowing(book, spec.season)
    plan = planned_orders(fit, before, spec)
    trays = planned_trays(plan, fit, before)
    left, already = still_to_sow(trays, book) if trays else ((), Reconciliation())
    return plan, left, already


def _advised(fit: EmergenceFit, book: RecordBook, spec: OrderSpec, why: str) -> NextSowings:
    known = {str(lot) for lot in book.lots[Lots.lot]} | {row.lot for row in fit.rows}
    for lot in spec.lots:
        must_know(lot, known, f"No lot is called {lot}")
    wanted = SowingSpec(spec.target, spec.assurance, cells=spec.cells, most_seeds=spec.most_seeds)
    advice = seeds_per_cell(fit, wanted)
    season = next_season(book, SeedRules(season=spec.season))
    trays = advised_sowings(advice, book, season, spec.lots)
    if not trays:
        raise NotEnoughRecordsError(
            "No lot that was sown has seed left; write new lots into the table lots."
        )
    return NextSowings(season=season, trays=trays, plan=None, no_orders=why, spec=spec)
