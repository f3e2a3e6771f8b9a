"""The demonstration's stories reviewed: each planted cause is found, and each decoy refused.

The demonstration is invented and its truth known; it says nothing of the rules' worth elsewhere,
which the study in `analyses/studies` measures.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

import germstats
from germstats.demonstration import simulate_demo
from germstats.questions.review.book import gather
from germstats.questions.review.gather import lot_file
from germstats.questions.review.review import LotVerdict, ReviewSpec, judge
from germstats.questions.review.rules import load_rules
from tests.test_datasets import DATASETS

RULES = load_rules()


@pytest.fixture(scope="module")
def gathered():
    book = germstats.read_book(DATASETS / "demonstration")
    return gather(book, RULES)


def reviewed(gathered, lot, season):
    return judge(lot_file(gathered, lot, season), RULES)


def standing(review):
    return {cause.cause: cause.standing for cause in review.causes}


def points(review):
    return {cause.cause: cause.points for cause in review.causes}


def test_poor_seed_with_its_tests_is_likely_and_the_late_season_is_not_blamed(gathered):
    review = reviewed(gathered, "BASA-24C", 2025)
    assert review.verdict == LotVerdict.POOR
    assert standing(review)["seed"] == "likely"
    assert standing(review)["unfinished"] == "unlikely"
    assert "collect ripe" in " ".join(review.next_year)
    assert "sow 36 cells" in review.test  # the seed has been cut and tested already


def test_poor_seed_without_its_tests_has_fewer_points_and_the_cut_test_is_named(gathered):
    file = lot_file(gathered, "BASA-24C", 2025)
    with_tests, without = judge(file, RULES), judge(replace(file, tests=()), RULES)
    assert standing(without)["seed"] in ("likely", "possible")
    assert points(without)["seed"] < points(with_tests)["seed"]
    assert "cut 50 seeds" in without.test


def test_light_needing_seed_under_sand_is_the_cover_not_the_lot(gathered):
    review = reviewed(gathered, "HECY-25A", 2026)
    assert review.verdict == LotVerdict.POOR
    assert standing(review)["cover"] == "likely"
    assert standing(review)["seed"] == "unlikely"
    assert "surface" in " ".join(review.next_year)


@pytest.mark.parametrize("lot", ["PEGA-22A", "LODI-22A", "BASA-22A", "IRMI-23A"])
def test_the_bad_season_is_short_chill_not_the_lot_nor_the_dried_trays(gathered, lot):
    review = reviewed(gathered, lot, 2024)
    assert review.verdict == LotVerdict.POOR
    assert review.causes[0].cause == "chill"
    assert standing(review)["chill"] == "likely"
    assert standing(review)["seed"] != "likely"
    assert standing(review)["dry"] == "unlikely"
    assert "second spring" in " ".join(review.next_year)


@pytest.mark.parametrize("lot", ["GAAR-22A", "MOFI-22A", "HECY-22A"])
def test_species_without_need_of_cold_came_as_expected_in_the_bad_season(gathered, lot):
    assert reviewed(gathered, lot, 2024).verdict == LotVerdict.AS_EXPECTED


def test_the_mouse_is_found_where_it_was(gathered):
    review = reviewed(gathered, "BASA-25A", 2026)
    assert review.verdict == LotVerdict.POOR
    assert review.named[0].cause == "mouse"
    assert review.named[0].standing == "likely"
    words = next(row.words for row in review.evidence if row.evidence == "block")
    assert words == "T-2612: 24 of 24 cells empty in 4 rows by 6 columns at an edge"
    assert any("hantavirus" in caution for caution in review.cautions)


def test_the_wash_out_is_found_by_overfull_cells_beside_its_strip(gathered):
    review = reviewed(gathered, "MOFI-22A", 2026)
    assert review.named[0].cause == "wash"
    assert review.named[0].standing == "likely"
    overfull = next(row for row in review.evidence if row.evidence == "overfull")
    assert overfull.statistic >= 5
    assert standing(review)["mouse"] == "unlikely"
    assert any(
        note.startswith("T-2621 is stopped by germstats check (3 seedlings")
        for note in review.notes
    )


def test_the_dropped_tray_is_named_and_not_held_against_its_lot(gathered):
    review = reviewed(gathered, "PEAT-22A", 2025)
    assert review.verdict == LotVerdict.AS_EXPECTED
    assert any("T-2516" in note and "dropped" in note for note in review.notes)


def test_a_two_winter_species_is_not_called_failed(gathered):
    # judged in 2025, when it came
    assert reviewed(gathered, "SYAL-23A", 2024).verdict == LotVerdict.AS_EXPECTED


def test_a_two_winter_species_before_its_second_spring_is_not_over(tmp_path):
    """The same book as it stood in the summer of 2024: silent, and no failure."""
    tables = simulate_demo().tables
    early = {}
    for name, table in tables.items():
        day = {
            "checks": "checked_on",
            "cells": "checked_on",
            "events": "on",
            "maps": "seen_on",
        }.get(name)
        early[name] = table[table[day] < "2024-08-15"] if day else table
    early["trays"] = early["trays"][early["trays"]["season"].astype(int) <= 2024]
    from germstats.records.formats.workbook import write_book

    write_book(early, tmp_path / "book")
    found = germstats.review(
        germstats.read_book(tmp_path / "book"), ReviewSpec(lots=["SYAL-23A"], season=2024)
    )
    assert found.lots[0].verdict == LotVerdict.NOT_OVER
    assert any("two winters" in note for note in found.lots[0].notes)


def test_lot_cover_and_place_always_together_are_refused(gathered):
    review = reviewed(gathered, "PEAT-23B", 2025)
    assert "cannot be told apart" in review.refused and "sow two trays" in review.refused


def test_healthy_lots_came_as_expected(gathered):
    for lot, season in [
        ("GAAR-24B", 2026),
        ("GETR-23A", 2026),
        ("PEGA-24B", 2026),
        ("LODI-24A", 2026),
        ("IRMI-23A", 2026),
        ("PEAT-24A", 2026),
        ("GAAR-24B", 2025),
        ("BASA-22A", 2025),
    ]:
        assert reviewed(gathered, lot, season).verdict == LotVerdict.AS_EXPECTED, lot
