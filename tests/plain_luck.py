"""The luck of one species of which the same share of plants is lost everywhere, shared by the tests
of orders.
"""

from __future__ import annotations

from germstats.forecast.later_losses import fixed_losses
from germstats.forecast.springs import Luck, shared_luck


def plain_luck(losses: float = 0.0, benches: int = 1) -> Luck:
    """Springs on so many benches in which every tray loses the same share."""
    return shared_luck({"": fixed_losses(losses)}, benches)[""]
