"""`germstats compare`: words and JSON."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from germstats.records.formats.workbook import write_book
from tests.page_books import small_tables
from tests.test_datasets import DATASETS

BOOK = str(DATASETS / "demonstration")
COLUMNS = {
    "species",
    "treatment",
    "reference",
    "level",
    "trays",
    "points",
    "points_low",
    "points_high",
    "cells_per_tray",
    "days",
    "days_low",
    "days_high",
    "odds_ratio",
    "p_main",
    "p_second",
    "p_permutation",
    "p_permutation_smallest",
    "p_adjusted",
    "tray_sd",
    "tray_sd_source",
    "verdict",
    "more_trays",
    "notes",
    "seeds",
    "emerged",
    "more_trays_scale",
    "points_90_low",
    "points_90_high",
    "emergence",
    "ratio",
    "ratio_low",
    "ratio_high",
    "ratio_90_low",
    "ratio_90_high",
    "cell_scatter_points",
    "places_noted",
}


@pytest.fixture(scope="module")
def shown():
    return CliRunner().invoke(
        main, ["compare", BOOK, "--species", "MOFI", "--species", "PEAT", "--json"]
    )


def test_json_has_the_columns(shown):
    assert shown.exit_code == 0, shown.output
    rows = json.loads(shown.stdout)["rows"]
    assert set(rows[0]) >= COLUMNS
    assert {row["species"] for row in rows} == {"MOFI", "PEAT", None}
    assert all(len(row["trays"]) == 2 for row in rows)


def test_both_margins_are_among_the_settings(shown):
    settings = json.loads(shown.stdout)["settings"]
    assert (settings["margin"], settings["ratio_margin"]) == (10.0, 1.25)


def test_a_ratio_margin_below_one_is_wrong_use():
    told = CliRunner().invoke(main, ["compare", BOOK, "--ratio-margin", "0.8"])
    assert told.exit_code == 2
    assert "above 1" in told.output


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


def test_lots_without_a_species_are_not_pooled_with_one_another(tmp_path):
    """Trays and checks are enough for a book: a lot whose species is nowhere written down stands
    for itself.
    """
    tables = small_tables()
    del tables["species"], tables["lots"]
    chosen = tables["trays"]["lot"].isin(["MOFI-22A", "HECY-22A"]) & (
        tables["trays"]["season"] == "2026"
    )
    tables["trays"] = tables["trays"][chosen].assign(
        cover=lambda t: t["lot"].map({"MOFI-22A": "grit"}).fillna("none")
    )
    write_book(tables, tmp_path / "book")
    told = CliRunner().invoke(main, ["compare", str(tmp_path / "book")])
    assert told.exit_code == 3, told.output
    assert "nothing to compare" in told.output and "nan" not in told.output
