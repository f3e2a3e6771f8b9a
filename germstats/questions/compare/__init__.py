"""Covers, or another treatment, compared tray by tray."""

from germstats.questions.compare.compare import compare
from germstats.questions.compare.comparison import CompareSpec, Comparison

__all__ = ["CompareSpec", "Comparison", "compare"]
