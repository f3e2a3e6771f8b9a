"""The day by which a lot should be sown, and what that day rests on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from germstats.forecast.sources import usual_sowing_day
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import so_many, spelled
from germstats.records.tables import Lots, Species, Trays

COLD_ENDS = (3, 1)
"""Month and day on which cold is taken to end: spring begins on 1 March by the months of
meteorology (memory).
"""


@dataclass(frozen=True)
class SowingDeadline:
    """When to sow.

    Attributes
    ----------
    day : pandas.Timestamp or None
        None where it cannot be told.
    why : str
        What it rests on, in a few words.
    counts_cold : bool
        Whether it heeds weeks of cold that the species needs.
    """

    day: pd.Timestamp | None
    why: str
    counts_cold: bool = False


def sow_by(
    book: RecordBook, lot: str, species: str, season: int, label: str = ""
) -> SowingDeadline:
    """The earlier of two days: the usual one of past sowings, and the last that leaves the cold the
    species needs.

    A later day than the usual is never named, for what is forecast of the lot rests on seed sown
    about that day.

    Parameters
    ----------
    book : RecordBook
    lot, species : str
    season : int
        Spring in which the seed comes up (of two-winter seed, the first one).
    label : str
        Pretreatment, blank where there is none: cold given before sowing counts, and the book does
        not tell how much.

    Returns
    -------
    SowingDeadline
    """
    usual, whose = _usual(book, lot, species, season)
    weeks = cold_weeks(book, species)
    cold = (
        None
        if weeks is None
        else pd.Timestamp(season, *COLD_ENDS) - pd.Timedelta(days=int(np.ceil(7 * weeks)))
    )
    before = f", less any cold given by {label}" if label else ""
    need = "" if weeks is None else f"{so_many(weeks, 'week')} of cold"
    if cold is not None and (usual is None or cold < usual):
        late = (
            ""
            if usual is None
            else f"; the usual day, {spelled(usual)}, leaves {_left(usual, season):.1f}"
        )
        return SowingDeadline(
            cold, f"{need} before {_end_of_cold(season)}{before}{late}", counts_cold=True
        )
    if usual is None:
        return SowingDeadline(
            None, "cannot be told: neither a sowing day nor weeks of cold are written down"
        )
    last = "" if cold is None else f"; its {need}{before} would allow {spelled(cold)}"
    return SowingDeadline(
        usual, f"the middle of earlier sowings of {whose}{last}", counts_cold=cold is not None
    )


def cold_weeks(book: RecordBook, species: str) -> float | None:
    """Weeks of cold a species needs in its first winter; None where unknown, none, or where it
    waits two winters.
    """
    table = book.species.drop_duplicates(Species.species).set_index(Species.species)
    if species not in table.index or table.at[species, Species.two_winters] == "yes":
        return None
    weeks = float(str(table.at[species, Species.chill_weeks]))
    return weeks if weeks > 0 else None


def _usual(
    book: RecordBook, lot: str, species: str, season: int
) -> tuple[pd.Timestamp | None, str]:
    trays = book.trays.dropna(subset=[Trays.sown_on, Trays.season])
    of_lot = dict(zip(book.lots[Lots.lot], book.lots[Lots.species], strict=True))
    choices = (
        (trays[trays[Trays.lot] == lot], lot),
        (trays[trays[Trays.lot].map(of_lot).fillna("") == species], species),
        (trays, "the nursery"),
    )
    for chosen, whose in choices:
        if len(chosen):
            return usual_sowing_day(chosen, season), whose
    return None, ""


def _left(day: pd.Timestamp, season: int) -> float:
    return max((pd.Timestamp(season, *COLD_ENDS) - day).days / 7, 0.0)


def _end_of_cold(season: int) -> str:
    day = pd.Timestamp(season, *COLD_ENDS)
    return f"{day.day} {day:%B}"
