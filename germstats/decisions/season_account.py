"""Everything a season's page tells, worked out once: `account_of`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

import pandas as pd

from germstats.decisions.backtest import BackTest, back_test
from germstats.decisions.comparison import CompareSpec, Comparison
from germstats.decisions.covers import compare
from germstats.decisions.order_plan import OrderPlan, OrderSpec
from germstats.decisions.orders import plan_orders
from germstats.decisions.poor_lots import Review, review
from germstats.decisions.sowing import SowingAdvice, SowingSpec, seeds_per_cell
from germstats.decisions.waiting import watch
from germstats.decisions.waiting_spec import Watch, WatchSpec
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.models.emergence import EmergenceFit, FitSpec, fit_emergence
from germstats.records.book import RecordBook
from germstats.records.subsets import last_look

Part = TypeVar("Part")


@dataclass(frozen=True)
class AccountSpec:
    """What is wanted.

    Attributes
    ----------
    sowing : SowingSpec
    orders : OrderSpec
    covers : CompareSpec
    on : pandas.Timestamp or None
        Day from which the spring is watched; None: the day of the last check.
    past : bool
        Whether past seasons are foretold, too, which takes as many fits as there are seasons.
    """

    sowing: SowingSpec = field(default_factory=SowingSpec)
    orders: OrderSpec = field(default_factory=OrderSpec)
    covers: CompareSpec = field(default_factory=CompareSpec)
    on: pd.Timestamp | None = None
    past: bool = True


@dataclass(frozen=True)
class SeasonAccount:
    """What is known of a nursery at one time.

    Attributes
    ----------
    book : RecordBook
    spec : AccountSpec
    fit : EmergenceFit
    sowing : SowingAdvice
    plan : OrderPlan or None
    covers : Comparison or None
    watch : Watch or None
    review : Review or None
    past : BackTest or None
    missing : dict of str to str
        Name of a part that is None -> why it cannot be told.
    """

    book: RecordBook
    spec: AccountSpec
    fit: EmergenceFit
    sowing: SowingAdvice
    plan: OrderPlan | None
    covers: Comparison | None
    watch: Watch | None
    review: Review | None
    past: BackTest | None
    missing: dict[str, str]


def account_of(
    book: RecordBook,
    spec: AccountSpec | None = None,
    fit_spec: FitSpec | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> SeasonAccount:
    """Work out every part of a season's page.

    Parameters
    ----------
    book : RecordBook
    spec : AccountSpec, optional
    fit_spec : FitSpec, optional
    progress : callable, optional

    Returns
    -------
    SeasonAccount
        A part for which there are too few records is None, and `SeasonAccount.missing` says why.

    Raises
    ------
    NotEnoughRecordsError
        No tray can be used at all.
    WrongUseError
        No tray is under way on the day asked for.
    """
    spec, fit_spec = spec or AccountSpec(), fit_spec or FitSpec()
    fit = fit_emergence(book, fit_spec, progress)
    wanted = spec.sowing
    missing: dict[str, str] = {}

    def told(name: str, work: Callable[[], Part]) -> Part | None:
        try:
            return work()
        except NotEnoughRecordsError as refused:
            missing[name] = str(refused)
            return None

    progress("seeds per cell")
    sowing = seeds_per_cell(fit, **vars(wanted))
    plan = told("plan", lambda: plan_orders(fit, book, spec.orders))
    covers = told("covers", lambda: compare(book, spec.covers, fit_spec, progress, fit))
    watched = told("watch", lambda: _watched(book, spec.on, fit_spec, progress))
    reviewed = told("review", lambda: review(book, fit_spec=fit_spec, progress=progress))
    past = told("past", lambda: back_test(book, fit_spec, wanted.target, progress=progress)) if spec.past else None
    if not spec.past:
        missing["past"] = "Past seasons were not asked for."
    return SeasonAccount(book, spec, fit, sowing, plan, covers, watched, reviewed, past, missing)


def _watched(book: RecordBook, on: pd.Timestamp | None, fit_spec: FitSpec, progress: Callable[[str], None]) -> Watch:
    """The spring on the day asked for; on the day of the last check it may be over, which is no mistake."""
    day = on if on is not None else last_look(book)
    if day is None:
        raise NotEnoughRecordsError("No day of a check is known.")
    try:
        return watch(book, WatchSpec(day), fit_spec, progress)
    except WrongUseError as refused:
        if on is not None:
            raise
        raise NotEnoughRecordsError(str(refused)) from refused
