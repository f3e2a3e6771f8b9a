"""Records a grower keeps, turned into emergence, timing and seeds per cell with honest ranges.

A verb answers one question: ``verb(book_or_fit, spec=None, *, progress=None)``. Each takes a record
book, or a fit so that several questions share one; its spec says what is wanted, and its result has
``to_frame()``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from germstats.engine.fit import EmergenceFit, FitSpec, fit_emergence
    from germstats.engine.priors import Scatter
    from germstats.errors import (
        GermstatsError,
        GermstatsWarning,
        NotEnoughRecordsError,
        NotEnoughSeedError,
        UnreadableBookError,
        WrongUseError,
    )
    from germstats.forecast.order_plan import OrderPlan, OrderSpec
    from germstats.forecast.seeds_per_cell import SowingAdvice, SowingSpec, seeds_per_cell
    from germstats.questions.backtest import BackTest, BackTestSpec, back_test
    from germstats.questions.compare import CompareSpec, Comparison, compare
    from germstats.questions.plan import plan_orders
    from germstats.questions.review import Review, ReviewSpec, review
    from germstats.questions.trial import TrialDesign, TrialSpec, design_trial
    from germstats.questions.watch import Watch, WatchSpec, watch
    from germstats.records.book import RecordBook, read_book
    from germstats.records.intervals.patterns import Patterns

    __version__: str

VERBS = (
    "fit_emergence",
    "seeds_per_cell",
    "plan_orders",
    "compare",
    "design_trial",
    "watch",
    "review",
    "back_test",
)

_HOMES = {
    "RecordBook": "germstats.records.book",
    "read_book": "germstats.records.book",
    "Patterns": "germstats.records.intervals.patterns",
    "EmergenceFit": "germstats.questions.fit",
    "FitSpec": "germstats.questions.fit",
    "Scatter": "germstats.engine.priors",
    "fit_emergence": "germstats.questions.fit",
    "SowingAdvice": "germstats.questions.sow",
    "SowingSpec": "germstats.questions.sow",
    "seeds_per_cell": "germstats.questions.sow",
    "OrderPlan": "germstats.questions.plan",
    "OrderSpec": "germstats.questions.plan",
    "plan_orders": "germstats.questions.plan",
    "Comparison": "germstats.questions.compare",
    "CompareSpec": "germstats.questions.compare",
    "compare": "germstats.questions.compare",
    "TrialDesign": "germstats.questions.trial",
    "TrialSpec": "germstats.questions.trial",
    "design_trial": "germstats.questions.trial",
    "Watch": "germstats.questions.watch",
    "WatchSpec": "germstats.questions.watch",
    "watch": "germstats.questions.watch",
    "Review": "germstats.questions.review",
    "ReviewSpec": "germstats.questions.review",
    "review": "germstats.questions.review",
    "BackTest": "germstats.questions.backtest",
    "BackTestSpec": "germstats.questions.backtest",
    "back_test": "germstats.questions.backtest",
    "GermstatsError": "germstats.errors",
    "GermstatsWarning": "germstats.errors",
    "NotEnoughRecordsError": "germstats.errors",
    "NotEnoughSeedError": "germstats.errors",
    "UnreadableBookError": "germstats.errors",
    "WrongUseError": "germstats.errors",
}

__all__ = [
    "BackTest",
    "BackTestSpec",
    "CompareSpec",
    "Comparison",
    "EmergenceFit",
    "FitSpec",
    "GermstatsError",
    "GermstatsWarning",
    "NotEnoughRecordsError",
    "NotEnoughSeedError",
    "OrderPlan",
    "OrderSpec",
    "Patterns",
    "RecordBook",
    "Review",
    "ReviewSpec",
    "Scatter",
    "SowingAdvice",
    "SowingSpec",
    "TrialDesign",
    "TrialSpec",
    "UnreadableBookError",
    "Watch",
    "WatchSpec",
    "WrongUseError",
    "__version__",
    "back_test",
    "compare",
    "design_trial",
    "fit_emergence",
    "plan_orders",
    "read_book",
    "review",
    "seeds_per_cell",
    "watch",
]


def __getattr__(name: str) -> Any:
    """Hand on the public names without importing their libraries before they are asked for."""
    if name == "__version__":
        from importlib.metadata import version

        return version("germstats")
    if name not in _HOMES:
        raise AttributeError(f"module 'germstats' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
