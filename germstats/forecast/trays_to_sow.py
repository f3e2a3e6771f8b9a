"""A plan of orders, or plain advice, as trays to sow: one line each, with all that is needed at the
potting bench.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

import pandas as pd

from germstats.engine.fit import EmergenceFit
from germstats.forecast.demand import lots_in_store
from germstats.forecast.order_plan import OrderPlan, PlannedSowing, too_light
from germstats.forecast.seeds_per_cell import SowingAdvice, SowingRow
from germstats.forecast.sowing_deadline import SowingDeadline, sow_by
from germstats.records.bench_order import natural
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import so_many
from germstats.records.tables import Species, Trays
from germstats.records.tray_names import new_names

COLUMNS = (
    "tray",
    "season",
    "lot",
    "sown_on",
    "rows",
    "columns",
    "seeds_per_cell",
    "grams",
    "cover",
    "cover_depth_mm",
    "pretreatment",
    "place",
    "note",
)
"""Columns of the table trays that a plan can fill; ``sown_on`` stays blank until the tray
is sown.
"""


@dataclass(frozen=True)
class Seeds:
    """Seeds of one tray.

    Attributes
    ----------
    low : int or None
        Seeds in each cell, of a pinch its mean rounded; None where no number is advised.
    more : int
        Cells that get one seed more.
    mean : float
        Per cell.
    by_pinch : bool
    per_tray : int or None
    grams : float or None
        Weight of them as the lot lies in store; None where seeds per gram are not known.
    """

    low: int | None
    more: int
    mean: float
    by_pinch: bool
    per_tray: int | None
    grams: float | None

    @property
    def light(self) -> bool:
        """Whether the seed of a tray is too light to be weighed and spread without bulking."""
        return self.grams is not None and too_light(self.grams)

    @property
    def entry(self) -> str:
        """What belongs into the column ``seeds_per_cell``."""
        if self.low is None:
            return ""
        if self.by_pinch:
            return "pinch"
        return f"{self.low}-{self.low + 1}" if self.more else str(self.low)


@dataclass(frozen=True)
class Shape:
    """Cells of a tray to sow.

    Attributes
    ----------
    cells : int
        To be sown.
    rows, columns : int or None
        Of the part that is sown, from the label on; None where no tray of the book has so many
        cells.
    of_rows, of_columns : int or None
        Of the whole tray.
    """

    cells: int
    rows: int | None = None
    columns: int | None = None
    of_rows: int | None = None
    of_columns: int | None = None

    @property
    def loose(self) -> bool:
        """Whether the cells sown are fewer than the rows and columns written hold, so that they
        must be listed.
        """
        return (
            self.rows is not None
            and self.columns is not None
            and self.rows * self.columns > self.cells
        )


@dataclass(frozen=True)
class TrayToSow:
    """One tray, or where nothing is ordered one lot and treatment.

    Attributes
    ----------
    tray : str
        New name; blank where it is not known how many trays there will be.
    season : int
    order : str
        Blank where it is for no order.
    lot, species, common_name, caution : str
    shape : Shape
    seeds : Seeds
    treatment : dict
        cover, cover_depth_mm, pretreatment, as far as known.
    place : str
        A proposal.
    sow_by : SowingDeadline
    note : str
    """

    tray: str
    season: int
    order: str
    lot: str
    species: str
    common_name: str
    caution: str
    shape: Shape
    seeds: Seeds
    treatment: Mapping[str, str | float]
    place: str
    sow_by: SowingDeadline
    note: str = field(default="")


def planned_trays(plan: OrderPlan, fit: EmergenceFit, book: RecordBook) -> tuple[TrayToSow, ...]:
    """Every tray of a plan, the first to be sown at the head, under a name not yet taken.

    Trays of one order are spread in turn over the places of the book's latest season, as the plan
    counts on.

    Parameters
    ----------
    plan : OrderPlan
    fit : EmergenceFit
        The fit the plan was made from.
    book : RecordBook

    Returns
    -------
    tuple of TrayToSow
    """
    lines = []
    for row in plan.rows:
        for sowing in row.sowings:
            line = _line(book, plan.season, sowing.lot, row.species)
            treatment = _treatment(fit, sowing)
            by = sow_by(
                book,
                sowing.lot,
                row.species,
                plan.season,
                str(treatment.get(Trays.pretreatment, "")),
            )
            full = replace(
                line,
                order=row.order,
                treatment=treatment,
                sow_by=by,
                seeds=_planned_seeds(sowing),
                shape=_shape(book, sowing.lot, sowing.cells),
            )
            lines += [replace(full, place=place) for place in sowing.places]
    lines.sort(key=_first_sown)
    names = new_names(plan.season, book.trays[Trays.tray])
    return tuple(replace(line, tray=next(names)) for line in lines)


def advised_sowings(
    advice: SowingAdvice, book: RecordBook, season: int, lots: tuple[str, ...] = ()
) -> tuple[TrayToSow, ...]:
    """One line per lot and treatment of plain advice, for a book without orders; lots known to be
    used up are left out.

    Parameters
    ----------
    advice : SowingAdvice
    book : RecordBook
    season : int
    lots : tuple of str
        Only these; empty: all.
    """
    store = {one.lot: one for one in lots_in_store(book)}
    lines = []
    for row in advice.rows:
        stored = store.get(row.lot)
        if (lots and row.lot not in lots) or (stored is not None and stored.seeds == 0):
            continue
        line = _line(book, season, row.lot, row.species or "")
        by = sow_by(
            book, row.lot, row.species or "", season, str(row.treatment.get(Trays.pretreatment, ""))
        )
        seeds = _advised_seeds(row, stored.pure_per_gram if stored else None)
        why = row.notes[0] if row.seeds_per_cell is None and row.notes else ""
        lines.append(
            replace(
                line,
                shape=_shape(book, row.lot, row.cells),
                seeds=seeds,
                treatment=dict(row.treatment),
                sow_by=by,
                note=why,
            )
        )
    return tuple(sorted(lines, key=_first_sown))


def trays_frame(trays: Iterable[TrayToSow]) -> pd.DataFrame:
    """Trays to sow as rows of the table trays, ``sown_on`` blank.

    The weight is written for a pinch only, whose size it tells; it and the place are the planned
    ones.
    """
    return pd.DataFrame([_record(one) for one in trays], columns=list(COLUMNS))


def _record(one: TrayToSow) -> dict[str, object]:
    grams = one.seeds.grams if one.seeds.by_pinch and one.seeds.grams is not None else None
    said = [f"for {one.order}"] if one.order else []
    if one.seeds.more:
        seeds = so_many(one.seeds.low + 1 if one.seeds.low else 1, "seed")
        said.append(f"{seeds} in {so_many(one.seeds.more, 'cell')}")
    if one.shape.loose:
        said.append(
            f"{so_many(one.shape.cells, 'cell')} sown: write a row in cells for each of them"
        )
    return {
        "tray": one.tray,
        "season": one.season,
        "lot": one.lot,
        "sown_on": "",
        "rows": one.shape.rows,
        "columns": one.shape.columns,
        "seeds_per_cell": one.seeds.entry,
        "grams": "" if grams is None else float(f"{grams:.3g}"),
        **{
            name: one.treatment.get(name, "")
            for name in ("cover", "cover_depth_mm", "pretreatment")
        },
        "place": one.place,
        "note": "; ".join(said),
    }


def order_noted(note: str, orders: Collection[str]) -> str:
    """The order that the note of a tray says it is for, as `trays_frame` writes it; blank where
    none of `orders`.
    """
    named = [order for order in orders if re.match(rf"for {re.escape(order)}(?![\w-])", note)]
    return max(named, key=len, default="")


def _first_sown(line: TrayToSow) -> tuple[object, ...]:
    day = line.sow_by.day
    return (day is None, day or pd.Timestamp.max, natural(line.lot), natural(line.order))


def _line(book: RecordBook, season: int, lot: str, species: str) -> TrayToSow:
    table = book.species.drop_duplicates(Species.species).set_index(Species.species)
    common, caution = (
        str(table.at[species, name]) if species in table.index else ""
        for name in ("common_name", "caution")
    )
    return TrayToSow(
        tray="",
        season=season,
        order="",
        lot=lot,
        species=species,
        common_name=common,
        caution=caution,
        shape=Shape(0),
        seeds=Seeds(low=None, more=0, mean=0.0, by_pinch=False, per_tray=None, grams=None),
        treatment={},
        place="",
        sow_by=SowingDeadline(None, ""),
    )


def _treatment(fit: EmergenceFit, sowing: PlannedSowing) -> dict[str, str | float]:
    """The treatment a plan names by its label only; empty where it has none to name."""
    named = [row for row in fit.rows if row.label == sowing.treatment]
    own = [row for row in named if row.lot == sowing.lot] or named
    return dict(own[0].treatment) if own else {}


def _planned_seeds(sowing: PlannedSowing) -> Seeds:
    total = math.ceil(sowing.seeds_per_tray - 1e-9)
    low = int(sowing.seeds_per_cell + 1e-9)
    more = 0 if sowing.by_pinch else total - low * sowing.cells
    return Seeds(
        low=low,
        more=more,
        mean=sowing.seeds_per_cell,
        by_pinch=sowing.by_pinch,
        per_tray=total,
        grams=sowing.grams_per_tray,
    )


def _advised_seeds(row: SowingRow, pure_per_gram: float | None) -> Seeds:
    mean = row.seeds_per_cell
    if mean is None:
        return Seeds(low=None, more=0, mean=0.0, by_pinch=row.by_pinch, per_tray=None, grams=None)
    total = math.ceil(mean * row.cells - 1e-9)
    low = int(mean)
    return Seeds(
        low=low,
        more=0 if row.by_pinch else total - low * row.cells,
        mean=mean,
        by_pinch=row.by_pinch,
        per_tray=total,
        grams=total / pure_per_gram if pure_per_gram else None,
    )


def _shape(book: RecordBook, lot: str, cells: int) -> Shape:
    """Rows and columns of the latest tray, of the lot or else of any, that has so many cells, or a
    part of one.
    """
    trays = book.trays.dropna(subset=[Trays.rows, Trays.columns])
    trays = trays.assign(own=trays[Trays.lot] == lot).sort_values(
        ["own", Trays.season], ascending=False, kind="stable"
    )
    sizes = [(int(r), int(c)) for r, c in zip(trays[Trays.rows], trays[Trays.columns], strict=True)]
    for rows, columns in sizes:
        if rows * columns == cells:
            return Shape(cells=cells, rows=rows, columns=columns, of_rows=rows, of_columns=columns)
    for rows, columns in sizes:
        if rows * columns > cells:
            wide = [c for c in range(columns, 0, -1) if cells % c == 0 and cells // c <= rows]
            part = (cells // wide[0], wide[0]) if wide else (rows, columns)
            return Shape(cells, *part, rows, columns)
    return Shape(cells)
