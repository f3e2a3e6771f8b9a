"""Records a grower keeps, turned into emergence, timing and seeds per cell with honest ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from germstats.questions.backtest import back_test
    from germstats.questions.compare import compare
    from germstats.questions.fit import fit_emergence
    from germstats.questions.plan import plan_orders
    from germstats.questions.review import review
    from germstats.questions.sow import seeds_per_cell
    from germstats.questions.trial import design_trial
    from germstats.questions.watch import watch
    from germstats.records.book import read_book

__all__ = [
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

_HOMES = {
    "read_book": "germstats.records.book",
    "fit_emergence": "germstats.questions.fit",
    "seeds_per_cell": "germstats.questions.sow",
    "plan_orders": "germstats.questions.plan",
    "back_test": "germstats.questions.backtest",
    "compare": "germstats.questions.compare",
    "review": "germstats.questions.review",
    "watch": "germstats.questions.watch",
    "design_trial": "germstats.questions.trial",
}


def __getattr__(name: str) -> Any:
    """Hand on the public functions without importing their libraries before they are asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'germstats' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
