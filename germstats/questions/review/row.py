"""A row of evidence in a review."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

Limits = Mapping[str, float]
"""The review's limits by name."""


@dataclass(frozen=True)
class Evidence:
    """One row.

    Attributes
    ----------
    evidence, reading : str
        Kind, and how it reads; an empty reading says nothing either way.
    statistic : float or None
    words : str
        What was seen, with its raw counts.
    limit : float or None
        The statistic beyond which the row speaks; None where it is read off.
    trays : tuple of str
        The trays it is about; empty where it is of the lot as a whole.
    """

    evidence: str
    reading: str
    statistic: float | None
    words: str
    limit: float | None = None
    trays: tuple[str, ...] = ()
