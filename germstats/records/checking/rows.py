"""Rules about single rows and rows written twice: blanks, two values for one, the same look
again.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from germstats.records.checking.findings import (
    MERGED,
    Kind,
    Positions,
    Validation,
    Worktable,
    more_rows,
)
from germstats.records.checking.parsing import cell_place
from germstats.records.seeds import MOST_SEEDS, SowingRate
from germstats.records.suggesting import some_of
from germstats.records.tables import Trays

BLANK_DATE = Kind("ask", "blank-date", "write the date; until then the row is not used")
BLANK_NEEDED = Kind("ask", "blank-needed", "fill it in")
NOT_CHECKED = Kind(
    "watch", "not-checked", "leave it, if nobody looked; write 0 where somebody looked and saw none"
)
BOTH_FILLED = Kind(
    "ask", "both-filled", "keep one of the two; to empty this one, answer with the word blank"
)
MANY_SEEDS = Kind(
    "ask", "many-seeds", "mend the number; of seed sown by weight write pinch, and its grams"
)
OUTSIDE = Kind("stop", "cell-outside-tray", "mend the cell, or the rows and columns of the tray")
SAME_TWICE = Kind("changed", "written-twice", "delete one of the rows")
DIFFERENT_TWICE = Kind(
    "ask", "written-twice-different", "keep the right row; until then neither is used"
)
DEFINED_TWICE = Kind(
    "ask",
    "defined-twice",
    "keep the right row; several lots in one tray are one row per lot, T-1/LOT",
)

_LOOKED = {"checks": ("filled", "seedlings"), "cells": ("emerged", "occupied", "alive", "seeds")}
_COMPARED = {
    "checks": ("filled", "seedlings"),
    "cells": ("emerged", "occupied", "alive", "seeds"),
    "events": (),
    "maps": ("empty_cells",),
    "weather": ("tmin_c", "tmax_c", "tmin_f", "tmax_f"),
}
_TEXTS = ("note", "checked_by")
_KEYED = {
    "checks": ("tray", "checked_on"),
    "cells": ("tray", "cell", "checked_on"),
    "maps": ("tray", "seen_on"),
    "events": ("tray", "on", "event", "cells", "note"),
    "weather": ("date",),
    "orders": ("order", "species"),
    "species": ("species",),
    "lots": ("lot",),
    "trays": ("tray",),
}
_CELLS_COLUMN = {"cells": "cell", "events": "cells", "maps": "empty_cells"}


def check_blanks(validation: Validation) -> None:
    """Ask for what must be filled in; a row without its ids or its date is no use."""
    for name, table in validation.tables.items():
        for column in table.spec.columns:
            place = (name, column.name)
            if (
                not column.required
                or column.name not in table.headed
                or place == ("checks", "filled")
            ):
                continue
            missing = ~table.typed(column.name) & table.in_use
            date = column.type == "date"
            wrong = (
                "no date, though the row has values"
                if date
                else f"no {column.name}, which every row needs"
            )
            validation.note(
                BLANK_DATE if date else BLANK_NEEDED, place, np.flatnonzero(missing), wrong
            )
            if (
                column.name in table.spec.key
                or (date and name != "trays")
                or place == ("maps", "empty_cells")
            ):
                validation.set_aside(
                    name, np.flatnonzero(_is_empty(table.values[column.name]) & table.in_use)
                )


def _is_empty(values: pd.Series[Any]) -> pd.Series[bool]:
    return values.isna() | (values == "") if values.dtype == object else values.isna()


def check_unseen(validation: Validation) -> None:
    """Rows with a date and no value at all: nobody looked. A blank never becomes 0."""
    for name, columns in _LOOKED.items():
        table = validation.tables[name]
        blank = table.in_use.copy()
        for column in columns:
            blank &= ~table.typed(column)
        trays = table.values["tray"]
        for tray, group in trays[blank].groupby(trays[blank], sort=False):
            rows = group.index.to_numpy()
            more = (
                f" and so in {more_rows(table, rows[1:])} of tray {tray}" if len(rows) > 1 else ""
            )
            wrong = f"no count in this row{more}; read as not checked"
            validation.note(NOT_CHECKED, (name, columns[0]), rows[:1], wrong)
        validation.set_aside(name, np.flatnonzero(blank))


def check_both(validation: Validation) -> None:
    """A row of cells fills `emerged` or `occupied`; a day of weather is in one scale."""
    pairs = [
        ("cells", "emerged", "occupied"),
        ("weather", "tmin_c", "tmin_f"),
        ("weather", "tmax_c", "tmax_f"),
    ]
    for name, first, second in pairs:
        table = validation.tables[name]
        both = table.values[first].notna() & table.values[second].notna() & table.in_use
        at = np.flatnonzero(both)
        validation.note(
            BOTH_FILLED,
            (name, second),
            at,
            f"{first} is filled in as well, and only one of them can count",
        )
        validation.blank((name, first), at)
        validation.blank((name, second), at)


def check_many_seeds(validation: Validation) -> None:
    """More seeds in a cell than anybody counts out."""
    for name, column in (("trays", "seeds_per_cell"), ("cells", "seeds")):
        table = validation.tables[name]
        many = [
            entry
            for entry in table.used(column)[column].dropna().unique()
            if _most(entry) > MOST_SEEDS
        ]
        at = np.flatnonzero(table.values[column].isin(many) & table.in_use)
        said = [
            f"{seeds} seeds in one cell; nobody counts out more than {MOST_SEEDS}"
            for seeds in table.values[column].iloc[at]
        ]
        validation.note(MANY_SEEDS, (name, column), at, said)
        validation.blank((name, column), at)
        # without a number of its own a cell would be taken as sown like its tray
        if name == "cells":
            validation.set_aside(name, at)


def _most(entry: SowingRate | int) -> float:
    return entry.most if isinstance(entry, SowingRate) else entry


def check_cells(validation: Validation) -> None:
    """A cell that the tray does not have."""
    trays = (
        validation.trays.used()
        .drop_duplicates(Trays.tray)
        .astype({"rows": float, "columns": float})
    )
    sizes = trays.set_index(Trays.tray)[[Trays.rows, Trays.columns]]
    for name, column in _CELLS_COLUMN.items():
        used = validation.tables[name].used("tray", column)
        used = used[(used[column] != "") & used["tray"].isin(sizes.index)]
        codes, entries = pd.factorize(used[column])
        farthest = np.array([_farthest(entry) for entry in entries], dtype=float).reshape(-1, 2)[
            codes
        ]
        size = sizes.reindex(used["tray"]).to_numpy()
        outside = np.flatnonzero((farthest > size).any(axis=1))  # never where the size is not known
        at = used.index[outside].to_numpy()
        named = zip(*used.iloc[outside].to_numpy().T, *size[outside].T, strict=True)
        noted = validation.note(OUTSIDE, (name, column), at, [_outside(*one) for one in named])
        validation.set_aside(name, noted)


def _farthest(cells: str) -> tuple[int, int]:
    """The last row and the last column in which any of the cells lies."""
    rows, columns = zip(*map(cell_place, cells.split()), strict=True)
    return max(rows), max(columns)


def _outside(tray: str, cells: str, rows: float, columns: float) -> str:
    beyond = [
        cell
        for cell in cells.split()
        if (place := cell_place(cell))[0] > rows or place[1] > columns
    ]
    return f"tray {tray} has no cell {some_of(beyond, joint=' ')}; it is {rows:g} by {columns:g}"


def check_twice(validation: Validation) -> None:
    """Rows about the same thing: alike, one is kept; different, none of them can be used."""
    for name, keyed in _KEYED.items():
        table = validation.tables[name]
        used = table.used(*keyed)
        again = table.values.loc[used.index[used.duplicated(keep=False)]]
        for _, group in again.groupby(list(keyed), sort=False, dropna=False):
            _check_group(validation, table, group)


def _check_group(validation: Validation, table: Worktable, group: pd.DataFrame) -> None:
    name = table.spec.name
    compared = list(
        _COMPARED.get(name, [one for one in group.columns if one not in ("row", "note")])
    )
    at, rows = group.index.to_numpy(), group["row"].tolist()
    differing = [one for one in compared if group[one].nunique(dropna=False) > 1]
    if not differing:
        validation.note(SAME_TWICE, (name, ""), at[1:], f"the same as row {rows[0]}, which is kept")
        validation.set_aside(name, at[1:], MERGED)
        _join_texts(table, at, [one for one in _TEXTS if one in group and one not in compared])
        return
    others = [" and ".join(str(row) for row in rows if row != own) for own in rows]
    said = [
        f"row {other} is about the same {_what(name)}, but {differing[0]} differs"
        for other in others
    ]
    if name in _COMPARED or name == "orders":
        validation.note(DIFFERENT_TWICE, (name, differing[0]), at, said)
        validation.set_aside(name, at)
        return
    validation.note(DEFINED_TWICE, (name, differing[0]), at, said)
    validation.set_aside(name, at[1:])
    trays = validation.trays.values
    for tray in _trays_concerned(name, group, trays):
        validation.leave_out(
            tray, f"row {rows[0]} and row {rows[1]} of {table.shown_as} differ about it"
        )


def _join_texts(table: Worktable, at: Positions, columns: list[str]) -> None:
    """Give the row that is kept what the others say in free words, so that no note is lost."""
    for column in columns:
        words = dict.fromkeys(text for text in table.values[column].iloc[at] if text)
        joined = table.values[column].copy()
        joined.iloc[at[0]] = "; ".join(words)
        table.values[column] = joined


def _what(name: str) -> str:
    return {
        "cells": "cell and day",
        "checks": "tray and day",
        "maps": "tray and day",
        "weather": "day",
        "orders": "order and species",
    }.get(name, name.removesuffix("s") if name != "species" else name)


def _trays_concerned(name: str, group: pd.DataFrame, trays: pd.DataFrame) -> list[str]:
    if name == "trays":
        return group["tray"].tolist()[:1]
    if name == "lots":
        return trays.loc[trays[Trays.lot] == group["lot"].iat[0], Trays.tray].tolist()
    return []
