"""What to sow next: the trays of the orders, or plain advice where nothing is ordered."""

from __future__ import annotations

from dataclasses import dataclass

from germstats.decisions.demand import order_lines
from germstats.decisions.order_plan import OrderPlan, OrderSpec
from germstats.decisions.orders import plan_orders
from germstats.decisions.sources import SeedRules, next_season
from germstats.decisions.sowing import SowingSpec, seeds_per_cell
from germstats.decisions.trays_to_sow import TrayToSow, advised_sowings, planned_trays
from germstats.errors import NotEnoughRecordsError
from germstats.models.emergence import EmergenceFit
from germstats.records.book import RecordBook
from germstats.records.suggesting import must_know


@dataclass(frozen=True)
class NextSowings:
    """What to sow.

    Attributes
    ----------
    season : int
    trays : tuple of TrayToSow
        Named trays of a plan; without one, a nameless line per lot and treatment.
    plan : OrderPlan or None
    no_orders : str
        Why there is no plan; blank where there is one.
    spec : OrderSpec
    """

    season: int
    trays: tuple[TrayToSow, ...]
    plan: OrderPlan | None
    no_orders: str
    spec: OrderSpec


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
    """The trays that `plan_orders` sets aside, or the advice of `seeds_per_cell` where nothing is ordered.

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
        The plan sows nothing, or no lot has seed left to advise on.
    WrongUseError
        A lot named is not in the book.
    """
    why = why_no_orders(book)
    if why:
        return _advised(fit, book, spec, why)
    plan = plan_orders(fit, book, spec)
    trays = planned_trays(plan, fit, book)
    if not trays:
        reasons = "; ".join(f"{row.order} {row.species}: {row.notes[0]}" for row in plan.rows if row.notes)
        raise NotEnoughRecordsError(f"The plan sows no tray ({reasons}). Next: see what `germstats plan` says.")
    return NextSowings(plan.season, trays, plan, "", spec)


def _advised(fit: EmergenceFit, book: RecordBook, spec: OrderSpec, why: str) -> NextSowings:
    known = {str(lot) for lot in book.tables["lots"]["lot"]} | {row.lot for row in fit.rows}
    for lot in spec.lots:
        must_know(lot, known, f"No lot is called {lot}")
    most = SowingSpec.most_seeds if spec.most_seeds is None else spec.most_seeds
    advice = seeds_per_cell(fit, spec.target, spec.assurance, spec.cells, most)
    season = next_season(book, SeedRules(season=spec.season))
    trays = advised_sowings(advice, book, season, spec.lots)
    if not trays:
        raise NotEnoughRecordsError("No lot that was sown has seed left; write new lots into the table lots.")
    return NextSowings(season, trays, None, why, spec)
