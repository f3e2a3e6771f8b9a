"""The page's first answer: what matters now, from every part of it."""

from __future__ import annotations

from germstats.document.blocks import Section, Words, items
from germstats.document.check_text import severity_counts
from germstats.page.ending import SpringOver
from germstats.page.season_summary import SeasonSummary
from germstats.questions.backtest.backtest_text import chances_words, ranges_words
from germstats.questions.compare.comparison import ComparisonVerdict
from germstats.questions.plan.plan_text import (
    bad_spring_words,
    late_words,
    short_words,
    to_sow_words,
)
from germstats.questions.review.review import LotReview
from germstats.questions.review.review_text import settle_words
from germstats.questions.watch.watch_text import few_words, order_words, overdue_trays


def now_section(account: SeasonSummary, over: SpringOver | None = None) -> Section:
    """What matters most, from every part of the page; `over` once its spring is."""
    said = [
        *_of_orders(account),
        *_of_trays(account, over),
        *_of_lots(account, over),
        *_of_covers(account),
        *_of_records(account),
        *_of_promises(account),
    ]
    return Section("now", "What matters now?", items("", said) or (Words("Nothing needs doing."),))


def _of_orders(account: SeasonSummary) -> list[str]:
    if account.plan is None:
        return []
    short = [f"Short order: {words}" for words in short_words(account.plan, account.served)]
    ours = (
        [order_words(row, account.watch.spec.day) for row in account.watch.orders]
        if account.watch
        else []
    )
    bad = bad_spring_words(account.plan)
    late = [f"Late order: {words}" for words in late_words(account.plan)]
    return [to_sow_words(account.plan), *(short or ["No order is short."]), *late, *bad, *ours]


def _of_trays(account: SeasonSummary, over: SpringOver | None) -> list[str]:
    found = account.watch
    said = [over.words] if over is not None else []
    if found is None:
        return said
    few = few_words(found, over is not None, "'Bad seed, bad tray or bad year?' below tells more")
    if over is None:
        late = [row.tray for row in overdue_trays(found)]
        said.append(
            f"Overdue trays: {', '.join(late)}; look at them now."
            if late
            else "No tray is overdue."
        )
    return [*said, *([few] if few else [])]


def _of_lots(account: SeasonSummary, over: SpringOver | None) -> list[str]:
    """Poor lots, those of one cause and test together; then those with one tray lost."""
    found = account.review
    if found is None:
        return []
    poor: dict[str, list[str]] = {}
    for one in found.poor:
        poor.setdefault(_why(one, over), []).append(one.lot)
    said = [
        f"Poor {'lot' if len(names) == 1 else 'lots'}: {', '.join(names)}, {why}"
        for why, names in poor.items()
    ]
    return [
        *said,
        *(f"{one.lot}: {one.shown_verdict}, {_why(one, over)}" for one in found.of_one_tray),
    ]


def _why(one: LotReview, over: SpringOver | None) -> str:
    why = f"{one.causes[0].standing} {one.causes[0].words}" if one.told else "cannot tell why yet"
    return f"{why}. {settle_words(one, over is not None)}"


def _of_covers(account: SeasonSummary) -> list[str]:
    """Per species: which cover is worse or better than which."""
    if account.covers is None:
        return []
    told: dict[str, list[str]] = {}
    for row in account.covers.rows:
        if row.species and row.verdict in (ComparisonVerdict.BETTER, ComparisonVerdict.WORSE):
            told.setdefault(row.species, []).append(
                f"{row.level} is {row.verdict} than {row.reference}"
            )
    return [f"Covers, {species}: {', '.join(words)}." for species, words in told.items()]


def _of_records(account: SeasonSummary) -> list[str]:
    stops = severity_counts(account.book)["stop"]
    if not stops:
        return []
    entries = "1 entry" if stops == 1 else f"{stops} entries"
    left_out = ", ".join(account.book.left_out) or "no tray"
    return [
        f"{entries} in the records cannot be right; mend them (germstats check). Nothing is "
        f"estimated from {left_out} until mended or answered."
    ]


def _of_promises(account: SeasonSummary) -> list[str]:
    if account.past is None:
        return []
    return [ranges_words(account.past), chances_words(account.past)]
