"""`plan` in words: shortfalls first, then trays, weights, store, costs and what to collect."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from germstats.document.sentences import CAUTION, STORE_AFTER, number, percent, spread, wrapped
from germstats.document.tables import Table, text_table
from germstats.forecast.demand import Losses
from germstats.forecast.order_plan import OrderPlan, OrderRow
from germstats.forecast.plan_parts import SHARE_TO_TAKE, CollectingRow
from germstats.forecast.planned_sowing import BULK_UNDER_MG, PlannedSowing, Seeds
from germstats.records.checking.parsing import so_many, spelled
from germstats.records.suggesting import some_of

SHARED_LUCK = (
    "Trays of one order share the spring, the lot and their benches. Each tray also has its own "
    "luck. Ranges cover 9 springs in 10."
)


def plan_text(plan: OrderPlan, sown: int = 0) -> str:
    """The whole printed answer of `germstats plan`; of its trays, so many are `sown` already."""
    lines = [
        wrapped(
            f"Trays for spring {plan.season}, so that each order has its plugs with a chance of "
            f"{100 * plan.spec.assurance:.3g} % or better. {SHARED_LUCK}"
        ),
        *(
            [
                wrapped(
                    f"{SOWN} {sown} of these trays. germstats sheets --kind sowing prints the rest."
                )
            ]
            if sown
            else []
        ),
        "",
        *_shortfalls(plan),
        "",
        text_table(*orders_table(plan), left=2),
        "",
        *([wrapped(both), ""] if (both := all_orders_words(plan)) else []),
        *([wrapped(worst), ""] if (worst := worst_words(plan)) else []),
        wrapped(
            "'for 80/90/95' are whole trays of the best lot at its own rate, were there seed "
            "enough; 'pencil' is plain arithmetic that knows no scatter, with the chance its "
            "trays really have. 'last plant up' is when the last plant an order needs has come "
            f"up{_growing(plan)}. A dash: not reachable, or not known."
        ),
        "",
        *_sowings(plan),
        *_notes(plan),
        *_costs(plan),
        *_store(plan),
        *_collecting(plan),
        wrapped(losses_words(plan)),
        wrapped(_next(plan)),
        wrapped(CAUTION),
    ]
    return "\n".join(lines)


def all_orders_words(plan: OrderPlan) -> str:
    """The chance that no order fails, in one sentence; empty where there is only one."""
    if len(plan.rows) < 2:
        return ""
    return (
        f"The chance that all {len(plan.rows)} order lines get their plugs in the same spring is "
        f"{percent(plan.chance_of_all)} %. They share good and bad springs, lots and benches."
    )


def worst_words(plan: OrderPlan) -> str:
    """What the chances of the worst spring on record mean; empty where none is known."""
    if all(row.worst_chance is None for row in plan.rows):
        return ""
    said = (
        "'worst spring' is the chance in a spring no better than that species' worst on record "
        "(its year)."
    )
    low = [row for row in plan.rows if row.fails_in_worst]
    return (
        said
        if not low
        else (
            f"{said} {_orders_of(low)}: less than an even chance then, and more trays help little, "
            "since they share the spring. An order that must not fail wants plants kept over; "
            f"germstats review --season {low[0].worst_season} says why that spring was bad, and "
            "what to do against it."
        )
    )


def bad_spring_words(plan: OrderPlan) -> list[str]:
    """Orders that are not short, but would be in a spring like the worst on record."""
    low = [row for row in plan.rows if row.fails_in_worst and not row.short]
    return (
        [f"In a spring like {low[0].worst_season} these would still run short: {_orders_of(low)}."]
        if low
        else []
    )


def _orders_of(rows: list[OrderRow]) -> str:
    return some_of([f"{row.species} of {row.order}" for row in rows], 5)


def _growing(plan: OrderPlan) -> str:
    weeks = plan.spec.grow_weeks
    return (
        f" and grown on for {so_many(weeks, 'week')}"
        if weeks
        else ", not yet a rooted plug (--grow-weeks adds your time)"
    )


def _date(day: pd.Timestamp | None) -> str:
    return "-" if day is None else f"{day:%Y-%m-%d}"


def _named(row: OrderRow) -> str:
    return f"{row.order}, {row.species}"


def ready_words(row: OrderRow) -> str:
    """When the last plant an order needs is up, and when the order is due."""
    if row.ready_from is None or row.ready_to is None:
        return f"{_named(row)}: no day can be told."
    due = f"; due {spelled(row.due)}" if row.due is not None else ""
    window = f"between {spelled(row.ready_from)} and {spelled(row.ready_to)}"
    return f"{_named(row)}: the last plant needed is up {window}{due}."


def to_sow_words(plan: OrderPlan) -> str:
    """What is to be sown, lot by lot, in one sentence."""
    trays: dict[str, int] = {}
    for one in (sowing for row in plan.rows for sowing in row.sowings):
        seeds = per_cell(one.seeds)
        if not one.seeds.by_pinch:
            seeds += " seeds"
        what = f"{one.lot} ({one.label}) {seeds} a cell"
        trays[what] = trays.get(what, 0) + one.trays
    said = "; ".join(
        f"{what}, {count} {'tray' if count == 1 else 'trays'}" for what, count in trays.items()
    )
    return f"To sow for spring {plan.season}: {said or 'nothing'}."


def short_words(plan: OrderPlan, served: Collection[tuple[str, str]] = ()) -> list[str]:
    """Orders that fall short, one sentence each; those `served` (order, species) by a spring under
    way are left out.
    """
    return [
        f"{_named(row)}: {so_many(row.plugs, 'plug')} wanted, {row.expected_plugs:.0f} expected "
        f"({spread(str(row.plugs_low), str(row.plugs_high))}), chance {percent(row.chance)} "
        f"%{_why_none(row)}."
        for row in plan.rows
        if row.short and (row.order, row.species) not in served
    ]


def late_words(plan: OrderPlan) -> list[str]:
    """Orders that reach their plugs, but after the day they are due, one sentence each."""
    return [
        f"{_named(row)}: its last plant is up from {_date(row.ready_from)} on, and it is due "
        f"{_date(row.due)}: speak to the client now."
        for row in plan.rows
        if row.ready_after_due
    ]


def _shortfalls(plan: OrderPlan) -> list[str]:
    lines = [wrapped(f"Not used: {sentence}.") for sentence in plan.set_aside]
    late = late_words(plan)
    after = ["Late:", *(wrapped(words, "  ") for words in late)] if late else []
    short = short_words(plan)
    if not short:
        return [*lines, none_short_words(plan), *after]
    return [
        *lines,
        "Short:",
        *(wrapped(words, "  ") for words in short),
        *after,
    ]


def none_short_words(plan: OrderPlan) -> str:
    """No order is short, but some may come late."""
    if any(row.comes_late for row in plan.rows):
        return "No order is short of plants, but not all are ready in time."
    return f"No order is short: each reaches {100 * plan.spec.assurance:.3g} %."


def _why_none(row: OrderRow) -> str:
    """Why an order gets no tray; empty where it gets one."""
    return "" if row.sowings or not row.notes else f": {row.notes[0]}"


def orders_table(plan: OrderPlan) -> Table:
    """One row per order line, shortfalls first."""
    rows = [
        (
            row.order,
            row.species,
            str(row.plugs),
            str(row.trays),
            percent(row.chance),
            "-"
            if row.worst_chance is None
            else f"{percent(row.worst_chance)} ({row.worst_season})",
            f"{row.expected_plugs:.0f}",
            spread(str(row.plugs_low), str(row.plugs_high)),
            "/".join(number(trays) for _, trays in row.trays_for),
            number(row.pencil_trays),
            "-" if row.pencil_chance is None else percent(row.pencil_chance),
            "-" if row.ready_from is None else f"{_date(row.ready_from)} to {row.ready_to:%m-%d}",
            _date(row.due),
        )
        for row in plan.rows
    ]
    header = (
        "order",
        "species",
        "plugs",
        "trays",
        "chance %",
        "worst spring %",
        "expect",
        "range",
        "for 80/90/95",
        "pencil",
        "its chance %",
        "last plant up",
        "due",
    )
    return header, rows


def per_cell(seeds: Seeds) -> str:
    """Seeds in a cell, as they are to be sown."""
    if seeds.mean is None or seeds.low is None:
        return "-"
    if seeds.by_pinch:
        return f"pinch of {seeds.mean:.2g}"
    low = seeds.low
    return str(low) if seeds.mean - low < 1e-9 else f"{low} or {low + 1}, mean {seeds.mean:.2g}"


def _milligrams(sowing: PlannedSowing) -> str:
    grams = sowing.seeds.grams
    if grams is None:
        return "-"
    return f"{1000 * grams:.0f}" if grams >= 0.0995 else f"{1000 * grams:.2g}"


def sowings_table(plan: OrderPlan) -> Table:
    """One row per order line and lot: what to weigh or count out."""
    pairs = [(row, sowing) for row in plan.rows for sowing in row.sowings]
    rows = [
        (
            row.order,
            row.species,
            sowing.lot,
            sowing.label,
            _date(sowing.sow_on),
            str(sowing.trays),
            str(sowing.shape.cells),
            per_cell(sowing.seeds),
            f"{sowing.seeds.per_tray or 0:.0f}",
            _milligrams(sowing),
        )
        for row, sowing in pairs
    ]
    header = (
        "order",
        "species",
        "lot",
        "cover, treatment",
        "sow about",
        "trays",
        "cells",
        "seeds a cell",
        "seeds a tray",
        "mg a tray",
    )
    return header, rows


def bulking(plan: OrderPlan) -> str:
    """What to do with weights too small to share out by hand; empty where there are none."""
    pairs = [(row, sowing) for row in plan.rows for sowing in row.sowings]
    light = [sowing for _, sowing in pairs if sowing.seeds.light]
    if not light:
        return ""
    return (
        f"Under {BULK_UNDER_MG:.0f} mg a tray ({', '.join(dict.fromkeys(s.lot for s in light))}): "
        "mix the seed with washed, slightly damp sand or fine vermiculite, weigh the mix, stir it "
        "often and share it out by weight. Wet sand and vermiculite before handling; their dust "
        "harms lungs."
    )


SOW_ABOUT = (
    "'sow about' is the usual day of past sowings. The sheet (germstats sheets --kind sowing) says "
    "'sow by': the same day, or an earlier one, the last that leaves a species its weeks of cold "
    "before spring."
)
SOWN = "Already in the book as sown:"
TWO_PLACES_WORDS = (
    "Set the trays of one order in two places at least, so that one mouse or drip does not take "
    "them all."
)


def _sowings(plan: OrderPlan) -> list[str]:
    header, rows = sowings_table(plan)
    if not rows:
        return ["Nothing to sow.", ""]
    advice = bulking(plan)
    return [
        "To weigh or count out:",
        text_table(header, rows, left=5),
        "",
        wrapped(SOW_ABOUT),
        "",
        *([wrapped(advice), ""] if advice else []),
        wrapped(TWO_PLACES_WORDS),
        "",
    ]


def plan_notes(plan: OrderPlan) -> list[str]:
    """What must be known to read the lines: one sentence for each note and each lot."""
    said: dict[str, list[str]] = {}
    for row in plan.rows:
        for note in row.notes:
            said.setdefault(note, []).append(f"{row.order} {row.species}")
    lines = [f"{', '.join(rows)}: {note}." for note, rows in said.items()]
    by_lot: dict[str, list[str]] = {}
    for one in dict.fromkeys(note for row in plan.rows for note in row.of_lots):
        by_lot.setdefault(one.lot, []).append(one.note)
    return [*lines, *(f"{lot}: {'; '.join(words)}." for lot, words in by_lot.items())]


def _notes(plan: OrderPlan) -> list[str]:
    return ["Notes:", *(wrapped(line, "  ") for line in plan_notes(plan)), ""]


COSTS = "By cost, in your money, were seed not scarce"


def cost_words(plan: OrderPlan) -> list[str]:
    """What seeds per cell bring most by cost, order by order; prices show through it."""
    lines = []
    for row, cost in [(row, row.cost) for row in plan.rows if row.cost is not None]:
        words = "no optimum: seed and thinning are free, so every further seed pays"
        if cost.optimum is not None:
            words = f"{cost.optimum:g} seeds a cell bring most, {cost.gain:.2f} a cell"
        lines.append(
            f"{_named(row)}: {words}; the recommended {cost.planned:g} bring "
            f"{cost.gain_at_plan:.2f} (a filled cell counts {cost.prices.plug:.2f}, a seed "
            f"{cost.prices.seed:.2g})."
        )
    spec = plan.spec
    free = (
        f"Thinning counts {spec.thinning_cost:g} a seedling (--thinning-cost), a cell "
        f"{spec.cell_cost:g} (--cell-cost)."
    )
    return [*lines, free] if lines else []


def _costs(plan: OrderPlan) -> list[str]:
    said = cost_words(plan)
    return [f"{COSTS}:", *(wrapped(words, "  ") for words in said), ""] if said else []


def store_table(plan: OrderPlan) -> Table:
    """Seed before and after the plan, lot by lot."""
    rows = [
        (
            row.lot,
            row.species,
            number(row.seeds),
            str(row.planned),
            number(row.left),
            "-" if row.grams_left is None else f"{row.grams_left:.3g}",
        )
        for row in plan.store
    ]
    return ("lot", "species", "now", "planned", "left", "left, g"), rows


def _store(plan: OrderPlan) -> list[str]:
    if not plan.store:
        return []
    unknown = [f"{row.lot} ({row.note})" for row in plan.store if row.note]
    rule = "used only where no lot of the species has its seed written down"
    said = (
        [
            wrapped(
                f"Seed left not known, so {rule}: {', '.join(unknown)}. To mend it, weigh the "
                "packet and write grams_left, and seeds_per_gram where that is blank, in the "
                "table lots."
            )
        ]
        if unknown
        else []
    )
    kept = (
        f"Seed in store, in seeds; {100 * plan.spec.reserve:.3g} % of every lot is kept back "
        "(--reserve):"
    )
    return [kept, text_table(*store_table(plan), left=2), *said, wrapped(STORE_AFTER), ""]


def to_collect(row: CollectingRow) -> str:
    """How much seed to collect of a species, and what to mind."""
    if row.seeds is None:
        amount = "cannot be told"
    elif row.seeds == 0:
        amount = "nothing: what is left is enough"
    elif row.grams is None:
        amount = f"{row.seeds} pure seeds"
    else:
        amount = (
            f"{row.grams:.2g} g ({row.seeds} seeds), from stands that hold {row.ripe_grams:.2g} g "
            "of ripe seed or more"
        )
    return f"{row.species}: {amount}; {'; '.join(row.notes)}."


def _collecting(plan: OrderPlan) -> list[str]:
    return [
        "To collect, so that the same orders could be grown again from what this plan leaves:",
        *(wrapped(to_collect(row), "  ") for row in plan.collecting),
        wrapped(COLLECT_CAUTION, "  "),
        "",
    ]


COLLECT_CAUTION = (
    "Collect only with the owner's permission and any permit; leave most of the seed: no more "
    f"than about {100 * SHARE_TO_TAKE:.0f} % of what is ripe (common practice), less from few or "
    "rare plants. Protected species: local law and licensed advice decide."
)


def _next(plan: OrderPlan) -> str:
    if any(row.short for row in plan.rows):
        return (
            "Next: speak to the clients of the short orders now, collect or buy what is missing, "
            "and plan again."
        )
    return (
        "Next: print it for the bench with germstats sheets --kind sowing, weigh or count out the "
        "seed, sow, and keep every check, zeros too; plan again as orders come in."
    )


def losses_words(plan: OrderPlan) -> str:
    """Shares of plants lost after coming up, how far trays differ, and where the numbers
    come from.
    """
    by_species = {row.species: row.losses for row in plan.rows}
    parts = [
        f"{species} {percent(loss.share)} %{_tray_range(loss)} ({loss.source})"
        for species, loss in by_species.items()
    ]
    said = [f"Plants lost after coming up (--losses): {'; '.join(parts)}."]
    if any(loss.tray_low < loss.tray_high for loss in by_species.values()):
        said.append("This allows for worse springs than those counted.")
    if plan.spec.losses:
        said.append("You set the average. How much trays and springs differ is still estimated.")
    return " ".join(said)


def _tray_range(loss: Losses) -> str:
    low, high = (f"{100 * share:.0f}" for share in (loss.tray_low, loss.tray_high))
    return "" if low == high else f", {low} to {high} % in 9 of 10 trays"
