"""Status and advice of a tray: what its checks say against what is usual, and value against the cost of holding it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr

from germstats.decisions.ready import never_certain
from germstats.decisions.waiting_course import Course, give_up_day
from germstats.decisions.waiting_spec import (
    COMING,
    DISCARD,
    FEW,
    FINISHED,
    KEEP,
    LATE,
    LOOK,
    MOVE_ON,
    NEARLY,
    NOT_DUE,
    SILENT,
    UNSEEN,
    WINTER_OVER,
    TrayWatch,
    WatchSpec,
)
from germstats.models.compiled import Index
from germstats.models.emergence import EmergenceFit
from germstats.models.forecast import empty_by
from germstats.models.left_out import Expected, TrayAsk, expect
from germstats.models.lots import groups_of
from germstats.models.pooled_design import TrayKey
from germstats.models.rest import Known
from germstats.models.timing import Array
from germstats.records.book import RecordBook
from germstats.records.parsing import spelled
from germstats.records.sown import sown_trays

_BEHIND = 0.05
_OVER, _NEARLY_OVER, _LITTLE = 0.05, 0.10, 0.5
_DUE_CELLS = 2.0  # cells expected to be filled before a tray never looked at is asked after
_WEEKS_OF_WINTER = 40.0  # from one summer to the next spring's end; common practice, no source
_SECOND_SPRING = 0.1
"""Share of still empty cells that fill in a second spring where the book tells nothing; common practice, no source."""
_ASLEEP_WEEKS = 6.0  # species needing so many weeks of cold may sleep over; common practice, no source


@dataclass(frozen=True)
class Facts:
    """What advice rests on: the fit, the course of the spring, the book so far, wishes, value of a plug, losses."""

    fit: EmergenceFit
    course: Course
    book: RecordBook
    spec: WatchSpec
    plug_value: float
    losses: float

    @cached_property
    def expected(self) -> dict[str, Expected | None]:
        """Lot -> what all other trays let expect of its trays of this spring that were looked at."""
        code = {str(tray): k for k, tray in enumerate(self.fit.patterns.trays["tray"])}
        found: dict[str, Expected | None] = {}
        known = Known(self.fit)
        for lot in dict.fromkeys(self.course.trays["lot"]):
            at = self.of_lot(str(lot), checked=True)
            trays = self.course.trays.iloc[at]
            asks = [_ask(row, day) for row, day in zip(trays.to_dict("records"), self.course.last_day[at], strict=True)]
            codes = np.array([code[str(tray)] for tray in trays["tray"]], dtype=np.int64)
            found[str(lot)] = expect(known, codes, str(lot), asks)
        return found

    @cached_property
    def give_up(self) -> dict[str, pd.Timestamp | None]:
        """Lot -> day after which waiting is pointless."""
        return {str(lot): give_up_day(self.course, self.of_lot(str(lot)), self.spec.on)
                for lot in dict.fromkeys(self.course.trays["lot"])}  # fmt: skip

    @cached_property
    def second_spring(self) -> dict[str, float]:
        """Species -> share of cells empty in the first spring that filled in the second, by the trays kept over."""
        return second_springs(self.book, self.fit.spec.spring_ends)

    def of_lot(self, lot: str, checked: bool = False) -> Index:
        """Places of a lot's trays in the course."""
        own = (self.course.trays["lot"] == lot).to_numpy()
        return np.flatnonzero(own & self.course.checked if checked else own)


def _ask(row: dict[Any, Any], last_day: float) -> TrayAsk:
    chill = float(row["chill_weeks"])
    key = TrayKey(str(row["species"] or row["lot"]), str(row["treatment"]), int(row["season"]), str(row["place"]),
                  chill if chill > 0 else None)  # fmt: skip
    return TrayAsk(key, last_day, float((row["origin"] - row["sown_on"]).days))


def second_springs(book: RecordBook, spring_ends: tuple[int, int]) -> dict[str, float]:
    """Share of the cells empty at the end of the first spring that filled later, by species, from trays kept over."""
    trays = sown_trays(book, spring_ends).drop_duplicates("tray")
    trays = trays[~trays["two_winters"] & trays["window_end"].notna() & trays["tray_cells"].notna()]
    end = trays.set_index("tray")["window_end"]
    checks = book.tables["checks"].dropna(subset=["filled"])
    checks = checks[checks["tray"].isin(end.index) & checks["checked_on"].notna()]
    later = checks["checked_on"].to_numpy() > pd.to_datetime(end.reindex(checks["tray"]).to_numpy())
    first, second = (part.groupby("tray")["filled"].max().astype(float) for part in (checks[~later], checks[later]))
    both = trays[trays["tray"].isin(second.index)]
    empty = both["tray_cells"].to_numpy(float) - first.reindex(both["tray"]).fillna(0.0).to_numpy()
    more = (second.reindex(both["tray"]).to_numpy() - first.reindex(both["tray"]).fillna(0.0).to_numpy()).clip(min=0.0)
    frame = pd.DataFrame({"species": both["species"].astype(str).to_numpy(), "more": more, "empty": empty})
    sums = frame.groupby("species").sum()
    return {str(name): float(row["more"] / row["empty"]) for name, row in sums.iterrows() if row["empty"] > 0}


def advised(facts: Facts, k: int) -> TrayWatch:
    """One tray of the course with its status and advice."""
    course, row = facts.course, facts.course.trays.iloc[k].to_dict()
    lot = str(row["lot"])
    final, now = course.final[:, k], int(course.now[k])
    low, high = course.quantiles(final)
    mean = float(np.clip(course.weight @ final, low, high))  # where nearly all has come the range is one number
    more = never_certain(float(course.weight @ (final > now)))
    by_now, behind = _by_now(facts, k)
    status = _status(facts, k, more, mean, behind)
    give_up = facts.give_up[lot] if more > _OVER else None
    advice, why, money = _advice(facts, row, status, mean - now, give_up, k)
    return TrayWatch(
        tray=str(row["tray"]), lot=lot, species=str(row["species"] or lot), treatment=str(row["treatment"]),
        place=str(row["place"]), filled_now=now if course.checked[k] else None, cells=int(course.cells[k]),
        final_low=low, final=mean, final_high=high, chance_more=more, by_now=by_now, behind=behind,
        give_up_after=give_up, status=status, advice=advice, why=why, money=money, counted=row["counted"],
    )  # fmt: skip


def _by_now(facts: Facts, k: int) -> tuple[float | None, float | None]:
    """Cells that trays like this one have filled by its last check, and the chance of so few; None where
    no other tray tells when they come."""
    course, lot = facts.course, str(facts.course.trays["lot"].iloc[k])
    expected = facts.expected[lot]
    if expected is None or not course.checked[k] or np.isnan(expected.log_time).any() or not _timed(facts, lot):
        return None, None
    place = int(np.flatnonzero(facts.of_lot(lot, checked=True) == k)[0])
    rate = course.trays["rate"].iloc[k]
    fill = 1 - empty_by(expit(expected.ordinary[:, place]), expected.rho, expected.out[:, place].clip(0.0, 1.0), rate)
    cells = float(course.cells[k])
    return float(cells * fill.mean()), _below(float(course.now[k]), cells, fill)


def _timed(facts: Facts, lot: str) -> bool:
    """Whether any other lot's tray, or an earlier one of the lot, was looked at twice: one look tells no time."""
    trays = facts.fit.patterns.trays
    own = facts.course.trays["tray"][facts.of_lot(lot)]
    others = trays[~trays["tray"].isin(own)]
    species = groups_of(trays)[trays["lot"] == lot]
    return bool((others["looked"][groups_of(others).isin(species)] > 1).any())


def _below(seen: float, cells: float, fill: Array) -> float:
    """Chance of at most `seen` filled cells, half of the chance of just so many left out."""
    spread = np.sqrt(cells * fill * (1 - fill) + 0.25)
    return never_certain(float(ndtr((seen - cells * fill) / spread).mean()))


def _status(facts: Facts, k: int, more: float, mean: float, behind: float | None) -> str:
    course = facts.course
    now = int(course.now[k])
    low = behind is not None and behind < _BEHIND
    if not course.checked[k]:
        here = int(course.dates.searchsorted(facts.spec.on))
        due = float(course.weight @ course.course[:, min(here, len(course.dates) - 1), k])
        return UNSEEN if due >= _DUE_CELLS else NOT_DUE
    if now == 0 and not low and more > 0.5:
        return NOT_DUE
    left = mean - now
    over = more < _NEARLY_OVER or left < _LITTLE
    if now == 0:
        return SILENT
    if low:
        return FEW if over or left < _NEARLY_OVER * mean else LATE
    if over:
        return FINISHED
    return NEARLY if left < _NEARLY_OVER * max(mean, 1.0) else COMING


def _advice(
    facts: Facts, row: dict[Any, Any], status: str, left: float, give_up: pd.Timestamp | None, k: int
) -> tuple[str, str, str]:
    """What to do with the tray, why, and the same in money."""
    spec, value = facts.spec, facts.plug_value
    now = float(facts.course.now[k])
    have, will_have = facts.course.plugs(k, np.array([now, now + max(left, 0.0)]))
    plugs = float(will_have - have) * (1 - facts.losses)
    if status == NOT_DUE:
        return KEEP, "nothing is wrong yet", ""
    if status == UNSEEN:
        due = "cells should fill" if row["counted"] == "cells" else "seedlings should come up"
        return LOOK, f"about {left:.0f} {due} this spring, and some should have", ""
    if give_up is not None and status not in (FINISHED, FEW):
        weeks = max((give_up - spec.on).days, 0) / 7
        cost = spec.holding_cost * weeks
        if plugs * value >= cost:
            money = f"worth {plugs * value:.3g} against {cost:.2g} for holding it till then"
            return KEEP, f"about {plugs:.0f} more plugs by {spelled(give_up)}", money
    asleep, plants = _asleep(facts, row, k)
    winter = _WEEKS_OF_WINTER * spec.holding_cost
    if plants * value * (1 - facts.losses) > winter:
        first = "pot on what is up; " if facts.course.now[k] > 0 else ""
        lying = "empty cells may fill" if row["counted"] == "cells" else "more seeds may come up"
        why = (f"{first}little more this spring, but about {asleep:.0f} {lying} in a second, worth more "
               f"than the {winter:.2g} of holding it over; dig up 20 seeds first: firm ones are alive")  # fmt: skip
        return WINTER_OVER, why, ""
    if facts.course.now[k] > 0:
        return MOVE_ON, "what is up is about all that comes: pot on, and free the bench", ""
    return DISCARD, "hardly anything will come; dig up 20 seeds first: firm ones are alive", ""


def _asleep(facts: Facts, row: dict[Any, Any], k: int) -> tuple[float, float]:
    """Cells (or seeds) that may come in a second spring, and the plants they give: of species that need cold, or that
    were seen to."""
    course, species = facts.course, str(row["species"])
    final = float(course.weight @ course.final[:, k])
    needs = float(row["chill_weeks"]) >= _ASLEEP_WEEKS
    share = facts.second_spring.get(species, _SECOND_SPRING if needs else 0.0)
    asleep = (float(course.cells[k]) - final) * share
    before, after = course.plugs(k, np.array([final, final + asleep]))
    return asleep, float(after - before)
