"""From readings to points to standings: likely, possible, unlikely, or cannot tell."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from germstats.decisions.review_rules import STANDINGS, Reading, Rules

KINDS_OF_TRAY = frozenset({"mouse", "wash", "dry"})
"""What may have happened to a tray: with "something happened to one tray" both may stand."""
TRAY_CAUSES = KINDS_OF_TRAY | {"tray", "damp"}
"""Causes that touch single trays: no rivals where all trays of a lot are alike."""
_ALIKE = ("tray", "alike")


@dataclass(frozen=True)
class Scored:
    """One cause.

    Attributes
    ----------
    cause : str
    standing : {"likely", "possible", "unlikely"}
    points : int
    parts : tuple of (Reading, int)
        What each reading added; before them the start.
    capped : str
        Why it stands no higher; empty where nothing holds it down.
    """

    cause: str
    standing: str
    points: int
    parts: tuple[tuple[Reading, int], ...]
    capped: str = ""


def score(readings: Collection[Reading], rules: Rules) -> tuple[Scored, ...]:
    """Points and standings of all causes, the highest first.

    Likely from `likely` points on, possible from `possible` on; a cap holds a cause down. A cause with at least
    `last_standing` points whose rivals all lie below possible is the last one standing, and likely.
    """
    found = [_scored(cause, readings, rules) for cause in rules.causes]
    standing = [one for one in found if one.standing != "unlikely" and not _no_rival(one, readings)]
    if len(standing) == 1 and standing[0].standing == "possible" and not standing[0].capped:
        last = standing[0]
        if last.points >= rules.limits["last_standing"]:
            found[found.index(last)] = Scored(last.cause, "likely", last.points, last.parts, last.capped)
    return tuple(sorted(found, key=_rank))


def _rank(one: Scored) -> tuple[int, bool, int, str]:
    """Likely before possible; a kind of accident before "something happened to a tray"; points."""
    return -STANDINGS.index(one.standing), one.cause == "tray", -one.points, one.cause


def _no_rival(one: Scored, readings: Collection[Reading]) -> bool:
    return one.cause in TRAY_CAUSES and _ALIKE in readings


def _scored(cause: str, readings: Collection[Reading], rules: Rules) -> Scored:
    parts = tuple((reading, rules.points[cause][reading]) for reading in readings if reading in rules.points[cause])
    points = rules.causes[cause].start + sum(size for _, size in parts)
    likely, possible = rules.limits["likely"], rules.limits["possible"]
    standing = "likely" if points >= likely else "possible" if points >= possible else "unlikely"
    why = ""
    for cap in rules.caps:
        holds = cap.cause == cause and (cap.when is None or cap.when in readings)
        if holds and not cap.lifted_by & set(readings) and STANDINGS.index(standing) > STANDINGS.index(cap.at_most):
            standing, why = cap.at_most, cap.why
    return Scored(cause, standing, points, parts, why)
