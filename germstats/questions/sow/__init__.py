"""How many seeds to sow per cell."""

from germstats.forecast.seeds_per_cell import SowingAdvice, SowingSpec, seeds_per_cell

__all__ = ["SowingAdvice", "SowingSpec", "seeds_per_cell"]
