"""`germstats backtest` in words, in JSON and where it cannot answer."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from nurseries.trays import TraySpec, simulate_trays

from germstats.cli.main import main
from germstats.records.formats.workbook import write_book


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """Two lots of two trays in each of three springs, the last of them a poor one: every fourth
    filled cell is left.
    """
    folder = tmp_path_factory.mktemp("books") / "book"
    tables = dict(
        simulate_trays(
            TraySpec(p=0.8, tray_sd=0.2, lots=2, trays=3, seasons=3, record="totals"), 11
        ).tables
    )
    poor = set(tables["trays"].loc[tables["trays"]["season"].astype(int) == 2023, "tray"])
    checks = tables["checks"]
    fewer = (checks["filled"].astype(int) // 4).astype(str)
    tables["checks"] = checks.assign(
        filled=checks["filled"].where(~checks["tray"].isin(poor), fewer)
    )
    write_book(tables, folder)
    return folder


def test_words(book):
    told = run("backtest", book, "--target", "0.8")
    assert told.exit_code == 0, told.output
    words = " ".join(told.stdout.split())
    assert "Every season after the first (2021)" in words
    assert "2022: 6 of 6 trays inside their range, as promised." in words
    assert "2023: 0 of 6 trays inside their range, 6 fell short, 0 came better." in words
    assert "A poorer spring than those before it could foretell; above all SIMU (6 of 6)." in words
    assert "(6 of 6). 0 filled 80 % of their cells; about" in words
    assert "6 of 12 trays came inside their range" in words
    assert "80 % of the cells or more: promised of" in words
    assert "The ranges were too narrow for what came." in words
    assert (
        "Next: springs like 2023 can come again. Run germstats backtest with --season-sd 0.7"
        in words
    )
    assert "2022, from the seasons before it" in told.stderr
    assert max(map(len, told.stdout.splitlines())) <= 125


def test_json(book):
    told = json.loads(run("backtest", book, "--json", "--target", "0.8").stdout)
    assert (told["target"], told["level"], told["first_season"]) == (0.8, 0.9, 2021)
    assert told["settings"]["season_sd"] == 0.35
    assert len(told["rows"]) == 12
    for row in told["rows"]:
        assert 0 < row["chance"] < 1
        assert row["inside"] == (row["low"] <= row["seen"] <= row["high"])
        assert row["reached"] == (row["seen"] >= row["wanted"])
    assert [(one["name"], one["trays"], one["inside"]) for one in told["seasons"]] == [
        ("2022", 6, 6),
        ("2023", 6, 0),
    ]
    assert [one["name"] for one in told["lots"]] == ["LOT-01", "LOT-02"]
    assert told["overall"]["inside"] == 6
    assert told["overall"]["ranges"] == "too high"
    assert told["odd_seasons"] == [2023]
    assert told["set_aside"] == []


def test_too_little_to_answer_from(book, tmp_path):
    write_book(simulate_trays(TraySpec(trays=2, record="totals"), 1).tables, tmp_path / "one")
    told = run("backtest", tmp_path / "one")
    assert told.exit_code == 3
    assert "one season only (2021)" in told.stderr
    assert told.stdout == ""
    assert run("new", tmp_path / "blank").exit_code == 0
    told = run("backtest", tmp_path / "blank")
    assert told.exit_code == 3
    assert "No tray is in the book yet" in told.stderr
    assert run("backtest", tmp_path / "nowhere").exit_code == 1
    assert run("backtest", book, "--target", "1.5").exit_code == 2
    assert run("backtest", book, "--spring-ends", "13-77").exit_code == 2
