"""The check page: one page for a phone on which a grower notes her checks tray by tray, away from
any network.

What it writes back is rows of the tables checks, cells and events. A tray looked at cell by cell
gives one row for every cell sown, zeros too: a cell without a row would be taken as not sown, or as
not looked at.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from germstats.document.rendering import self_contained
from germstats.maps.tray_map import LABEL_CORNER
from germstats.records.bench_order import BenchTray, bench_of
from germstats.records.book import RecordBook
from germstats.records.formats.headings import mended
from germstats.records.tables import EVENTS, TABLES, Cells, Checks

_WRITTEN = {
    "checks": ("tray", "checked_on", "filled", "seedlings", "checked_by", "note"),
    "cells": ("tray", "cell", "checked_on", "emerged", "checked_by", "note"),
    "events": ("tray", "on", "event", "cells", "note"),
}
"""Columns the page fills, by table."""
_STYLES = ("check_page.css",)
_SCRIPTS = (
    "check_page_second.js",
    "check_page_store.js",
    "check_page_rows.js",
    "check_page_export.js",
    "check_page_cells.js",
    "check_page.js",
)


@dataclass(frozen=True)
class CheckPage:
    """The page and how many trays are on it.

    Attributes
    ----------
    html : str
        One HTML document.
    trays : int
    """

    html: str
    trays: int


def check_page(
    book: RecordBook | None = None,
    season: int | None = None,
    headers: Mapping[str, Sequence[str]] | None = None,
) -> CheckPage:
    """Make the page.

    Parameters
    ----------
    book : RecordBook, optional
        The trays that stand in its season are on the page, in bench order; without it they are
        typed on the page.
    season : int, optional
        By default the latest of the book.
    headers : mapping, optional
        Table -> columns as the book's own files have them; exported rows keep that order. By
        default every column of the table, as a blank book has them.

    Returns
    -------
    CheckPage

    Raises
    ------
    NotEnoughRecordsError
        The book has no tray of a known season.
    WrongUseError
        The season has no tray.
    """
    bench = None if book is None else bench_of(book, season)
    trays = [] if book is None or bench is None else _trays(book, bench.trays)
    data = {
        "book": None if book is None else book.source,
        "corner": LABEL_CORNER,
        "columns": {name: _columns(name, headers or {}) for name in _WRITTEN},
        "missing": {name: _missing(name, headers or {}) for name in _WRITTEN},
        "trays": trays,
    }
    html = self_contained(
        "germstats.phone",
        "check_page.html",
        styles=_STYLES,
        scripts=_SCRIPTS,
        title="Tray checks" if bench is None else f"Tray checks, spring {bench.season}",
        book=data["book"],
        data=data,
        events=EVENTS,
        gone=() if bench is None else bench.gone,
    )
    return CheckPage(html, len(trays))


def _columns(name: str, headers: Mapping[str, Sequence[str]]) -> list[str]:
    """Columns of an exported table: the book's own, then those it lacks."""
    own = [mended(column) for column in headers.get(name, ())]
    return (
        [*own, *_missing(name, headers)]
        if own
        else [column.name for column in TABLES[name].columns]
    )


def _missing(name: str, headers: Mapping[str, Sequence[str]]) -> list[str]:
    own = {mended(column) for column in headers.get(name, ())}
    return [column for column in _WRITTEN[name] if column not in own] if own else []


def _trays(book: RecordBook, bench: Sequence[BenchTray]) -> list[dict[str, Any]]:
    ids = {one.tray for one in bench}
    cells, checks = (book.tables[name] for name in ("cells", "checks"))
    cells = cells[cells[Cells.tray].isin(ids) & cells[Cells.checked_on].notna()]
    checks = checks[checks[Checks.tray].isin(ids) & checks[Checks.checked_on].notna()]
    seen, own = (
        _latest(cells, cells[Cells.emerged].fillna(cells[Cells.occupied])),
        _latest(cells, cells[Cells.seeds]),
    )
    last = (
        checks[checks["filled_raw"].notna()]
        .sort_values(Checks.checked_on, kind="stable")
        .drop_duplicates(Checks.tray, keep="last")
    )
    filled = dict(zip(last["tray"], last["filled_raw"].astype(int), strict=True))
    days = {name: _days(table) for name, table in (("cells", cells), ("checks", checks))}
    return [
        {
            "tray": one.tray,
            "lot": one.lot,
            "species": one.species,
            "name": one.common_name,
            "place": one.place,
            "block": one.block,
            "rows": one.rows,
            "columns": one.columns,
            "seeds": str(one.rate or ""),
            "most": max(one.rate.counts, default=None) if one.rate else None,
            "treatment": one.treatment,
            "sown": "" if one.sown_on is None else f"{one.sown_on:%Y-%m-%d}",
            "seen": seen.get(one.tray, {}),
            "own": own.get(one.tray, {}),
            "filled": filled.get(one.tray),
            "days": {name: by_tray.get(one.tray, []) for name, by_tray in days.items()},
        }
        for one in bench
    ]


def _latest(cells: pd.DataFrame, values: pd.Series[Any]) -> dict[str, dict[str, int]]:
    """Tray -> cell -> the largest number of all looks: what was seen stays seen."""
    known = values.dropna().astype(int)
    places = cells.loc[known.index, [Cells.tray, Cells.cell]].astype(str)
    found: dict[str, dict[str, int]] = {}
    for tray, cell, number in zip(places["tray"], places["cell"], known, strict=True):
        of_tray = found.setdefault(tray, {})
        of_tray[cell] = max(int(number), of_tray.get(cell, 0))
    return found


def _days(looks: pd.DataFrame) -> dict[str, list[str]]:
    """Tray -> days on which it was looked at, in order."""
    days = looks["checked_on"].dt.strftime("%Y-%m-%d")
    return {str(tray): sorted(set(of_tray)) for tray, of_tray in days.groupby(looks["tray"])}
