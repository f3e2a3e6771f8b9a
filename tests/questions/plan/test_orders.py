"""`plan_orders`: plans of small books, odd and bad input, and the demonstration against its planted
truth.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit

import germstats
from germstats.demonstration import simulate_demo
from germstats.engine.fit import FitSpec
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.order_plan import OrderPlan, OrderRow, OrderSpec
from germstats.questions.plan.plan import plan_orders, planned_orders
from tests.questions.plan.plan_books import (
    COUNTS,
    LOT_HEAD,
    ORDER_HEAD,
    ORDERS,
    SPECIES,
    small_book,
    tray_tables,
)
from tests.test_datasets import DATASETS


@pytest.fixture(scope="module")
def fit(tmp_path_factory):
    return germstats.fit_emergence(small_book(tmp_path_factory.mktemp("plan")))


@pytest.fixture
def plan(fit, tmp_path):
    """Plan the small book with other orders or lots."""

    def planned(spec: OrderSpec | None = None, **tables: str) -> OrderPlan:
        return planned_orders(fit, small_book(tmp_path / "book", **tables), spec or OrderSpec())

    return planned


def honest(plan: OrderPlan) -> None:
    """Nothing is NaN, no chance is certain."""
    for row in plan.rows:
        for value in (row.chance, row.expected_plugs, row.pencil_chance):
            assert value is None or math.isfinite(value)
        assert 0.001 <= row.chance <= 0.999
        assert row.plugs_low <= row.plugs_high


def only(plan: OrderPlan) -> OrderRow:
    honest(plan)
    assert len(plan.rows) == 1
    return plan.rows[0]


def test_an_order_gets_the_fewest_whole_trays_that_reach_the_assurance(plan) -> None:
    orders = ORDER_HEAD + "Q-1,AAAA,110,2027-09-01,,2,1,1,\n"
    row = only(plan(OrderSpec(assurance=0.9, losses=0.0), orders=orders))
    (sowing,) = row.sowings
    assert (sowing.lot, sowing.label, sowing.shape.cells) == ("A-1", "grit", 36)
    assert row.chance >= 0.9
    assert row.trays == dict(row.trays_for)[0.9]
    assert not row.short
    levels = [trays for _, trays in row.trays_for]
    assert levels == sorted(levels)
    fewer = only(
        plan(OrderSpec(assurance=0.9, losses=0.0, most_trays=row.trays - 1), orders=orders)
    )
    assert fewer.chance < 0.9
    assert fewer.short
    assert any("(--most-trays)" in note for note in fewer.notes)
    assert not any("(--most-trays)" in note for note in row.notes)


def test_seeds_are_weighed_as_the_design_says(plan) -> None:
    """mg per tray = cells x seeds per cell x 1000 / (pure seeds per gram x purity), 400 seeds a
    gram, 80 % pure.
    """
    (sowing,) = only(plan()).sowings
    by_hand = 36 * sowing.seeds.mean * 1000 / (400 * 0.8)
    assert sowing.seeds.grams * 1000 == pytest.approx(by_hand, rel=1e-12)  # identity


def test_store_adds_up(plan) -> None:
    answer = plan()
    by_lot = {row.lot: row for row in answer.store}
    sown = sum(math.ceil(s.seeds.per_tray * s.trays) for row in answer.rows for s in row.sowings)
    assert by_lot["A-1"].planned == sown
    assert by_lot["A-1"].left == 5000 - sown
    assert by_lot["A-2"].left is None
    assert by_lot["A-2"].note == "seed left not written down"


def test_the_pencil_stands_beside(plan, fit) -> None:
    row = only(plan(OrderSpec(losses=0.1)))
    (sowing,) = row.sowings
    p = next(r for r in fit.rows if r.lot == "A-1").emergence
    each = 36 * (1 - (1 - p) ** sowing.seeds.mean) * 0.9
    assert row.pencil_trays == math.ceil(60 / each)
    assert row.pencil_chance <= row.chance or row.pencil_trays >= row.trays


def test_two_half_trays_stand_for_one(plan) -> None:
    row = only(plan(orders=ORDER_HEAD + "Q-1,AAAA,12,2027-09-01,,2,1,1,\n"))
    assert [(s.trays, s.shape.cells) for s in row.sowings] == [(2, 18)]


def test_delivered_plugs_are_not_grown_again(plan) -> None:
    row = only(plan(orders=ORDER_HEAD + "Q-1,AAAA,60,2027-09-01,,2,1,1,40\n"))
    assert row.plugs == 20


def test_dates_follow_the_sowing_before(plan) -> None:
    row = only(plan())
    # sown on 10 December before, spring 2027
    assert row.sowings[0].sow_on == pd.Timestamp("2026-12-10")
    assert pd.Timestamp("2027-02-15") < row.ready_from <= row.ready_to < pd.Timestamp("2027-07-31")
    later = only(plan(OrderSpec(grow_weeks=6)))
    assert (later.ready_from - row.ready_from).days == 42
    early = only(plan(orders=ORDER_HEAD + "Q-1,AAAA,60,2027-03-01,,2,1,1,\n"))
    assert any("comes after the due date, 1 March 2027" in note for note in early.notes)


def test_two_winters_come_a_year_later(fit, tmp_path) -> None:
    book = small_book(tmp_path, species=SPECIES.replace("AAAA,a,no", "AAAA,a,yes"))
    row = only(planned_orders(fit, book, OrderSpec()))
    assert row.ready_from.year == 2028
    assert any("coming up in its second spring" in note for note in row.lot_notes)


def test_prick_out_fills_cells_except_of_taproots(plan) -> None:
    spec = {"most_trays": 2, "losses": 0.0}
    plain, pricked, tap = (
        only(plan(OrderSpec(**spec, **more)))
        for more in ({}, {"prick_out": True}, {"prick_out": True, "taproot": ("AAAA",)})
    )
    assert pricked.expected_plugs > plain.expected_plugs
    assert tap.expected_plugs == plain.expected_plugs


SHORT = ORDER_HEAD + (
    "Q-1,BBBB,90,2027-09-01,,2,1,1,\nQ-2,BBBB,60,2027-09-01,,1,1,2,\nQ-3,BBBB,60,2027-09-01,,"
    "9,1,3,\n"
)


def test_a_small_packet_is_spread_thinly_with_a_reserve(plan) -> None:
    lots = LOT_HEAD + "B-1,BBBB,1000,,0.2,,3\n"  # 200 seeds
    answer = plan(orders=SHORT, lots=lots)
    honest(answer)
    assert answer.rows[0].short, "shortfalls come first"
    assert all(s.seeds.mean == 1 for row in answer.rows for s in row.sowings)
    (store,) = answer.store
    assert 170 <= store.planned <= 180, "a tenth of 200 seeds is kept back, and a handful left over"
    by_order = {row.order: row for row in answer.rows}
    assert by_order["Q-1"].expected_plugs > 80 > by_order["Q-3"].expected_plugs, (
        "priority 1 is served first"
    )
    by_value = {
        row.order: row for row in plan(OrderSpec(by_value=True), orders=SHORT, lots=lots).rows
    }
    assert by_value["Q-3"].expected_plugs > by_order["Q-3"].expected_plugs, (
        "by value the dearest gains"
    )
    assert all(row.trays >= 2 for row in by_value.values() if row.sowings), "two places"


def test_cost_view_uses_the_books_own_columns(plan) -> None:
    orders = ORDER_HEAD + "Q-1,BBBB,40,2027-09-01,,2,1,1,\n"
    cheap = only(plan(orders=orders)).cost
    assert cheap.prices.seed == pytest.approx(0.003)  # 3 a gram of 1,000 seeds
    assert cheap.prices.plug == 3
    dear = only(plan(OrderSpec(thinning_cost=1.5), orders=orders)).cost
    assert dear.optimum < cheap.optimum
    assert cheap.gain >= cheap.gain_at_plan
    assert only(plan()).cost is None, "A-1 has no cost, and thinning is free"


def test_collecting_makes_good_what_the_plan_takes(plan) -> None:
    # two half trays take 144 of them
    (row,) = plan(lots=LOT_HEAD + "A-1,AAAA,400,80,,200,\n").collecting
    assert row.seeds == max(round(row.seeds_needed / 0.9) - row.seeds_left, 0) > 0
    assert row.grams == pytest.approx(row.seeds / 320)
    assert row.ripe_grams == pytest.approx(5 * row.grams)


def test_a_species_never_sown_gets_a_wide_honest_answer(plan) -> None:
    lots = LOT_HEAD + "A-1,AAAA,400,80,,5000,\nC-1,CCCC,,,20,,\n"
    row = only(plan(orders=ORDER_HEAD + "Q-9,CCCC,30,2027-09-01,,2,,,\n", lots=lots))
    assert row.trays >= 2
    assert row.plugs_high - row.plugs_low > 10
    assert any("was never sown: a wide guess from all species" in note for note in row.lot_notes)


def test_no_lot_of_the_species(plan) -> None:
    answer = plan(orders=ORDER_HEAD + "Q-9,CCCC,30,2027-09-01,,2,,,\n")
    row = only(answer)
    assert (row.trays, row.short, row.chance) == (0, True, 0.001)
    assert "no lot of CCCC is in the book: collect or buy seed first" in row.notes
    assert answer.collecting[0].seeds > 0


def test_a_species_not_in_the_table_is_set_aside_in_words(plan) -> None:
    answer = plan(
        orders=ORDER_HEAD + "Q-1,AAAA,60,2027-09-01,,2,1,1,\nQ-2,ZZZZ,9,2027-09-01,,,,,\n"
    )
    assert only(answer).order == "Q-1"
    assert any("species ZZZZ is not in species.csv" in sentence for sentence in answer.set_aside)


def test_a_lot_never_sown_of_a_known_species_is_wider_than_its_sister(plan) -> None:
    sister = only(plan(OrderSpec(lots=("A-1",), most_trays=2)))
    new = only(plan(OrderSpec(lots=("A-2",), most_trays=2)))
    assert new.plugs_high - new.plugs_low > sister.plugs_high - sister.plugs_low
    assert any("never sown: a guess from the other lots of AAAA" in note for note in new.lot_notes)
    assert "seed in store is not written down: see that you have it" in new.notes


def test_no_seed_left(plan) -> None:
    row = only(plan(lots=LOT_HEAD + "A-1,AAAA,400,80,,0,\n"))
    assert (row.trays, row.chance) == (0, 0.001)
    assert row.notes == ("no seed of AAAA is left: collect or buy seed first",)


def test_due_before_the_sowing(plan) -> None:
    row = only(plan(orders=ORDER_HEAD + "Q-1,AAAA,60,2026-11-01,,2,1,1,\n"))
    assert (row.trays, row.chance) == (0, 0.001)
    assert row.notes[0].startswith(
        "due 1 November 2026, before the seed is sown on 10 December 2026: this sowing cannot "
        "serve it"
    )


@pytest.mark.parametrize(("column", "row"), [("price", "-2,1"), ("shortfall cost", "2,-1")])
def test_money_below_zero_is_refused_by_name(plan, column: str, row: str) -> None:
    with pytest.raises(
        WrongUseError, match=rf"The {column} of an order cannot be below 0: row 2, Q-7 \(AAAA\): -"
    ):
        plan(orders=ORDER_HEAD + f"Q-7,AAAA,60,2027-09-01,,{row},1,\n")


def test_a_missing_price_counts_as_one_and_is_said(plan) -> None:
    row = only(plan(orders=ORDER_HEAD + "Q-1,AAAA,60,2027-09-01,,,,,\n"))
    assert "no price is written: a plug counts as 1" in row.notes


@pytest.mark.parametrize(
    ("orders", "message"),
    [
        ("", "No order can be planned"),
        ("Q-1,AAAA,60,2027-09-01,,2,1,1,60\n", "Every plug ordered has been delivered"),
    ],
)
def test_nothing_to_plan(plan, orders: str, message: str) -> None:
    with pytest.raises(NotEnoughRecordsError, match=message):
        plan(orders=ORDER_HEAD + orders)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"losses": 1.0}, "--losses is a share from 0"),
        ({"reserve": -0.1}, "--reserve is a share from 0"),
        ({"assurance": 1.0}, "chance from .5 to .99"),
        ({"most_trays": 1}, "from 2 to 200"),
        ({"cell_cost": -1.0}, "cannot be below 0"),
        ({"thinning_cost": math.nan}, "cannot be below 0, nor endless"),
        ({"grow_weeks": 1e9}, "at most 520 weeks"),
        ({"most_seeds": 0}, "from 1 to 60, not 0"),
        ({"target": math.nan}, "at most 1, not nan"),
        ({"cells": 0}, "1 to 1,000 cells, not 0"),
        ({"cells": 100_000}, "1 to 1,000 cells, not 100,000"),
        ({"season": 99999}, "a year such as 2027"),
    ],
)
def test_wrong_options_are_refused(options: dict[str, float], message: str) -> None:
    with pytest.raises(WrongUseError, match=message):
        OrderSpec(**options)


def test_seed_for_no_cell_is_not_said_to_serve_another_order(plan) -> None:
    lots = LOT_HEAD + "A-1,AAAA,400,80,,1,\n"
    row = only(plan(lots=lots))
    assert row.trays == 0
    assert row.notes[0] == "too little seed for a single cell beyond what is kept back"
    both = plan(
        lots=lots.replace(",1,\n", ",80,\n"), orders=ORDERS + "Q-2,AAAA,60,2027-09-01,,2,1,2,\n"
    )
    assert sum(row.trays for row in both.rows) > 0


def test_a_lot_named_by_the_plan_brings_its_warnings(tmp_path) -> None:
    """What `fit` and `sow` say of a lot, age and few trays, is said here too."""
    tables = tray_tables({"T-1": (8, 25, 33), "T-4": (3, 9, 20)})
    tables["trays"] = tables["trays"].replace("T-1,2026,A-1,2025-12-10", "T-1,2025,A-1,2024-12-10")
    tables["checks"] = tables["checks"].replace("T-1,2026", "T-1,2025")
    book = small_book(tmp_path, **tables)
    row = only(plan_orders(germstats.fit_emergence(book), OrderSpec(lots=("A-1",))))
    assert any(note.startswith("A-1: last sown for 2025; seed ages") for note in row.lot_notes)
    assert "A-1: one tray only" in row.lot_notes


def test_the_due_date_is_never_met_for_certain(plan) -> None:
    late = ORDER_HEAD + "Q-1,AAAA,60,2029-09-01,,2,1,1,\n"
    assert only(plan(orders=late)).ready.by_due == 0.999


def test_pinches_of_unknown_size_are_not_called_never_sown(tmp_path) -> None:
    tables = tray_tables(COUNTS)
    tables["trays"] = tables["trays"].replace("6,6,1,", "6,6,pinch,")
    book = small_book(tmp_path, orders=ORDER_HEAD + "Q-1,BBBB,20,2027-09-01,,2,1,1,\n", **tables)
    row = only(plan_orders(germstats.fit_emergence(book)))
    assert any("never sown but by pinches of unknown size" in note for note in row.lot_notes)


def test_an_unknown_lot_is_refused(plan) -> None:
    with pytest.raises(WrongUseError, match="No lot is called A-7; the lots are A-1, A-2, B-1"):
        plan(OrderSpec(lots=("A-7",)))


@pytest.mark.parametrize(
    "counts",
    [
        {"T-1": (8, 25, 33)},
        {"T-1": (0, 0, 0), "T-2": (0, 0, 0)},
        {"T-1": (36, 36, 36), "T-2": (36, 36, 36)},
    ],
    ids=["one tray", "all empty", "all full"],
)
@pytest.mark.parametrize("pooling", [True, False])
def test_thin_and_extreme_books_get_an_honest_answer(counts, pooling: bool, tmp_path) -> None:
    from germstats.engine.fit import FitSpec

    book = small_book(tmp_path, **tray_tables(counts))
    row = only(
        plan_orders(
            germstats.fit_emergence(book, FitSpec(pooling=pooling)), OrderSpec(most_trays=4)
        )
    )
    assert row.plugs_high > row.plugs_low
    if counts["T-1"][2] == 0:
        assert row.short


@pytest.fixture(scope="module")
def demonstration():
    book = germstats.read_book(DATASETS / "demonstration")
    return book, germstats.fit_emergence(book)


def demonstration_truth(
    row: OrderRow, rng: np.random.Generator, springs: int = 20_000
) -> np.ndarray:
    """Plugs of a planned line in springs of the planted world: true shares, scatters and later
    losses (demo.md).
    """
    truth = simulate_demo().truth.rows
    losses = {"HECY": 0.12, "BASA": 0.10}[row.species]
    plugs = np.zeros(springs)
    for sowing in row.sowings:
        (true,) = truth[(truth["lot"] == sowing.lot) & (truth["cover"] == sowing.label)][
            "emergence"
        ]
        for _ in range(sowing.trays):
            luck = np.hypot(0.35, 0.4) * rng.standard_normal(springs)  # trays and benches
            p = expit(logit(true) + luck)
            if sowing.seeds.by_pinch:
                fill = 1 - (1 + sowing.seeds.mean * p / 1.5) ** -1.5
            else:
                n, t = round(sowing.seeds.mean), 0.05 / 0.95
                fill = 1 - np.prod([(1 - p + r * t) / (1 + r * t) for r in range(n)], axis=0)
            plugs += rng.binomial(sowing.shape.cells, fill * (1 - losses))
    return plugs


@pytest.fixture(scope="module")
def all_lots(demonstration):
    book, fit = demonstration
    return planned_orders(fit, book, OrderSpec())


@pytest.fixture(scope="module")
def small_packets(demonstration):
    """The .06 g of dust-like seed for three lines, 600 seeds for two."""
    book, fit = demonstration
    return planned_orders(fit, book, OrderSpec(lots=("HECY-22A", "BASA-25A")))


@pytest.mark.parametrize("lots", ["all_lots", "small_packets"])
def test_the_demonstrations_orders_hold_in_the_planted_world(request, lots: str) -> None:
    """520 plugs of three orders."""
    answer = request.getfixturevalue(lots)
    honest(answer)
    assert sum(row.plugs for row in answer.rows) == 520
    rng = np.random.default_rng(7)
    for row in answer.rows:
        plugs = demonstration_truth(row, rng)
        assert row.plugs_low <= plugs.mean() <= row.plugs_high, (
            row.order,
            row.species,
            plugs.mean(),
        )
        if not row.short:
            assert np.mean(plugs >= row.plugs) >= 0.8, (row.order, row.species)
    for store in answer.store:
        assert store.planned <= 0.9 * store.seeds


def test_the_small_packets_are_short_and_spread(small_packets) -> None:
    answer = small_packets
    assert all(row.short for row in answer.rows)
    assert all(row.expected_plugs > 0.75 * row.plugs for row in answer.rows), (
        "every order gets a fair part"
    )
    dust = [sowing for row in answer.rows for sowing in row.sowings if sowing.lot == "HECY-22A"]
    assert all(sowing.seeds.grams < 0.05 for sowing in dust)
    assert sum(sowing.trays * sowing.seeds.grams for sowing in dust) <= 0.054
    collected = {row.species: row.grams for row in answer.collecting}
    assert all(grams > 0 for grams in collected.values())


def test_counted_losses_are_near_the_planted_ones(demonstration) -> None:
    """Planted later losses (demo.md) .06 for PEAT, .05 for MOFI; 4 standard errors of the seedlings
    counted.
    """
    from germstats.forecast.demand import later_losses

    book, _ = demonstration
    for species, planted in (("PEAT", 0.06), ("MOFI", 0.05)):
        found = later_losses(book, [species], None)[species]
        seedlings = int(found.source.split(" of ")[-1].split()[0].replace(",", ""))
        assert abs(found.share - planted) < 4 * np.sqrt(planted * (1 - planted) / seedlings)
    assert later_losses(book, ["PEAT"], 0.2)["PEAT"].share == 0.2


def test_nothing_counted_falls_back_on_common_practice(tmp_path) -> None:
    """A tray looked at once says nothing of losses (before: "0 of 136 seedlings", 0.4 %)."""
    from germstats.forecast.demand import USUAL_LOSSES, later_losses

    once = "tray,checked_on,filled\nT-1,2026-05-20,136\n"
    book = small_book(tmp_path, {"T-1": (1, 2, 3)}, checks=once)
    losses = later_losses(book, ["AAAA"], None)["AAAA"]
    assert losses.share == USUAL_LOSSES
    assert "common practice, no source" in losses.source


def test_a_book_without_lots_is_never_told_that_a_species_was_never_sown(tmp_path) -> None:
    orders = ORDER_HEAD + "Q-1,A-1,60,2027-09-01,,2,1,1,\nQ-2,AAAA,60,2027-09-01,,2,1,1,\n"
    book = small_book(tmp_path / "book", lots=LOT_HEAD, species="species\n", orders=orders)
    for spec in (FitSpec(), FitSpec(pooling=False)):
        own, guess = plan_orders(germstats.fit_emergence(book, spec)).rows
        assert any("only grit was tried" in note for note in own.lot_notes), (
            "the lot stands for its species"
        )
        assert any("no tray is known to hold AAAA" in note for note in guess.lot_notes)
        assert not any("never sown" in note for note in own.lot_notes + guess.lot_notes)


def test_a_lot_sown_and_not_yet_looked_at_is_not_called_never_sown(tmp_path) -> None:
    trays = tray_tables(COUNTS)["trays"] + "T-9,2027,A-2,2026-12-10,6,6,2,grit\n"
    book = small_book(tmp_path / "book", trays=trays)
    row = only(plan_orders(germstats.fit_emergence(book), OrderSpec(lots=("A-2",), most_trays=2)))
    assert any(
        "no usable check yet: a guess from the other lots of AAAA" in note for note in row.lot_notes
    )
    assert not any("never sown" in note for note in row.lot_notes)
