"""`germstats plan`: what it prints, its JSON, and its refusals."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result

from germstats.cli.main import main
from tests.questions.plan.plan_books import LOT_HEAD, ORDER_HEAD, small_book

ORDERS = (
    ORDER_HEAD
    + "Q-1,AAAA,60,2027-09-01,,2,1,1,\nQ-2,BBBB,400,2027-09-01,,,,2,\nQ-3,ZZZZ,9,2027-09-01,,,,,\n"
)
LOTS = LOT_HEAD + "A-1,AAAA,20000,80,,5000,\nA-2,AAAA,400,80,,,\nB-1,BBBB,,,0.1,,3\n"


@pytest.fixture
def book(tmp_path):
    small_book(tmp_path / "book", orders=ORDERS, lots=LOTS)
    return str(tmp_path / "book")


def run(*args: str) -> Result:
    return CliRunner().invoke(main, ["plan", *args])


def test_text_says_shortfalls_first_and_what_to_collect_last(book: str) -> None:
    result = run(book)
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    places = [
        words.index(part)
        for part in (
            "Not used: orders.csv row 4",
            "Short:",
            "Q-2, BBBB: 400 plugs wanted",
            "The chance that all 2 order lines get their plugs in the same spring is <1 %",
            "To weigh or count out:",
            "Under 50 mg a tray (B-1, A-1)",
            "washed, slightly damp sand",
            "their dust",
            "in two places at least",
            "Notes:",
            "no price is written",
            "By cost",
            "kept back (--reserve)",
            "A-2 (seed left not written down)",
            "To collect",
            "permission",
            "20 % of what is ripe",
            "Plants lost after coming up",
            "Next: speak to the clients",
        )
    ]
    assert places == sorted(places)
    assert "nan" not in words.lower()
    given = " ".join(run(book, "--losses", ".1").stdout.split())
    assert "You set the average. How much trays and springs differ is still estimated." in given
    assert "in 9 of 10 trays (--losses)" in given
    assert max(len(line) for line in result.stdout.splitlines()) <= 140


def test_json_has_a_row_per_order_line(book: str) -> None:
    result = run(book, "--json", "--losses", ".1", "--lot", "A-1", "--lot", "B-1")
    assert result.exit_code == 0, result.output
    answer = json.loads(result.stdout)
    assert answer["settings"]["losses"] == 0.1
    assert answer["season"] == 2027
    rows = {(row["order"], row["species"]): row for row in answer["rows"]}
    assert set(rows) == {("Q-1", "AAAA"), ("Q-2", "BBBB")}
    wanted = {
        "order",
        "species",
        "lots",
        "trays",
        "seeds_per_cell",
        "grams_per_tray",
        "chance",
        "expected_plugs",
        "plugs_low",
        "plugs_high",
        "ready_from",
        "ready_to",
        "notes",
    }
    assert all(wanted <= set(row) for row in rows.values())
    good, short = rows["Q-1", "AAAA"], rows["Q-2", "BBBB"]
    assert good["lots"] == ["A-1"]
    assert good["grams_per_tray"] == pytest.approx(36 * good["seeds_per_cell"] / 16000)
    assert "2027-02" < good["ready_from"] <= good["ready_to"] < "2027-08"
    assert short["chance"] == 0.001, "never nought"
    assert answer["chance_of_all"] == 0.001
    assert good["losses"]["source"] == "--losses"
    assert 0 <= good["losses"]["tray_low"] < 0.1 < good["losses"]["tray_high"] < 0.6, (
        "a given mean keeps its scatter"
    )
    assert [len(sowing["places"]) for sowing in good["sowings"]] == [
        sowing["trays"] for sowing in good["sowings"]
    ]
    assert [row["species"] for row in answer["collecting"]] == ["AAAA", "BBBB"]
    assert {row["lot"] for row in answer["store"]} == {"A-1", "B-1"}


@pytest.mark.parametrize(
    ("orders", "code", "words"),
    [
        (ORDER_HEAD, 3, "No order can be planned: write order, species, plugs and due date"),
        (ORDER_HEAD + "Q-5,ZZZZ,6,2027-09-01,,1,,,\n", 3, "species ZZZZ is not in species.csv"),
        (ORDER_HEAD + "Q-5,AAAA,6,,,1,,,\n", 3, "row 2, due"),
        (
            ORDER_HEAD + "Q-5,AAAA,6,2027-09-01,,-1,,,\n",
            2,
            "cannot be below 0: row 2, Q-5 (AAAA): -1",
        ),
    ],
)
def test_refusals_are_one_sentence(tmp_path, orders: str, code: int, words: str) -> None:
    small_book(tmp_path / "book", orders=orders)
    result = run(str(tmp_path / "book"))
    assert result.exit_code == code
    assert words in result.stderr
    assert "choosing" not in result.stderr, "refused before the fit"


def test_wrong_options_exit_with_two(book: str) -> None:
    result = run(book, "--assurance", "0.3")
    assert result.exit_code == 2
    assert "chance from .5 to .99" in result.stderr


def test_what_is_not_used_and_what_comes_late_is_said_at_the_head(tmp_path) -> None:
    """A bad cell is taken as blank and its order planned; one due a month after sowing is late; a
    slip in `delivered` makes no order vanish in silence; a refused number of seeds is told from one
    not written down.
    """
    orders = ORDER_HEAD + (
        "Q-1,AAAA,30,2027-09-01,,x,1,1,\nQ-2,AAAA,20,2027-01-05,,2,1,1,\n"
        "Q-3,AAAA,50,2027-09-01,,3,1,1,60\n"
    )
    lots = LOT_HEAD + "A-1,AAAA,20000,80,,5000,\nA-2,AAAA,400,80,,-600,\n"
    small_book(tmp_path / "book", orders=orders, lots=lots)
    result = run(str(tmp_path / "book"))
    assert result.exit_code == 0, result.output
    words = " ".join(result.stdout.split())
    places = [
        words.index(part)
        for part in (
            "Not used: orders.csv row 2, price: 'x' is no number",
            "(taken as blank)",
            "Not used: Q-3 (AAAA): 60 plugs delivered of 50 ordered",
            "No order is short of plants, but not all are ready in time.",
            "Late: Q-2, AAAA: its last plant",
            "due 2027-01-05: speak to the client now",
            "Q-1 AAAA 30",
            "A-2 (seeds_left '-600' is not used)",
        )
    ]
    assert places == sorted(places)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--taproot", "AAAB"), "No species is called AAAB (--taproot)"),
        (("--season", "1999"), "--season 1999 is past"),
    ],
)
def test_strangers_to_the_book_are_refused(book: str, options: tuple[str, str], words: str) -> None:
    result = run(book, *options)
    assert result.exit_code == 2
    assert words in result.stderr
