"""Notes of an order line: what must be known to read its plan."""

from __future__ import annotations

from germstats.forecast.demand import OrderLine
from germstats.forecast.order_plan import LotNote, OrderRow
from germstats.forecast.sources import Source
from germstats.questions.plan.allotting import Batches
from germstats.records.checking.parsing import spelled

_OVERSOWN = 0.05
_HARDLY = 0.2


def order_notes(
    row: OrderRow, line: OrderLine, batches: Batches, best: Source, rationed: bool
) -> tuple[str, ...]:
    """Sentences of one line, the gravest first; `best` is the source its rate is taken from."""
    return (
        *_why_none(line, batches, best, rationed),
        *_seed_notes(batches, best, rationed),
        *row.ready.notes,
        *_order_notes(row, line, batches),
    )


def source_notes(batches: Batches, best: Source) -> tuple[LotNote, ...]:
    """What the forecast of each lot used rests on."""
    used = dict.fromkeys([batch.source for batch in batches] or [best])
    named = [(source.stored.lot or source.stored.species, source.notes) for source in used]
    return tuple(LotNote(lot, note) for lot, notes in named for note in notes)


def _why_none(line: OrderLine, batches: Batches, best: Source, rationed: bool) -> list[str]:
    if line.due is not None and line.due <= best.sowing_date:
        return [
            f"due {spelled(line.due)}, before the seed is sown on {spelled(best.sowing_date)}: "
            "this sowing cannot serve it, no tray is set aside"
        ]
    if batches:
        return []
    if not best.stored.lot:
        return [f"no lot of {line.species} is in the book: collect or buy seed first"]
    if best.stored.seeds == 0:
        return [f"no seed of {line.species} is left: collect or buy seed first"]
    if rationed:
        return ["the seed goes to orders served before it"]
    return ["too little seed for a single cell beyond what is kept back"]


def _seed_notes(batches: Batches, best: Source, rationed: bool) -> list[str]:
    if not batches:
        return []
    notes = []
    if rationed:
        notes.append(
            "seed is short: spread thinly over many cells; orders are brought to an even chance by "
            "priority, then share by value (--by-value: by value alone)"
        )
    if any(batch.source.stored.seeds is None for batch in batches):
        notes.append("seed in store is not written down: see that you have it")
    if not rationed and not best.reached:
        notes.append(
            f"more than {best.seeds_per_cell:g} seeds a cell would be needed to fill trays well: "
            "more trays make up for empty cells"
        )
    return notes


def _order_notes(row: OrderRow, line: OrderLine, batches: Batches) -> list[str]:
    notes = []
    if batches and row.trays_alone is None:
        notes.append("not reachable with as many trays as an order line may have (--most-trays)")
    if batches and row.chance < _HARDLY:
        notes.append(
            "hardly to be met as it stands: tell the client now, or agree on fewer plugs before "
            "seed is spent"
        )
    over = row.expected_plugs / row.plugs - 1
    if over >= _OVERSOWN:
        notes.append(
            f"oversown by {100 * over:.0f} % on the average, against a poor tray or spring"
        )
    if line.due is None:
        notes.append("no due date is written")
    if not line.priced:
        notes.append("no price is written: a plug counts as 1")
    return notes
