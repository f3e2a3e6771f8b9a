"""One lot under one cover has one number of seeds per cell, wherever it stands: in the sowing
table, in the plan of the orders, on the sowing sheet and where the what-if begins.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

import germstats
from germstats.errors import GermstatsError
from germstats.forecast.seeds_per_cell import SowingRow
from germstats.forecast.trays_to_sow import advised_sowings, planned_trays
from germstats.page.what_if import what_if
from tests.random_books import small_book, write_csv

REDUCED = os.environ.get("GERMSTATS_REDUCED") == "1"
QUICK = (77, 98, 112)
ALL = range(200, 210 if REDUCED else 230)


def with_orders(folder: Path, seed: int) -> Path:
    """A random book and an order of sixty plugs of each of its species."""
    tables = small_book(seed)
    book = write_csv(tables, folder / str(seed))
    lines = [f"Q-{k},{row['species']},60,2099-09-01" for k, row in enumerate(tables["species"])]
    text = "\n".join(["order,species,plugs,due", *lines, ""])
    (book / "orders.csv").write_text(text, encoding="utf-8")
    return book


def compared(book: germstats.RecordBook) -> int:
    """How many numbers were held beside those of the sowing table."""
    fit = germstats.fit_emergence(book)
    advice = germstats.seeds_per_cell(fit)
    advised = {(row.lot, row.label): row for row in advice.rows}
    season = int(book.trays["season"].max()) + 1

    on_sheet = advised_sowings(advice, book, season)
    for sowing in on_sheet:
        assert sowing.seeds.mean == advised[sowing.lot, sowing.label].seeds_per_cell
    begins = {lot["name"]: lot["seeds"] for lot in what_if(fit.rows, advice).data["lots"]}
    for row in advice.rows:
        number = row.pinches_per_cell if row.seeds_per_cell is None else row.seeds_per_cell
        assert begins[f"{row.lot}, {row.label}"] == number

    return len(on_sheet) + len(begins) + _planned(book, fit, advised)


def _planned(
    book: germstats.RecordBook,
    fit: germstats.EmergenceFit,
    advised: dict[tuple[str, str], SowingRow],
) -> int:
    try:
        plan = germstats.plan_orders(fit)
    except GermstatsError as refusal:
        assert str(refusal)
        return 0
    planned = [
        sowing
        for row in plan.rows
        for sowing in row.sowings
        if not row.rationed and (sowing.lot, sowing.label) in advised
    ]
    for sowing in planned:
        assert sowing.seeds.mean == advised[sowing.lot, sowing.label].seeds_per_cell
    trays = planned_trays(plan, fit, book)
    on_paper = {(tray.lot, tray.label, tray.seeds.mean) for tray in trays}
    assert {(one.lot, one.label, one.seeds.mean) for one in planned} <= on_paper
    return len(planned)


@pytest.mark.parametrize("seed", QUICK)
def test_a_small_book_gives_one_number(tmp_path, seed):
    assert compared(germstats.read_book(with_orders(tmp_path, seed))) >= 3


@pytest.mark.slow
def test_thirty_nurseries_give_one_number_for_every_lot(tmp_path):
    numbers = 0
    for seed in ALL:
        book = germstats.read_book(with_orders(tmp_path, seed))
        try:
            numbers += compared(book)
        except GermstatsError as refusal:
            assert str(refusal)
    assert numbers > 3 * len(ALL)
