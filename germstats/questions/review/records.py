"""What the raw records say of each tray beside its counts: losses, faults of the record, what
happened to it.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from germstats.maps.tray_map import TrayMap, tray_maps
from germstats.questions.review.lot_file import Usual, UsualLosses
from germstats.questions.review.tray import ReviewedTray
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import spelled
from germstats.records.intervals.sowings import ENDING_EVENTS
from germstats.records.intervals.usable_checks import within_spring
from germstats.records.tables import EVENTS, Cells, Checks, Events, Trays

_MICE = re.compile(r"\b(mouse|mice|vole|voles|rodent|rodents|droppings)\b", re.IGNORECASE)
_ENDS = ENDING_EVENTS - {"transplanted_in", "uncovered"}
_EXPLAINS = frozenset(EVENTS) - {"kept_over", "uncovered"}
_LOSSES = frozenset({"damping_off"})
"""Events that name the loss a review asks about; after the others what is gone is accounted for."""
_FIFTH, _TENTH = 0.2, 0.1
# of a handful of trays those that were hit would say what is usual
_FEWEST_TRAYS, _FEWEST_OF_SPECIES = (4, 8)
_LEAST_UNEVEN = 1.2  # trays lose in clumps: common practice, no source
_FAR = 4.5  # median distances, about three sds of a normal law
_NOTHING = pd.Series(dtype=float, index=pd.DatetimeIndex([]))


def with_records(
    trays: Iterable[ReviewedTray],
    book: RecordBook,
    table: pd.DataFrame,
    spring_ends: tuple[int, int],
) -> tuple[ReviewedTray, ...]:
    """Trays with what their raw records say; those that stops keep out of the estimates with them.

    Parameters
    ----------
    trays : iterable of ReviewedTray
        As they were sown.
    book : RecordBook
    table : pandas.DataFrame
        `sown_trays` of the book, one row a tray.
    spring_ends : (month, day)

    Returns
    -------
    tuple of ReviewedTray
        In the same order.
    """
    raw = _raw(book, table, spring_ends)
    by_tray = table.set_index(Trays.tray)
    sown_on, sizes = by_tray[Trays.sown_on], by_tray["tray_cells"].fillna(0).astype(int)
    return tuple(_with_record(one, sown_on[one.tray], int(sizes[one.tray]), raw) for one in trays)


@dataclass(frozen=True)
class _Raw:
    """What each table says, by tray; trays of which it says nothing are not there.

    Attributes
    ----------
    events
        Whatever happened, in the order of the table.
    mended, ended
        Day of the first event that explains losses, and of the first that does so but names none a
        review asks about.
    last_look
        Its last check, of its cells where it has such.
    standing
        Seedlings (or filled cells) standing at each check, by date.
    filled
        Most cells ever filled, of the whole tray.
    falls
        Cells whose seedlings ever seen fall although nothing was noted before.
    """

    maps: dict[str, TrayMap]
    events: dict[str, list[dict[Hashable, Any]]]
    notes: dict[str, str]
    mended: dict[str, pd.Timestamp]
    ended: dict[str, pd.Timestamp]
    last_look: dict[str, pd.Timestamp]
    standing: dict[str, pd.Series[float]]
    filled: dict[str, int]
    falls: dict[str, int]


def _raw(book: RecordBook, trays: pd.DataFrame, spring_ends: tuple[int, int]) -> _Raw:
    cells = _looks(
        book.cells[[Cells.tray, Cells.cell, Cells.checked_on, Cells.emerged, Cells.alive]], trays
    )
    checks = _looks(
        book.checks[[Checks.tray, Checks.checked_on, Checks.filled, "filled_raw"]], trays
    )
    events: dict[str, list[dict[Hashable, Any]]] = {}
    for one in book.events.to_dict("records"):
        events.setdefault(str(one[Events.tray]), []).append(one)
    mended, ended = (_first(book.events, of) for of in (_EXPLAINS, _EXPLAINS - _LOSSES))
    return _Raw(
        maps=tray_maps(book, spring_ends),
        events=events,
        notes=_notes(book),
        mended=_by_tray(mended),
        ended=_by_tray(ended),
        last_look=_last_look(checks) | _last_look(cells),
        standing=_standing(cells, checks),
        filled=_by_tray(checks.groupby(Checks.tray)[Checks.filled].max().dropna()),
        falls=_falls(cells, mended),
    )


def _looks(table: pd.DataFrame, trays: pd.DataFrame) -> pd.DataFrame:
    return within_spring(table, trays, "checked_on").sort_values("checked_on", kind="stable")


def _last_look(looks: pd.DataFrame) -> dict[str, pd.Timestamp]:
    return _by_tray(looks.groupby("tray")["checked_on"].max())


def _by_tray(values: pd.Series[Any]) -> dict[str, Any]:
    return {str(tray): value for tray, value in values.to_dict().items()}


def _notes(book: RecordBook) -> dict[str, str]:
    said: dict[str, str] = {}
    for name in ("trays", "checks", "cells", "events"):
        table = book.tables[name]
        noted = table[table["note"] != ""]
        for tray, note in zip(noted["tray"], noted["note"], strict=True):
            said[str(tray)] = f"{said.get(str(tray), '')} {note}"
    return said


def _first(events: pd.DataFrame, of: frozenset[str]) -> pd.Series[pd.Timestamp]:
    """Day of the first event of these kinds, by tray."""
    return (
        events[events[Events.event].isin(of) & events[Events.on].notna()]
        .groupby(Events.tray)[Events.on]
        .min()
    )


def _standing(cells: pd.DataFrame, checks: pd.DataFrame) -> dict[str, pd.Series[float]]:
    """Seedlings standing in the cells of a tray, where they were ever counted, else its filled
    cells.
    """
    alive = (
        cells[cells[Cells.alive].notna()]
        .groupby([Cells.tray, Cells.checked_on])[Cells.alive]
        .sum()
        .reset_index(name="standing")
    )
    # as written: the running maximum that counts for emergence hides every loss
    written = checks[
        checks[Checks.filled].notna()
        & checks["filled_raw"].notna()
        & ~checks[Checks.tray].isin(alive["tray"])
    ]
    seen = pd.concat([alive, written.rename(columns={"filled_raw": "standing"})])
    course = seen.set_index("checked_on")["standing"].astype(float)
    return {
        str(tray): course.iloc[at] for tray, at in seen.groupby("tray", sort=False).indices.items()
    }


def _falls(cells: pd.DataFrame, explained: pd.Series[pd.Timestamp]) -> dict[str, int]:
    """How many cells of a tray fall in seedlings ever seen before anything explains it."""
    after = cells[Cells.checked_on] >= cells[Cells.tray].map(explained)
    counts = cells[cells[Cells.emerged].notna() & ~after]
    steps = counts["emerged"].astype(float).groupby([counts["tray"], counts["cell"]]).diff()
    return _by_tray(counts[steps < 0].drop_duplicates(["tray", "cell"])["tray"].value_counts())


def _with_record(one: ReviewedTray, sown: pd.Timestamp, size: int, raw: _Raw) -> ReviewedTray:
    """A tray with what its raw records say.

    Parameters
    ----------
    one : ReviewedTray
    sown : pandas.Timestamp
    size : int
        Cells of the tray; 0 where not known.
    raw : _Raw
    """
    tray = one.tray
    seen, last_look = raw.maps.get(tray), raw.last_look.get(tray)
    events = raw.events.get(tray, [])
    standing = raw.standing.get(tray, _NOTHING)
    ended_on = raw.ended.get(tray)
    before_end = standing if ended_on is None else standing[standing.index < ended_on]
    lost, ever, by_cell = _lost(seen, before_end)
    cells = size if seen is None else int(seen.known.sum())
    dated = [event for event in events if not pd.isna(event[Events.on])]
    return replace(
        one,
        cells=cells,
        filled=_filled(raw, tray, cells),
        last_day=0.0 if last_look is None else float((last_look - sown).days),
        seen_map=seen,
        lost=lost,
        ever=ever,
        by_cell=by_cell,
        falls=raw.falls.get(tray, 0),
        sudden=sudden_fall(standing, raw.mended.get(tray), cells),
        happened=tuple(f"{_event_words(event)} {spelled(event[Events.on])}" for event in dated),
        cut_short=_cut_short(dated, last_look),
        mice=_names_mice(raw.notes.get(tray, ""), events),
        at_once=fallen(before_end)[1],
    )


def _filled(raw: _Raw, tray: str, cells: int) -> int | None:
    """Cells ever filled; None where never looked at, or where more than there are were written."""
    if tray not in raw.last_look:
        return None
    seen = raw.maps.get(tray)
    filled = raw.filled.get(tray) if seen is None else int(seen.filled.sum())
    return None if filled is not None and filled > cells else filled


def _cut_short(events: Sequence[dict[Hashable, Any]], last_look: pd.Timestamp | None) -> str:
    """The event that ended the tray's records before its last look; empty where none did."""
    whole = [one for one in events if one[Events.cells] == "" and one[Events.event] in _ENDS]
    first = min(whole, key=lambda one: one[Events.on], default=None)
    if first is None or (last_look is not None and first[Events.on] > last_look):
        return ""
    return f"{_event_words(first)} on {spelled(first[Events.on])}"


def _event_words(event: dict[Hashable, Any]) -> str:
    return str(event[Events.event]).replace("_", " ")


def _names_mice(note: str, events: Sequence[dict[Hashable, Any]]) -> bool:
    return bool(_MICE.search(note)) or any(one[Events.event] == "rodent" for one in events)


def _lost(seen: TrayMap | None, standing: pd.Series) -> tuple[int | None, int | None, bool]:
    """Lost after they came, and of how many: by cell where seedlings were counted there, else the
    total's fall.
    """
    if seen is not None and np.isfinite(seen.lost).any():
        known = np.isfinite(seen.lost)
        return int(seen.lost[known].sum()), int(np.nan_to_num(seen.emerged)[known].sum()), True
    if len(standing) < 2 or standing.max() <= 0:
        return None, None, False
    return fallen(standing)[0], int(standing.max()), False


def fallen(standing: pd.Series) -> tuple[int, int]:
    """How far a tray ever fell below the most that had stood in it, and the most that went between
    two checks.

    Late comers fill the gaps of those that died, so that the last check alone hides part of what
    was lost.

    Parameters
    ----------
    standing : pandas.Series
        By the day of each check, in order.
    """
    if len(standing) < 2:
        return 0, 0
    counts = standing.to_numpy()
    return int((np.maximum.accumulate(counts) - counts).max()), int(
        max(-np.diff(counts).min(), 0.0)
    )


def sudden_fall(standing: pd.Series, explained: pd.Timestamp | None, cells: int) -> bool:
    """A fifth or more gone between two checks, at least one to ten cells, with little lost
    otherwise and nothing noted.

    Parameters
    ----------
    standing : pandas.Series
        By the day of each check, in order.
    explained : pandas.Timestamp or None
        Day of the first event that explains losses.
    cells : int
    """
    counts = standing.to_numpy()
    if len(counts) < 3 or counts.max() <= 0:
        return False
    gone = np.maximum(-np.diff(counts, prepend=counts[0]), 0.0)
    at = int(gone.argmax())
    most = float(gone[at])
    noted = explained is not None and explained <= standing.index[at]
    enough = most > 0 and most >= max(
        _FIFTH * float(counts[:at].max() if at else 0.0), _TENTH * cells
    )
    return enough and float(gone.sum()) - most <= _FIFTH * most and not noted


def usual_of(trays: Sequence[ReviewedTray]) -> dict[str, Usual]:
    """Usual losses in a nursery; the stated ones where it tells too little.

    Parameters
    ----------
    trays : sequence of ReviewedTray
        With their records.

    Returns
    -------
    dict of str to Usual
        By species; the whole nursery under ``""``.
    """
    stated = Usual()
    whole = Usual(
        by_cell=_usual_losses(trays, by_cell=True) or stated.by_cell,
        by_tray=_usual_losses(trays, by_cell=False) or stated.by_tray,
    )
    usual = {"": whole}
    for species in sorted({one.species for one in trays} - {""}):
        own = [one for one in trays if one.species == species]
        usual[species] = Usual(
            by_cell=_usual_losses(own, True, _FEWEST_OF_SPECIES) or whole.by_cell,
            by_tray=_usual_losses(own, False, _FEWEST_OF_SPECIES) or whole.by_tray,
        )
    return usual


def _usual_losses(
    trays: Iterable[ReviewedTray], by_cell: bool, fewest: int = _FEWEST_TRAYS
) -> UsualLosses | None:
    """What trays lose as a rule; those far from the middle were hit by something and are no
    rule.
    """
    told = [(one.lost, one.ever) for one in trays if one.ever and one.by_cell == by_cell]
    if len(told) < fewest:
        return None
    counts = np.array(told, dtype=float)
    away = np.abs(counts[:, 0] / counts[:, 1] - np.median(counts[:, 0] / counts[:, 1]))
    lost, ever = counts[
        away <= max(_FAR * float(np.median(away)), _TENTH if by_cell else _TENTH / 2)
    ].T
    share = float(np.clip(lost.sum() / ever.sum(), 0.02 if by_cell else 0.01, 0.5))
    uneven = float(((lost - share * ever) ** 2 / (ever * share * (1 - share))).mean())
    return UsualLosses(share, max(uneven, _LEAST_UNEVEN))
