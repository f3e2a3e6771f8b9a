"""A season under way: which trays are late, which are done, which to keep: `watch`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from germstats.engine.arrays import Index
from germstats.engine.fit import EmergenceFit, FitSpec, Progress, book_of, silent, spec_of
from germstats.engine.lots import groups_of
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.demand import later_losses
from germstats.forecast.law_average import WeighedFit, fits_by_law
from germstats.forecast.order import never_certain
from germstats.forecast.weather import HeatClock, by_heat, daily_weather, heat_clock
from germstats.questions.watch.advice import Facts, advised
from germstats.questions.watch.course import SpringCourse, course_of, mixed, plugs_by_date, windows
from germstats.questions.watch.spec import (
    Advice,
    LotWatch,
    OrderWatch,
    TrayStatus,
    TrayWatch,
    Watch,
    WatchSpec,
)
from germstats.questions.watch.weather import heat_words
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import spelled
from germstats.records.intervals.patterns import Patterns, find_patterns
from germstats.records.intervals.seed_totals import UNITS, Unit, seeds_as_cells, told_by_seeds
from germstats.records.intervals.sowings import ending_dates, sown_trays
from germstats.records.intervals.subsets import as_of, looked_at_sowing, newest_day
from germstats.records.suggesting import must_know
from germstats.records.tables import Cells, Checks, Events, Orders, Species, Trays


@dataclass(frozen=True)
class SpringUnderWay:
    """The trays of the spring under way, and what is known of them on the day."""

    book: RecordBook
    spec: WatchSpec
    fit_spec: FitSpec
    spring: int

    @cached_property
    def trays(self) -> pd.DataFrame:
        """Trays sown and not yet past their spring, index 0..; ``judged`` is the year of that
        spring, ``ended`` the day an event ended the tray's records, ``checked`` whether it was
        looked at.
        """
        trays = sown_trays(self.book, self.fit_spec.spring_ends).drop_duplicates("tray")
        trays = trays[
            trays[Trays.sown_on].notna()
            & trays["rate"].notna()
            & (trays["window_end"] >= self.spec.day)
        ]
        trays = trays[trays[Trays.lot].isin(self.spec.lots)] if self.spec.lots else trays
        tables = self.book.tables
        checks = [tables[name].dropna(subset="checked_on")["tray"] for name in ("checks", "cells")]
        whole, _ = ending_dates(self.book)
        return trays.assign(
            judged=trays["origin"].dt.year,
            ended=pd.to_datetime(trays[Trays.tray].map(whole)),
            checked=trays[Trays.tray].isin(set(pd.concat(checks))),
        ).reset_index(drop=True)

    @cached_property
    def here(self) -> pd.DataFrame:
        """Those whose spring this is and whose records nothing ended."""
        trays = self.trays
        stopped = (
            trays[Trays.tray].isin(self.book.left_out)
            | trays["ended"].notna()
            | trays["tray_cells"].isna()
        )
        return trays[(trays["judged"] == self.spring) & ~stopped]

    @cached_property
    def patterns(self) -> Patterns:
        """All records so far.

        Trays of this spring are under way: the day of sowing counts as a look that found none, so
        that a single look is not taken as final; ``looked`` is how often they were really looked
        at.
        """
        patterns = find_patterns(looked_at_sowing(self.book, self.here), self.fit_spec.spring_ends)
        trays = patterns.trays
        under_way = trays[Trays.tray].isin(self.here["tray"])
        looks = trays["looks"]
        return replace(
            patterns,
            trays=trays.assign(looked=looks, looks=looks.clip(lower=2).where(under_way, looks)),
        )

    @cached_property
    def closed(self) -> dict[str, int]:
        """Tray -> cells that were empty when something ended them."""
        _, by_cell = ending_dates(self.book)
        cells = self.book.cells
        seen = (cells[Cells.emerged].fillna(0) + cells[Cells.occupied].fillna(0)) > 0
        filled = set(zip(cells[Cells.tray][seen], cells[Cells.cell][seen], strict=True))
        return dict(Counter(tray for tray, cell in by_cell if (tray, cell) not in filled))


def watch(
    book_or_fit: RecordBook | EmergenceFit,
    spec: WatchSpec | None = None,
    *,
    progress: Progress | None = None,
) -> Watch:
    """Say of every tray of the spring under way what is still to come, and what to do with it.

    Parameters
    ----------
    book_or_fit : RecordBook or EmergenceFit
        Of a fit only its book and settings are used: a watch fits the records up to its day.
    spec : WatchSpec, optional
    progress : callable, optional
        Called with a short text before each stage.

    Returns
    -------
    Watch

    Raises
    ------
    WrongUseError
        No tray is under way on the day, an unknown lot.
    NotEnoughRecordsError
        Nothing on record helps to forecast any tray.
    """
    book = book_of(book_or_fit)
    spec = spec or WatchSpec()
    if spec.on is None:
        spec = replace(spec, on=newest_day(book))
    season = under_way(book, spec, spec_of(book_or_fit, spec.fit))
    fit, clock, course = _foretold(season, progress or silent)
    losses = _losses(season.book)
    value = spec.plug_value if spec.plug_value is not None else _usual_price(book)
    facts = Facts(
        fit=fit, course=course, book=season.book, spec=spec, plug_value=value, losses=losses
    )
    rows = [*(advised(facts, k) for k in range(len(course.trays))), *_not_forecast(season, course)]
    rows.sort(key=_gravest_first)
    watched = season.here if len(season.here) else season.trays
    weather = heat_words(
        season.book, watched, came=_species_up(rows), clock=clock, spec=spec, spring=season.spring
    )
    return Watch(
        spec=spec,
        spring=season.spring,
        rows=tuple(rows),
        lots=_lots(facts),
        orders=_orders(book, course, season, losses),
        weather=weather,
        plug_value=value,
        first_springs=_first_springs(season),
    )


def under_way(book: RecordBook, spec: WatchSpec, fit_spec: FitSpec) -> SpringUnderWay:
    """The trays under way on a day, before any of them is forecast; refuses as `watch` does."""
    known = {str(lot) for lot in book.trays[Trays.lot] if lot}
    for lot in spec.lots:
        must_know(lot, known, f"There is no tray of the lot {lot}")
    season = _season_of(book, spec, fit_spec)
    if season.trays.empty:
        raise WrongUseError(_nothing_under_way(book, spec, fit_spec))
    return season


def course_on(book: RecordBook, on: pd.Timestamp, fit_spec: FitSpec | None = None) -> SpringCourse:
    """Only the course of the trays under way on a day, as draws; parameters as in `watch`."""
    return _foretold(_season_of(book, WatchSpec(on), fit_spec or FitSpec()), silent)[2]


def _season_of(book: RecordBook, spec: WatchSpec, fit_spec: FitSpec) -> SpringUnderWay:
    month, day = fit_spec.spring_ends
    spring = spec.day.year + (spec.day > pd.Timestamp(spec.day.year, month, day))
    return SpringUnderWay(as_of(book, spec.day), spec, replace(fit_spec, to_horizon=False), spring)


def _foretold(
    season: SpringUnderWay, progress: Callable[[str], None]
) -> tuple[EmergenceFit, HeatClock | None, SpringCourse]:
    fits, clock = _fitted(season, progress)
    progress("looking ahead")
    courses = [
        (
            course_of(one.fit, season.here, closed=season.closed, clock=clock, on=season.spec.day),
            one.weight,
        )
        for one in fits
    ]
    return fits[0].fit, clock, mixed(courses, list(groups_of(courses[0][0].trays)))


def _fitted(
    season: SpringUnderWay, progress: Callable[[str], None]
) -> tuple[tuple[WeighedFit, ...], HeatClock | None]:
    """Fits of the records so far under every law of timing that counts; by heat where the weather
    of this spring and an earlier one is known.
    """
    patterns = season.patterns
    known = season.here["tray"][season.here["checked"]]
    if not (
        (patterns.trays[Trays.season] < season.spring) | patterns.trays[Trays.tray].isin(known)
    ).any():
        raise NotEnoughRecordsError(
            "No tray has a check that can be used yet, in this season or an earlier one: look at "
            "the trays and write down what you see, zeros too."
        )
    weather = daily_weather(season.book.weather)
    clock = None
    if weather is not None:
        years = sorted({int(y) for y in patterns.trays[Trays.season]} | {season.spring})
        clock = heat_clock(weather, years, season.spec.day, season.spec.base_c)
    here = set(season.here["tray"])
    if clock is None or season.spring not in clock.springs:
        return fits_by_law(patterns, season.fit_spec, here, progress), None
    spec = replace(season.fit_spec, scatter=replace(season.fit_spec.scatter, late_spring=False))
    return fits_by_law(by_heat(patterns, clock), spec, here, progress), clock


def _nothing_under_way(book: RecordBook, spec: WatchSpec, fit_spec: FitSpec) -> str:
    trays = sown_trays(book, fit_spec.spring_ends)
    trays = trays[trays[Trays.lot].isin(spec.lots)] if spec.lots else trays
    of = f" of {', '.join(spec.lots)}" if spec.lots else ""
    if trays.empty or trays[Trays.sown_on].isna().all():
        return f"No tray{of} is in the book yet: enter trays first."
    first, last = trays[Trays.sown_on].min(), trays["window_end"].max()
    if spec.day < first:
        return (
            f"On {spelled(spec.day)} no tray{of} was sown yet; the first was on {spelled(first)}: "
            "choose a later day."
        )
    if spec.day > last:
        spring = (
            "its last spring"
            if len(spec.lots) == 1
            else "their last spring"
            if spec.lots
            else "the last spring"
        )
        return (
            f"On {spelled(spec.day)} no tray{of} is under way: {spring} on record ended on "
            f"{spelled(last)}. germstats review looks back on it."
        )
    return (
        f"On {spelled(spec.day)} no tray{of} is under way: choose a day between sowing and the end "
        "of a spring."
    )


def _first_springs(season: SpringUnderWay) -> tuple[str, ...]:
    """Species (or lots) under way that have no earlier spring on record."""
    trays = season.patterns.trays
    group = groups_of(trays)
    here = trays[Trays.tray].isin(season.here["tray"])
    return tuple(
        sorted(set(group[here]) - set(group[~here & (trays[Trays.season] < season.spring)]))
    )


def _species_up(rows: Iterable[TrayWatch]) -> frozenset[str]:
    """Species of which anything was seen this spring."""
    return frozenset(row.species for row in rows if row.filled_now)


def _usual_price(book: RecordBook) -> float:
    prices = book.orders[Orders.price].astype(float).dropna()
    return float(prices.median()) if len(prices) else 1.0


def _losses(book: RecordBook) -> float:
    species = [str(one) for one in book.species[Species.species]]
    losses = later_losses(book, species, None)
    return float(np.median([one.share for one in losses.values()])) if species else 0.06


def _not_forecast(season: SpringUnderWay, course: SpringCourse) -> list[TrayWatch]:
    """Trays that no forecast covers: waiting for a second winter, ended by an event, or stopped by
    a finding.
    """
    forecast = set(course.trays[Trays.tray])
    rest = season.trays[~season.trays[Trays.tray].isin(forecast)]
    counts = _ever_counted(season, set(rest[Trays.tray]))
    endings = _endings(season.book)
    rows = []
    for tray in rest.to_dict("records"):
        name = str(tray[Trays.tray])
        filled, cells, counted = counts.get(name) or _as_written(season.book, tray)
        outcome = _outcome_without_forecast(season, tray, endings.get(name, ""))
        rows.append(
            TrayWatch(
                tray=name,
                lot=str(tray[Trays.lot]),
                species=str(tray["species"] or tray[Trays.lot]),
                treatment=str(tray["treatment"]),
                place=str(tray[Trays.place]),
                filled_now=None if filled is None or pd.isna(filled) else int(filled),
                cells=0 if pd.isna(cells) else int(cells),
                final_low=None,
                final=None,
                final_high=None,
                chance_more=None,
                by_now=None,
                behind=None,
                give_up_after=None,
                status=outcome.status,
                advice=outcome.advice,
                why=outcome.why,
                counted=counted,
            )
        )
    return rows


@dataclass(frozen=True)
class _Outcome:
    """How a tray stands that has no forecast, what to do, and why."""

    status: TrayStatus
    advice: Advice
    why: str


def _outcome_without_forecast(
    season: SpringUnderWay, tray: dict[Hashable, Any], ending: str
) -> _Outcome:
    """Why there is no forecast, and the advice that follows."""
    two_winters = bool(tray[Species.two_winters])
    if two_winters and tray["origin"] > season.spec.day:
        why = "needs two winters: no failure before its second spring"
        return _Outcome(TrayStatus.SECOND_WINTER, Advice.KEEP, why)
    if ending:
        return _Outcome(TrayStatus.CUT_SHORT, Advice.NOTHING, f"cut short on {ending}")
    if two_winters:
        why = "its second spring has begun, and it was not looked at since"
        return _Outcome(TrayStatus.UNSEEN, Advice.LOOK, why)
    why = season.book.left_out.get(str(tray[Trays.tray]), "nothing of it can be used")
    return _Outcome(TrayStatus.NOT_TOLD, Advice.NOTHING, why)


def _endings(book: RecordBook) -> dict[str, str]:
    """Tray -> the day its records ended, and by what."""
    days, _ = ending_dates(book)
    table = book.events
    events = {
        (tray, on): event
        for tray, on, event in zip(
            table[Events.tray], table[Events.on], table[Events.event], strict=True
        )
    }
    return {
        tray: f"{spelled(day)}: {events.get((tray, day), 'ended')}" for tray, day in days.items()
    }


def _ever_counted(season: SpringUnderWay, trays: set[str]) -> dict[str, tuple[float, float, Unit]]:
    """Tray -> cells ever filled, of how many, or seedlings and seeds; those that findings keep out
    of the estimates with them.
    """
    if not trays:
        return {}
    tables = season.book.tables
    own = {name: tables[name][tables[name]["tray"].isin(trays)] for name in ("checks", "cells")}
    book = replace(season.book, tables={**tables, **own}, left_out={})
    patterns = find_patterns(book, season.fit_spec.spring_ends)
    units = np.where(told_by_seeds(patterns), "seeds", "cells")
    counts = seeds_as_cells(patterns).trays
    by_seeds = units == "seeds"
    of = counts["cells"].where(by_seeds, counts["tray_cells"])
    return dict(
        zip(counts["tray"].astype(str), zip(counts["filled"], of, units, strict=True), strict=True)
    )


def _as_written(book: RecordBook, tray: dict[Hashable, Any]) -> tuple[float | None, float, Unit]:
    """The most ever written down of a tray none of whose checks count yet, and of how many."""
    checks = book.checks
    own = checks[checks[Checks.tray] == tray["tray"]]
    if (
        own[Checks.filled].isna().all()
        and own[Checks.seedlings].notna().any()
        and tray["rate"].k is None
    ):
        return (
            float(own[Checks.seedlings].max()),
            np.round(tray["rate"].mean * tray["tray_cells"]),
            "seeds",
        )
    filled = own[Checks.filled].dropna()
    return float(filled.max()) if len(filled) else None, tray["tray_cells"], "cells"


_GRAVEST = (
    TrayStatus.SILENT,
    TrayStatus.LATE,
    TrayStatus.UNSEEN,
    TrayStatus.FEW,
    TrayStatus.COMING,
    TrayStatus.NOT_DUE,
    TrayStatus.NEARLY,
    TrayStatus.FINISHED,
    TrayStatus.SECOND_WINTER,
    TrayStatus.CUT_SHORT,
    TrayStatus.NOT_TOLD,
)


def _gravest_first(row: TrayWatch) -> tuple[int, float, str, str]:
    return (
        _GRAVEST.index(row.status),
        row.behind if row.behind is not None else 1.0,
        row.lot,
        row.tray,
    )


def _lots(facts: Facts) -> tuple[LotWatch, ...]:
    course, rows = facts.course, []
    for lot, give_up in facts.give_up.items():
        for counted in UNITS:
            at = facts.of_lot(lot)
            at = at[(course.trays["counted"].iloc[at] == counted).to_numpy()]
            if at.size:
                rows.append(_lot(course, lot, at=at, give_up=give_up, counted=counted))
    return tuple(rows)


def _lot(
    course: SpringCourse, lot: str, at: Index, give_up: pd.Timestamp | None, counted: Unit
) -> LotWatch:
    """The trays `at` of one lot, all counted alike, together."""
    final = course.final[:, at].sum(axis=1)
    low, high = course.quantiles(final)
    first, half, most = windows(course, at)
    return LotWatch(
        lot=lot,
        species=str(course.trays["species"].iloc[at[0]]),
        trays=len(at),
        cells=int(course.cells[at].sum()),
        filled_now=int(course.now[at].sum()),
        final_low=low,
        final=float(course.weight @ final),
        final_high=high,
        first=first,
        half=half,
        most=most,
        give_up_after=give_up,
        counted=counted,
    )


def _orders(
    book: RecordBook, course: SpringCourse, season: SpringUnderWay, losses: float
) -> tuple[OrderWatch, ...]:
    """Plugs still owed this year of each species against its trays of this spring."""
    table = book.orders.dropna(subset=[Orders.plugs])
    delivered = table[Orders.delivered].astype("Float64").fillna(0).astype(float)
    table = table.assign(owed=(table[Orders.plugs].astype(float) - delivered).clip(lower=0))
    year_ends = pd.Timestamp(season.spring, 12, 31)
    due = table[Orders.due].fillna(season.spec.day)
    orders = table[(due >= season.spec.day) & (due <= year_ends)]
    served = table[(table[Orders.due] <= year_ends) & (table["owed"] > 0)]
    rows = []
    for species, plugs in orders["owed"].groupby(orders[Orders.species]).sum().items():
        at = np.flatnonzero((course.trays["species"] == species).to_numpy())
        if not at.size or season.spec.lots or plugs <= 0:
            continue
        needed = float(plugs) / (1 - losses)
        brought = sum((course.plugs(k, course.final[:, k]) for k in at.tolist()), np.zeros(1))
        chance = float(course.weight @ (brought >= needed))
        names = served[Orders.order][served[Orders.species] == species]
        rows.append(
            OrderWatch(
                species=str(species),
                plugs=int(plugs),
                chance=never_certain(chance),
                last_plant=course.window(plugs_by_date(course, at), needed),
                orders=tuple(dict.fromkeys(str(name) for name in names)),
            )
        )
    return tuple(rows)
