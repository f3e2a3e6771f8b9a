"""What happened to one tray of a lot that itself came well enough, and the trays whose maps show
why a lot is poor.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import StrEnum

from germstats.questions.review.row import Evidence
from germstats.questions.review.rules import Reading
from germstats.questions.review.tray import ReviewedTray

_MOST_MAPS = 3  # of one lot, the emptiest
_ON_MAPS = frozenset(
    {"block", "edge", "shape", "overfull", "losses", "course", "loss_map", "record", "note"}
)
"""Evidence that a map lets see.

A tray that is low beside its sisters is judged by its counts alone.
"""


class Befell(StrEnum):
    """What may have happened to one tray, as the heading of its lot names it."""

    PART_LOST = "part of one tray lost"
    TRAY_LOST = "one tray lost"
    SEEDLINGS_LOST = "one tray lost seedlings after they came up"
    COUNTS_CONTRADICT = "counts of one tray contradict each other"


class Itself(StrEnum):
    """How a lot came but for the tray."""

    AS_EXPECTED = "as expected"
    WITHIN_RANGE = "within its range"


_TELLING: dict[Befell, frozenset[Reading]] = {
    Befell.PART_LOST: frozenset({("block", "strong"), ("edge", "strong")}),
    Befell.TRAY_LOST: frozenset({("tray", "one_low_rest_fine"), ("tray", "one_low_rest_low")}),
    Befell.SEEDLINGS_LOST: frozenset({("losses", "strong")}),
    Befell.COUNTS_CONTRADICT: frozenset({("record", "falls")}),
}
"""How the evidence then reads; the gravest first."""
_OF_ONE_TRAY = frozenset(evidence for readings in _TELLING.values() for evidence, _ in readings)
_MOST_NAMED = 2
_BELOW_USUAL = "lowish"


@dataclass(frozen=True)
class OneTray:
    """A lot that was looked into for one of its trays.

    Attributes
    ----------
    befell : tuple of Befell
        What happened to the tray, at most two.
    itself : Itself
        How the lot came but for that.
    """

    befell: tuple[Befell, ...]
    itself: Itself

    @property
    def words(self) -> str:
        """The same as a heading."""
        return f"{' and '.join(self.befell)}; the lot came {self.itself}"


def one_tray_of(
    evidence: Sequence[Evidence], opened: Collection[str], own_limit: float | None
) -> OneTray | None:
    """What happened to a tray of a lot that is looked into for it alone.

    Parameters
    ----------
    evidence : sequence of Evidence
        All rows of the lot.
    opened : collection of str
        The evidence whose doors opened.
    own_limit : float or None
        The z of `lot_seen` at or below which the lot itself is low; None where the rules have none.

    Returns
    -------
    OneTray or None
        None where the lot itself came low, where a cover or a winter held it down, and where
        nothing plain happened to a tray.
    """
    seen = next((row for row in evidence if row.evidence == "lot_seen"), None)
    if seen is None or seen.statistic is None:
        return None
    low = own_limit is not None and seen.statistic <= own_limit
    if low or set(opened) - _OF_ONE_TRAY:
        return None
    read = {(row.evidence, row.reading) for row in evidence}
    befell = tuple(what for what, telling in _TELLING.items() if telling & read)
    if not befell:
        return None
    itself = Itself.WITHIN_RANGE if seen.reading == _BELOW_USUAL else Itself.AS_EXPECTED
    return OneTray(befell[:_MOST_NAMED], itself)


def maps_to_draw(trays: Sequence[ReviewedTray], supports: Sequence[Evidence]) -> tuple[str, ...]:
    """The trays whose maps show why a lot is poor, the emptiest first.

    Parameters
    ----------
    trays : sequence of ReviewedTray
        All trays of the lot.
    supports : sequence of Evidence
        Rows that speak for any cause.

    Returns
    -------
    tuple of str
        Trays that the evidence is about; the emptiest one where it is about none with a map.
    """
    filled = {one.tray: int(one.seen_map.filled.sum()) for one in trays if one.seen_map is not None}
    emptiest_first = sorted(filled, key=lambda tray: filled[tray])
    spoken_of = {tray for row in supports if row.evidence in _ON_MAPS for tray in row.trays}
    named = [tray for tray in emptiest_first if tray in spoken_of]
    return tuple(named[:_MOST_MAPS] or emptiest_first[:1])
