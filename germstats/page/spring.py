"""The page's answers on a spring: what is late or done, when plants come, why a lot did poorly."""

from __future__ import annotations

from collections.abc import Mapping

from germstats.document.blocks import Block, Card, Section, Words, grid, items
from germstats.page.ending import SpringOver
from germstats.page.season_end import next_when_over, unfinished_words
from germstats.page.season_summary import SeasonSummary
from germstats.page.when_came import came_table, lots_came
from germstats.questions.plan.plan_text import ready_words
from germstats.questions.review.review import CauseFound, LotReview, LotVerdict
from germstats.questions.review.review_text import (
    next_of_review,
    points_words,
    poor_words,
    row_words,
    sentence,
    settle_words,
    since_words,
    untold_words,
)
from germstats.questions.watch.spec import Watch
from germstats.questions.watch.watch_text import (
    by_seeds_words,
    few_words,
    lots_table,
    next_of_watch,
    order_words,
    overdue_trays,
    overdue_words,
    reasons,
    trays_table,
)
from germstats.records.checking.parsing import spelled

_WHY = "The next part tells more"
_COLUMNS = (
    "'filled' is seen, 'final' what to expect by the end of the spring, its range holding nine "
    "trays of ten; 'more %' the chance that another cell fills; 'usual by now' what trays like it "
    "have by the day of its last check."
)


def _columns(found: Watch) -> str:
    """What the columns of the trays say."""
    return " ".join(words for words in (_COLUMNS, by_seeds_words(found)) if words)


def watch_section(account: SeasonSummary, over: SpringOver | None = None) -> Section:
    """Trays of the spring under way, overdue ones first; once it is `over`, what can still be done
    with them.
    """
    found, question = account.watch, "Dead, late, or a second spring?"
    if over is not None:
        return Section("watch", question, (Words(over.words, "lead"), *_after(account)))
    if found is None:
        return Section("watch", question, (Words(account.missing["watch"]),))
    overdue = [overdue_words(row, account.spec.prices) for row in overdue_trays(found)]
    few = few_words(found, why=_WHY)
    blocks: tuple[Block, ...] = (
        Words(
            f"Spring {found.spring} as of {spelled(found.spec.day)}, by the checks up to that day."
        ),
        *items("Overdue", overdue),
        *([] if overdue else [Words("No tray is overdue.", "lead")]),
        *([Words(few)] if few else []),
        *items("Kept over, given up, or not forecast", reasons(found)),
        grid("Trays of this spring", trays_table(found), folded=True),
        Words(_columns(found)),
        *(Words(sentence(words)) for words in found.weather),
        Words(next_of_watch(found), "next"),
    )
    return Section("watch", question, blocks)


def _after(account: SeasonSummary) -> tuple[Block, ...]:
    """What the trays of a spring that is over tell, and what can still be done with them."""
    found = account.watch
    if found is None:
        return (Words(next_when_over(found), "next"),)
    few = few_words(found, over=True, why=_WHY)
    return (
        *items("Not finished when last looked at", unfinished_words(found)),
        *([Words(few)] if few else []),
        *items("Kept over, given up, or not forecast", reasons(found)),
        grid("Trays of this spring, as last looked at", trays_table(found), folded=True),
        Words(_columns(found)),
        *items(
            f"The weather, as told on {spelled(found.spec.day)}",
            [sentence(words) for words in found.weather],
        ),
        Words(next_when_over(found), "next"),
    )


def calendar_section(
    account: SeasonSummary,
    curves: tuple[Block, ...],
    pictures: tuple[Block, ...],
    over: SpringOver | None = None,
) -> Section:
    """When plants come: windows of this spring's lots, or when they came once it is `over`; orders;
    curves.
    """
    found = account.watch
    now: tuple[Block, ...] = (Words(account.missing.get("watch", "")),)
    if over is not None:
        now = _came(account, over)
    elif found is not None:
        now = (
            *pictures,
            grid(
                "Days by which a lot's first cell, half and nine in ten of its cells fill (90 % "
                "windows)",
                lots_table(found),
            ),
            *items(
                "Orders due this year", [order_words(row, found.spec.day) for row in found.orders]
            ),
        )
    ahead = items(
        "For the orders planned",
        [ready_words(row) for row in account.plan.rows] if account.plan else [],
    )
    return Section("calendar", "When will they come?", (*now, *ahead, *curves))


def _came(account: SeasonSummary, over: SpringOver) -> tuple[Block, ...]:
    """When the lots of a spring that is over came: what to expect of the next."""
    rows = lots_came(account.fit, over.spring)
    if not rows:
        return (Words(over.words, "lead"),)
    return (
        Words(over.words, "lead"),
        grid(
            f"When its lots came in {over.spring}, month and day, by the checks: about when to "
            "look for them next spring",
            came_table(rows),
        ),
        Words(
            "'half by' is the check by which half of what came was up, so they came in the days "
            "before it. A warm spring brings them earlier, a cold one later. A late straggler "
            "makes 'last new'."
        ),
    )


def poor_section(
    account: SeasonSummary, maps: Mapping[str, tuple[Block, ...]], over: SpringOver | None = None
) -> Section:
    """A card for every lot that is poor or cannot be told, those with one tray lost last; `maps`
    are by lot.
    """
    found, question = account.review, "Bad seed, bad tray or bad year?"
    if found is None:
        return Section("poor", question, (Words(account.missing["review"]),))
    poor = sorted(
        (one for one in found.lots if one.verdict == LotVerdict.POOR),
        key=lambda one: one.one_tray is not None,
    )
    others = [
        one for one in found.lots if one.verdict in (LotVerdict.NO_VERDICT, LotVerdict.NOT_OVER)
    ]
    fine = [one for one in found.lots if one.verdict == LotVerdict.AS_EXPECTED]
    ended = over is not None
    blocks: tuple[Block, ...] = (
        Words(f"Season {found.season}. {poor_words(found)}", "lead"),
        Words(
            "Each lot is held against what the other trays on record let expect of it, its own "
            "trays of the season left out. Expected ranges hold nine lots of ten. Points say how "
            "much speaks for a cause, each one doubling the odds."
        ),
        *(
            Card(one.lot, one.shown_verdict, (*_poor(one, ended), *maps.get(one.lot, ())))
            for one in poor
        ),
        *(Card(one.lot, one.verdict, _other(one, ended)) for one in others),
        *items(
            "As expected", [f"{one.lot}: {sentence(one.seen, False)} {_said(one)}" for one in fine]
        ),
        Words(next_of_review(found), "next"),
    )
    return Section("poor", question, blocks)


def _poor(one: LotReview, over: bool) -> tuple[Block, ...]:
    untold = () if one.told else (Words(untold_words(one)),)
    verdict = f"{LotVerdict.POOR}, " if one.one_tray is None else ""
    return (
        Words(f"{sentence(verdict + since_words(one))} {sentence(one.seen)}", "lead"),
        *untold,
        *(block for cause in one.shown for block in _cause(cause)),
        Words(settle_words(one, over), "next"),
        *items("Next year", [sentence(words) for words in one.next_year]),
        *(Words(f"Mind: {words}.", "care") for words in one.cautions),
        *items("", _besides(one)),
    )


def _cause(cause: CauseFound, when: str = "") -> tuple[Block, ...]:
    said = sentence(f"{when}{cause.standing}")[:-1]
    return items(f"{said}: {cause.words} ({points_words(cause)})", _evidence(cause))


def _evidence(cause: CauseFound) -> list[str]:
    said = [
        f"{name}: {row_words(row)}."
        for name, rows in (("For", cause.supports), ("Against", cause.opposes))
        for row, _ in rows
    ]
    return [*said, *([f"Held down: {cause.capped}."] if cause.capped else [])] or [
        "Nothing speaks for or against it."
    ]


def _other(one: LotReview, over: bool) -> tuple[Block, ...]:
    test = (Words(f"Next: {_when_over(one) if over else one.test}.", "next"),) if one.test else ()
    mind = tuple(Words(f"Mind: {words}.", "care") for words in one.cautions)
    so_far = (block for cause in one.named for block in _cause(cause, "already "))
    return (Words(sentence(one.seen)), *so_far, *test, *mind, *items("", _besides(one)))


def _when_over(one: LotReview) -> str:
    """What can still be done for a lot that was not over at its last check."""
    if one.waiting:
        return (
            "keep its trays for their second winter, labelled, and go on checking in their second "
            "spring"
        )
    return (
        "count its trays once more now and write it down, else a late lot cannot be told from a "
        "poor one"
    )


def _besides(one: LotReview) -> list[str]:
    return [
        *([f"Refused: {one.refused}."] if one.refused else []),
        *(sentence(note) for note in one.notes),
    ]


def _said(one: LotReview) -> str:
    return " ".join(_besides(one))
