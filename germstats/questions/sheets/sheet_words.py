"""Words and numbers of the potting-bench sheets: short, and the same as the columns of the record
tables.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import pandas as pd

from germstats.document.sentences import percent
from germstats.forecast.order_plan import OrderPlan
from germstats.forecast.planned_sowing import PlannedSowing, Seeds, Shape
from germstats.forecast.reconcile import Reconciliation
from germstats.maps.tray_map import cell_name
from germstats.records.checking.parsing import so_many
from germstats.records.tables import Trays

DUST = (
    "Wet sand, grit, perlite and vermiculite before handling, outdoors or aired: their dust harms "
    "lungs."
)
POTTING = "Damp potting mix down before you fill trays; do not breathe its dust or mist."
TREATED = (
    "Acid, hot-water and smoke treatments: only by a trained person, by the label and safety sheet."
)
DROPPINGS = "Mouse droppings: wet them, wear gloves, never sweep dry."
ESTIMATES = "These are estimates from your own records, without warranty."
_DOUBTFUL = set("01OoIl")
_POINT_ONE_GRAM = 0.0995  # from here on three figures of a gram say as much as milligrams


@dataclass(frozen=True)
class LotToTake:
    """Seed of one lot for all its trays, as the sheet lists it."""

    lot: str
    species: str
    trays: int
    seeds: str
    weight: str
    sow_by: str
    why: str


def day_words(day: pd.Timestamp | None) -> str:
    """A day that nobody misreads, such as 8 Dec 2026; blank where there is none."""
    return "" if day is None else f"{day.day} {day:%b} {day.year}"


def weight_words(grams: float | None) -> str:
    """Grams, or milligrams of a light lot; blank where not known."""
    if grams is None:
        return ""
    return f"{grams:.3g} g" if grams >= _POINT_ONE_GRAM else f"{1000 * grams:.2g} mg"


def seeds_words(seeds: Seeds) -> str:
    """Seeds per cell as an instruction: ``2``, ``alternate 2 and 3``, ``3 in 20 cells, 2 in 52``,
    ``pinch, mean 6``.
    """
    if seeds.low is None:
        return ""
    cells = seeds.cells
    if seeds.by_pinch:
        return f"pinch, mean {seeds.mean:.2g}"
    if not seeds.more:
        return str(seeds.low)
    if 2 * seeds.more == cells:
        return f"alternate {seeds.low} and {seeds.low + 1}"
    return f"{seeds.low + 1} in {so_many(seeds.more, 'cell')}, {seeds.low} in {cells - seeds.more}"


def shape_words(shape: Shape) -> str:
    """Which cells: ``72 cells, 6 x 12`` (rows first), or the part of a tray that is sown."""
    if shape.rows is None or shape.columns is None:
        return f"{shape.cells} cells, ____ rows x ____ columns"
    whole = f"{shape.of_rows} x {shape.of_columns} tray"
    if shape.loose:
        return f"{shape.cells} cells of a {whole}, row by row from {cell_name(0, 0)}"
    if (shape.rows, shape.columns) != (shape.of_rows, shape.of_columns):
        return (
            f"{shape.cells} cells, {cell_name(0, 0)} to "
            f"{cell_name(shape.rows - 1, shape.columns - 1)} of a {whole}"
        )
    return f"{shape.cells} cells, {shape.rows} x {shape.columns}"


def cover_words(treatment: Mapping[str, str | float]) -> str:
    """Cover and depth, such as ``sand 5 mm``; blank where not recorded."""
    cover = str(treatment.get("cover", ""))
    return (
        f"{cover} {treatment[Trays.cover_depth_mm]:g} mm"
        if cover and "cover_depth_mm" in treatment
        else cover
    )


def doubtful(names: Iterable[str]) -> bool:
    """Whether a name holds a sign that can be read as another, such as 0 and O."""
    return any(set(name) & _DOUBTFUL for name in names)


def lots_to_take(trays: Iterable[PlannedSowing]) -> tuple[LotToTake, ...]:
    """What leaves the store, lot by lot, for a plan whose trays are known."""
    by_lot: dict[str, list[PlannedSowing]] = {}
    for one in trays:
        by_lot.setdefault(one.lot, []).append(one)
    return tuple(_take(lot, mine) for lot, mine in by_lot.items())


def _take(lot: str, mine: list[PlannedSowing]) -> LotToTake:
    seeds = [one.seeds.count for one in mine]
    grams = [one.seeds.grams for one in mine if one.seeds.grams is not None]
    by = mine[0].sow_by
    return LotToTake(
        lot=lot,
        species=mine[0].species,
        trays=len(mine),
        seeds=f"{sum(n or 0 for n in seeds):,}",
        weight=weight_words(sum(grams)) if len(grams) == len(mine) else "",
        sow_by=day_words(by.day),
        why=by.why,
    )


def sowing_cautions(trays: Iterable[PlannedSowing]) -> tuple[str, ...]:
    """Cautions of a sowing sheet, each once: dust, treatments, and what the table species
    warns of.
    """
    listed = list(trays)
    own = dict.fromkeys(f"{one.species}: {one.caution}." for one in listed if one.caution)
    treated = (TREATED,) if any("pretreatment" in one.treatment for one in listed) else ()
    return (DUST, POTTING, *treated, *own, ESTIMATES)


SOW_BY = (
    "'sow by' is the usual day of past sowings, which germstats plan calls 'sow about', or the "
    "last day that leaves the species its weeks of cold before spring, where that is earlier."
)


def sown_words(already: Reconciliation, season: int) -> tuple[str, ...]:
    """What of a plan the book holds as sown, and so is not printed."""
    sown = f"Trays of the plan that are in the book as sown, and not printed here: {already.sown}."
    others = (
        f"Trays sown for spring {season} whose note names no order of the plan (such as: for Q-1), "
        f"so that nothing was taken off for them: {already.others}."
    )
    return (*([sown] if already.sown else []), *([others] if already.others else []))


def plan_remarks(plan: OrderPlan) -> tuple[str, ...]:
    """What must be known of a plan before seed is spent: what was not used, orders that are
    short.
    """
    aside = tuple(f"Not used: {sentence}." for sentence in plan.set_aside)
    short = []
    for row in plan.rows:
        if row.short:
            none = "" if row.sowings or not row.notes else f": {row.notes[0]}"
            short.append(
                f"{row.order} {row.species} is short: {row.plugs} plugs wanted, chance "
                f"{percent(row.chance)} %{none}."
            )
    return (*aside, *short)
