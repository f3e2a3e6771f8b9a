"""The trays of a season in the order in which they stand: place, then block, then tray, bench 10
after bench 2.
"""

from __future__ import annotations

import re
from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.records.book import RecordBook
from germstats.records.intervals.sowings import treatment_label, treatment_of
from germstats.records.seeds import SowingRate
from germstats.records.suggesting import must_know
from germstats.records.tables import Events, Lots, Species, Trays

GONE = ("sold", "discarded", "transplanted")
"""Events after which a whole tray stands no longer on its bench."""


@dataclass(frozen=True)
class BenchTray:
    """A tray as its label names it.

    Attributes
    ----------
    tray, lot, species, common_name : str
        Blank where the book does not tell.
    season : int
    sown_on : pandas.Timestamp or None
    rows, columns : int or None
    rate : SowingRate or None
        Seeds per cell, where known.
    treatment, place, block : str
        As in the table trays; the treatment in words.
    """

    tray: str
    lot: str
    species: str
    common_name: str
    season: int
    sown_on: pd.Timestamp | None
    rows: int | None
    columns: int | None
    rate: SowingRate | None
    treatment: str
    place: str
    block: str

    @property
    def cells(self) -> int | None:
        """Cells of the tray; None where its rows or columns are not known."""
        return None if self.rows is None or self.columns is None else self.rows * self.columns


@dataclass(frozen=True)
class Bench:
    """Trays of a season, in bench order.

    Attributes
    ----------
    season : int
    trays : tuple of BenchTray
        Sown for this season, and those of the season before that need two winters or were kept
        over.
    gone : tuple of str
        Trays of these that were sold, discarded or transplanted whole, and so are left out.
    unplaced : tuple of str
        Trays whose season is not known, which belong to no season's sheets.
    """

    season: int
    trays: tuple[BenchTray, ...]
    gone: tuple[str, ...]
    unplaced: tuple[str, ...]

    @property
    def own(self) -> tuple[BenchTray, ...]:
        """Trays sown for this very season."""
        return tuple(tray for tray in self.trays if tray.season == self.season)


def natural(text: str) -> tuple[Any, ...]:
    """Key for sorting names as a person would: digits by their number, the rest without regard to
    capitals.
    """
    parts = re.split(r"(\d+)", text.casefold())
    return tuple(
        (len(part.lstrip("0")), part.lstrip("0")) if k % 2 else part for k, part in enumerate(parts)
    )


def places_of(book: RecordBook) -> tuple[str, ...]:
    """Places of the latest season that has any, in order: where trays to sow are set in turn."""
    trays = book.trays
    used = trays[(trays[Trays.place] != "") & trays[Trays.season].notna()]
    latest = used[used[Trays.season] == used[Trays.season].max()]
    return tuple(sorted((str(place) for place in latest[Trays.place].unique()), key=natural))


def bench_of(book: RecordBook, season: int | None = None, lots: tuple[str, ...] = ()) -> Bench:
    """The trays that stand in a season.

    Parameters
    ----------
    book : RecordBook
    season : int, optional
        By default the latest of the book.
    lots : tuple of str
        Only trays of these; empty: all.

    Returns
    -------
    Bench

    Raises
    ------
    NotEnoughRecordsError
        The book has no tray of a known season.
    WrongUseError
        The season has no tray, or a lot named is not in the book.
    """
    for lot in lots:
        must_know(
            lot,
            {str(one) for name in ("lots", "trays") for one in book.tables[name]["lot"]} - {""},
            f"No lot is called {lot}",
        )
    table = book.trays.drop_duplicates(Trays.tray)
    known = sorted({int(year) for year in table[Trays.season].dropna()})
    if not known:
        raise NotEnoughRecordsError(
            "The book has no tray yet: write the trays you sow into the table trays."
        )
    year = known[-1] if season is None else season
    if year not in known:
        raise WrongUseError(
            f"No tray is of season {year}; the seasons are {', '.join(map(str, known))}."
        )
    gone, kept = _whole(book, GONE), _whole(book, ("kept_over",))
    names = _names(book)
    trays: list[BenchTray] = []
    left: list[BenchTray] = []
    for row in table[table[Trays.season].notna()].to_dict("records"):
        one = _tray(row, names)
        if lots and one.lot not in lots:
            continue
        waits = one.tray in kept or names.get(one.lot, ("", "", False))[2]
        if one.season == year or (one.season == year - 1 and waits):
            (left if one.tray in gone else trays).append(one)
    if not trays:
        why = (
            "sold, discarded or transplanted" if left else f"of {' or '.join(lots)}: none was sown"
        )
        raise WrongUseError(f"No tray of season {year} is left to print: {why}.")
    trays.sort(
        key=lambda one: (not one.place, natural(one.place), natural(one.block), natural(one.tray))
    )
    return Bench(
        year,
        tuple(trays),
        tuple(sorted((one.tray for one in left), key=natural)),
        tuple(table[Trays.tray][table[Trays.season].isna()].astype(str)),
    )


def _whole(book: RecordBook, events: tuple[str, ...]) -> set[str]:
    table = book.events
    return set(table[Events.tray][table[Events.event].isin(events) & (table[Events.cells] == "")])


def _names(book: RecordBook) -> dict[str, tuple[str, str, bool]]:
    """Lot -> species, its common name, and whether it needs two winters."""
    species = book.species.drop_duplicates(Species.species).set_index(Species.species)
    common, two = species[Species.common_name].to_dict(), species[Species.two_winters].to_dict()
    lots = book.lots
    return {
        str(lot): (str(code), str(common.get(code, "")), two.get(code) == "yes")
        for lot, code in zip(lots[Lots.lot], lots[Lots.species], strict=True)
    }


def _tray(row: dict[Hashable, Any], names: dict[str, tuple[str, str, bool]]) -> BenchTray:
    species, common, _ = names.get(row["lot"], ("", "", False))
    rows, columns = (None if pd.isna(row[name]) else int(row[name]) for name in ("rows", "columns"))
    return BenchTray(
        tray=str(row["tray"]),
        lot=str(row["lot"]),
        species=species,
        common_name=common,
        season=int(row["season"]),
        sown_on=None if pd.isna(row[Trays.sown_on]) else row[Trays.sown_on],
        rows=rows,
        columns=columns,
        rate=row[Trays.seeds_per_cell],
        treatment=treatment_label(treatment_of(row)),
        place=str(row["place"]),
        block=str(row["block"]),
    )
