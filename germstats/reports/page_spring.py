"""The page's answers on a spring: what is late or done, when plants come, why a lot did poorly."""

from __future__ import annotations

from collections.abc import Mapping

from germstats.decisions.poor_lots import AS_EXPECTED, NO_VERDICT, NOT_OVER, POOR, Cause, LotReview
from germstats.decisions.season_account import SeasonAccount
from germstats.records.parsing import spelled
from germstats.reports.blocks import Block, Card, Section, Words, grid, items
from germstats.reports.plan_text import ready_words
from germstats.reports.review_text import listed, next_of_review, row_words, sentence, shown_causes
from germstats.reports.watch_text import (
    few_words,
    lots_table,
    next_of_watch,
    order_words,
    overdue_trays,
    overdue_words,
    reasons,
    trays_table,
)


def watch_section(account: SeasonAccount) -> Section:
    """Trays of the spring under way: overdue ones first."""
    found, question = account.watch, "Dead, late, or a second spring?"
    if found is None:
        return Section("watch", question, (Words(account.missing["watch"]),))
    few = few_words(found)
    overdue = [overdue_words(row, account.spec.prices) for row in overdue_trays(found)]
    blocks: tuple[Block, ...] = (
        Words(f"Spring {found.spring} as of {spelled(found.spec.on)}, by the checks up to that day."),
        *items("Overdue", overdue),
        *([] if overdue else [Words("No tray is overdue.", "lead")]),
        *([Words(few)] if few else []),
        *items("Kept over, given up, or not forecast", reasons(found)),
        grid("Trays of this spring", trays_table(found), folded=True),
        Words("'filled' is seen, 'final' what to expect by the end of the spring, its range holding nine trays of ten; "
              "'more %' the chance that another cell fills; 'usual by now' what trays like it have by the day of its "
              "last check."),
        *(Words(sentence(words)) for words in found.weather),
        Words(next_of_watch(found), "next"),
    )  # fmt: skip
    return Section("watch", question, blocks)


def calendar_section(account: SeasonAccount, curves: tuple[Block, ...], pictures: tuple[Block, ...]) -> Section:
    """When plants come: windows of this spring's lots, orders, and curves of emergence."""
    found = account.watch
    now: tuple[Block, ...] = (Words(account.missing.get("watch", "")),)
    if found is not None:
        now = (
            *pictures,
            grid("Days by which a lot's first cell, half and nine in ten of its cells fill (90 % windows)",
                 lots_table(found)),
            *items("Orders due this year", [order_words(row, found.spec.on) for row in found.orders]),
        )  # fmt: skip
    ahead = items("For the orders planned", [ready_words(row) for row in account.plan.rows] if account.plan else [])
    return Section("calendar", "When will they come?", (*now, *ahead, *curves))


def poor_section(account: SeasonAccount, maps: Mapping[str, tuple[Block, ...]]) -> Section:
    """A card for every lot that is poor or cannot be told; `maps` are tray maps by lot."""
    found, question = account.review, "Bad seed, bad tray or bad year?"
    if found is None:
        return Section("poor", question, (Words(account.missing["review"]),))
    poor = [one for one in found.lots if one.verdict == POOR]
    others = [one for one in found.lots if one.verdict in (NO_VERDICT, NOT_OVER)]
    fine = [one for one in found.lots if one.verdict == AS_EXPECTED]
    blocks: tuple[Block, ...] = (
        Words(f"Poor: {len(poor)} of {len(found.lots)} lots of the season {found.season}.", "lead"),
        Words("Each lot is held against what the other trays on record let expect of it, its own trays of the season "
              "left out. Expected ranges hold nine lots of ten. Points say how much speaks for a cause, each one "
              "doubling the odds."),
        *(Card(one.lot, POOR, (*_poor(one), *maps.get(one.lot, ()))) for one in poor),
        *(Card(one.lot, one.verdict, _other(one)) for one in others),
        *items("As expected", [f"{one.lot}: {sentence(one.seen, False)} {_said(one)}" for one in fine]),
        Words(next_of_review(found), "next"),
    )  # fmt: skip
    return Section("poor", question, blocks)


def _poor(one: LotReview) -> tuple[Block, ...]:
    untold = () if one.told else (Words("Cannot tell which cause from the records alone; the two that fit best:"),)
    return (
        Words(f"Poor, since {listed(one.doors)}. {sentence(one.seen)}", "lead"),
        *untold,
        *(block for cause in shown_causes(one) for block in items(f"{sentence(cause.standing)[:-1]}: {cause.words} "
                                                                  f"({cause.points:+d} points)", _evidence(cause))),
        Words(f"To settle it: {one.test}.", "next"),
        *items("Next year", [sentence(words) for words in one.next_year]),
        *(Words(f"Mind: {words}.", "care") for words in one.cautions),
        *items("", _besides(one)),
    )  # fmt: skip


def _evidence(cause: Cause) -> list[str]:
    said = [f"{name}: {row_words(row)}." for name, rows in (("For", cause.supports), ("Against", cause.opposes))
            for row, _ in rows]  # fmt: skip
    return [*said, *([f"Held down: {cause.capped}."] if cause.capped else [])] or ["Nothing speaks for or against it."]


def _other(one: LotReview) -> tuple[Block, ...]:
    test = (Words(f"Next: {one.test}.", "next"),) if one.test else ()
    return (Words(sentence(one.seen)), *test, *items("", _besides(one)))


def _besides(one: LotReview) -> list[str]:
    return [*([f"Refused: {one.refused}."] if one.refused else []), *(sentence(note) for note in one.notes)]


def _said(one: LotReview) -> str:
    return " ".join(_besides(one))
