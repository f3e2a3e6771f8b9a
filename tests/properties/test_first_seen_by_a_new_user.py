"""Answers that a first user found wrong, each in a small book of her kind."""

from __future__ import annotations

from pathlib import Path

import pytest

import germstats
from germstats.forecast.order_plan import OrderSpec
from germstats.questions.plan.plan import planned_orders
from germstats.questions.review.review import ReviewSpec
from germstats.questions.watch.spec import WatchSpec
from germstats.questions.watch.watch_text import watch_text
from germstats.records.book import RecordBook

SPECIES = "species,two_winters\nAAAA,no\nBBBB,yes\n"
LOTS = "lot,species,seeds_left\nA-24,AAAA,5000\nA-25,AAAA,5000\nB-25,BBBB,5000\n"
HEAD = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover\n"


def book_of(folder: Path, trays: list[str], checks: list[str], orders: str = "") -> RecordBook:
    (folder / "species.csv").write_text(SPECIES, encoding="utf-8")
    (folder / "lots.csv").write_text(LOTS, encoding="utf-8")
    (folder / "trays.csv").write_text(HEAD + "\n".join(trays) + "\n", encoding="utf-8")
    (folder / "checks.csv").write_text(
        "tray,checked_on,filled\n" + "\n".join(checks) + "\n", encoding="utf-8"
    )
    if orders:
        (folder / "orders.csv").write_text(
            "order,species,plugs,due\n" + orders + "\n", encoding="utf-8"
        )
    return germstats.read_book(folder)


def looked_at(tray: str, year: int, *filled: int) -> list[str]:
    """Checks of mid March, mid April, early May and mid June."""
    days = ("03-15", "04-15", "05-05", "06-15")
    return [f"{tray},{year}-{day},{count}" for day, count in zip(days, filled, strict=False)]


PAST = [f"T{k},2025,A-24,2024-12-05,6,12,2,none" for k in range(3)]
PAST_LOOKS = [
    line
    for k, top in enumerate((50, 54, 47))
    for line in looked_at(f"T{k}", 2025, 5, top - 12, top, top)
]


@pytest.mark.parametrize(("due", "in_time"), [("2027-09-15", False), ("2028-02-10", True)])
def test_seed_of_two_winters_is_promised_from_its_second_spring_on(tmp_path, due, in_time):
    """Sown in December 2026 it comes up in 2028; 96 % had been promised for 2027."""
    trays = [*PAST, "L1,2026,B-25,2025-12-01,6,12,2,none"]
    book = book_of(tmp_path, trays, [*PAST_LOOKS, "L1,2026-05-05,4"], f"O-1,BBBB,10,{due}")
    (row,) = germstats.plan_orders(germstats.fit_emergence(book)).rows
    assert (row.chance > 0.5) == in_time
    if not in_time:
        assert row.chance < 0.01 and row.comes_late
    assert any(
        "BBBB was sown, but none of its trays can be judged yet" in note for note in row.lot_notes
    )


def test_seed_looked_at_once_a_spring_is_promised_for_no_day_before_february(tmp_path):
    """No timing, two springs on record: the worst of them is known, and asked for too."""
    trays = [*PAST, "S1,2024,A-24,2023-12-05,6,12,2,none"]
    book = book_of(
        tmp_path,
        trays,
        ["S1,2024-06-15,31", *(f"T{k},2025-06-15,{50 + k}" for k in range(3))],
        "O-1,AAAA,30,2026-01-10",
    )
    fit = germstats.fit_emergence(book)
    assert all(row.draws.time is None and row.draws.worst is not None for row in fit.rows)
    (row,) = planned_orders(fit, book, OrderSpec()).rows
    assert row.chance < 0.01 and row.worst_chance < 0.01


def test_a_tray_that_died_is_looked_into_before_it_is_potted(tmp_path):
    trays = [
        *PAST,
        "GONE,2026,A-25,2025-12-05,6,12,2,none",
        "FINE,2026,A-25,2025-12-05,6,12,2,none",
    ]
    book = book_of(
        tmp_path,
        trays,
        [
            *PAST_LOOKS,
            *looked_at("GONE", 2026, 20, 45, 30, 0),
            *looked_at("FINE", 2026, 20, 44, 45, 45),
        ],
    )
    found = germstats.watch(book, WatchSpec("2026-06-20"))
    rows = {row.tray: row for row in found.rows}
    assert (
        rows["GONE"].advice == "look at it"
        and "45 cells had filled, none at the last check" in rows["GONE"].why
    )
    assert rows["FINE"].advice != "look at it"
    assert "find out what took the rest" in " ".join(watch_text(found).split())


def test_a_tray_looked_at_in_february_only_is_not_lost_beside_trays_of_may(tmp_path):
    trays = [
        *PAST,
        *(f"{name},2026,A-25,2025-12-05,6,12,2,none" for name in ("FEB", "ONE", "TWO", "SIX")),
    ]
    late = [
        line
        for name, top in (("ONE", 45), ("TWO", 44), ("SIX", 46))
        for line in looked_at(name, 2026, 20, top - 2, top, top)
    ]
    book = book_of(tmp_path, trays, [*PAST_LOOKS, *late, "FEB,2026-02-05,0"])
    (found,) = germstats.review(book, ReviewSpec(lots=("A-25",))).lots
    standing = {cause.cause: cause.standing for cause in found.causes}
    assert standing.get("tray", "unlikely") not in ("likely", "possible"), standing


def test_trays_first_checked_after_their_spring_are_named(tmp_path):
    book = book_of(
        tmp_path,
        [*PAST, "LATE,2025,A-24,2024-12-05,6,12,2,none"],
        [*PAST_LOOKS, "LATE,2025-09-15,40", "LATE,2025-10-30,55"],
    )
    found = book.findings[book.findings["rule"] == "after-spring"]
    assert (
        list(found["tray"]) == ["LATE"]
        and "tray LATE was first checked after 31 July" in found["message"].iloc[0]
    )
