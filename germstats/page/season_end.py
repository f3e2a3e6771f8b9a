"""Whether the spring a page tells of is over, and what can still be done with its trays."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import pandas as pd

from germstats.document.sentences import number
from germstats.errors import NotEnoughRecordsError
from germstats.page.season_summary import SeasonAccount
from germstats.questions.watch.spec import (
    COMING,
    DISCARD,
    LATE,
    NEARLY,
    NOT_DUE,
    SECOND_WINTER,
    SILENT,
    UNSEEN,
    WINTER_OVER,
    TrayWatch,
    Watch,
)
from germstats.questions.watch.watch_text import of_how_many
from germstats.records.checking.parsing import spelled
from germstats.records.intervals.subsets import newest_day

_UNFINISHED = (SILENT, LATE, UNSEEN, COMING, NOT_DUE, NEARLY)


@dataclass(frozen=True)
class SpringOver:
    """A spring that is over.

    Attributes
    ----------
    spring : int
    words : str
        That it is over, and by what.
    """

    spring: int
    words: str


def spring_over(account: SeasonAccount, made_on: datetime.date | None = None) -> SpringOver | None:
    """The spring the page tells of, if it is over; None while it is under way.

    It is over when its last day has passed, on the page's day or on the day it is made, or when by the checks nothing
    more is to come on any tray. A page as it stood on a day of its own knows nothing of the day it is made.

    Parameters
    ----------
    account : SeasonAccount
    made_on : datetime.date, optional
    """
    found = account.watch
    if found is None and account.review is None:
        return None
    try:
        on = account.spec.on if account.spec.on is not None else newest_day(account.book)
    except NotEnoughRecordsError:
        return None
    spring = found.spring if found is not None else account.review.season if account.review is not None else on.year
    month, day = account.fit.spec.spring_ends
    end = pd.Timestamp(spring, month, day)
    today = pd.Timestamp(made_on) if made_on is not None and account.spec.on is None else on
    if max(on, today) > end:
        return SpringOver(spring, f"Spring {spring} is over: it ended on {spelled(end)}, and the newest record is of "
                                  f"{spelled(min(on, today))}.")  # fmt: skip
    if found is not None and _nothing_to_come(found):
        return SpringOver(
            spring, f"Spring {spring} is over: by the checks up to {spelled(on)} nothing more is to come."
        )
    return None


def _nothing_to_come(found: Watch) -> bool:
    passed = all(lot.most is None or lot.most[1] <= found.spec.on for lot in found.lots)
    return bool(found.lots) and passed and not any(row.status in _UNFINISHED for row in found.rows)


def unfinished_words(found: Watch) -> list[str]:
    """Trays that had not finished when they were last looked at, and what can still be done about it."""
    rows = [row for row in found.rows if row.status in _UNFINISHED]
    if not rows:
        return []
    said = ", ".join(f"{row.tray} ({_seen(row)})" for row in rows)
    return [f"{said}: count what stands there now and write it down with today's date, or nobody can tell late from "
            "dead. Then dig up 20 seeds from empty cells: firm and white ones are alive, and the tray is worth keeping "
            "for a second winter if its species needs cold; else empty it."]  # fmt: skip


def _seen(row: TrayWatch) -> str:
    return "never looked at" if row.filled_now is None else f"{number(row.filled_now)} of {of_how_many(row)}"


def next_when_over(found: Watch | None) -> str:
    """What can still be done with the trays of a spring that is over."""
    said = ["write down the last counts, zeros too, and what happened to any tray"]
    advice = {row.advice for row in found.rows} if found is not None else set()
    kept = found is not None and any(row.advice == WINTER_OVER or row.status == SECOND_WINTER for row in found.rows)
    if kept:
        said.append("keep the trays named for a second winter, and label them")
    if DISCARD in advice:
        said.append("before a tray is emptied, dig up 20 of its seeds: firm ones are alive")
    said.append("pot up what is there when its roots are ready, and empty the others")
    return f"Next: {'; '.join(said)}. Why a lot did poorly stands in the next part."
