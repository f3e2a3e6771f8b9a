"""Status and advice of a tray: what its checks say against what is usual, and value against the
cost of holding it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr

from germstats.engine.arrays import Index
from germstats.engine.design import TrayKey
from germstats.engine.fit import EmergenceFit
from germstats.engine.lots import groups_of
from germstats.engine.timing import Array
from germstats.forecast.expectation import Expected, TrayAsk, expect
from germstats.forecast.leave_out import LeaveOut
from germstats.forecast.order import never_certain
from germstats.forecast.tray import empty_by
from germstats.questions.watch.course import SpringCourse, give_up_day
from germstats.questions.watch.spec import Advice, TrayStatus, TrayWatch, WatchSpec
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import so_many, spelled
from germstats.records.intervals.sowings import sown_trays
from germstats.records.tables import Checks, Species, Trays

_BEHIND = 0.05
_OVER, _NEARLY_OVER, _LITTLE = 0.05, 0.10, 0.5
_SHORT, _SURE = 0.75, 0.9
"""Share of what trays like it bring below which a tray ends short, and how sure of that its own
draws have to be before it is called overdue: it may just be slow; common practice, no source.
"""
# share out of what comes, by others, from which on a tray with nothing up may be given up
_ALL_OUT = 0.9
# share still standing from which on a loss is the first thing to see to; common practice, no source
_MOST_GONE = 0.5
_DUE_CELLS = 2.0  # cells expected to be filled before a tray never looked at is asked after
_WEEKS_OF_WINTER = 40.0  # from one summer to the next spring's end; common practice, no source
_SECOND_SPRING = 0.1
"""Share of still empty cells that fill in a second spring where the book tells nothing; common
practice, no source.
"""
# species needing so many weeks of cold may sleep over; common practice, no source
_ASLEEP_WEEKS = 6.0


@dataclass(frozen=True)
class Facts:
    """What advice rests on: the fit, the course of the spring, the book so far, wishes, value of a
    plug, losses.
    """

    fit: EmergenceFit
    course: SpringCourse
    book: RecordBook
    spec: WatchSpec
    plug_value: float
    losses: float

    @cached_property
    def expected(self) -> dict[str, Expected | None]:
        """Lot -> what to expect, by all other trays, of its trays of this spring that were
        looked at.
        """
        code = {str(tray): k for k, tray in enumerate(self.fit.patterns.trays[Trays.tray])}
        found: dict[str, Expected | None] = {}
        known = LeaveOut(self.fit)
        for lot in dict.fromkeys(self.course.trays[Trays.lot]):
            at = self.of_lot(str(lot), checked=True)
            trays = self.course.trays.iloc[at]
            asks = [
                _ask(row, day)
                for row, day in zip(trays.to_dict("records"), self.course.last_day[at], strict=True)
            ]
            codes = np.array([code[str(tray)] for tray in trays[Trays.tray]], dtype=np.int64)
            found[str(lot)] = expect(known, codes, str(lot), asks)
        return found

    @cached_property
    def give_up(self) -> dict[str, pd.Timestamp | None]:
        """Lot -> day after which waiting is pointless."""
        return {
            str(lot): give_up_day(self.course, self.of_lot(str(lot)), self.spec.day)
            for lot in dict.fromkeys(self.course.trays[Trays.lot])
        }

    @cached_property
    def second_spring(self) -> dict[str, float]:
        """Species -> share of cells empty in the first spring that filled in the second, by the
        trays kept over.
        """
        return second_springs(self.book, self.fit.spec.spring_ends)

    @cached_property
    def standing(self) -> dict[str, int]:
        """Tray -> cells filled at its last check, where these were counted."""
        # `filled` never falls
        checks = self.book.checks.dropna(subset=["filled_raw", Checks.checked_on])
        last = (
            checks.sort_values(Checks.checked_on, kind="stable")
            .groupby(Checks.tray)["filled_raw"]
            .last()
        )
        return {str(tray): int(filled) for tray, filled in last.items()}

    def of_lot(self, lot: str, checked: bool = False) -> Index:
        """Places of a lot's trays in the course."""
        own = (self.course.trays[Trays.lot] == lot).to_numpy()
        return np.flatnonzero(own & self.course.checked if checked else own)


def _ask(row: dict[Any, Any], last_day: float) -> TrayAsk:
    chill = float(row[Species.chill_weeks])
    key = TrayKey(
        group=str(row["species"] or row["lot"]),
        label=str(row["treatment"]),
        season=int(row["season"]),
        place=str(row["place"]),
        chill=chill if chill > 0 else None,
    )
    return TrayAsk(key, last_day, float((row["origin"] - row[Trays.sown_on]).days))


def second_springs(book: RecordBook, spring_ends: tuple[int, int]) -> dict[str, float]:
    """Share of the cells empty at the end of the first spring that filled later, by species, from
    trays kept over.
    """
    trays = sown_trays(book, spring_ends).drop_duplicates("tray")
    trays = trays[
        ~trays[Species.two_winters] & trays["window_end"].notna() & trays["tray_cells"].notna()
    ]
    end = trays.set_index(Trays.tray)["window_end"]
    checks = book.checks.dropna(subset=[Checks.filled])
    checks = checks[checks[Checks.tray].isin(end.index) & checks[Checks.checked_on].notna()]
    later = checks[Checks.checked_on].to_numpy() > pd.to_datetime(
        end.reindex(checks[Checks.tray]).to_numpy()
    )
    first, second = (
        part.groupby("tray")["filled"].max().astype(float)
        for part in (checks[~later], checks[later])
    )
    both = trays[trays[Trays.tray].isin(second.index)]
    empty = both["tray_cells"].to_numpy(float) - first.reindex(both["tray"]).fillna(0.0).to_numpy()
    more = (
        second.reindex(both["tray"]).to_numpy() - first.reindex(both["tray"]).fillna(0.0).to_numpy()
    ).clip(min=0.0)
    frame = pd.DataFrame(
        {"species": both["species"].astype(str).to_numpy(), "more": more, "empty": empty}
    )
    sums = frame.groupby("species").sum()
    return {
        str(name): float(row["more"] / row["empty"])
        for name, row in sums.iterrows()
        if row["empty"] > 0
    }


def advised(facts: Facts, k: int) -> TrayWatch:
    """One tray of the course with its status and advice."""
    course, row = facts.course, facts.course.trays.iloc[k].to_dict()
    lot = str(row["lot"])
    final, now = course.final[:, k], int(course.now[k])
    low, high = course.quantiles(final)
    # where nearly all has come the range is one number
    mean = float(np.clip(course.weight @ final, low, high))
    more = never_certain(float(course.weight @ (final > now)))
    others = _by_others(facts, k)
    short = (
        None
        if others is None
        else never_certain(float(course.weight @ (final < _SHORT * others.usual)))
    )
    status = _status(facts, k, TrayOutlook(more, mean, short, others))
    give_up = facts.give_up[lot] if more > _OVER else None
    decision = _decision(facts, row, status=status, left=mean - now, give_up=give_up, k=k)
    return TrayWatch(
        tray=str(row["tray"]),
        lot=lot,
        species=str(row["species"] or lot),
        treatment=str(row["treatment"]),
        place=str(row["place"]),
        filled_now=now if course.checked[k] else None,
        cells=int(course.cells[k]),
        final_low=low,
        final=mean,
        final_high=high,
        chance_more=more,
        by_now=None if others is None else others.by_now,
        behind=None if others is None else others.behind,
        chance_short=short,
        give_up_after=give_up,
        status=status,
        advice=decision.advice,
        why=decision.why,
        money=decision.money,
        counted=row["counted"],
    )


@dataclass(frozen=True)
class OtherTrays:
    """What to expect, by all other trays, of one: cells filled by its last check and in the end,
    the chance of so few by now, the share out by now of what comes, and whether an earlier spring
    of the species is among them.
    """

    by_now: float
    usual: float
    behind: float
    out: float
    earlier: bool


@dataclass(frozen=True)
class TrayOutlook:
    """What is still to come: the chance of more, the mean in the end, the chance to end short; what
    others say.
    """

    more: float
    mean: float
    short: float | None
    others: OtherTrays | None

    @property
    def low(self) -> bool:
        """Whether few trays like it have so few by now."""
        return self.others is not None and self.others.behind < _BEHIND

    @property
    def overdue(self) -> bool:
        """Whether it is low, and not just slow: by its own records it will end short."""
        return self.low and self.short is not None and self.short >= _SURE

    @property
    def past(self) -> bool:
        """Whether nearly all that comes of its species is out by now in other springs; so where
        nothing tells.
        """
        return self.others is None or (self.others.earlier and self.others.out >= _ALL_OUT)


def _by_others(facts: Facts, k: int) -> OtherTrays | None:
    """What other trays say of this one by its last check; None where none tells when they come."""
    course, lot = facts.course, str(facts.course.trays[Trays.lot].iloc[k])
    expected = facts.expected[lot]
    if (
        expected is None
        or not course.checked[k]
        or np.isnan(expected.log_time).any()
        or not _timed(facts, lot)
    ):
        return None
    place = int(np.flatnonzero(facts.of_lot(lot, checked=True) == k)[0])
    rate, cells = course.trays["rate"].iloc[k], float(course.cells[k])
    share, out = expit(expected.ordinary[:, place]), expected.out[:, place].clip(0.0, 1.0)
    fill = 1 - empty_by(share, expected.rho, out, rate)
    whole = 1 - empty_by(share, expected.rho, np.ones_like(out), rate)
    behind = _below(float(course.now[k]), cells, fill)
    by_now, usual = float(cells * fill.mean()), float(cells * whole.mean())
    return OtherTrays(
        by_now=by_now, usual=usual, behind=behind, out=float(out.mean()), earlier=expected.earlier
    )


def _timed(facts: Facts, lot: str) -> bool:
    """Whether any other lot's tray, or an earlier one of the lot, was looked at twice: one look
    tells no time.
    """
    trays = facts.fit.patterns.trays
    own = facts.course.trays[Trays.tray][facts.of_lot(lot)]
    others = trays[~trays[Trays.tray].isin(own)]
    species = groups_of(trays)[trays[Trays.lot] == lot]
    return bool((others["looked"][groups_of(others).isin(species)] > 1).any())


def _below(seen: float, cells: float, fill: Array) -> float:
    """Chance of at most `seen` filled cells, half of the chance of just so many left out."""
    spread = np.sqrt(cells * fill * (1 - fill) + 0.25)
    return never_certain(float(ndtr((seen - cells * fill) / spread).mean()))


def _status(facts: Facts, k: int, ahead: TrayOutlook) -> TrayStatus:
    course = facts.course
    now = int(course.now[k])
    if not course.checked[k]:
        here = int(course.dates.searchsorted(facts.spec.day))
        due = float(course.weight @ course.course[:, min(here, len(course.dates) - 1), k])
        return TrayStatus.UNSEEN if due >= _DUE_CELLS else TrayStatus.NOT_DUE
    left = ahead.mean - now
    over = ahead.more < _NEARLY_OVER or left < _LITTLE
    if now == 0:
        return TrayStatus.SILENT if ahead.overdue or (over and ahead.past) else TrayStatus.NOT_DUE
    if ahead.low and (over or left < _NEARLY_OVER * ahead.mean):
        return TrayStatus.FEW
    if ahead.overdue:
        return TrayStatus.LATE
    if over:
        return TrayStatus.FINISHED
    return TrayStatus.NEARLY if left < _NEARLY_OVER * max(ahead.mean, 1.0) else TrayStatus.COMING


@dataclass(frozen=True)
class _Decision:
    """What to do with a tray, why, and the same in money."""

    advice: Advice
    why: str
    money: str = ""


def _decision(
    facts: Facts,
    row: dict[Any, Any],
    status: TrayStatus,
    left: float,
    give_up: pd.Timestamp | None,
    k: int,
) -> _Decision:
    """What to do with a tray: the first of the reasons that holds.

    Parameters
    ----------
    facts : Facts
    row : dict
        The tray as sown.
    status : TrayStatus
    left : float
        Cells (or seedlings) still expected.
    give_up : pandas.Timestamp or None
        After this day hardly anything would come.
    k : int
        Its place in the course.
    """
    lost = _lost_since(facts, row, k)
    if lost is not None:
        return lost
    if status == TrayStatus.NOT_DUE:
        return _Decision(Advice.KEEP, "nothing is wrong yet")
    if status == TrayStatus.UNSEEN:
        return _look_at_last(row, left)
    if give_up is not None and status not in (TrayStatus.FINISHED, TrayStatus.FEW):
        worth_it = _worth_waiting(facts, left=left, give_up=give_up, k=k)
        if worth_it is not None:
            return worth_it
    second_spring = _worth_a_winter(facts, row, k)
    if second_spring is not None:
        return second_spring
    if facts.course.now[k] > 0:
        why = "all that will come is up: thin, fill gaps, and pot up when the roots are ready"
        return _Decision(Advice.MOVE_ON, why)
    why = "hardly anything will come; dig up 20 seeds first: firm ones are alive"
    return _Decision(Advice.DISCARD, why)


def _lost_since(facts: Facts, row: dict[Any, Any], k: int) -> _Decision | None:
    """Where most of what came is gone: find out why before anything else."""
    now = int(facts.course.now[k])
    by_cell = row["counted"] == "cells"
    standing = facts.standing.get(str(row["tray"]), now) if by_cell else now
    if now == 0 or standing > _MOST_GONE * now:
        return None
    why = (
        f"{so_many(now, 'cell')} had filled, {standing or 'none'} at the last check: find out what "
        "took the rest first"
    )
    return _Decision(Advice.LOOK, why)


def _look_at_last(row: dict[Any, Any], left: float) -> _Decision:
    """A tray that should show something by now, and that nobody has looked at."""
    by_cell = row["counted"] == "cells"
    expected = so_many(round(left), "cell" if by_cell else "seedling")
    should = "fill" if by_cell else "come up"
    return _Decision(
        Advice.LOOK, f"about {expected} should {should} this spring, and some should have"
    )


def _worth_waiting(facts: Facts, left: float, give_up: pd.Timestamp, k: int) -> _Decision | None:
    """Keep it, where the plugs still to come are worth the weeks on the bench."""
    spec, value = facts.spec, facts.plug_value
    now = float(facts.course.now[k])
    have, will_have = facts.course.plugs(k, np.array([now, now + max(left, 0.0)]))
    plugs = float(will_have - have) * (1 - facts.losses)
    weeks = max((give_up - spec.day).days, 0) / 7
    cost = spec.holding_cost * weeks
    if plugs * value < cost:
        return None
    return _Decision(
        Advice.KEEP,
        f"about {so_many(round(plugs), 'more plug')} by {spelled(give_up)}",
        f"worth {plugs * value:.3g} against {cost:.2g} for holding it till then",
    )


def _worth_a_winter(facts: Facts, row: dict[Any, Any], k: int) -> _Decision | None:
    """Hold it over, where the seed that may lie asleep is worth the winter."""
    asleep, plants = _asleep(facts, row, k)
    winter = _WEEKS_OF_WINTER * facts.spec.holding_cost
    if plants * facts.plug_value * (1 - facts.losses) <= winter:
        return None
    by_cell = row["counted"] == "cells"
    lying = so_many(round(asleep), "empty cell" if by_cell else "more seed")
    may = "may fill" if by_cell else "may come up"
    up = facts.course.now[k] > 0
    first = "thin what is up, and pot it up when the roots are ready; " if up else ""
    why = (
        f"{first}little more this spring, but about {lying} {may} in a second, worth more than the "
        f"{winter:.2g} of holding it over; dig up 20 seeds first: firm ones are alive"
    )
    return _Decision(Advice.WINTER_OVER, why)


def _asleep(facts: Facts, row: dict[Any, Any], k: int) -> tuple[float, float]:
    """Cells (or seeds) that may come in a second spring, and the plants they give: of species that
    need cold, or that were seen to.
    """
    course, species = facts.course, str(row["species"])
    final = float(course.weight @ course.final[:, k])
    needs = float(row[Species.chill_weeks]) >= _ASLEEP_WEEKS
    share = facts.second_spring.get(species, _SECOND_SPRING if needs else 0.0)
    asleep = (float(course.cells[k]) - final) * share
    before, after = course.plugs(k, np.array([final, final + asleep]))
    return asleep, float(after - before)
