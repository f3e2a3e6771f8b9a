"""Everything a season's page tells, worked out once: `account_of`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

import pandas as pd

from germstats.decisions.backtest import BackTest, back_test
from germstats.decisions.comparison import CompareSpec, Comparison
from germstats.decisions.covers import compare
from germstats.decisions.order_plan import OrderPlan, OrderSpec
from germstats.decisions.orders import plan_orders
from germstats.decisions.poor_lots import Review, review
from germstats.decisions.sowing import SowingAdvice, SowingSpec, seeds_per_cell
from germstats.decisions.waiting import under_way, watch
from germstats.decisions.waiting_spec import Watch, WatchSpec
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.models.emergence import EmergenceFit, FitSpec, fit_emergence
from germstats.models.sharing import Begin
from germstats.records.book import RecordBook
from germstats.records.subsets import as_of, newest_day

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
        The page as it stood on this day, with nothing that was written down later; None: with all records, and the
        spring watched from the day of the newest check or sowing.
    prices : bool
        Whether what prices show through is told.
    past : bool
        Whether past seasons are foretold, too, which takes as many fits as there are seasons.
    """

    sowing: SowingSpec = field(default_factory=SowingSpec)
    orders: OrderSpec = field(default_factory=OrderSpec)
    covers: CompareSpec = field(default_factory=CompareSpec)
    on: pd.Timestamp | None = None
    prices: bool = False
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
    begin: Begin = partial,
) -> SeasonAccount:
    """Work out every part of a season's page.

    Parameters
    ----------
    book : RecordBook
    spec : AccountSpec, optional
    fit_spec : FitSpec, optional
    progress : callable, optional
    begin : callable
        Begins a piece of work whose result is asked for later, as in `germstats.models.sharing.shared`.

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
    spec, fit_spec, missing = spec or AccountSpec(), fit_spec or FitSpec(), dict[str, str]()
    if spec.on is not None:
        under_way(book, WatchSpec(spec.on), fit_spec)  # refuses a wrong day before the work begins
        book = as_of(book, spec.on)

    def told(name: str, work: Callable[[], Part]) -> Part | None:
        progress(_WORDS[name])
        try:
            return work()
        except NotEnoughRecordsError as refused:
            missing[name] = str(refused)
            return None

    reviewed = begin(review, book, fit_spec=fit_spec)
    past = begin(back_test, book, fit_spec, spec.sowing.target) if spec.past else None
    watched = begin(_watched, book, spec.on, fit_spec)
    fit = fit_emergence(book, fit_spec, progress)
    covers = begin(compare, book, spec.covers, fit_spec, fit=fit)
    sowing = seeds_per_cell(fit, **vars(spec.sowing))
    if past is None:
        missing["past"] = "Past seasons were not asked for."
    return SeasonAccount(
        book, spec, fit, sowing,
        plan=told("plan", lambda: plan_orders(fit, book, spec.orders)),
        covers=told("covers", covers),
        watch=told("watch", watched),
        review=told("review", reviewed),
        past=told("past", past) if past is not None else None,
        missing=missing,
    )  # fmt: skip


_WORDS = {"plan": "planning the orders", "covers": "comparing covers", "watch": "watching the spring",
          "review": "reviewing the lots", "past": "foretelling past seasons"}  # fmt: skip


def _watched(book: RecordBook, on: pd.Timestamp | None, fit_spec: FitSpec) -> Watch:
    """The spring on the day asked for; on the newest day of the book it may be over, which is no mistake."""
    day = on if on is not None else newest_day(book)
    try:
        return watch(book, WatchSpec(day), fit_spec)
    except WrongUseError as refused:
        if on is not None:
            raise
        raise NotEnoughRecordsError(str(refused)) from refused
