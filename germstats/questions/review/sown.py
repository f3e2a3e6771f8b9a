"""The lots of a review, the cold their trays got, and what was always sown together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from germstats.questions.review.lot_file import Cold, SeedTest
from germstats.questions.review.tray import ReviewedTray

USUAL_FEWEST = 2


@dataclass(frozen=True)
class LotFacts:
    """What is known of a lot beside its trays.

    Attributes
    ----------
    tests : tuple of SeedTest
    light, two_winters : bool
        Its species needs light; is judged in its second spring.
    not_over : frozenset of int
        Seasons whose trays have not been looked at in the spring they are judged in, while that has
        not passed.
    notes : tuple of str
        What is to be said of it in any case.
    """

    tests: tuple[SeedTest, ...] = ()
    light: bool = False
    two_winters: bool = False
    not_over: frozenset[int] = frozenset()
    notes: tuple[str, ...] = ()


def cold_of(trays: Sequence[ReviewedTray], own: Sequence[ReviewedTray]) -> Cold:
    """The cold that trays of one lot and season got and need, beside what trays of other seasons
    got.
    """
    got = [one.cold for one in own if one.cold is not None]
    if not got:
        return Cold(None, own[0].chill, None)
    others: dict[int, list[float]] = {}
    for one in trays:
        if one.cold is not None and one.season != own[0].season:
            others.setdefault(one.season, []).append(one.cold)
    usual = float(np.mean([np.mean(weeks) for weeks in others.values()])) if others else None
    return Cold(float(np.mean(got)), own[0].chill, usual)


def always_together(trays: tuple[ReviewedTray, ...], lot: str) -> str:
    """What a lot was always sown with, so that they cannot be told apart; empty where its trays
    differ.

    That is a cover no other lot of the species had, or one cover at one place, where the species
    has other covers.
    """
    own = [one for one in trays if one.lot == lot]
    family = [one for one in trays if one.species == own[0].species and one.lot != lot]
    covers, places = {one.cover for one in own}, {one.place for one in own}
    others = {one.cover for one in family}
    if len(own) < USUAL_FEWEST or len(covers) != 1 or not others - covers or covers == {""}:
        return ""
    cover, place = next(iter(covers)), next(iter(places))
    under = "uncovered" if cover == "none" else f"under {cover}"
    other = "under a cover" if cover == "none" else "under another cover"
    if len(places) == 1 and place:
        return (
            f"{lot} was only ever sown {under} and only at {place}: seed, cover and place cannot "
            f"be told apart; sow two trays of it {other} beside two {under}, at two places"
        )
    if not covers & others:
        return (
            f"{lot} was only ever sown {under}, and no other lot of its species was: seed and "
            f"cover cannot be told apart; sow two trays of it {other} beside two {under}"
        )
    return ""
