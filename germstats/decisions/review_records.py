"""What the raw records say of each tray beside its counts: losses, faults of the record, what happened to it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from germstats.decisions.lot_file import Losses, Usual
from germstats.models.tray_map import TrayMap, tray_maps
from germstats.records.book import RecordBook
from germstats.records.looks import within_spring
from germstats.records.parsing import spelled
from germstats.records.sown import ENDING_EVENTS, sown_trays
from germstats.records.tables import EVENTS

_MICE = re.compile(r"\b(mouse|mice|vole|voles|rodent|rodents|droppings)\b", re.IGNORECASE)
_ENDS = ENDING_EVENTS - {"transplanted_in", "uncovered"}
_EXPLAINS = frozenset(EVENTS) - {"kept_over", "uncovered"}
_LOSSES = frozenset({"damping_off"})
"""Events that name the loss a review asks about; after the others what is gone is accounted for."""
_FIFTH, _TENTH = 0.2, 0.1
_FEWEST_TRAYS, _FEWEST_OF_SPECIES = 4, 8  # of a handful of trays those that were hit would say what is usual
_LEAST_UNEVEN = 1.2  # trays lose in clumps: common practice, no source
_FAR = 4.5  # median distances, about three sds of a normal law


@dataclass(frozen=True)
class TrayRecord:
    """One tray by its raw records; fields as in `germstats.decisions.lot_file.TrayFile`.

    Attributes
    ----------
    cells : int
        Seen.
    filled : int or None
        Cells ever filled; None where never looked at.
    last_day : float
        Days from sowing to its last check in its spring.
    """

    cells: int
    filled: int | None
    last_day: float
    seen_map: TrayMap | None
    lost: int | None
    ever: int | None
    by_cell: bool
    falls: int
    sudden: bool
    happened: tuple[str, ...]
    cut_short: str
    mice: bool
    at_once: int = 0


def tray_records(book: RecordBook, spring_ends: tuple[int, int]) -> dict[str, TrayRecord]:
    """Raw records of every tray, those that stops keep out of the estimates with them.

    Parameters
    ----------
    book : RecordBook
    spring_ends : (month, day)

    Returns
    -------
    dict of str to TrayRecord
    """
    trays = sown_trays(book, spring_ends).drop_duplicates("tray")
    maps = tray_maps(book, spring_ends)
    cells, checks = (_by_tray(book.tables[name], trays) for name in ("cells", "checks"))
    events = dict(list(book.tables["events"].groupby("tray", sort=False)))
    notes = _notes(book)
    return {
        str(tray): _record(str(tray), sown, maps.get(str(tray)), cells.get(tray), checks.get(tray), events.get(tray),
                           notes.get(str(tray), ""), 0 if pd.isna(size) else int(size))
        for tray, sown, size in zip(trays["tray"], trays["sown_on"], trays["tray_cells"], strict=True)
    }  # fmt: skip


def _by_tray(table: pd.DataFrame, trays: pd.DataFrame) -> dict[object, pd.DataFrame]:
    inside = within_spring(table, trays, "checked_on")
    return dict(list(inside.sort_values("checked_on", kind="stable").groupby("tray", sort=False)))


def _notes(book: RecordBook) -> dict[str, str]:
    said: dict[str, str] = {}
    for name in ("trays", "checks", "cells", "events"):
        table = book.tables[name]
        for tray, note in zip(table["tray"], table["note"].astype(str), strict=True):
            if note:
                said[str(tray)] = f"{said.get(str(tray), '')} {note}"
    return said


def _record(
    tray: str, sown: pd.Timestamp, seen: TrayMap | None, cells: pd.DataFrame | None, checks: pd.DataFrame | None,
    events: pd.DataFrame | None, notes: str, size: int,
) -> TrayRecord:  # fmt: skip
    looks = cells if cells is not None else checks
    days = [] if looks is None else list((looks["checked_on"] - sown).dt.days)
    standing = _standing(cells, checks)
    mended, ended_by = _first(events, _EXPLAINS), _first(events, _EXPLAINS - _LOSSES)
    before = standing if ended_by is None else standing[standing.index < ended_by]
    lost, ever, by_cell = _lost(seen, before)
    at_once = fallen(before)[1]
    cells_seen = int(seen.known.sum()) if seen is not None else size
    whole = [] if events is None else events[(events["cells"] == "") & events["event"].isin(_ENDS)].to_dict("records")
    ended = min((one for one in whole if not pd.isna(one["on"])), key=lambda one: one["on"], default=None)
    over = looks is not None and ended is not None and ended["on"] > looks["checked_on"].max()
    filled = None if looks is None else int(seen.filled.sum()) if seen is not None else _most(checks)
    happened = () if events is None else tuple(
        f"{one['event'].replace('_', ' ')} {spelled(one['on'])}" for one in events.to_dict("records")
        if not pd.isna(one["on"])
    )  # fmt: skip
    return TrayRecord(
        cells=cells_seen,
        filled=None if filled is not None and filled > cells_seen else filled,
        last_day=float(max(days, default=0)),
        seen_map=seen,
        lost=lost,
        ever=ever,
        by_cell=by_cell,
        falls=_falls(cells, mended),
        sudden=sudden_fall(standing, mended, cells_seen),
        happened=happened,
        cut_short="" if ended is None or over else f"{ended['event'].replace('_', ' ')} on {spelled(ended['on'])}",
        mice=bool(_MICE.search(notes)) or (events is not None and bool((events["event"] == "rodent").any())),
        at_once=at_once,
    )


def _first(events: pd.DataFrame | None, of: frozenset[str]) -> pd.Timestamp | None:
    """Day of the first event of these kinds."""
    if events is None:
        return None
    days = events["on"][events["event"].isin(of) & events["on"].notna()]
    return None if days.empty else days.min()


def _most(checks: pd.DataFrame | None) -> int | None:
    filled = pd.Series(dtype=float) if checks is None else checks["filled"].astype("Float64").dropna()
    return int(filled.max()) if len(filled) else None


def _standing(cells: pd.DataFrame | None, checks: pd.DataFrame | None) -> pd.Series:
    """Seedlings (or filled cells) standing at each check, by date."""
    if cells is not None and cells["alive"].notna().any():
        return cells.groupby("checked_on")["alive"].sum(min_count=1).dropna().astype(float)
    if checks is not None:  # as written: the running maximum that counts for emergence hides every loss
        written = checks["filled_raw"].where(checks["filled"].notna())
        return written.astype("Float64").set_axis(checks["checked_on"]).dropna().astype(float)
    return pd.Series(dtype=float, index=pd.DatetimeIndex([]))


def _lost(seen: TrayMap | None, standing: pd.Series) -> tuple[int | None, int | None, bool]:
    """Lost after they came, and of how many: by cell where seedlings were counted there, else the total's fall."""
    if seen is not None and np.isfinite(seen.lost).any():
        known = np.isfinite(seen.lost)
        return int(seen.lost[known].sum()), int(np.nan_to_num(seen.emerged)[known].sum()), True
    if len(standing) < 2 or standing.max() <= 0:
        return None, None, False
    return fallen(standing)[0], int(standing.max()), False


def fallen(standing: pd.Series) -> tuple[int, int]:
    """How far a tray ever fell below the most that had stood in it, and the most that went between two checks.

    Late comers fill the gaps of those that died, so that the last check alone hides part of what was lost.

    Parameters
    ----------
    standing : pandas.Series
        By the day of each check, in order.
    """
    if len(standing) < 2:
        return 0, 0
    return int((standing.cummax() - standing).max()), int(max(-standing.diff().min(), 0.0))


def _falls(cells: pd.DataFrame | None, explained: pd.Timestamp | None) -> int:
    """Cells whose seedlings ever seen fall although nothing was noted before."""
    if cells is None:
        return 0
    if explained is not None:
        cells = cells[cells["checked_on"] < explained]
    counts = cells[cells["emerged"].notna()]
    steps = counts["emerged"].astype(float).groupby(counts["cell"]).diff()
    return int((steps < 0).groupby(counts["cell"]).any().sum())


def sudden_fall(standing: pd.Series, explained: pd.Timestamp | None, cells: int) -> bool:
    """A fifth or more gone between two checks, at least one to ten cells, with little lost otherwise and nothing noted.

    Parameters
    ----------
    standing : pandas.Series
        By the day of each check, in order.
    explained : pandas.Timestamp or None
        Day of the first event that explains losses.
    cells : int
    """
    if len(standing) < 3 or standing.max() <= 0:
        return False
    gone = (-standing.diff().fillna(0.0)).clip(lower=0.0)
    at = int(gone.to_numpy().argmax())
    most = float(gone.iloc[at])
    noted = explained is not None and explained <= standing.index[at]
    enough = most >= max(_FIFTH * float(standing.iloc[:at].max() if at else 0.0), _TENTH * cells)
    return enough and float(gone.sum()) - most <= _FIFTH * most and not noted


def usual_of(records: Mapping[str, TrayRecord], species: Mapping[str, str]) -> dict[str, Usual]:
    """Usual losses in a nursery; the stated ones where it tells too little.

    Parameters
    ----------
    records : dict of str to TrayRecord
    species : dict of str to str
        By tray.

    Returns
    -------
    dict of str to Usual
        By species; the whole nursery under ``""``.
    """
    stated = Usual()
    whole = Usual(_usual_losses(records.values(), True) or stated.by_cell,
                  _usual_losses(records.values(), False) or stated.by_tray)  # fmt: skip
    usual = {"": whole}
    for one in sorted(set(species.values())):
        own = [record for tray, record in records.items() if species.get(tray) == one]
        usual[one] = Usual(_usual_losses(own, True, _FEWEST_OF_SPECIES) or whole.by_cell,
                           _usual_losses(own, False, _FEWEST_OF_SPECIES) or whole.by_tray)  # fmt: skip
    return usual


def _usual_losses(records: Iterable[TrayRecord], by_cell: bool, fewest: int = _FEWEST_TRAYS) -> Losses | None:
    """What trays lose as a rule; those far from the middle were hit by something and are no rule."""
    told = [(one.lost, one.ever) for one in records if one.ever and one.by_cell == by_cell]
    if len(told) < fewest:
        return None
    counts = np.array(told, dtype=float)
    away = np.abs(counts[:, 0] / counts[:, 1] - np.median(counts[:, 0] / counts[:, 1]))
    lost, ever = counts[away <= max(_FAR * float(np.median(away)), _TENTH if by_cell else _TENTH / 2)].T
    share = float(np.clip(lost.sum() / ever.sum(), 0.02 if by_cell else 0.01, 0.5))
    uneven = float(((lost - share * ever) ** 2 / (ever * share * (1 - share))).mean())
    return Losses(share, max(uneven, _LEAST_UNEVEN))
