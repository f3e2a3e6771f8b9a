"""Mistakes and odd entries strewn over clean sheets, each one remembered with what is true."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from germstats.demonstration.demo_growth import CELLS, Nursery
from germstats.demonstration.plan import (
    ABOVE_CELLS,
    FALL_THINNED,
    FALL_UNEXPLAINED,
    MISSPELLED_LOT,
    MISSPELLED_TRAY,
    MOUSE,
    SOLD_EARLY,
    SPOKEN_FOR,
    UNWEIGHED_PINCH,
    WORDS_IN_CHECKS,
    Role,
)
from germstats.demonstration.sprouting import Generator
from germstats.demonstration.truth import DIRT_COLUMNS
from germstats.records.tables import Cells, Trays

SKIPPED, BLANK_CHECKS = {"cells": 0.06, "checks": 0.03}, 3
_KEYS = {
    "trays": ["tray"],
    "checks": ["tray", "checked_on"],
    "cells": ["tray", "cell", "checked_on"],
    "events": ["tray", "on"],
}


@dataclass
class DirtySheets:
    """The sheets while mistakes are made in them; the index says where a row stands, and halves
    come in between.

    Attributes
    ----------
    tables : dict of str to pandas.DataFrame
        Of dtype object, so that anything may be written anywhere.
    dirt : list of dict
        What was planted so far; ``at`` is the index of the row.
    """

    tables: dict[str, pd.DataFrame]
    dirt: list[dict[str, object]] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Number the rows of every table."""
        for name, table in self.tables.items():
            self.tables[name] = table.where(table.notna(), "").set_axis(
                np.arange(len(table), dtype=float)
            )

    def write(self, kind: str, table: str, at: float, column: str, written: str | int) -> None:
        """Write something else than the truth into one cell of a sheet."""
        tray, true = self.tables[table].at[at, "tray"], self.tables[table].at[at, column]
        self.tables[table].at[at, column] = written
        self.remember(
            kind, table, at, {"column": column, "written": written, "true": true, "tray": tray}
        )

    def write_again(
        self, kind: str, table: str, at: float, column: str, written: str | int
    ) -> None:
        """Write a row a second time, just below, with this value in one column."""
        rows = self.tables[table]
        copy = rows.loc[[at]].set_axis([at + 0.5])
        copy[column] = written
        self.tables[table] = pd.concat([rows, copy])
        self.remember(
            kind,
            table,
            at + 0.5,
            {"column": column, "written": written, "true": rows.at[at, column]},
        )

    def leave_out(self, kind: str, table: str, ats: list[float], column: str) -> None:
        """Leave out rows that would have been there."""
        for at in ats:
            true = self.tables[table].at[at, column]
            self.remember(
                kind, table, at, {"column": column, "written": "", "true": true, "at": np.nan}
            )
        self.tables[table] = self.tables[table].drop(index=ats)

    def remember(self, kind: str, table: str, at: float, what: dict[str, object]) -> None:
        """Keep what was planted: column, written, true; under the ids as they stand in the sheet
        now.
        """
        row = self.tables[table].loc[at]
        key = "/".join(str(row[name]) for name in _KEYS[table])
        planted = {"kind": kind, "table": table, "tray": row["tray"], "key": key, "at": at} | what
        self.dirt.append(planted | {name: str(planted[name]) for name in ("written", "true")})

    def finish(self) -> pd.DataFrame:
        """Put the rows in order, number them as a spreadsheet does, and list the dirt (see
        `DemoTruth`).
        """
        places: dict[str, pd.Series[int]] = {}
        for name, table in self.tables.items():
            ordered = table.sort_index()
            places[name] = pd.Series(np.arange(2, len(ordered) + 2), index=ordered.index)
            self.tables[name] = ordered.reset_index(drop=True)
        dirt = pd.DataFrame(self.dirt)
        rows = [places[table].get(at) for table, at in zip(dirt["table"], dirt["at"], strict=True)]
        return dirt.assign(row=pd.array(rows, dtype="Int64"))[list(DIRT_COLUMNS)]


def strew_dirt(sheets: DirtySheets, nursery: Nursery, rng: Generator) -> pd.DataFrame:
    """Make every kind of mistake in the sheets.

    Parameters
    ----------
    sheets : DirtySheets
        Tables trays, checks, cells and events; changed in place.
    nursery : Nursery
    rng : numpy.random.Generator

    Returns
    -------
    pandas.DataFrame
        The planted mistakes, as `DemoTruth.dirt`.
    """
    ids = {tray.role: tray.tray for tray in nursery.trays}
    _sowing_entries(sheets, nursery, ids)
    _targets(sheets, ids, rng)
    for table, values in (("checks", ("filled",)), ("cells", ("emerged", "occupied"))):
        free = {tray.tray for tray in nursery.trays if tray.role not in SPOKEN_FOR}
        free = _dates(sheets, table, value=values[0], free=free, rng=rng)
        _twice(sheets, table, value=values[0], free=free, rng=rng)
        for value in values:
            _skipped(sheets, (table, value), free, rng)
    _sold(sheets, ids)
    return sheets.finish()


def _sowing_entries(sheets: DirtySheets, nursery: Nursery, ids: dict[Role, str]) -> None:
    """Ranges and pinches: no mistakes, but no plain numbers either."""
    mean = {
        tray.tray: growth.sown.mean()
        for tray, growth in zip(nursery.trays, nursery.growths, strict=True)
    }
    for at, row in sheets.tables["trays"].iterrows():
        entry = str(row[Trays.seeds_per_cell])
        if entry.isdigit():
            continue
        weighed = row["tray"] != ids[UNWEIGHED_PINCH]
        kind = "range" if entry != "pinch" else "pinch" if weighed else "pinch_without_grams"
        true = f"{mean[row['tray']]:.2f}"
        what: dict[str, object] = {"column": "seeds_per_cell", "written": entry, "true": true}
        sheets.remember(kind, "trays", float(str(at)), what)


def _targets(sheets: DirtySheets, ids: dict[Role, str], rng: Generator) -> None:
    """Mistakes that have a tray of their own."""
    at = _find(sheets, "checks", ids[ABOVE_CELLS])[-3]
    sheets.write("above_cells", "checks", at, "filled", CELLS + int(rng.integers(3, 20)))
    at = _find(sheets, "checks", ids[WORDS_IN_CHECKS])[-4]
    sheets.write("words_in_number", "checks", at, "filled", "mice ate?")
    mouse = sheets.tables["cells"].query(
        "tray == @tray and cell == 'D5'", local_dict={"tray": ids[MOUSE]}
    )
    sheets.write("words_in_number", "cells", float(mouse.index[-2]), "emerged", "mice ate?")
    _falls(sheets, ids[FALL_UNEXPLAINED], rng)
    _thinned(sheets, ids[FALL_THINNED])
    at = float(
        sheets.tables["trays"]
        .query("tray == @tray", local_dict={"tray": ids[MISSPELLED_LOT]})
        .index[0]
    )
    lot = str(sheets.tables["trays"].at[at, Trays.lot])
    sheets.write("letter_for_digit", "trays", at, "lot", lot.replace("O", "0", 1))
    at = _find(sheets, "checks", ids[MISSPELLED_TRAY])[5]
    sheets.write(
        "letter_for_digit", "checks", at, "tray", ids[MISSPELLED_TRAY].replace("0", "O", 1)
    )


def _falls(sheets: DirtySheets, tray: str, rng: Generator) -> None:
    """Three cells where a count falls from one look to the next though nothing is noted."""
    cells = sheets.tables["cells"].query("tray == @tray", local_dict={"tray": tray})
    last = cells[Cells.checked_on].max()
    late = sorted(set(cells[Cells.checked_on]) - {last})[-1]
    full = cells[(cells[Cells.checked_on] == late) & (cells[Cells.emerged] == 2)]
    before = sorted(set(cells[Cells.checked_on]))[-3]
    had = set(
        cells.loc[(cells[Cells.checked_on] == before) & (cells[Cells.emerged] == 2), Cells.cell]
    )
    for at in rng.choice(full.index[full[Cells.cell].isin(had)].to_numpy(), 3, replace=False):
        sheets.write("fall_unexplained", "cells", float(at), "emerged", 1)


def _thinned(sheets: DirtySheets, tray: str) -> None:
    """A thinning is noted, and from then on the standing seedlings are written as if they were
    those ever seen.
    """
    cells = sheets.tables["cells"].query("tray == @tray", local_dict={"tray": tray})
    looks = sorted(set(cells[Cells.checked_on]))
    on = datetime.date.fromisoformat(looks[-3]) + datetime.timedelta(days=1)
    events = sheets.tables["events"]
    event = pd.DataFrame(
        [{"tray": tray, "on": on.isoformat(), "event": "thinned", "cells": "", "note": ""}]
    )
    sheets.tables["events"] = pd.concat(
        [events, event.set_axis([float(events.index.max()) + 1])]
    ).fillna("")
    after = cells[(cells[Cells.checked_on] > on.isoformat()) & (cells[Cells.emerged] != 0)]
    for at, row in after.iterrows():
        standing = min(int(row["alive"]), 1)
        sheets.tables["cells"].at[at, Cells.alive] = standing
        if standing < int(row["emerged"]):
            sheets.write("fall_after_thinning", "cells", float(str(at)), "emerged", standing)


def _dates(sheets: DirtySheets, table: str, value: str, free: set[str], rng: Generator) -> set[str]:
    """Blank dates, and dates with day and month exchanged that stand out of order with their
    neighbours.

    Returns the trays that may get further mistakes: a mistake beside an exchanged date could put it
    in order again.
    """
    swaps = _swappable(sheets.tables[table], free)
    tray_of = sheets.tables[table]["tray"]
    trays = rng.choice(sorted({tray_of[at] for at in swaps}), 4, replace=False).tolist()
    for tray in trays:
        at = float(rng.choice([at for at in swaps if tray_of[at] == tray]))
        sheets.write("day_month_swapped", table, at, "checked_on", swaps[at])
    left = free - set(trays)
    for at in rng.choice(_unspoilt(sheets, table, left, value), 5, replace=False):
        sheets.write("blank_date", table, float(at), "checked_on", "")
    return left


def _swappable(rows: pd.DataFrame, free: set[str]) -> dict[float, str]:
    """Rows whose date, day and month exchanged, would come after the next look of the tray; with
    that date.
    """
    found: dict[float, str] = {}
    by_tray = rows[rows["tray"].isin(free)].groupby("tray", sort=False)["checked_on"]
    for _, dates in by_tray:
        looks = sorted(set(dates))
        for place, look in enumerate(looks[1:-1], start=1):
            year, month, day = look.split("-")
            swapped = f"{year}-{day}-{month}"
            if int(day) <= 12 and swapped > looks[place + 1] and swapped not in looks:
                found |= {float(str(at)): swapped for at in dates.index[dates == look]}
    return found


def _twice(sheets: DirtySheets, table: str, value: str, free: set[str], rng: Generator) -> None:
    """Looks written twice: alike, and with a different count."""
    plain = _unspoilt(sheets, table, free, value)
    values = sheets.tables[table][value]
    for at in rng.choice(plain, 6, replace=False):
        sheets.write_again("duplicate_same", table, float(at), value, values[at])
    seen = [at for at in _unspoilt(sheets, table, free, value) if values.get(at, 0) > 0]
    for at in rng.choice(np.array(seen), 2, replace=False):
        sheets.write_again("duplicate_different", table, float(at), value, int(values[at]) - 1)


def _skipped(sheets: DirtySheets, place: tuple[str, str], free: set[str], rng: Generator) -> None:
    """Looks that were left out; and, of trays, a few rows with a date whose count was never filled
    in.
    """
    table, value = place
    looks = _unspoilt(sheets, table, free, value)
    gone = looks[rng.random(len(looks)) < SKIPPED[table]]
    sheets.leave_out("skipped_check", table, gone.tolist(), value)
    if table == "checks":
        for at in rng.choice(_unspoilt(sheets, table, free, value), BLANK_CHECKS, replace=False):
            sheets.tables[table].at[at, "seedlings"] = ""
            sheets.write("skipped_check", table, float(at), value, "")


def _sold(sheets: DirtySheets, ids: dict[Role, str]) -> None:
    events = sheets.tables["events"]
    at = float(
        events.query(
            "tray == @tray and event == 'sold'", local_dict={"tray": ids[SOLD_EARLY]}
        ).index[0]
    )
    sheets.remember(
        "sold_early", "events", at, {"column": "event", "written": "sold", "true": "sold"}
    )


def _find(sheets: DirtySheets, table: str, tray: str) -> list[float]:
    rows = sheets.tables[table]
    return [float(at) for at in rows.index[rows["tray"] == tray]]


def _unspoilt(sheets: DirtySheets, table: str, free: set[str], value: str) -> np.ndarray:
    """Index of rows with a count that carry no mistake yet, written once."""
    rows = sheets.tables[table]
    touched = {
        np.floor(float(str(one["at"])))
        for one in sheets.dirt
        if one["table"] == table and one["at"] == one["at"]
    }
    fine = rows["tray"].isin(free) & (rows[value] != "") & (rows["checked_on"] != "")
    return np.array([at for at in rows.index[fine] if np.floor(at) not in touched], dtype=float)
