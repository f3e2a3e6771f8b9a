"""From readings to points to standings: likely, possible, unlikely, or cannot tell."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from germstats.questions.review.rules import STANDINGS, Reading, Rules

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

    Likely from `likely` points on, possible from `possible` on; a cap holds a cause down. A cause
    with at least `last_standing` points whose rivals all lie below possible is the last one
    standing, and likely.
    """
    found = [_scored(cause, readings, rules) for cause in rules.causes]
    standing = [one for one in found if one.standing != "unlikely" and not _no_rival(one, readings)]
    if len(standing) == 1 and standing[0].points >= rules.limits["last_standing"]:
        last = standing[0]
        held, why = _held("likely", last.cause, readings, rules)
        found[found.index(last)] = Scored(
            cause=last.cause, standing=held, points=last.points, parts=last.parts, capped=why
        )
    kinds = {one.standing for one in found if one.cause in KINDS_OF_TRAY}
    return tuple(sorted(found, key=lambda one: _rank(one, kinds)))


def _rank(one: Scored, kinds: Collection[str]) -> tuple[int, bool, int, str]:
    """Likely before possible; "something happened to a tray" after a kind of accident that stands
    as high; points.
    """
    return (
        -STANDINGS.index(one.standing),
        one.cause == "tray" and one.standing in kinds,
        -one.points,
        one.cause,
    )


def _no_rival(one: Scored, readings: Collection[Reading]) -> bool:
    return one.cause in TRAY_CAUSES and _ALIKE in readings


def _scored(cause: str, readings: Collection[Reading], rules: Rules) -> Scored:
    parts = tuple(
        (reading, rules.points[cause][reading])
        for reading in readings
        if reading in rules.points[cause]
    )
    points = rules.causes[cause].start + sum(size for _, size in parts)
    likely, possible = rules.limits["likely"], rules.limits["possible"]
    standing = "likely" if points >= likely else "possible" if points >= possible else "unlikely"
    held, why = _held(standing, cause, readings, rules)
    return Scored(cause=cause, standing=held, points=points, parts=parts, capped=why)


def _held(
    standing: str, cause: str, readings: Collection[Reading], rules: Rules
) -> tuple[str, str]:
    """How high a cause may stand, and why no higher."""
    why = ""
    for cap in rules.caps:
        holds = cap.cause == cause and (cap.when is None or cap.when in readings)
        if (
            holds
            and not cap.lifted_by & set(readings)
            and STANDINGS.index(standing) > STANDINGS.index(cap.at_most)
        ):
            standing, why = cap.at_most, cap.why
    return standing, why
