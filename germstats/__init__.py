"""Records a grower keeps, turned into emergence, timing and seeds per cell with honest ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from germstats.decisions.backtest import back_test
    from germstats.decisions.covers import compare
    from germstats.decisions.orders import plan_orders
    from germstats.decisions.poor_lots import review
    from germstats.decisions.sowing import seeds_per_cell
    from germstats.decisions.trial_design import design_trial
    from germstats.decisions.waiting import watch
    from germstats.models.emergence import fit_emergence
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
    "fit_emergence": "germstats.models.emergence",
    "seeds_per_cell": "germstats.decisions.sowing",
    "plan_orders": "germstats.decisions.orders",
    "back_test": "germstats.decisions.backtest",
    "compare": "germstats.decisions.covers",
    "review": "germstats.decisions.poor_lots",
    "watch": "germstats.decisions.waiting",
    "design_trial": "germstats.decisions.trial_design",
}


def __getattr__(name: str) -> Any:
    """Hand on the public functions without importing their libraries before they are asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'germstats' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
