"""Whether the spring of a page is over: the page's one decision of its own, since it knows
the day it is made.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import pandas as pd

from germstats.errors import NotEnoughRecordsError
from germstats.page.season_summary import SeasonSummary
from germstats.records.checking.parsing import spelled
from germstats.records.intervals.subsets import newest_day


@dataclass(frozen=True)
class SpringOver:
    """A spring that is over.

    Attributes
    ----------
    spring : int
    newest : pandas.Timestamp
        The day of the newest record.
    ended : pandas.Timestamp or None
        Its last day, if that has passed; None where by the checks nothing more is to come.
    """

    spring: int
    newest: pd.Timestamp
    ended: pd.Timestamp | None = None

    @property
    def words(self) -> str:
        """That it is over, and by what."""
        if self.ended is None:
            return (
                f"Spring {self.spring} is over: by the checks up to {spelled(self.newest)} nothing "
                "more is to come."
            )
        return (
            f"Spring {self.spring} is over: it ended on {spelled(self.ended)}, and the newest "
            f"record is of {spelled(self.newest)}."
        )


def spring_over(account: SeasonSummary, made_on: datetime.date | None = None) -> SpringOver | None:
    """The spring of the page, if it is over; None while it is under way.

    It is over when its last day has passed, on the page's day or on the day it is made, or when by
    the checks nothing more is to come on any tray. A page as it stood on a day of its own knows
    nothing of the day it is made.

    Parameters
    ----------
    account : SeasonSummary
    made_on : datetime.date, optional
    """
    if account.watch is None and account.review is None:
        return None
    try:
        on = account.spec.on if account.spec.on is not None else newest_day(account.book)
    except NotEnoughRecordsError:
        return None
    spring = _spring_of(account, on)
    end = pd.Timestamp(spring, *account.fit.spec.spring_ends)
    today = pd.Timestamp(made_on) if made_on is not None and account.spec.on is None else on
    if max(on, today) > end:
        return SpringOver(spring, newest=min(on, today), ended=end)
    if account.watch is not None and account.watch.over:
        return SpringOver(spring, newest=on)
    return None


def _spring_of(account: SeasonSummary, on: pd.Timestamp) -> int:
    if account.watch is not None:
        return account.watch.spring
    return account.review.season if account.review is not None else on.year
