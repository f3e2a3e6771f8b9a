"""`germstats compare`: words and JSON."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from tests.test_datasets import DATASETS

BOOK = str(DATASETS / "demonstration")
COLUMNS = {
    "species", "treatment", "reference", "level", "trays", "points", "points_low", "points_high", "cells_per_tray",
    "days", "days_low", "days_high", "odds_ratio", "p_main", "p_second", "p_permutation", "p_permutation_smallest",
    "p_adjusted", "tray_sd", "tray_sd_source", "verdict", "more_trays", "notes", "seeds", "emerged",
}  # fmt: skip


@pytest.fixture(scope="module")
def shown():
    return CliRunner().invoke(main, ["compare", BOOK, "--species", "MOFI", "--species", "PEAT", "--json"])


def test_json_has_the_columns(shown):
    assert shown.exit_code == 0, shown.output
    rows = json.loads(shown.stdout)["rows"]
    assert set(rows[0]) >= COLUMNS
    assert {row["species"] for row in rows} == {"MOFI", "PEAT", None}
    assert all(len(row["trays"]) == 2 for row in rows)


def test_words_say_what_to_do_next():
    told = CliRunner().invoke(main, ["compare", BOOK, "--lot", "PEAT-23B"])
    assert told.exit_code == 0, told.output
    assert "cannot be separated" in told.stdout
    assert "sow at least two trays" in told.stdout.replace("\n  ", " ")
    assert "Next:" in told.stdout


def test_an_unknown_treatment_is_wrong_use():
    told = CliRunner().invoke(main, ["compare", BOOK, "--treatment", "colour"])
    assert told.exit_code == 2
    assert "one of cover, depth, pretreatment, place" in told.output
