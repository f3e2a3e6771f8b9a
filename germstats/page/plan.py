"""The page's answers on sowing: seeds per cell, trays for the orders, what to collect."""

from __future__ import annotations

from germstats.document.blocks import Block, Card, Section, Words, grid, items
from germstats.document.sentences import number, percent
from germstats.forecast.order_plan import OrderPlan, StoreRow
from germstats.page.season_summary import SeasonSummary
from germstats.page.what_if import what_if
from germstats.questions.plan.plan_text import (
    COLLECT_CAUTION,
    COSTS,
    SHARED_LUCK,
    TWO_PLACES_WORDS,
    all_orders_words,
    bulking,
    cost_words,
    late_words,
    losses_words,
    none_short_words,
    orders_table,
    per_cell,
    plan_notes,
    short_words,
    sowings_table,
    store_table,
    to_collect,
    worst_words,
)
from germstats.questions.sow.sow_text import SOW_WORDS, sow_table, wanted_words
from germstats.questions.watch.watch_text import order_words
from germstats.records.checking.parsing import so_many


def sow_section(account: SeasonSummary, pictures: tuple[Block, ...]) -> Section:
    """Seeds per cell of every lot and treatment, fill against seeds, and the draws to play with."""
    notes = [
        f"{row.lot}, {row.label}: {'; '.join(row.notes)}."
        for row in account.sowing.rows
        if row.notes
    ]
    blocks: tuple[Block, ...] = (
        Words(wanted_words(account.sowing), "lead"),
        grid("Seeds per cell by lot and treatment", sow_table(account.sowing)),
        Words(SOW_WORDS),
        what_if(account.fit.rows, account.sowing),
        *pictures,
        *items("Notes", notes),
        Words("Next: weigh or count out the seed, sow, and keep every check, zeros too.", "next"),
    )
    return Section("sow", "How many seeds per cell?", blocks)


def orders_section(account: SeasonSummary, pictures: tuple[Block, ...]) -> Section:
    """Trays for the orders, what to weigh out, what stays in store."""
    plan, question = account.plan, "How many trays for the orders?"
    if plan is None:
        return Section("orders", question, (Words(account.missing["plan"]),))
    wanted = f"{100 * plan.spec.assurance:.3g} %"
    served = account.served
    short = short_words(plan, served)
    now = (
        [order_words(row, account.watch.spec.day) for row in account.watch.orders]
        if account.watch and served
        else []
    )
    light = bulking(plan)
    plan_sows = any(row.sowings for row in plan.rows)
    sowing: tuple[Block, ...] = (
        grid("To weigh or count out", sowings_table(plan)),
        *([Words(light, "care")] if light else []),
        Words(
            "Seeds a cell are those of the lots above. Where there is too little seed, it is "
            "spread thinner, over more cells."
        ),
        Words(TWO_PLACES_WORDS),
    )
    kept = f"Seed in store, in seeds; {100 * plan.spec.reserve:.3g} % of every lot is kept back"
    blocks: tuple[Block, ...] = (
        Words(
            f"Trays for spring {plan.season}, so that each order has its plugs with a chance of "
            f"{wanted} or better. {SHARED_LUCK}"
        ),
        *items("Served by this spring's own trays", now),
        *(items("Short", short) or (Words(none_short_words(plan), "lead"),)),
        *items("Late", late_words(plan)),
        *items("Not used", [f"{words}." for words in plan.set_aside]),
        grid("Orders and trays", orders_table(plan)),
        *([Words(both)] if (both := all_orders_words(plan)) else []),
        Words(
            "'for 80/90/95' are whole trays of the best lot at its own rate, were there seed "
            "enough; 'pencil' is plain arithmetic that knows no scatter, with the chance its trays "
            "really have; 'last plant up' is when the last plant an order needs has come up. A "
            "dash: not reachable, or not known."
        ),
        *([Words(worst)] if (worst := worst_words(plan)) else []),
        *pictures,
        *(sowing if plan_sows else (Words("Nothing to sow for them."),)),
        *([grid(kept, store_table(plan))] if plan.store else []),
        *(items(COSTS, cost_words(plan)) if account.spec.prices else ()),
        *items("Notes", plan_notes(plan)),
        Words(f"{losses_words(plan)}"),
    )
    return Section("orders", question, blocks)


def packet_sections(account: SeasonSummary) -> tuple[Section, ...]:
    """How a packet too small for its orders is shared; no section where every order has seed
    enough.
    """
    plan = account.plan
    rationed = [row.species for row in plan.rows if row.rationed] if plan else []
    if plan is None or not rationed:
        return ()
    cards = tuple(_packet(plan, species) for species in dict.fromkeys(rationed))
    why = (
        "A second seed in a cell fills it only where the first failed, so seeds are spread evenly "
        "over as many cells as there are seeds for. Orders are first brought to an even chance, in "
        "the order of their priorities; what is left goes where it gains most, until an order has "
        "the chance wanted. Some is kept back, since seed of a lot cannot be bought again: a lost "
        "tray can then be sown anew."
    )
    blocks: tuple[Block, ...] = (
        Words("There is less seed than the orders ask for. This is how it goes furthest:", "lead"),
        *cards,
        Words(why),
    )
    return (Section("packet", "How is a small packet shared?", blocks),)


def _packet(plan: OrderPlan, species: str) -> Card:
    rows = [row for row in plan.rows if row.species == species]
    shares = [
        (
            row.order,
            str(row.plugs),
            one.lot,
            f"{one.trays * (one.seeds.per_tray or 0):.0f}",
            str(one.trays),
            str(one.shape.cells),
            per_cell(one.seeds),
            percent(row.chance),
        )
        for row in rows
        for one in row.sowings
    ]
    header = (
        "order",
        "plugs",
        "lot",
        "seeds",
        "trays",
        "cells of each",
        "seeds a cell",
        "chance %",
    )
    none = [
        f"{row.order}: no seed is left for its {so_many(row.plugs, 'plug')}."
        for row in rows
        if not row.sowings
    ]
    stored = [_stored(lot, plan) for lot in plan.store if lot.species == species and lot.seeds]
    return Card(
        species,
        "too little seed",
        (
            *items("The packets", stored),
            *([grid(f"Seeds of {species}, order by order", (header, shares))] if shares else []),
            *items("Without seed", none),
        ),
    )


def _stored(lot: StoreRow, plan: OrderPlan) -> str:
    kept = f"{100 * plan.spec.reserve:.3g} % of it is kept back as a reserve"
    return (
        f"{lot.lot}: {lot.seeds:,} seeds; {lot.planned:,} are sown, {number(lot.left)} stay in the "
        f"packet ({kept})."
    )


def collect_section(account: SeasonSummary) -> Section:
    """Seed to collect for the same orders again."""
    plan, question = account.plan, "What must I collect?"
    if plan is None:
        return Section("collect", question, (Words(account.missing["plan"]),))
    blocks: tuple[Block, ...] = (
        *items(
            "So that the same orders could be grown again from what the plan leaves",
            [to_collect(row) for row in plan.collecting],
        ),
        Words(COLLECT_CAUTION, "care"),
    )
    return Section("collect", question, blocks)
