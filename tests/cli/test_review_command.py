"""`germstats review`: words, JSON, and what it refuses."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from tests.test_datasets import DATASETS

BOOK = str(DATASETS / "demonstration")


def run(*arguments):
    return CliRunner().invoke(main, ["review", BOOK, *arguments])


@pytest.fixture(scope="module")
def season():
    return json.loads(run("--json").stdout)


def test_json_has_what_scripts_need(season):
    assert season["season"] == 2026
    for lot in season["lots"]:
        assert set(lot) >= {"lot", "verdict", "causes", "test", "next_year", "evidence"}
        assert lot["verdict"] in ("as expected", "not over yet", "poor", "cannot tell")
        assert bool(lot["causes"]) == (lot["verdict"] == "poor")
        for cause in lot["causes"]:
            assert set(cause) >= {"cause", "standing", "points", "for", "against"}
            assert cause["standing"] in ("likely", "possible", "unlikely")


def test_poor_lots_come_first(season):
    verdicts = [lot["verdict"] for lot in season["lots"]]
    assert verdicts == sorted(verdicts, key=["poor", "cannot tell", "not over yet", "as expected"].index)
    assert {lot["lot"] for lot in season["lots"] if lot["verdict"] == "poor"} >= {"BASA-25A", "MOFI-22A", "HECY-25A"}


def test_words_name_cause_test_and_next_year():
    told = run("BASA-24C", "--explain")
    assert told.exit_code == 0, told.output
    words = " ".join(told.stdout.split())
    assert "BASA-24C: poor, since the lot is lower than an ordinary spring lets expect." in words
    assert "likely: poor seed" in words and "To settle it:" in words and "Next year:" in words
    assert "seed: -6 to begin with" in words
    assert " nan" not in words.lower()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["BASA-24X"], "did you mean BASA-24C"),
        (["--season", "2031"], "the book has 2023, 2024, 2025, 2026"),
        (["GAAR-22A", "--season", "2026"], "GAAR-22A in 2023 and 2024"),
        (["--no-pooling"], "leave out --no-pooling"),
        (["--rules", "nowhere"], "is no folder"),
    ],
)
def test_bad_wishes_are_refused_in_words(arguments, said):
    told = run(*arguments)
    assert told.exit_code == 2
    assert said in told.output
