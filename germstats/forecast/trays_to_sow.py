"""A plan of orders, or plain advice, as trays to sow: one line each, with all that is needed at the
potting bench.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

import pandas as pd

from germstats.engine.fit import EmergenceFit
from germstats.forecast.demand import lots_in_store
from germstats.forecast.order_plan import OrderPlan
from germstats.forecast.planned_sowing import PlannedSowing, Seeds, Shape
from germstats.forecast.seeds_per_cell import SowingAdvice, SowingRow
from germstats.forecast.sowing_deadline import sow_by
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


def planned_trays(
    plan: OrderPlan, fit: EmergenceFit, book: RecordBook
) -> tuple[PlannedSowing, ...]:
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
    tuple of PlannedSowing
    """
    lines: list[PlannedSowing] = []
    for row in plan.rows:
        for sowing in row.sowings:
            named = _as_named(fit, sowing)
            full = replace(
                _for_bench(sowing, book, plan.season, named),
                order=row.order,
                shape=_shape(book, sowing.lot, sowing.shape.cells),
            )
            lines += [replace(full, places=(place,)) for place in sowing.places]
    lines.sort(key=_first_sown)
    names = new_names(plan.season, book.trays[Trays.tray])
    return tuple(replace(line, tray=next(names)) for line in lines)


def advised_sowings(
    advice: SowingAdvice, book: RecordBook, season: int, lots: tuple[str, ...] = ()
) -> tuple[PlannedSowing, ...]:
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
        sowing = PlannedSowing(
            lot=row.lot,
            species=row.species or "",
            label=row.label,
            shape=_shape(book, row.lot, row.cells),
            seeds=_advised_seeds(row, stored.pure_per_gram if stored else None),
            note=row.notes[0] if not row.reaches_target and row.notes else "",
        )
        lines.append(_for_bench(sowing, book, season, row.treatment))
    return tuple(sorted(lines, key=_first_sown))


def trays_frame(trays: Iterable[PlannedSowing]) -> pd.DataFrame:
    """Trays to sow as rows of the table trays, ``sown_on`` blank.

    The weight is written for a pinch only, whose size it tells; it and the place are the planned
    ones.
    """
    return pd.DataFrame([_record(one) for one in trays], columns=list(COLUMNS))


def _record(one: PlannedSowing) -> dict[str, object]:
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


def _first_sown(line: PlannedSowing) -> tuple[object, ...]:
    day = line.sow_by.day
    return (day is None, day or pd.Timestamp.max, natural(line.lot), natural(line.order))


def _for_bench(
    sowing: PlannedSowing,
    book: RecordBook,
    season: int,
    treatment: Mapping[str, str | float],
) -> PlannedSowing:
    """A sowing with what the bench asks for: names, caution, cover, and the day to sow by."""
    table = book.species.drop_duplicates(Species.species).set_index(Species.species)
    common, caution = (
        str(table.at[sowing.species, name]) if sowing.species in table.index else ""
        for name in (Species.common_name, Species.caution)
    )
    pretreatment = str(treatment.get(Trays.pretreatment, ""))
    return replace(
        sowing,
        season=season,
        common_name=common,
        caution=caution,
        treatment=dict(treatment),
        sow_by=sow_by(book, sowing.lot, sowing.species, season, pretreatment),
    )


def _as_named(fit: EmergenceFit, sowing: PlannedSowing) -> dict[str, str | float]:
    """The treatment a plan names by its label only; empty where it has none to name."""
    named = [row for row in fit.rows if row.label == sowing.label]
    own = [row for row in named if row.lot == sowing.lot] or named
    return dict(own[0].treatment) if own else {}


def _advised_seeds(row: SowingRow, pure_per_gram: float | None) -> Seeds:
    mean, cells = row.seeds_per_cell, row.cells
    if mean is None:
        return Seeds(mean=None, cells=cells, by_pinch=row.by_pinch, per_tray=None)
    total = math.ceil(mean * cells - 1e-9)
    return Seeds(
        mean=mean,
        cells=cells,
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
