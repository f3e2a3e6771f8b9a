"""The id rule: case and spaces are mended, one look-alike character asks, anything else unknown
stops.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Sequence
from typing import Any

import numpy as np
import pandas as pd

from germstats.records.checking.findings import Kind, Positions, Validation, Worktable, also_in
from germstats.records.suggesting import some_of
from germstats.records.tables import TABLES, Trays

SPELLING = Kind("changed", "id-spelling", "leave it, if that is right")
LOOK_ALIKE = Kind("ask", "id-look-alike", "mend the id, or answer with the right one")
UNKNOWN = Kind("stop", "unknown-id", "mend the id, or write the row that is missing")
UNKNOWN_ORDER = Kind(
    "ask", "unknown-species", "mend the code, or write the species into the table species"
)
LEVEL = Kind("changed", "level-spelling", "leave it, if the same is meant")

_LOOKS = str.maketrans("oil", "011")
_WITHOUT_IDS = ("weather", "answers")
_LEVELS = {"trays": ("pretreatment", "place", "block", "trial")}


def mend_ids(validation: Validation) -> None:
    """Bring all ids into the spelling of the table that defines them, and judge those it does not
    know.
    """
    for name, table in validation.tables.items():
        if name not in _WITHOUT_IDS:
            for column in dict.fromkeys(
                [table.spec.key[0], *(column for column, _, _ in table.spec.links)]
            ):
                _tidy(table, column)
            if not any(column == table.spec.key[0] for column, _, _ in table.spec.links):
                _note_mended(validation, (name, table.spec.key[0]), SPELLING)
    for name in ("lots", "trays", "checks", "cells", "events", "maps", "orders"):
        for column, other, key in TABLES[name].links:
            defined = validation.tables[other].values[key]
            known = [entry for entry in defined.unique() if entry]
            if known or other == "trays":
                _check_links(validation, (name, column), known)
            else:
                _one_spelling(validation, (name, column))


def one_spelling_of_levels(validation: Validation) -> None:
    """Give words that differ in case or spaces only one spelling, so that they stay one treatment,
    place or block.
    """
    for name, columns in _LEVELS.items():
        for column in columns:
            _one_spelling(validation, (name, column))


def _tidy(table: Worktable, column: str) -> None:
    """Parse a column of ids: blanks around them go, several within become one."""
    table.values[column] = _mapped(table.text[column], lambda entry: " ".join(entry.split()))


def _note_mended(validation: Validation, place: tuple[str, str], kind: Kind) -> None:
    """List each spelling that was mended once, with the number of its rows."""
    table = validation.tables[place[0]]
    typed, read = table.text[place[1]], table.values[place[1]]
    mended = typed[(typed != read) & (read != "") & table.in_use]
    for entry, group in mended.groupby(mended, sort=False):
        first = int(group.index[0])
        validation.note(
            kind,
            place,
            [first],
            f"{str(entry)!r} is read as {read[first]!r}{also_in(len(group) - 1)}",
        )


def _check_links(validation: Validation, place: tuple[str, str], known: Sequence[str]) -> None:
    table = validation.tables[place[0]]
    values = table.values[place[1]]
    mended: dict[str, str] = {}
    alike: dict[str, str] = {}
    unknown: set[str] = set()
    exact, by_case, by_looks = set(known), _groups(known, str.casefold), _groups(known, _looks)
    codes, entries = pd.factorize(values)
    for entry in entries:
        if not entry or entry in exact:
            continue
        same = by_case.get(entry.casefold(), [])
        near = [one for one in by_looks.get(_looks(entry), []) if _one_away(one, entry)]
        if len(same) == 1:
            mended[entry] = same[0]
        elif not same and len(near) == 1:
            alike[entry] = near[0]
        else:
            unknown.add(entry)
    table.values[place[1]] = _mapped(values, lambda entry: mended.get(entry, entry))
    _note_alike(validation, place, _places(codes, entries, alike), alike)
    _note_unknown(validation, place, _places(codes, entries, unknown), known)
    _note_mended(validation, place, SPELLING)


def _places(codes: Positions, entries: pd.Index[str], chosen: Container[str]) -> Positions:
    """Positions of the chosen entries."""
    return np.flatnonzero(np.array([entry in chosen for entry in entries], dtype=bool)[codes])


def _groups(known: Sequence[str], form: Callable[[str], str]) -> dict[str, list[str]]:
    groups: dict[str, list[str]] = {}
    for one in known:
        groups.setdefault(form(one), []).append(one)
    return groups


def _looks(entry: str) -> str:
    return entry.casefold().translate(_LOOKS)


def _one_away(one: str, other: str) -> bool:
    return sum(a != b for a, b in zip(one.casefold(), other.casefold(), strict=True)) == 1


def _note_alike(
    validation: Validation, place: tuple[str, str], at: Positions, alike: dict[str, str]
) -> None:
    name, column = place
    values = validation.tables[name].values[column]
    said = [
        f"{values[p]} is unknown, and looks like {alike[values[p]]}; did you mean that?" for p in at
    ]
    trays = [alike[values[p]] for p in at] if column == "tray" else None
    noted = validation.note(LOOK_ALIKE, place, at, said, trays)
    for position, words in zip(at.tolist(), said, strict=True):
        tray = alike[values[position]]
        for one in [tray] if column == "tray" else _trays_of(validation, name, position):
            validation.leave_out(one, f"{column} {words.removesuffix('; did you mean that?')}")
    _take_out(validation, place, noted)


def _note_unknown(
    validation: Validation, place: tuple[str, str], at: Positions, known: Sequence[str]
) -> None:
    name, column = place
    values = validation.tables[name].values[column]
    other = next(link[1] for link in TABLES[name].links if link[0] == column)
    shown = validation.tables[other].shown_as
    parts = {
        entry: [one for one in known if one.startswith(f"{entry}/")]
        for entry in values.iloc[at].unique()
    }
    said = [
        f"{column} {values[p]} is not in {shown}"
        + (
            f"; it holds several lots, so name one of {some_of(parts[values[p]])}"
            if parts[values[p]]
            else ""
        )
        for p in at
    ]
    validation.note(UNKNOWN_ORDER if name == "orders" else UNKNOWN, place, at, said)
    if name == "lots":
        for position, words in zip(at.tolist(), said, strict=True):
            for tray in _trays_of(validation, name, position):
                validation.leave_out(tray, words)
    _take_out(validation, place, at)


def _trays_of(validation: Validation, name: str, position: int) -> list[str]:
    """Trays that a row of lots or trays concerns."""
    values, trays = validation.tables[name].values, validation.trays.values
    if name == "lots":
        same = trays[Trays.lot].str.casefold() == str(values.at[position, "lot"]).casefold()
        return trays.loc[same, Trays.tray].tolist()
    return [str(values.at[position, "tray"])] if name == "trays" else []


def _take_out(validation: Validation, place: tuple[str, str], at: Positions) -> None:
    """Rows about an unknown tray are no use; of other rows only the id is."""
    if place[1] == "tray":
        validation.set_aside(place[0], at)
    else:
        validation.blank(place, at)


def _mapped(values: pd.Series[Any], change: Callable[[str], str]) -> pd.Series[Any]:
    codes, entries = pd.factorize(values)
    changed = np.array([change(str(entry)) for entry in entries], dtype=object)
    return pd.Series(changed[codes], index=values.index, dtype=object)


def _one_spelling(validation: Validation, place: tuple[str, str]) -> None:
    """Where two spellings differ in case or blanks only, the one more often used stands for
    both.
    """
    table = validation.tables[place[0]]
    values = table.values[place[1]]
    counts = values[values != ""].value_counts()
    usual: dict[str, str] = {}
    for entry, _ in sorted(counts.items(), key=lambda one: (-one[1], str(one[0]))):
        usual.setdefault(_form(str(entry)), str(entry))
    table.values[place[1]] = _mapped(values, lambda entry: usual.get(_form(entry), entry))
    _note_mended(validation, place, LEVEL)


def _form(entry: str) -> str:
    return " ".join(entry.casefold().split())
