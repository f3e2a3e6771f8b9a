"""`review` in words: the verdict first, then causes with what speaks for and against them, the test, next year."""

from __future__ import annotations

from collections.abc import Iterable

from germstats.decisions.poor_lots import AS_EXPECTED, NO_VERDICT, NOT_OVER, POOR, Cause, LotReview, Review
from germstats.decisions.review_row import Evidence
from germstats.reports.sentences import CAUTION, wrapped
from germstats.reports.tables import text_table


def review_text(found: Review, explain: bool = False) -> str:
    """The whole printed answer of `germstats review`."""
    poor = [one for one in found.lots if one.verdict == POOR]
    lines = [
        wrapped(
            f"Lots of the season {found.season}, each held against what the other trays on record let expect of it, "
            "its own trays of the season left out. Expected ranges hold nine lots of ten. A cause is likely, "
            "possible, or not to be told; points say how much speaks for it, one point doubling the odds."
        ),
        "",
        f"Poor: {len(poor)} of {len(found.lots)} lots.",
        "",
    ]
    for one in poor:
        lines += [*_poor_lot(one, explain), ""]
    for verdict, words in ((NO_VERDICT, "Cannot tell"), (NOT_OVER, "Not over yet")):
        lines += [line for one in found.lots if one.verdict == verdict for line in [*_other_lot(one, words), ""]]
    fine = [one for one in found.lots if one.verdict == AS_EXPECTED]
    if fine:
        lines += ["As expected:", *(line for one in fine for line in _fine_lot(one, explain)), ""]
    lines += [wrapped(_next(poor)), wrapped(CAUTION)]
    return "\n".join(lines)


def _poor_lot(one: LotReview, explain: bool) -> list[str]:
    lines = [wrapped(f"{one.lot}: poor, since {_listed(one.doors)}. {_sentence(one.seen)}")]
    if not one.told:
        lines.append(wrapped("Which cause it was cannot be told from the records alone.", "  "))
    shown = [cause for cause in one.named if cause.standing != "unlikely"] or list(one.named[:2])
    for cause in shown:
        lines += _cause_lines(cause)
    lines.append(wrapped(f"To settle it: {one.test}.", "  "))
    lines += [wrapped(f"Next year: {words}.", "  ") for words in one.next_year]
    lines += [wrapped(f"Mind: {words}.", "  ") for words in one.cautions]
    lines += [wrapped(f"Note: {words}.", "  ") for words in one.notes]
    if explain:
        lines += ["", *_explained(one)]
    return lines


def _cause_lines(cause: Cause) -> list[str]:
    lines = [wrapped(f"{cause.standing}: {cause.words} ({cause.points:+d} points).", "  ")]
    for name, rows in (("for", cause.supports), ("against", cause.opposes)):
        if rows:
            lines.append(wrapped(f"{name}: {'; '.join(_row_words(row) for row, _ in rows)}.", "    "))
    if cause.capped:
        lines.append(wrapped(f"held down: {cause.capped}.", "    "))
    return lines


def _row_words(row: Evidence) -> str:
    """The lot's own counts stand above already."""
    return "the lot as a whole is low" if row.evidence == "lot_seen" else row.words


def _explained(one: LotReview) -> list[str]:
    """Points added up, cause by cause."""
    lines = []
    for cause in one.causes:
        parts = [f"{cause.start:+d} to begin with"]
        parts += [f"{size:+d} {row.evidence.replace('_', ' ')} ({row.reading.replace('_', ' ')})"
                  for row, size in (*cause.supports, *cause.opposes)]  # fmt: skip
        lines.append(wrapped(f"{cause.cause}: {', '.join(parts)} = {cause.points:+d}, {cause.standing}.", "  "))
    rows = [(row.evidence.replace("_", " "), row.reading.replace("_", " ") or "-", _statistic(row.statistic))
            for row in one.evidence]  # fmt: skip
    return [*lines, "", *("  " + line for line in text_table(("evidence", "reads", "statistic"), rows).split("\n"))]


def _statistic(value: float | None) -> str:
    return "-" if value is None else f"{value:.2g}"


def _other_lot(one: LotReview, words: str) -> list[str]:
    lines = [wrapped(f"{one.lot}: {words[0].lower()}{words[1:]}. {_sentence(one.seen)}")]
    lines += [wrapped(f"Next: {one.test}.", "  ")] if one.test else []
    return lines + [wrapped(f"Note: {note}.", "  ") for note in one.notes]


def _fine_lot(one: LotReview, explain: bool) -> list[str]:
    notes = "".join(f" {_sentence(note)}" for note in one.notes)
    lines = [wrapped(f"{one.lot}: {_sentence(one.seen, False)}{notes}", "  ")]
    return lines + (["", *_explained(one), ""] if explain else [])


def _sentence(words: str, capital: bool = True) -> str:
    return f"{words[0].upper() if capital else words[0]}{words[1:]}."


def _listed(doors: Iterable[str]) -> str:
    return ", and ".join(doors)


def _next(poor: list[LotReview]) -> str:
    if not poor:
        return "Next: nothing needs doing; germstats sow settles next year's seeds per cell."
    return ("Next: make the tests named above while trays and packets are still there, write what they show into the "
            "book (lots, maps, events), and run germstats review again; then germstats sow.")  # fmt: skip
