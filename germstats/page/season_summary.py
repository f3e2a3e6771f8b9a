"""Everything a season's page tells, worked out once: `account_of`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, TypeVar

import pandas as pd

from germstats.engine.fit import EmergenceFit, FitSpec, Progress, fit_patterns
from germstats.engine.threads import one_thread
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.order_plan import OrderPlan, OrderSpec
from germstats.forecast.seeds_per_cell import SowingAdvice, SowingSpec, seeds_per_cell
from germstats.page.workers import Begin
from germstats.questions.backtest.backtest import back_test
from germstats.questions.backtest.result import BackTest, BackTestSpec
from germstats.questions.compare.compare import compare
from germstats.questions.compare.comparison import CompareSpec, Comparison
from germstats.questions.plan.plan import plan_orders
from germstats.questions.review.review import Review, ReviewSpec, review
from germstats.questions.watch.spec import Watch, WatchSpec
from germstats.questions.watch.watch import under_way, watch
from germstats.records.book import RecordBook
from germstats.records.intervals.patterns import find_patterns
from germstats.records.intervals.subsets import as_of, newest_day

Part = TypeVar("Part")


@dataclass(frozen=True)
class SummarySpec:
    """What is wanted.

    Attributes
    ----------
    sowing : SowingSpec
    orders : OrderSpec
    covers : CompareSpec
    on : pandas.Timestamp or None
        The page as it stood on this day, with nothing that was written down later; None: with all
        records, and the spring watched from the day of the newest check or sowing.
    prices : bool
        Whether what prices show through is told.
    past : bool
        Whether past seasons are forecast, too, which takes as many fits as there are seasons.
    fit : FitSpec
        Settings of every fit.
    """

    sowing: SowingSpec = field(default_factory=SowingSpec)
    orders: OrderSpec = field(default_factory=OrderSpec)
    covers: CompareSpec = field(default_factory=CompareSpec)
    on: pd.Timestamp | None = None
    prices: bool = False
    past: bool = True
    fit: FitSpec = field(default_factory=FitSpec)


@dataclass(frozen=True)
class SeasonSummary:
    """What is known of a nursery at one time.

    Attributes
    ----------
    book : RecordBook
    spec : SummarySpec
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
    spec: SummarySpec
    fit: EmergenceFit
    sowing: SowingAdvice
    plan: OrderPlan | None
    covers: Comparison | None
    watch: Watch | None
    review: Review | None
    past: BackTest | None
    missing: dict[str, str]

    @property
    def served(self) -> frozenset[tuple[str, str]]:
        """Orders of the plan (order, species) that the trays of the spring watched serve: a later
        sowing cannot.
        """
        if self.watch is None or self.plan is None:
            return frozenset()
        return self.watch.served & {(row.order, row.species) for row in self.plan.rows}


@dataclass(frozen=True)
class PendingSummary:
    """A season's page begun: what the rest does not need to be waited for, and the rest.

    Attributes
    ----------
    book, spec, fit, sowing, plan, missing :
        As in `SeasonSummary`.
    pending : dict of str to callable
        Name of a part that is still being worked out -> what gives it, or refuses.
    """

    book: RecordBook
    spec: SummarySpec
    fit: EmergenceFit
    sowing: SowingAdvice
    plan: OrderPlan | None
    missing: dict[str, str]
    pending: Mapping[str, Callable[[], Any]]

    def finished(self, progress: Progress | None = None) -> SeasonSummary:
        """Every part, as soon as the last is there."""
        missing = dict(self.missing)
        parts = {name: _told(name, work, missing, progress) for name, work in self.pending.items()}
        return SeasonSummary(
            book=self.book,
            spec=self.spec,
            fit=self.fit,
            sowing=self.sowing,
            plan=self.plan,
            missing=missing,
            **{"past": None, **parts},
        )


def account_of(
    book: RecordBook,
    spec: SummarySpec | None = None,
    *,
    progress: Progress | None = None,
) -> SeasonSummary:
    """Work out every part of a season's page.

    Parameters
    ----------
    book : RecordBook
    spec : SummarySpec, optional
    progress : callable, optional

    Returns
    -------
    SeasonSummary
        A part for which there are too few records is None, and `SeasonSummary.missing` says why.

    Raises
    ------
    NotEnoughRecordsError
        No tray can be used at all.
    WrongUseError
        No tray is under way on the day asked for.
    """
    return begin_account(book, spec, progress=progress).finished(progress)


def begin_account(
    book: RecordBook,
    spec: SummarySpec | None = None,
    *,
    progress: Progress | None = None,
    begin: Begin = partial,
) -> PendingSummary:
    """Begin every part of a season's page, and work out the fit, what to sow and the plan.

    Parameters are those of `account_of`, with `begin`, which begins a piece of work whose result is
    asked for later, as in `germstats.page.workers.shared`.
    """
    spec, missing = spec or SummarySpec(), dict[str, str]()
    if spec.on is not None:
        under_way(book, WatchSpec(spec.on), spec.fit)  # refuses a wrong day before the work begins
        book = as_of(book, spec.on)
    patterns = find_patterns(book, spec.fit.spring_ends)
    pending = {"watch": begin(_watched, book, spec.on, spec.fit)}  # the longest first
    if spec.past:
        pending["past"] = begin(back_test, patterns, BackTestSpec(spec.sowing.target, fit=spec.fit))
    else:
        missing["past"] = "Past seasons were not asked for."
    pending["review"] = begin(review, book, ReviewSpec(fit=spec.fit))
    fit = replace(fit_patterns(patterns, spec.fit, progress=progress), book=book)
    pending = {"covers": begin(compare, fit, spec.covers), **pending}
    with one_thread():  # the other cores have work of their own
        sowing = seeds_per_cell(fit, spec.sowing)
        plan = _told("plan", lambda: plan_orders(fit, spec.orders), missing, progress)
    return PendingSummary(
        book=book, spec=spec, fit=fit, sowing=sowing, plan=plan, missing=missing, pending=pending
    )


def _told(
    name: str, work: Callable[[], Part], missing: dict[str, str], progress: Progress | None
) -> Part | None:
    """A part, or why there is none among what is missing."""
    if progress is not None:
        progress(_WORDS[name])
    try:
        return work()
    except NotEnoughRecordsError as refused:
        missing[name] = str(refused)
        return None


_WORDS = {
    "plan": "planning the orders",
    "covers": "comparing covers",
    "watch": "watching the spring",
    "review": "reviewing the lots",
    "past": "foretelling past seasons",
}


def _watched(book: RecordBook, on: pd.Timestamp | None, fit_spec: FitSpec) -> Watch:
    """The spring on the day asked for; on the newest day of the book it may be over, which is no
    mistake.
    """
    day = on if on is not None else newest_day(book)
    try:
        return watch(book, WatchSpec(day, fit=fit_spec))
    except WrongUseError as refused:
        if on is not None:
            raise
        raise NotEnoughRecordsError(str(refused)) from refused
