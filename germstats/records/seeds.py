"""Seeds per cell as growers write them: ``3``, ``2-3``, ``~3`` and ``pinch``."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

DEFAULT_PINCH_K = 1.5
"""Evenness of a pinch nobody counted; common practice, no source (negative binomial k, larger is
more even).
"""

MOST_SEEDS = 200
"""Most seeds counted out for one cell; common practice, no source.

More than these is asked about.
"""

_NUMBER = re.compile(r"\d{1,4}")
_RANGE = re.compile(r"(\d{1,4})\s*[-\u2013]\s*(\d{1,4})")
_ABOUT = re.compile(r"~\s*(\d{1,4})")

SowingKind = Literal["counted", "range", "pinch", "pinch_unmeasured"]


@dataclass(frozen=True)
class SowingRate:
    """How many seeds went into a cell, as a distribution drawn per cell.

    Attributes
    ----------
    kind : {"counted", "range", "pinch", "pinch_unmeasured"}
        A number; several equally likely numbers; a pinch with a known mean; a pinch of unknown
        size, for which only the share of pinches that fill a cell can be estimated.
    counts : tuple of int
        Possible numbers, each equally likely; empty for a pinch.
    mean : float
        Mean seeds per cell; 1 (one pinch) where the size is unknown.
    k : float or None
        Negative-binomial evenness of a pinch, None otherwise.
    k_measured : bool
        The k comes from pinches counted on paper, not from the default.
    written : str
        As the grower wrote it; blank where nobody did. Two ways to write the same are equal.
    """

    kind: SowingKind
    counts: tuple[int, ...]
    mean: float
    k: float | None = None
    k_measured: bool = False
    written: str = field(default="", compare=False)

    def __str__(self) -> str:
        if self.written:
            return self.written
        if not self.counts:
            return "pinch"
        low, high = self.counts[0], self.counts[-1]
        return str(low) if low == high else f"{low}-{high}"

    @property
    def most(self) -> float:
        """Most seeds that a cell can hold; NaN for a pinch, which has no bound."""
        return float(max(self.counts)) if self.counts else math.nan

    @property
    def numbers(self) -> tuple[int, ...]:
        """Possible numbers of units in a cell, where they can be listed: a pinch of unknown size is
        one unit.
        """
        return self.counts or (1,)


BARE_PINCH = SowingRate(kind="pinch_unmeasured", counts=(), mean=1.0)
"""What ``pinch`` alone says."""


def parse_seeds(text: str) -> SowingRate:
    """Read a seeds-per-cell entry; a bare ``pinch`` comes back with kind ``pinch_unmeasured``.

    Raises
    ------
    ValueError
        The entry is none of the four forms (``3+`` among them), or a range runs backwards.
    """
    entry = " ".join(text.lower().split())
    if entry == "pinch":
        return BARE_PINCH
    if _NUMBER.fullmatch(entry):
        return SowingRate(kind="counted", counts=(int(entry),), mean=float(entry), written=entry)
    if match := _RANGE.fullmatch(entry):
        low, high = int(match[1]), int(match[2])
    elif match := _ABOUT.fullmatch(entry):
        low, high = max(int(match[1]) - 1, 0), int(match[1]) + 1
    else:
        raise ValueError(f"{text!r} is no number of seeds")
    if low >= high:
        raise ValueError(f"{text!r} runs backwards")
    counts = tuple(range(low, high + 1))
    return SowingRate(kind="range", counts=counts, mean=float(np.mean(counts)), written=entry)


def pinch_from_counts(counts: tuple[int, ...]) -> tuple[float, float]:
    """Mean and negative-binomial k of pinches counted on paper.

    The moment estimate k = m^2 / (v - m) shrunk to stay finite: counts no more uneven than chance
    (v <= m) give the largest k believed, 50.

    Parameters
    ----------
    counts : tuple of int
        Seeds in each pinch; two or more.

    Returns
    -------
    mean, k : float
    """
    values = np.asarray(counts, dtype=float)
    mean, variance = float(values.mean()), float(values.var(ddof=1))
    if variance <= mean or mean == 0:
        return mean, 50.0
    return mean, min(max(mean**2 / (variance - mean), 0.1), 50.0)
