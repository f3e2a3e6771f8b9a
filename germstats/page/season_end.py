"""What can still be done with the trays of a spring that is over."""

from __future__ import annotations

from germstats.document.sentences import number
from germstats.questions.watch.spec import Advice, TrayStatus, TrayWatch, Watch
from germstats.questions.watch.watch_text import of_how_many


def unfinished_words(found: Watch) -> list[str]:
    """Trays that had not finished when they were last looked at, and what can still be done about
    it.
    """
    rows = [row for row in found.rows if row.unfinished]
    if not rows:
        return []
    said = ", ".join(f"{row.tray} ({_seen(row)})" for row in rows)
    return [
        f"{said}: count what stands there now and write it down with today's date, or nobody can "
        "tell late from dead. Then dig up 20 seeds from empty cells: firm and white ones are "
        "alive, and the tray is worth keeping for a second winter if its species needs cold; else "
        "empty it."
    ]


def _seen(row: TrayWatch) -> str:
    return (
        "never looked at"
        if row.filled_now is None
        else f"{number(row.filled_now)} of {of_how_many(row)}"
    )


def next_when_over(found: Watch | None) -> str:
    """What can still be done with the trays of a spring that is over."""
    said = ["write down the last counts, zeros too, and what happened to any tray"]
    advice = {row.advice for row in found.rows} if found is not None else set()
    kept = found is not None and any(
        row.advice == Advice.WINTER_OVER or row.status == TrayStatus.SECOND_WINTER
        for row in found.rows
    )
    if kept:
        said.append("keep the trays named for a second winter, and label them")
    if Advice.DISCARD in advice:
        said.append("before a tray is emptied, dig up 20 of its seeds: firm ones are alive")
    said.append("pot up what is there when its roots are ready, and empty the others")
    return f"Next: {'; '.join(said)}. Why a lot did poorly stands in the next part."
