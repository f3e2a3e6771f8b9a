"""`review` in words: the verdict first, then causes with what speaks for and against them, the
test, next year.
"""

from __future__ import annotations

from collections.abc import Iterable

from germstats.document.sentences import CAUTION, wrapped
from germstats.document.tables import text_table
from germstats.questions.review.review import CauseFound, LotReview, LotVerdict, Review
from germstats.questions.review.row import Evidence
from germstats.questions.review.rules import When
from germstats.records.checking.parsing import so_many


def review_text(found: Review, explain: bool = False) -> str:
    """The whole printed answer of `germstats review`."""
    poor = [one for one in found.lots if one.verdict == LotVerdict.POOR]
    lines = [
        wrapped(
            f"Lots of the season {found.season}, each held against what the other trays on record "
            "let expect of it, its own trays of the season left out. Expected ranges hold nine "
            "lots of ten. A cause is likely, possible, or cannot be told; points say how much "
            "speaks for it, each one doubling the odds."
        ),
        "",
        wrapped(poor_words(found)),
        "",
    ]
    for one in poor:
        lines += [*_poor_lot(one, explain), ""]
    for verdict, words in (
        (LotVerdict.NO_VERDICT, "Cannot tell"),
        (LotVerdict.NOT_OVER, "Not over yet"),
    ):
        lines += [
            line
            for one in found.lots
            if one.verdict == verdict
            for line in [*_other_lot(one, words, explain), ""]
        ]
    fine = [one for one in found.lots if one.verdict == LotVerdict.AS_EXPECTED]
    if fine:
        lines += ["As expected:", *(line for one in fine for line in _fine_lot(one, explain)), ""]
    if found.lotless:
        trays = ", ".join(found.lotless)
        lines += [
            wrapped(
                f"Not reviewed, since they belong to no known lot: {trays}; germstats check says "
                "more."
            ),
            "",
        ]
    lines += [wrapped(next_of_review(found)), wrapped(CAUTION)]
    return "\n".join(lines)


def _poor_lot(one: LotReview, explain: bool) -> list[str]:
    lines = [wrapped(f"{one.lot}: {one.shown_verdict}, {since_words(one)}. {sentence(one.seen)}")]
    if not one.told:
        lines.append(wrapped(untold_words(one), "  "))
    for cause in one.shown:
        lines += _cause_lines(cause)
    lines.append(wrapped(f"To settle it: {one.test}.", "  "))
    lines += [wrapped(f"Next year: {words}.", "  ") for words in one.next_year]
    lines += [wrapped(f"Mind: {words}.", "  ") for words in one.cautions]
    lines += _said_besides(one)
    if explain:
        lines += ["", *_explained(one)]
    return lines


def since_words(one: LotReview) -> str:
    """Why it was looked into."""
    looked = "looked into since" if one.one_tray is not None else "since"
    return f"{looked} {listed(one.doors)}"


def poor_words(found: Review) -> str:
    """How many lots are poor, and which came well enough but for one tray."""
    trays = [one.lot for one in found.of_one_tray]
    said = f"Poor: {len(found.poor)} of {so_many(len(found.lots), 'lot')}."
    for verdict in (LotVerdict.NOT_OVER, LotVerdict.NO_VERDICT):
        if others := sum(one.verdict == verdict for one in found.lots):
            said += f" {verdict.capitalize()}: {others}."
    return f"{said} Well enough but for one tray: {', '.join(trays)}." if trays else said


def settle_words(one: LotReview, over: bool) -> str:
    """The test that settles it, and from when it can be made: `over` once the spring is."""
    if over and one.test_when == When.IN_SPRING:
        return f"It can be settled next spring: {one.test}."
    if over and one.test_when == When.WHILE_TRAYS_STAND:
        return f"To settle it, if its trays still stand: {one.test}."
    return f"To settle it: {one.test}."


def untold_words(one: LotReview) -> str:
    """That no cause is likely, and how many fit at all."""
    fits = {
        0: ", and none of the known causes fits.",
        1: "; the one that fits best:",
        2: "; the two that fit best:",
    }
    return f"Cannot tell which cause from the records alone{fits[len(one.shown)]}"


def _cause_lines(cause: CauseFound, when: str = "") -> list[str]:
    lines = [wrapped(f"{when}{cause.standing}: {cause.words} ({points_words(cause)}).", "  ")]
    for name, rows in (("for", cause.supports), ("against", cause.opposes)):
        if rows:
            lines.append(
                wrapped(f"{name}: {'; '.join(row_words(row) for row, _ in rows)}.", "    ")
            )
    if cause.capped:
        lines.append(wrapped(f"held down: {cause.capped}.", "    "))
    return lines


def points_words(cause: CauseFound) -> str:
    """The points of a cause, with their sign."""
    return f"{cause.points:+d} {'point' if abs(cause.points) == 1 else 'points'}"


def row_words(row: Evidence) -> str:
    """A row of evidence in words; the lot's own counts stand above already."""
    if row.evidence != "lot_seen":
        return row.words
    return (
        "the lot as a whole is somewhat low"
        if row.reading == "under"
        else "the lot as a whole is low"
    )


def _explained(one: LotReview) -> list[str]:
    """Points added up, cause by cause."""
    lines = []
    for cause in one.causes:
        parts = [f"{cause.start:+d} to begin with"]
        parts += [
            f"{size:+d} {row.evidence.replace('_', ' ')} ({row.reading.replace('_', ' ')})"
            for row, size in (*cause.supports, *cause.opposes)
        ]
        lines.append(
            wrapped(
                f"{cause.cause}: {', '.join(parts)} = {cause.points:+d}, {cause.standing}.", "  "
            )
        )
    rows = [
        (
            row.evidence.replace("_", " "),
            row.reading.replace("_", " ") or "-",
            _statistic(row.statistic),
            _statistic(row.limit),
        )
        for row in one.evidence
    ]
    table = text_table(("evidence", "reads", "statistic", "limit"), rows).split("\n")
    return [*lines, *([""] if lines else []), *("  " + line for line in table)]


def _statistic(value: float | None) -> str:
    return "-" if value is None else f"{value:.2g}"


def _other_lot(one: LotReview, words: str, explain: bool) -> list[str]:
    lines = [wrapped(f"{one.lot}: {words[0].lower()}{words[1:]}. {sentence(one.seen)}")]
    lines += [line for cause in one.named for line in _cause_lines(cause, "already ")]
    lines += [wrapped(f"Next: {one.test}.", "  ")] if one.test else []
    lines += [wrapped(f"Mind: {words}.", "  ") for words in one.cautions]
    return lines + _said_besides(one) + (["", *_explained(one)] if explain else [])


def _said_besides(one: LotReview) -> list[str]:
    lines = [wrapped(f"Refused: {one.refused}.", "  ")] if one.refused else []
    return lines + [wrapped(f"Note: {words}.", "  ") for words in one.notes]


def _fine_lot(one: LotReview, explain: bool) -> list[str]:
    notes = "".join(f" {sentence(note)}" for note in one.notes)
    lines = [wrapped(f"{one.lot}: {sentence(one.seen, False)}{notes}", "  ")]
    lines += [wrapped(f"Refused: {one.refused}.", "    ")] if one.refused else []
    return lines + (["", *_explained(one), ""] if explain else [])


def sentence(words: str, capital: bool = True) -> str:
    """Words with a full stop, and a capital unless a name stands before them."""
    return f"{words[0].upper() if capital else words[0]}{words[1:]}."


def listed(doors: Iterable[str]) -> str:
    """Reasons in one sentence."""
    return ", and ".join(doors)


def next_of_review(found: Review) -> str:
    """What to do next with the lots."""
    verdicts = {one.verdict for one in found.lots}
    if any(one.verdict == LotVerdict.POOR and one.test for one in found.lots):
        return (
            "Next: make the tests named above while trays and packets are still there, write what "
            "they show into the book (lots, maps, events), and run germstats review again; then "
            "germstats sow."
        )
    if LotVerdict.NOT_OVER in verdicts:
        return (
            "Next: keep those trays and go on checking; germstats review again when two checks "
            "bring nothing new."
        )
    if LotVerdict.NO_VERDICT in verdicts:
        return (
            "Next: write down what is missing (seeds sown, dates, checks) if you can; a lot that "
            "stands alone is told once it has been sown again. germstats sow settles next year's "
            "seeds per cell."
        )
    return "Next: nothing needs doing; germstats sow settles next year's seeds per cell."
