"""Orders into trays: `plan_orders`."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from germstats.engine.fit import EmergenceFit, Progress, book_of, fit_of
from germstats.engine.quantiles import count_range
from germstats.engine.timing import Array
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.demand import (
    Losses,
    OrderLine,
    StoredLot,
    later_losses,
    lots_in_store,
    order_lines,
    set_aside,
)
from germstats.forecast.order import chance_of_plugs, never_certain
from germstats.forecast.order_plan import (
    LEVELS,
    TWO_PLACES,
    OrderPlan,
    OrderRow,
    OrderSpec,
    StoreRow,
)
from germstats.forecast.plan_parts import CollectingRow, CostView, Prices
from germstats.forecast.planned_sowing import PlannedSowing, Seeds, Shape
from germstats.forecast.seeds_per_cell import FORECAST_LEVEL
from germstats.forecast.sources import SeedRules, Source, next_season, placeholder_lot, sources_of
from germstats.forecast.springs import ROWS, Luck, shared_luck
from germstats.forecast.tray import empty_share, new_tray
from germstats.questions.plan.allotting import (
    Allotment,
    AllotRules,
    Batch,
    Batches,
    PlugsOutlook,
    allot,
    benches_of,
)
from germstats.questions.plan.collecting import collecting_row
from germstats.questions.plan.costs import best_by_cost
from germstats.questions.plan.order_notes import order_notes, source_notes
from germstats.questions.plan.ready import ready_dates
from germstats.records.bench_order import places_of
from germstats.records.book import RecordBook
from germstats.records.suggesting import must_know
from germstats.records.tables import Trays

_COST_SEEDS = 12


@dataclass(frozen=True)
class _Ordered:
    """A species on order, its lots in store, what is lost of it later, and the luck its trays
    share.
    """

    species: str
    lots: tuple[StoredLot, ...]
    losses: Losses
    luck: Luck


@dataclass(frozen=True)
class _Field:
    """What the lines of one species are planned from."""

    sources: tuple[Source, ...]
    best: Source
    outlook: PlugsOutlook
    losses: Losses
    pricked: bool
    places: tuple[str, ...]


def plan_orders(
    book_or_fit: RecordBook | EmergenceFit,
    spec: OrderSpec | None = None,
    *,
    progress: Progress | None = None,
) -> OrderPlan:
    """Plan the trays of every order line still to be grown.

    Parameters
    ----------
    book_or_fit : RecordBook or EmergenceFit
        A fit brings its book, of which orders, lots and species are read.
    spec : OrderSpec, optional
    progress : callable, optional
        Called with a short text before each stage of a fit.

    Returns
    -------
    OrderPlan

    Raises
    ------
    NotEnoughRecordsError
        No order is left to plan, or the fit has no row.
    WrongUseError
        A price lies below 0, a lot or a species named is not in the book, or the season is past.
    """
    spec = spec or OrderSpec()
    book = book_of(book_or_fit)
    return planned_orders(fit_of(book_or_fit, spec.fit, progress), book, spec)


def planned_orders(fit: EmergenceFit, book: RecordBook, spec: OrderSpec) -> OrderPlan:
    """`plan_orders` with the orders and the seed of `book`, which may be as of another day."""
    lines = order_lines(book)
    if not fit.rows:
        raise NotEnoughRecordsError(
            "No lot has a tray that can be used, so no order can be planned."
        )
    store = _chosen(lots_in_store(book), spec)
    _refuse_strangers(book, spec)
    rules = SeedRules(spec.target, spec.most_seeds, spec.cells, spec.season)
    rows: list[OrderRow] = []
    stores: list[StoreRow] = []
    collecting: list[CollectingRow] = []
    losses = later_losses(book, dict.fromkeys(line.species for line in lines), spec.losses)
    luck = shared_luck({species: one.law for species, one in losses.items()}, len(places_of(book)))
    by_spring = np.ones(ROWS)
    for species in losses:
        mine = tuple(line for line in lines if line.species == species)
        lots = tuple(lot for lot in store if lot.species == species)
        field = _field(
            fit,
            book,
            ordered=_Ordered(species, lots, losses[species], luck[species]),
            rules=rules,
            spec=spec,
        )
        planned, chances, taken = _plan_species(
            mine, _after_trays(field, sum(row.trays for row in rows)), spec
        )
        rows.extend(planned)
        by_spring = by_spring * chances
        after = [_after(lot, taken.get(lot.lot, 0)) for lot in lots]
        stores.extend(after)
        collecting.append(_to_collect(planned, field, after, spec))
    rows.sort(
        key=lambda row: (not row.short, row.chance if row.short else 0.0, row.order, row.species)
    )
    return OrderPlan(
        rows=tuple(rows),
        store=tuple(stores),
        collecting=tuple(collecting),
        set_aside=set_aside(book),
        season=next_season(book, rules),
        spec=spec,
        chance_of_all=never_certain(float(by_spring.mean())),
    )


def _refuse_strangers(book: RecordBook, spec: OrderSpec) -> None:
    """Species and seasons that the book does not know."""
    known = {
        str(one) for name in ("species", "lots", "orders") for one in book.tables[name]["species"]
    }
    for species in spec.taproot:
        must_know(species, known - {""}, f"No species is called {species} (--taproot)")
    last = int(book.trays[Trays.season].dropna().max())
    if spec.season is not None and spec.season < last:
        raise WrongUseError(
            f"--season {spec.season} is past: the newest trays of the book are for spring {last}."
        )


def _chosen(store: tuple[StoredLot, ...], spec: OrderSpec) -> tuple[StoredLot, ...]:
    unknown = sorted(set(spec.lots) - {lot.lot for lot in store})
    if unknown:
        raise WrongUseError(
            f"No lot is called {' or '.join(unknown)}; the lots are "
            f"{', '.join(s.lot for s in store)}."
        )
    return tuple(lot for lot in store if not spec.lots or lot.lot in spec.lots)


def _field(
    fit: EmergenceFit, book: RecordBook, ordered: _Ordered, rules: SeedRules, spec: OrderSpec
) -> _Field:
    sources = sources_of(fit, book, ordered.lots, rules)
    usable = [source for source in sources if source.stored.seeds != 0]
    best = (
        usable[0]
        if usable
        else sources[0]
        if sources
        else placeholder_lot(fit, book, ordered.species, rules)
    )
    pricked = spec.prick_out and ordered.species not in spec.taproot
    return _Field(
        sources=sources,
        best=best,
        outlook=PlugsOutlook(ordered.luck, pricked, grow_weeks=spec.grow_weeks),
        losses=ordered.losses,
        pricked=pricked,
        places=places_of(book),
    )


def _plan_species(
    lines: tuple[OrderLine, ...], field: _Field, spec: OrderSpec
) -> tuple[list[OrderRow], Array, dict[str, int]]:
    """Rows of one species, the chance that all have their plugs in each spring, and the seeds taken
    from each lot.
    """
    in_time = tuple(line for line in lines if line.due is None or line.due > field.best.sowing_date)
    rules = AllotRules(spec.assurance, spec.reserve, spec.most_trays, spec.by_value)
    allotment = (
        allot(in_time, field.sources, field.outlook, rules)
        if field.sources
        else Allotment((), False)
    )
    given = dict(zip(in_time, allotment.batches, strict=False))
    # a packet below one cell was not shared out
    rationed = allotment.rationed and any(allotment.batches)
    rows, taken, by_spring = [], dict[str, int](), np.ones(ROWS)
    for line in lines:
        batches = given.get(line, ())
        rows.append(_row(line, batches, field=field, spec=spec, rationed=rationed))
        by_spring = by_spring * field.outlook.by(line.due).chance_by_spring(batches, line.plugs)
        field = _after_trays(field, rows[-1].trays)
        for batch in batches:
            taken[batch.source.stored.lot] = taken.get(batch.source.stored.lot, 0) + batch.seeds
    return rows, by_spring, taken


def _after_trays(field: _Field, trays: int) -> _Field:
    return replace(field, outlook=field.outlook.after(trays))


def _row(
    line: OrderLine, batches: Batches, field: _Field, spec: OrderSpec, rationed: bool
) -> OrderRow:
    outlook, laid_out = field.outlook.by(line.due), field.outlook.to_lay_out(line.due, field.best)
    plugs = outlook.plugs(batches)
    enough = never_certain(chance_of_plugs(laid_out.plugs(batches), line.plugs))
    chance = never_certain(chance_of_plugs(plugs, line.plugs))
    low, high = count_range(plugs, FORECAST_LEVEL)
    tries = _chances(line, field, spec)
    pencil = _pencil_trays(line, field)
    ready = ready_dates(
        batches, line.plugs, due=line.due, outlook=field.outlook, grow_weeks=spec.grow_weeks
    )
    worst = _worst_spring(batches)
    row = OrderRow(
        order=line.order,
        species=line.species,
        plugs=line.plugs,
        due=line.due,
        sowings=_sowings(batches, field.places, field.outlook.first),
        chance=chance,
        worst_season=worst,
        worst_chance=None
        if worst is None
        else never_certain(chance_of_plugs(outlook.plugs(batches, worst=True), line.plugs)),
        expected_plugs=float(plugs @ np.arange(len(plugs))),
        plugs_low=low,
        plugs_high=high,
        trays_for=tuple((level, _trays_reaching(tries, level)) for level in LEVELS),
        trays_alone=_trays_reaching(tries, spec.assurance),
        pencil_trays=pencil,
        pencil_chance=_chance_of(line, field, pencil) if pencil else None,
        ready=ready,
        cost=_cost(line, field, spec),
        losses=field.losses,
        short=round(enough, 2) < spec.assurance,  # as it is printed
        comes_late=laid_out.until is None and line.due is not None,
        rationed=rationed and bool(batches),
        notes=(),
        of_lots=source_notes(batches, field.best),
    )
    pricked = ("extra seedlings are pricked into empty cells",) if field.pricked and batches else ()
    return replace(
        row,
        notes=order_notes(row, line, batches=batches, best=field.best, rationed=rationed) + pricked,
    )


def _worst_spring(batches: Batches) -> int | None:
    """The spring on record in which the species did worst, where it is known for every lot sown."""
    known = {
        batch.source.draws.worst.season if batch.source.draws.worst else None for batch in batches
    }
    return known.pop() if len(known) == 1 else None


def _chance_of(line: OrderLine, field: _Field, trays: int) -> float:
    outlook = field.outlook.to_lay_out(line.due, field.best)
    plugs = outlook.plugs((Batch(field.best, field.best.parts(), trays),))
    return never_certain(chance_of_plugs(plugs, line.plugs))


def _chances(line: OrderLine, field: _Field, spec: OrderSpec) -> list[tuple[int, float]]:
    """(trays, chance) of the best lot at its recommended rate, until the surest level is
    reached.
    """
    surest = max(LEVELS[-1], spec.assurance)
    tried: list[tuple[int, float]] = []
    trays = max(TWO_PLACES, math.ceil(line.plugs / field.best.cells))
    while trays <= spec.most_trays and (not tried or tried[-1][1] < surest):
        tried.append((trays, _chance_of(line, field, trays)))
        trays += 1
    return tried


def _trays_reaching(tried: list[tuple[int, float]], level: float) -> int | None:
    return next((trays for trays, reached in tried if reached >= level), None)


def _pencil_trays(line: OrderLine, field: _Field) -> int | None:
    """Plugs over cells x (1 - (1 - p)^n) x (1 - losses): no scatter, no luck."""
    best = field.best
    fill = 1 - float(
        empty_share(np.array([best.emergence]), np.zeros(1), best.rate_of(best.seeds_per_cell))[0]
    )
    each = best.cells * fill * (1 - field.losses.share)
    trays = math.ceil(line.plugs / each - 1e-9) if each > 0 else math.inf
    return int(trays) if trays <= 1000 else None


def _sowings(batches: Batches, places: tuple[str, ...], placed: int) -> tuple[PlannedSowing, ...]:
    named = places or ("",)
    each = benches_of(batches, len(named), placed)
    return tuple(
        _sowing(batch, tuple(named[k] for k in at)) for batch, at in zip(batches, each, strict=True)
    )


def _sowing(batch: Batch, places: tuple[str, ...]) -> PlannedSowing:
    source = batch.source
    pure = source.stored.pure_per_gram
    return PlannedSowing(
        lot=source.stored.lot,
        species=source.stored.species,
        label=source.label,
        shape=Shape(batch.cells),
        seeds=Seeds(
            mean=batch.seeds_per_tray / batch.cells,
            cells=batch.cells,
            by_pinch=source.by_pinch,
            per_tray=batch.seeds_per_tray,
            grams=batch.seeds_per_tray / pure if pure else None,
        ),
        sow_on=source.sowing_date,
        places=places,
    )


def _cost(line: OrderLine, field: _Field, spec: OrderSpec) -> CostView | None:
    best = field.best
    prices = Prices(line.value, best.stored.seed_cost, spec.thinning_cost, spec.cell_cost)
    if not (prices.seed or prices.thinning or prices.cell):
        return None
    numbers = sorted({*(float(n) for n in range(best.least, _COST_SEEDS + 1)), best.seeds_per_cell})
    rates = {n: best.rate_of(n) for n in numbers}
    return best_by_cost(
        new_tray(best.draws),
        rates,
        planned=best.seeds_per_cell,
        prices=prices,
        losses=field.losses.share,
    )


def _after(lot: StoredLot, planned: int) -> StoreRow:
    left = None if lot.seeds is None else lot.seeds - planned
    grams = left / lot.pure_per_gram if left is not None and lot.pure_per_gram else None
    return StoreRow(
        lot=lot.lot,
        species=lot.species,
        seeds=lot.seeds,
        planned=planned,
        left=left,
        grams_left=grams,
        note=lot.why_unknown,
    )


def _needed(row: OrderRow, each: int) -> int | None:
    """Seeds to grow a line again: as planned where it is not short, else whole trays of the best
    lot.
    """
    if not row.short and row.sowings:
        return round(sum(one.trays * (one.seeds.per_tray or 0) for one in row.sowings))
    return None if row.trays_alone is None else row.trays_alone * each


def _to_collect(
    rows: list[OrderRow], field: _Field, after: list[StoreRow], spec: OrderSpec
) -> CollectingRow:
    each = field.best.seeds_for(field.best.cells)
    needs = [_needed(row, each) for row in rows]
    total = None if None in needs else sum(need or 0 for need in needs)
    known = [row.left for row in after if row.left is not None]
    return collecting_row(
        field.best, total, sum(known) if known or not after else None, spec.reserve
    )
