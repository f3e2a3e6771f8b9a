"""`germstats fit`: the cross-check by general-purpose libraries comes only where it is
asked for.
"""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from germstats.engine import crosscheck
from germstats.records.formats.workbook import write_book
from tests.page_books import small_tables


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    folder = tmp_path_factory.mktemp("book") / "book"
    write_book(small_tables(), folder)
    return str(folder)


def run(*words):
    told = CliRunner().invoke(main, ["fit", *words])
    assert told.exit_code == 0, told.output
    return told


def test_without_a_word_no_library_is_asked(book, monkeypatch):
    def never(patterns):
        raise AssertionError("nobody asked for the cross-check")

    monkeypatch.setattr(crosscheck, "library_estimates", never)
    told = run(book)
    assert "statsmodels" not in told.output and "libraries" not in told.output
    assert "Next: germstats sow" in told.output
    assert set(json.loads(run(book, "--json").stdout)) == {
        "level",
        "settings",
        "rows",
        "left_out",
        "due",
    }


def test_the_cross_check_says_where_the_two_agree_and_part(book):
    told = run(book, "--crosscheck")
    assert "libraries" in told.stderr
    assert "statsmodels" in told.stdout and "lifelines" in told.stdout
    assert "rows on the share" in told.stdout
    assert "Next: germstats sow" in told.stdout


def test_its_keys_stand_beside_the_others_one_row_for_each(book):
    plain = json.loads(run(book, "--json").stdout)
    checked = json.loads(run(book, "--json", "--crosscheck").stdout)
    assert {name: checked[name] for name in plain} == plain
    assert set(checked) - set(plain) == {"second_road", "libraries"}
    lots = [row["lot"] for row in plain["rows"]]
    assert [row["lot"] for row in checked["second_road"]] == lots
    assert sorted(row["lot"] for row in checked["libraries"]) == sorted(lots)
    assert {
        "points",
        "points_limit",
        "points_agree",
        "days",
        "days_limit",
        "days_agree",
        "why",
    } <= set(checked["second_road"][0])
    assert {"share", "share_sd", "share_low", "share_high", "median_days", "curve", "note"} <= set(
        checked["libraries"][0]
    )
