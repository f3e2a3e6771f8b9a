"""A plan half sown: what is left to sow, under which names, and what is taken off."""

from __future__ import annotations

import pytest

from germstats.forecast.planned_sowing import PlannedSowing, Seeds, Shape
from germstats.forecast.reconcile import before_sowing, spring_being_sown, still_to_sow
from germstats.forecast.trays_to_sow import order_noted
from germstats.records.book import read_book
from germstats.records.tray_names import new_names
from tests.questions.plan.plan_books import COUNTS, ORDER_HEAD, small_book, tray_tables

HEAD = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover,note\n"
ORDERS = ORDER_HEAD + (
    "Q-1,AAAA,60,2027-09-01,,2,1,1,\nQ-12,AAAA,60,2027-09-01,,2,1,1,\nQ-1,BBBB,60,2027-09-01,,"
    "2,1,1,\n"
)
PLAN = (
    ("Q-1", "A-1", "AAAA"),
    ("Q-1", "A-1", "AAAA"),
    ("Q-12", "A-1", "AAAA"),
    ("Q-1", "B-1", "BBBB"),
)
NAMES = [name for name, _ in zip(new_names(2027, []), PLAN, strict=False)]


def plan():
    seeds = Seeds(mean=2.0, cells=36, by_pinch=False, per_tray=72, grams=0.4)
    return [
        PlannedSowing(
            tray=name,
            season=2027,
            order=order,
            lot=lot,
            species=species,
            label="",
            shape=Shape(cells=36, rows=6, columns=6, of_rows=6, of_columns=6),
            seeds=seeds,
        )
        for name, (order, lot, species) in zip(NAMES, PLAN, strict=True)
    ]


def book_with(folder, *rows):
    """The small book of 2026, and these rows of 2027: tray, lot, day, note."""
    trays = HEAD + "".join(f"{line},\n" for line in tray_tables(COUNTS)["trays"].splitlines()[1:])
    trays += "".join(
        f"{tray},2027,{lot},{day},6,6,2,grit,{note}\n" for tray, lot, day, note in rows
    )
    return small_book(folder / "book", trays=trays, orders=ORDERS)


DAY = "2026-12-10"


@pytest.mark.parametrize(
    ("rows", "left", "sown", "others"),
    [
        ([], NAMES, 0, 0),
        ([(NAMES[1], "A-1", DAY, "for Q-1")], [NAMES[0], NAMES[2], NAMES[3]], 1, 0),
        ([(NAMES[1].lower(), "A-1", DAY, "for Q-1; late")], [NAMES[1], NAMES[2], NAMES[3]], 1, 0),
        ([(NAMES[3], "B-1", DAY, "")], NAMES[:3], 1, 0),  # by its name alone
        (
            [("mine", "A-2", DAY, "for Q-12")],
            [NAMES[0], NAMES[1], NAMES[3]],
            1,
            0,
        ),  # another name, another lot
        ([("mine", "A-1", DAY, "")], NAMES, 0, 1),
        (
            [
                ("a", "A-1", DAY, "for Q-1"),
                ("b", "A-1", DAY, "for Q-1"),
                ("c", "A-1", DAY, "for Q-1"),
            ],
            NAMES[2:],
            2,
            1,
        ),
        ([(NAMES[0], "A-1", "", "for Q-1")], NAMES, 0, 0),
        ([("mine", "A-1", "", "for Q-12")], [NAMES[0], NAMES[1], "mine", NAMES[3]], 0, 0),
        (
            [
                (name, lot, DAY, f"for {order}")
                for name, (order, lot, _) in zip(NAMES, PLAN, strict=True)
            ],
            [],
            4,
            0,
        ),
    ],
)
def test_what_is_left_to_sow(tmp_path, rows, left, sown, others):
    kept, already = still_to_sow(plan(), book_with(tmp_path, *rows))
    assert [one.tray for one in kept] == left
    assert (already.sown, already.others) == (sown, others)
    assert already.written == {tray for tray, _, day, _ in rows if not day}


def test_no_tray_left_bears_a_name_of_the_book(tmp_path):
    """The plan has changed since: a name of it stands on a tray of another order."""
    kept, already = still_to_sow(plan(), book_with(tmp_path, (NAMES[0], "A-1", DAY, "for Q-12")))
    assert already.sown == 1 and [one.order for one in kept] == ["Q-1", "Q-1", "Q-1"]
    assert kept[0].tray not in NAMES and [one.tray for one in kept[1:]] == [NAMES[1], NAMES[3]]


@pytest.mark.parametrize(
    ("rows", "checks", "spring"),
    [
        ([], "", None),
        ([("mine", "A-1", DAY, "")], "", None),
        ([("mine", "A-1", DAY, "for Q-1")], "", 2027),
        ([(NAMES[0], "A-1", "", "")], "", 2027),
        (
            [(NAMES[0], "A-1", DAY, "for Q-1")],
            f"{NAMES[0]},2027-03-20,3\n",
            None,
        ),  # spring has come
    ],
)
def test_the_spring_being_sown(tmp_path, rows, checks, spring):
    book = book_with(tmp_path, *rows)
    if checks:
        with (tmp_path / "book" / "checks.csv").open("a", encoding="utf-8") as stream:
            stream.write(checks)
        book = read_book(tmp_path / "book")
    assert spring_being_sown(book) == spring


def test_the_book_before_a_spring_was_sown(tmp_path):
    book = book_with(tmp_path, (NAMES[0], "A-1", DAY, "for Q-1"))
    assert set(before_sowing(book, 2027).tables["trays"]["season"]) == {2026}
    # nothing older tells anything
    assert before_sowing(book, None) is book and before_sowing(book, 2026) is book


@pytest.mark.parametrize(
    ("note", "order"),
    [
        ("for Q-1", "Q-1"),
        ("for Q-12", "Q-12"),
        ("for Q-12; 3 seeds in 4 cells", "Q-12"),
        ("for Q-13", ""),
        ("for Q-1, late", "Q-1"),
        ("meant for Q-1", ""),
        ("", ""),
    ],
)
def test_the_order_a_note_names(note, order):
    assert order_noted(note, ["Q-1", "Q-12"]) == order
