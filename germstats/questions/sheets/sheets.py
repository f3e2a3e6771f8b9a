"""Sheets for the potting bench: what to sow, what to look at, and labels, as pages to print on A4
or Letter.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from germstats.document.rendering import self_contained
from germstats.document.sentences import STORE_AFTER
from germstats.forecast.planned_sowing import BULK_UNDER_MG, PlannedSowing
from germstats.forecast.reconcile import NextSowings
from germstats.maps.tray_map import LABEL_CORNER, cell_name
from germstats.questions.sheets.sheet_words import (
    DROPPINGS,
    SOW_BY,
    cover_words,
    day_words,
    doubtful,
    lots_to_take,
    plan_remarks,
    seeds_words,
    shape_words,
    sowing_cautions,
    sown_words,
    weight_words,
)
from germstats.records.bench_order import Bench, BenchTray
from germstats.records.checking.parsing import so_many
from germstats.records.tables import EVENTS, Trays

DATES = 4
"""Looks that fit on one sheet of the quick round."""
_SIZES = ((12, "large"), (20, "middle"), (30, "small"))
"""Most rows or columns of a grid, and how it is drawn; a larger tray has no grid that fits on a
page.
"""
_STYLES = ("sheets.css",)
_FOLDER = "germstats.questions.sheets"


@dataclass(frozen=True)
class Label:
    """What stands on the label of one tray; blank where it is still to be written."""

    tray: str
    lot: str
    species: str
    common_name: str
    sown_on: str
    cover: str


@dataclass(frozen=True)
class SowingLine:
    """One line of the sowing sheet, in words."""

    tray: str
    order: str
    lot: str
    species: str
    common_name: str
    seeds: str
    amount: str
    bulked: bool
    cells: str
    cover: str
    depth_unknown: bool
    pretreatment: str
    place: str
    sow_by: str
    note: str


@dataclass(frozen=True)
class PencilGrid:
    """A tray's cells to be filled in by pencil: names of its rows and columns, and the size they
    are drawn in.
    """

    size: str
    rows: tuple[str, ...]
    columns: tuple[int, ...]


def sowing_sheet(found: NextSowings, source: str) -> str:
    """The page of what to sow.

    Parameters
    ----------
    found : NextSowings
    source : str
        Name of the record book.

    Returns
    -------
    str
        One HTML document.
    """
    trays, plan, spec = found.trays, found.plan, found.spec
    return self_contained(
        _FOLDER,
        "sheets_sowing.html",
        _STYLES,
        title=f"Sowing sheet, spring {found.season}",
        source=source,
        season=found.season,
        planned=plan is not None,
        no_orders=found.no_orders,
        target=f"{100 * spec.target:.3g}",
        assurance=f"{100 * spec.assurance:.3g}",
        lines=tuple(_sowing_line(one) for one in trays),
        lots=lots_to_take(trays) if plan else (),
        reasons=() if plan else tuple(dict.fromkeys((one.lot, one.sow_by.why) for one in trays)),
        remarks=(*sown_words(found.already, found.season), *plan_remarks(plan)) if plan else (),
        sow_by=SOW_BY,
        store=STORE_AFTER,
        bulk_under=f"{BULK_UNDER_MG:g}",
        cold=any(one.sow_by.counts_cold for one in trays),
        cautions=sowing_cautions(trays),
        doubtful=doubtful(one.tray for one in trays),
    )


def _sowing_line(one: PlannedSowing) -> SowingLine:
    seeds, weight = one.seeds, weight_words(one.seeds.grams)
    amount = "" if seeds.count is None else so_many(seeds.count, "seed")
    return SowingLine(
        tray=one.tray,
        order=one.order,
        lot=one.lot,
        species=one.species,
        common_name=one.common_name,
        seeds=seeds_words(seeds),
        amount=f"{amount} = {weight}" if amount and weight else amount,
        bulked=seeds.light,
        cells=shape_words(one.shape),
        cover=cover_words(one.treatment),
        depth_unknown="cover_depth_mm" not in one.treatment,
        pretreatment=str(one.treatment.get(Trays.pretreatment, "")),
        place=one.place,
        sow_by=day_words(one.sow_by.day),
        note=one.note,
    )


def check_sheets(bench: Bench, source: str) -> str:
    """The page of a season's trays to look at: a list for a quick round, then each tray with its
    grid.

    Parameters
    ----------
    bench : Bench
    source : str
        Name of the record book.

    Returns
    -------
    str
        One HTML document.
    """
    return self_contained(
        _FOLDER,
        "sheets_checks.html",
        _STYLES,
        title=f"Check sheets, spring {bench.season}",
        source=source,
        bench=bench,
        dates=DATES,
        trays=tuple((one, day_words(one.sown_on), grid_of(one)) for one in bench.trays),
        events=EVENTS,
        corner=LABEL_CORNER,
        droppings=DROPPINGS,
        doubtful=doubtful(one.tray for one in bench.trays),
    )


def grid_of(one: BenchTray) -> PencilGrid | None:
    """The grid of a tray; None where its size is not known or no page would hold it."""
    if one.rows is None or one.columns is None:
        return None
    most = max(one.rows, one.columns)
    size = next((name for limit, name in _SIZES if most <= limit), None)
    if size is None:
        return None
    return PencilGrid(
        size,
        tuple(cell_name(row, 0)[:-1] for row in range(one.rows)),
        tuple(range(1, one.columns + 1)),
    )


def label_sheet(labels: Iterable[Label], season: int, source: str) -> str:
    """The page of labels, with lines to cut along.

    Parameters
    ----------
    labels : iterable of Label
    season : int
    source : str
        Name of the record book.

    Returns
    -------
    str
        One HTML document.
    """
    shown = tuple(labels)
    return self_contained(
        _FOLDER,
        "sheets_labels.html",
        _STYLES,
        title=f"Labels, spring {season}",
        source=source,
        labels=shown,
        doubtful=doubtful(one.tray for one in shown),
    )


def labels_of(trays: Iterable[BenchTray]) -> tuple[Label, ...]:
    """Labels of trays in the book."""
    return tuple(
        Label(
            tray=one.tray,
            lot=one.lot,
            species=one.species,
            common_name=one.common_name,
            sown_on=day_words(one.sown_on),
            cover=one.treatment,
        )
        for one in trays
    )


def labels_to_come(trays: Iterable[PlannedSowing]) -> tuple[Label, ...]:
    """Labels of planned trays, the day to be written by hand."""
    return tuple(
        Label(
            tray=one.tray,
            lot=one.lot,
            species=one.species,
            common_name=one.common_name,
            sown_on="",
            cover=", ".join(
                filter(
                    None,
                    (cover_words(one.treatment), str(one.treatment.get(Trays.pretreatment, ""))),
                )
            ),
        )
        for one in trays
    )
