"""`check` in words: counts first, then every finding with its remedy, then the account of rows."""

from __future__ import annotations

from germstats.document.sentences import wrapped
from germstats.document.tables import text_table
from germstats.records.book import RecordBook
from germstats.records.checking.findings import MEANING, SEVERITIES

SHOWN_OF_A_RULE = 5


def severity_counts(book: RecordBook) -> dict[str, int]:
    """Findings at each level, worst first."""
    counts = book.findings["severity"].value_counts()
    return {name: int(counts.get(name, 0)) for name in SEVERITIES}


def check_text(book: RecordBook, show_all: bool) -> str:
    """The whole printed answer of `germstats check`."""
    counts = severity_counts(book)
    lines = [f"{book.source}: " + ", ".join(f"{count} {name}" for name, count in counts.items())]
    for name in SEVERITIES:
        if counts[name]:
            lines += ["", f"{name.upper()}: {MEANING[name]}"]
            lines += _of_severity(book, name, show_all)
    if book.left_out:
        lines += ["", "Nothing is estimated from " + ", ".join(book.left_out) + " until mended."]
    rows = [[str(value) for value in row] for row in book.accounting.itertuples(index=False)]
    lines += ["", text_table(("table", "rows", "used", "merged", "set aside"), rows), ""]
    lines.append(
        _next(counts)
        if len(book.trays)
        else "Next: enter trays and their checks, then check again."
    )
    return "\n".join(lines)


def _of_severity(book: RecordBook, severity: str, show_all: bool) -> list[str]:
    found = book.findings[book.findings["severity"] == severity]
    lines = []
    for rule, group in found.groupby("rule", sort=False):
        shown = group if show_all else group.head(SHOWN_OF_A_RULE)
        for message, remedy in zip(shown["message"], shown["remedy"], strict=True):
            lines.append(wrapped(f"{message}; {remedy}", "  "))
        if len(group) > len(shown):
            lines.append(f"  ... and {len(group) - len(shown)} more of {rule} (--all shows them)")
    return lines


def _next(counts: dict[str, int]) -> str:
    if counts["stop"]:
        return wrapped(
            "Next: mend the stops above, then check again. Other trays can be used already: "
            "germstats fit."
        )
    if counts["ask"]:
        return wrapped(
            "Next: settle what is asked, in the file or in the table answers; then germstats fit."
        )
    return "Next: germstats fit, then germstats sow."
