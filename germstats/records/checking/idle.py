"""Rows and counts not used because other records of the same tray are: kept, and named, so that
nothing is lost in silence.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from germstats.records.checking.findings import Kind, Positions, Validation, more_rows
from germstats.records.checking.parsing import spelled
from germstats.records.seasons import SPRING_ENDS, day_in_years
from germstats.records.suggesting import some_of
from germstats.records.tables import Cells, Checks, Events, Lots, Maps, Species, Trays

ON_SOWING_DAY = Kind(
    "watch", "on-sowing-day", "leave it if nothing was up yet; otherwise fix one of the two dates"
)
CELLS_COUNT = Kind("watch", "cells-count", "leave it; the checks still count for losses")
AFTER_THINNING = Kind(
    "watch", "after-thinning", "leave it; after thinning, count filled cells, or cell by cell"
)
SEEDLINGS_STOP = Kind(
    "watch", "seedlings-stop", "count seedlings every time you check a tray, or never"
)
ALIVE_ALONE = Kind(
    "ask",
    "alive-alone",
    "write the seedlings ever seen into emerged; until then the row is not used",
)
MAP_IDLE = Kind("watch", "map-idle", "leave it")
MAP_ALONE = Kind("watch", "map-alone", "write its filled cells into the table checks too")
EVENT_ELSEWHERE = Kind(
    "watch", "event-elsewhere", "fix the cell, or leave it if nothing was sown there"
)
AFTER_SPRING = Kind(
    "watch",
    "after-spring",
    "fix the dates if they are wrong; next year look before the spring ends",
)
HALF_DAY = Kind("watch", "half-day", "leave it, or fill in the missing one")


def check_idle(validation: Validation) -> None:
    """Looks, events, maps and days that nothing is read from, though each is fine by itself.

    What is blank because of another finding is not named again.
    """
    _check_sowing_day(validation)
    _check_after_spring(validation)
    _check_alive_alone(validation)
    of_cells = _trays_of_cells(validation)
    if of_cells:
        _check_checks_beside_cells(validation, of_cells)
    _check_seedlings(validation, of_cells)
    if len(validation.events.values):
        _check_events(validation)
    if len(validation.maps.values):
        _check_maps(validation, of_cells)
    if len(validation.weather.values):
        _check_half_days(validation)


def _note_by_tray(
    validation: Validation, kind: Kind, place: tuple[str, str], rows: pd.DataFrame, wrong: str
) -> None:
    """Note the first row of each tray, which names the others; ``{tray}`` in `wrong` is the
    tray.
    """
    table = validation.tables[place[0]]
    for tray, group in rows.groupby("tray", sort=False):
        at: Positions = group.index.to_numpy()
        also = f" (and so in {more_rows(table, at[1:])})" if len(at) > 1 else ""
        validation.note(kind, place, at[:1], wrong.replace("{tray}", str(tray)) + also)


def _check_sowing_day(validation: Validation) -> None:
    trays = (
        validation.trays.used(Trays.tray, Trays.sown_on)
        .drop_duplicates(Trays.tray)
        .set_index(Trays.tray)[Trays.sown_on]
    )
    for name in ("checks", "cells"):
        used = validation.tables[name].used("tray", "checked_on")
        if used.empty:
            continue
        rows = used[used["checked_on"].notna() & (used["checked_on"] == used["tray"].map(trays))]
        wrong = "tray {tray} was sown that day, so this check shows nothing yet and is not used"
        _note_by_tray(validation, ON_SOWING_DAY, place=(name, "checked_on"), rows=rows, wrong=wrong)


def _check_after_spring(validation: Validation) -> None:
    """Trays of which every check came after the end of the spring they are judged in."""
    trays = validation.trays.used(Trays.tray, Trays.season, Trays.lot, Trays.sown_on)
    trays = trays.dropna(subset=[Trays.season]).drop_duplicates(Trays.tray)
    lots = (
        validation.lots.used(Lots.lot, Lots.species)
        .drop_duplicates(Lots.lot)
        .set_index(Lots.lot)[Lots.species]
    )
    species = validation.species.used(Species.species, Species.two_winters)
    patient = set(species.loc[species[Species.two_winters] == "yes", Species.species])
    year = trays[Trays.season].astype(int) + trays[Trays.lot].map(lots).isin(patient).astype(int)
    spelled_end = f"{pd.Timestamp(2001, *SPRING_ENDS):%-d %B}"
    ends = day_in_years(year, SPRING_ENDS)
    # a season that ended before the sowing has a finding of its own
    sensible = ~(trays[Trays.sown_on] >= ends)
    end_of = dict(zip(trays[Trays.tray][sensible], ends[sensible], strict=True))
    looks = {
        name: validation.tables[name].used("tray", "checked_on") for name in ("checks", "cells")
    }
    dated = pd.concat([table.dropna(subset=["checked_on"]) for table in looks.values()])
    first = dated.groupby("tray")["checked_on"].min()
    late = {str(tray) for tray, seen in first.items() if tray in end_of and seen > end_of[tray]}
    if not late:
        return
    for name, table in looks.items():
        rows = table[table["tray"].isin(late) & table["checked_on"].notna()]
        wrong = (
            f"tray {{tray}} was first checked after {spelled_end}, the end of its spring: its "
            "counts are not used"
        )
        _note_by_tray(validation, AFTER_SPRING, place=(name, "checked_on"), rows=rows, wrong=wrong)


def _check_alive_alone(validation: Validation) -> None:
    used = validation.cells.used(Cells.tray, Cells.emerged, Cells.occupied, Cells.alive)
    if used.empty:
        return
    alone = used[
        used[Cells.alive].notna() & used[Cells.emerged].isna() & used[Cells.occupied].isna()
    ]
    typed = validation.cells.typed(Cells.emerged) | validation.cells.typed(Cells.occupied)
    alone = alone[~typed[alone.index]]  # what is typed there has its own finding
    wrong = "only alive is filled in, which does not say how many seedlings ever came up"
    validation.note(ALIVE_ALONE, ("cells", "emerged"), alone.index, wrong)


def _trays_of_cells(validation: Validation) -> set[str]:
    """Trays whose emergence is read from single cells."""
    cells = validation.cells.used(Cells.tray, Cells.checked_on, Cells.emerged, Cells.occupied)
    counted = cells[Cells.emerged].notna() | cells[Cells.occupied].notna()
    return set(cells.loc[counted & cells[Cells.checked_on].notna(), Cells.tray])


def _check_checks_beside_cells(validation: Validation, of_cells: set[str]) -> None:
    checks = validation.checks.used(Checks.tray, Checks.filled, Checks.seedlings)
    counted = checks[Checks.filled].notna() | checks[Checks.seedlings].notna()
    wrong = "what came up in tray {tray} is read from its rows in cells, not from this count"
    _note_by_tray(
        validation,
        CELLS_COUNT,
        place=("checks", "filled"),
        rows=checks[counted & checks[Checks.tray].isin(of_cells)],
        wrong=wrong,
    )


def _check_seedlings(validation: Validation, of_cells: set[str]) -> None:
    checks = validation.checks.used(Checks.tray, Checks.checked_on, Checks.filled, Checks.seedlings)
    checks = checks[checks[Checks.checked_on].notna() & ~checks[Checks.tray].isin(of_cells)]
    counted = checks[checks[Checks.seedlings].notna()]
    events = validation.events.used(Events.tray, Events.on, Events.event)
    thinned = (
        events[(events[Events.event] == "thinned") & events[Events.on].notna()]
        .groupby(Events.tray)[Events.on]
        .min()
    )
    after = counted[Checks.checked_on] >= counted[Checks.tray].map(thinned).astype("datetime64[ns]")
    wrong = (
        "seedlings counted after tray {tray} was thinned are only those left, so they are not used "
        "for emergence"
    )
    _note_by_tray(
        validation, AFTER_THINNING, place=("checks", "seedlings"), rows=counted[after], wrong=wrong
    )
    last_filled = (
        checks[checks[Checks.filled].notna()].groupby(Checks.tray)[Checks.checked_on].max()
    )
    noted = checks[validation.checks.typed(Checks.seedlings)[checks.index]]
    last_counted = (
        noted[~noted.index.isin(counted.index[after])].groupby(Checks.tray)[Checks.checked_on].max()
    )
    counted = counted[~after]
    stopped = last_counted.index[last_counted < last_filled.reindex(last_counted.index)]
    wrong = (
        "seedlings of tray {tray} were not counted at its last check, so its filled cells are used "
        "instead"
    )
    _note_by_tray(
        validation,
        SEEDLINGS_STOP,
        place=("checks", "seedlings"),
        rows=counted[counted[Checks.tray].isin(stopped)],
        wrong=wrong,
    )


def _check_events(validation: Validation) -> None:
    cells = validation.cells.used(Cells.tray, Cells.cell)
    listed = {str(tray): set(group) for tray, group in cells.groupby(Cells.tray)[Cells.cell]}
    events = validation.events.used(Events.tray, Events.cells)
    for at, tray, named in events[events[Events.cells] != ""].itertuples():
        if tray in listed and listed[tray].isdisjoint(named.split()):
            wrong = (
                f"tray {tray} has no row in cells for {some_of(named.split(), joint=' ')}: counted "
                "as not sown"
            )
            validation.note(EVENT_ELSEWHERE, ("events", "cells"), [at], wrong)


def _check_maps(validation: Validation, of_cells: set[str]) -> None:
    maps = validation.maps.used(Maps.tray, Maps.seen_on)
    wrong = "the rows in cells say more about tray {tray} than this map, so the map is not used"
    _note_by_tray(
        validation,
        MAP_IDLE,
        place=("maps", "empty_cells"),
        rows=maps[maps[Maps.tray].isin(of_cells)],
        wrong=wrong,
    )
    others = maps[~maps[Maps.tray].isin(of_cells) & maps[Maps.seen_on].notna()]
    newest = others.groupby(Maps.tray)[Maps.seen_on].transform("max")
    earlier = others[others[Maps.seen_on] < newest]
    days = newest[earlier.index]
    said = [
        f"only the last map of a spring is used, and tray {tray} has a later one, from "
        f"{spelled(day)}"
        for tray, day in zip(earlier[Maps.tray], days, strict=True)
    ]
    validation.note(MAP_IDLE, ("maps", "empty_cells"), earlier.index, said)
    checked = set(validation.checks.used(Checks.tray)[Checks.tray]) | of_cells
    wrong = "tray {tray} has a map but no check, and emergence is not estimated from a map"
    _note_by_tray(
        validation,
        MAP_ALONE,
        place=("maps", "empty_cells"),
        rows=others[~others[Maps.tray].isin(checked)],
        wrong=wrong,
    )


def _check_half_days(validation: Validation) -> None:
    table = validation.weather
    there = {end: table.typed(f"{end}_c") | table.typed(f"{end}_f") for end in ("tmin", "tmax")}
    for given, missing, words in (("tmin", "tmax", "high"), ("tmax", "tmin", "low")):
        half = np.flatnonzero(there[given] & ~there[missing] & table.in_use)
        wrong = f"the {words} of the day is missing, so the day is not used"
        validation.note(HALF_DAY, ("weather", f"{missing}_c"), half, wrong)
