"""`germstats watch`: words, JSON, and what it refuses."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from tests.test_datasets import DATASETS

BOOK = str(DATASETS / "demonstration")


def run(*arguments):
    return CliRunner().invoke(main, ["watch", BOOK, *arguments])


@pytest.fixture(scope="module")
def april():
    told = run("--on", "2026-04-15", "--json")
    assert told.exit_code == 0, told.output
    return json.loads(told.stdout)


def test_json_has_what_scripts_need(april):
    wanted = {
        "tray",
        "lot",
        "filled_now",
        "cells",
        "final_low",
        "final",
        "final_high",
        "chance_more",
        "give_up_after",
        "status",
        "advice",
    }
    for row in april["rows"]:
        assert set(row) >= wanted
        if row["final"] is not None:
            assert (
                (row["filled_now"] or 0)
                <= row["final_low"]
                <= row["final"]
                <= row["final_high"]
                <= row["cells"]
            )
            assert 0.001 <= row["chance_more"] <= 0.999
        if row["give_up_after"] is not None:
            assert row["give_up_after"] >= "2026-04-15"


def test_overdue_trays_come_first(april):
    ranks = {"silent": 0, "late": 1, "not looked at": 2, "few came": 3}
    order = [ranks.get(row["status"], 4) for row in april["rows"]]
    assert order == sorted(order)


def test_later_records_are_not_used(april):
    """Before the season's first check nothing is seen yet; in April less than in the end."""
    winter = json.loads(run("--on", "2026-01-10", "--json").stdout)
    assert all(row["filled_now"] in (None, 0) for row in winter["rows"])
    assert all(
        row["status"] in ("not yet due", "waiting for its second winter", "not forecast")
        for row in winter["rows"]
    )
    summer = json.loads(run("--on", "2026-07-20", "--json").stdout)
    filled = {
        row["tray"]: row["filled_now"] for row in summer["rows"] if row["status"] != "not forecast"
    }
    assert all(
        (row["filled_now"] or 0) <= filled[row["tray"]]
        for row in april["rows"]
        if row["tray"] in filled
    )
    assert sum(filled.values()) > sum(
        row["filled_now"] or 0 for row in april["rows"] if row["tray"] in filled
    )


def test_a_two_winter_species_is_never_called_failed():
    rows = json.loads(run("--on", "2024-06-01", "--lot", "SYAL-23A", "--json").stdout)["rows"]
    assert {row["status"] for row in rows} == {"waiting for its second winter"}
    assert {row["advice"] for row in rows} == {"keep"}


def test_words_name_heat_overdue_trays_and_what_is_next():
    told = run("--on", "2026-04-15")
    assert told.exit_code == 0, told.output
    words = " ".join(told.stdout.split())
    assert "degree-days" in words and "Weeks of cold" in words
    assert "No tray is overdue." in words and "give up after" in words
    assert "Next: thin the trays that are done, fill their gaps" in words
    assert " nan" not in words.lower()


def test_trays_whose_seedlings_were_counted_are_not_called_unseen(april):
    """T-2601, T-2610, T-2614 and T-2625 have checks with filled cells and seedlings before that
    day.
    """
    rows = {row["tray"]: row for row in april["rows"]}
    for tray in ("T-2601", "T-2610", "T-2614", "T-2625"):
        assert rows[tray]["filled_now"] > 0
        assert rows[tray]["status"] != "not looked at"


def test_a_tray_sold_and_trays_waiting_are_said_not_forecast():
    rows = {
        row["tray"]: row for row in json.loads(run("--on", "2024-05-15", "--json").stdout)["rows"]
    }
    assert rows["T-2406"]["status"] == "cut short" and rows["T-2406"]["final"] is None
    assert rows["T-2423"]["status"] == "waiting for its second winter"
    assert rows["T-2417"]["status"] == "few came"  # LODI-22A, hurt by the mild winter


def test_before_the_first_check_the_past_alone_speaks():
    words = " ".join(run("--on", "2026-01-10").stdout.split())
    assert (
        "No tray of this spring was looked at yet: what follows rests on earlier springs alone."
        in words
    )


def test_watch_takes_no_pooling():
    told = run("--on", "2026-04-15", "--lot", "HECY-22A", "--no-pooling")
    assert told.exit_code == 0, told.output
    assert "HECY-22A" in told.stdout


def test_without_a_day_the_newest_one_is_taken():
    told = run("--lot", "HECY-22A")
    assert told.exit_code == 0, told.output
    assert "as of 16 July 2026" in told.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--on", "15 April"], "is no day such as"),
        (["--on", "2019-04-15"], "no tray was sown yet"),
        (["--on", "2031-04-15"], "the last spring on record ended on 31 July"),
        (
            ["--on", "2026-04-15", "--lot", "BASA-24C"],
            "its last spring on record ended on 31 July 2025",
        ),
        (["--on", "2026-04-15", "--lot", "MOFI-24B"], "did you mean MOFI-24A"),
        (["--on", "2026-04-15", "--holding-cost", "-1"], "cannot be below 0"),
    ],
)
def test_bad_wishes_are_refused_in_words(arguments, said):
    told = run(*arguments)
    assert told.exit_code == 2, told.output
    assert said in told.output
