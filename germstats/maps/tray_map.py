"""A tray as it stands on the bench: what was sown and seen in each cell, and where its empty cells
lie.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from germstats.maps.tray_scans import (
    PERMUTATIONS,
    EmptyBlock,
    EmptyRing,
    JoinCount,
    Marks,
    emptiest_block,
    join_count,
    ring_of_empties,
)
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import cell_place
from germstats.records.intervals.sowings import sown_trays
from germstats.records.intervals.usable_checks import within_spring
from germstats.records.seasons import SPRING_ENDS
from germstats.records.seeds import SowingRate
from germstats.records.tables import Cells, Events, Maps, Trays

if TYPE_CHECKING:
    from germstats.engine.timing import Array

__all__ = [
    "LABEL_CORNER",
    "EmptyBlock",
    "EmptyRing",
    "JoinCount",
    "Overfull",
    "TrayMap",
    "cell_name",
    "empty_ring",
    "join_count",
    "overfull_cells",
    "scan_empty_block",
    "tray_maps",
]

LABEL_CORNER = "A1"
"""Cell at the label, from which rows and columns are counted (common practice, no source)."""

# a count above this point of a pinch is more than was sown (limit of the design)
_PINCH_LEVEL = 0.998
_TAKEN_OUT = ("thinned", "transplanted", "transplanted_in", "sold", "discarded")
"""Events after which a seedling that is gone was taken by the grower."""


@dataclass(frozen=True)
class TrayMap:
    """Cells of one tray, rows from top (A) and columns from left (1).

    Attributes
    ----------
    tray : str
    rows, columns : int
    sown : (R, C) array
        Seeds sown in each cell, the mean of a range or pinch; NaN where not known or nothing was
        sown.
    emerged : (R, C) array
        Seedlings ever seen; 0 or 1 where only filled or empty is known; NaN for a cell not seen or
        not sown.
    lost : (R, C) array
        Seedlings seen and later gone, before any thinning or move; NaN where standing seedlings
        were not counted.
    counted : bool
        False where only filled or empty is known.
    overfull_above : (R, C) array
        A count above this is more than was sown: the seeds of counted seed, the most of a range,
        the .998 point of a pinch; inf where the size of a pinch is not known.
    corner : str
        Cell at the label.
    source : {"cells", "maps"}
        Looked at cell by cell, or once at the end.
    """

    tray: str
    rows: int
    columns: int
    sown: Array
    emerged: Array
    lost: Array
    counted: bool
    overfull_above: Array
    corner: str = LABEL_CORNER
    source: str = "cells"

    @property
    def known(self) -> Marks:
        """(R, C) bool: cells that were sown and seen."""
        return np.isfinite(self.emerged)

    @property
    def filled(self) -> Marks:
        """(R, C) bool: cells in which a seedling was ever seen."""
        return np.nan_to_num(self.emerged) > 0


def without_cells(one: TrayMap, away: Marks) -> TrayMap:
    """The map with some of its cells, (R, C) bool, taken as never looked at."""
    return replace(one, emerged=np.where(away, np.nan, one.emerged))


@dataclass(frozen=True)
class Overfull:
    """Cells that hold more seedlings than seeds were sown.

    Attributes
    ----------
    cells : tuple of str
        Their names, such as ``B7``, row by row.
    count : int or None
        None where seedlings were not counted, so that there is no telling.
    """

    cells: tuple[str, ...]
    count: int | None


def cell_name(row: int, column: int) -> str:
    """Name of the cell in that row and column, both counted from 0: ``B7`` for (1, 6)."""
    letters, left = "", row + 1
    while left:
        left, letter = divmod(left - 1, 26)
        letters = chr(ord("A") + letter) + letters
    return f"{letters}{column + 1}"


def scan_empty_block(
    one: TrayMap, seed: int = 0, permutations: int = PERMUTATIONS
) -> EmptyBlock | None:
    """Emptiest block from an edge; None where none can be seen
    (`germstats.maps.tray_scans.emptiest_block`).
    """
    return emptiest_block(one.filled, one.known, seed, permutations)


def empty_ring(one: TrayMap) -> EmptyRing | None:
    """Do empty cells crowd the outer ring? (`germstats.maps.tray_scans.ring_of_empties`)."""
    return ring_of_empties(one.filled, one.known)


def overfull_cells(one: TrayMap) -> Overfull:
    """Cells in which more seedlings were seen than seeds were sown; not known from a map of filled
    and empty.
    """
    if not one.counted:
        return Overfull((), None)
    above = one.known & (np.nan_to_num(one.emerged) > np.nan_to_num(one.overfull_above, nan=np.inf))
    names = tuple(cell_name(int(row), int(column)) for row, column in np.argwhere(above))
    return Overfull(names, len(names))


def tray_maps(book: RecordBook, spring_ends: tuple[int, int] = SPRING_ENDS) -> dict[str, TrayMap]:
    """Maps of all trays that were looked at cell by cell, or once at the end.

    Counts that keep a tray out of the estimates (falling, or above what was sown) are in them: they
    are evidence.

    Parameters
    ----------
    book : RecordBook
    spring_ends : (month, day)
        Later looks belong to a second spring, and are left out.

    Returns
    -------
    dict of str to TrayMap
        By tray id, in the order of the trays table; trays of which no cell is known are not in it.
    """
    trays = sown_trays(book, spring_ends)
    trays = trays[trays[Trays.rows].notna() & trays[Trays.columns].notna()].drop_duplicates(
        Trays.tray
    )
    cells = _placed(within_spring(book.cells, trays, "checked_on"), trays)
    each = _each_cell(cells, _taken_out(book, cells))
    looks = within_spring(book.maps, trays, "seen_on").sort_values(Maps.seen_on, kind="stable")
    rows_of = each.groupby("tray", sort=False).indices
    columns = {str(name): each[name].to_numpy() for name in each}
    empty = dict(zip(looks[Maps.tray], looks[Maps.empty_cells], strict=True))
    sowings = {rate: _sowing(rate) for rate in trays["rate"].unique()}
    found: dict[str, TrayMap] = {}
    for tray in trays[[Trays.tray, Trays.rows, Trays.columns, "rate"]].to_dict("records"):
        name, sowing = str(tray[Trays.tray]), sowings[tray["rate"]]
        if name in rows_of:
            own = {column: values[rows_of[name]] for column, values in columns.items()}
            found[name] = _from_cells(tray, own, sowing)
        elif name in empty:
            found[name] = _from_look(tray, str(empty[name]), sowing)
    return found


def _placed(cells: pd.DataFrame, trays: pd.DataFrame) -> pd.DataFrame:
    """Looks at cells that the tray has, with ``place``, row by row from 0, and what was
    ``seen``.
    """
    shape = (
        trays.set_index(Trays.tray)[[Trays.rows, Trays.columns]]
        .astype(float)
        .reindex(cells[Cells.tray])
        .to_numpy()
    )
    codes, names = pd.factorize(cells[Cells.cell])
    places = np.array([cell_place(name) for name in names], dtype=float).reshape(-1, 2)[codes]
    emerged = cells[Cells.emerged].astype(float)
    seen = emerged.fillna(cells[Cells.occupied].astype(float))
    placed = cells[
        [Cells.tray, Cells.cell, Cells.checked_on, Cells.emerged, Cells.seeds, Cells.alive]
    ].assign(place=(places[:, 0] - 1) * shape[:, 1] + places[:, 1] - 1, seen=seen)
    kept: pd.DataFrame = placed[(places <= shape).all(axis=1) & seen.notna().to_numpy()]
    return kept.astype({"place": np.int64})


def _taken_out(book: RecordBook, cells: pd.DataFrame) -> Marks:
    """Looks from the day on which the grower took seedlings out of the tray or cell."""
    events = book.events
    events = events[events[Events.event].isin(_TAKEN_OUT) & events[Events.on].notna()].sort_values(
        Events.on, ascending=False
    )
    first: dict[tuple[str, str], pd.Timestamp] = {}
    for tray, on, named in events[[Events.tray, Events.on, Events.cells]].itertuples(index=False):
        first |= {(str(tray), cell): on for cell in str(named).split() or [""]}
    never = pd.Timestamp.max
    taken = cells[Cells.tray].isin({tray for tray, _ in first}).to_numpy(dtype=bool)
    told = cells[taken]
    keys = zip(told["tray"], told["cell"], told["checked_on"], strict=True)
    taken[taken] = [
        on >= min(first.get((tray, cell), never), first.get((tray, ""), never))
        for tray, cell, on in keys
    ]
    return taken


def _each_cell(cells: pd.DataFrame, taken: Marks) -> pd.DataFrame:
    """One row per ``tray`` and ``place``: seedlings ``ever`` seen, its ``own`` seeds, those
    ``lost``, ``counted``.

    Lost is what had been seen, and no longer stood, at the last look that counted both before
    seedlings were taken out.
    """
    by = ["tray", "place"]
    looks = cells.groupby(by, sort=False)
    both = cells[
        ~taken & cells[Cells.alive].notna().to_numpy() & cells[Cells.emerged].notna().to_numpy()
    ]
    last = (
        both.sort_values("checked_on", kind="stable").drop_duplicates(by, keep="last").set_index(by)
    )
    each = pd.DataFrame(
        {
            "ever": looks["seen"].max(),
            "own": looks["seeds"].max().astype(float),
            "counted": looks["emerged"].count() > 0,
        }
    )
    lost = (last["seen"] - last["alive"].astype(float)).clip(lower=0.0)
    return each.assign(lost=lost.reindex(each.index)).reset_index()


def _from_cells(
    tray: dict[Hashable, Any], each: dict[str, Array], sowing: tuple[float, float]
) -> TrayMap:
    shape = (int(tray["rows"]), int(tray["columns"]))
    ever, own, lost = (_grid(shape, each["place"], each[name]) for name in ("ever", "own", "lost"))
    mean, most = sowing
    sown = np.where(np.isfinite(own), own, mean)
    above = np.where(np.isfinite(own), own, most)
    nothing = np.isnan(ever) | (sown == 0)
    for grid in (ever, sown, above, lost):
        grid[nothing] = np.nan
    return TrayMap(str(tray["tray"]), *shape, sown, ever, lost, bool(each["counted"].any()), above)


def _grid(shape: tuple[int, int], places: Array, values: Array) -> Array:
    """Values by place -> (R, C), NaN where there is none."""
    grid = np.full(shape[0] * shape[1], np.nan)
    grid[places] = values
    return grid.reshape(shape)


def _from_look(tray: dict[Hashable, Any], empty: str, sowing: tuple[float, float]) -> TrayMap:
    shape = (int(tray["rows"]), int(tray["columns"]))
    grid = np.ones(shape)
    for cell in empty.split():
        row, column = cell_place(cell)
        if row <= shape[0] and column <= shape[1]:
            grid[row - 1, column - 1] = 0.0
    sown, most = (np.full(shape, value) for value in sowing)
    return TrayMap(
        str(tray["tray"]), *shape, sown, grid, np.full(shape, np.nan), False, most, source="maps"
    )


def _sowing(rate: SowingRate | None) -> tuple[float, float]:
    """Mean seeds per cell, and the most seedlings they can honestly give."""
    from scipy import stats  # only here, so that what needs no map starts without it

    if rate is None or rate.kind == "pinch_unmeasured":
        return np.nan, np.inf
    if rate.k is not None:
        return rate.mean, float(
            stats.nbinom.ppf(_PINCH_LEVEL, rate.k, rate.k / (rate.k + rate.mean))
        )
    return rate.mean, float(max(rate.counts))
