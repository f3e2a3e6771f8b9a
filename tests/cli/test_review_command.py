"""`germstats review`: words, JSON, and what it refuses."""

from __future__ import annotations

import json
import re
import shutil

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from germstats.questions.review.rules import DATA
from tests.test_datasets import DATASETS

BOOK = str(DATASETS / "demonstration")
VERDICTS = ["poor", "cannot tell", "not over yet", "as expected"]


def run(*arguments):
    return CliRunner().invoke(main, ["review", BOOK, *arguments])


@pytest.fixture(scope="module")
def season():
    return json.loads(run("--json").stdout)


@pytest.fixture(scope="module")
def explained():
    told = run("BASA-24C", "--explain")
    assert told.exit_code == 0, told.output
    return told.stdout


def test_json_has_what_scripts_need(season):
    assert season["season"] == 2026
    for lot in season["lots"]:
        assert set(lot) >= {
            "lot",
            "season",
            "verdict",
            "causes",
            "test",
            "next_year",
            "evidence",
            "refused",
            "notes",
        }
        assert lot["season"] == 2026 and lot["verdict"] in VERDICTS
        assert (
            bool(lot["causes"])
            == bool(lot["test"])
            == bool(lot["next_year"])
            == (lot["verdict"] == "poor")
        )
        for cause in lot["causes"]:
            assert set(cause) >= {"cause", "standing", "points", "for", "against"}
            assert cause["standing"] in ("likely", "possible", "unlikely")
        for row in lot["evidence"]:
            assert set(row) == {"evidence", "reading", "statistic", "limit", "words", "trays"}


def test_json_holds_no_number_that_is_none(season):
    assert not re.search(r"NaN|Infinity", json.dumps(season))


def test_poor_lots_come_first(season):
    verdicts = [lot["verdict"] for lot in season["lots"]]
    assert verdicts == sorted(verdicts, key=VERDICTS.index)
    assert {lot["lot"] for lot in season["lots"] if lot["verdict"] == "poor"} >= {
        "BASA-25A",
        "MOFI-22A",
        "HECY-25A",
    }


def test_a_tray_whose_lot_id_has_a_typing_error_is_named(season):
    assert season["trays_of_no_known_lot"] == ["T-2607"]  # the letter O for a zero in its lot


def test_words_name_cause_test_and_next_year(explained):
    words = " ".join(explained.split())
    assert "BASA-24C: poor, since the lot is lower than an ordinary spring lets expect." in words
    assert re.search(
        r"89 filled of 216 cells in 3 trays; an ordinary spring lets expect \d+ \(\d+ to \d+\)",
        words,
    )
    assert "likely: poor seed" in words and "To settle it:" in words and "Next year:" in words
    assert "tetrazolium test: 31 of 100 good (true share 22 to 41 %)" in words
    assert "without warranty" in words
    assert " nan" not in words.lower()


def test_explain_adds_up_the_points_row_by_row(explained):
    """Every line's parts add up to its sum."""
    words = " ".join(explained.split())
    lines = re.findall(
        r"(\w+): ([+-]\d+) to begin with(.*?) = ([+-]\d+), (?:likely|possible|unlikely)\.", words
    )
    assert len(lines) == 10
    for _, start, parts, total in lines:
        assert int(start) + sum(int(part) for part in re.findall(r", ([+-]\d+) ", parts)) == int(
            total
        )


def test_explain_shows_each_row_of_evidence_beside_its_limit(explained):
    rows = [line.split() for line in explained.splitlines() if line.startswith("  lot seen")]
    assert len(rows) == 1
    assert rows[0][-1] == "-1.3" and float(rows[0][-2]) < -1.3


def test_lines_fit_a_terminal(explained):
    assert max(map(len, explained.splitlines())) <= 100


def test_the_refusal_is_said(tmp_path):
    told = run("PEAT-23B")
    words = " ".join(told.stdout.split())
    assert "Refused: PEAT-23B was only ever sown under grit and only at bench 2" in words
    assert "sow two trays of it under another cover" in words


def test_edited_rules_are_followed(tmp_path):
    shutil.copy(DATA / "review_doors.csv", tmp_path)
    rows = (tmp_path / "review_doors.csv").read_text(encoding="utf-8").splitlines()
    kept = [row for row in rows if not row.startswith("lot")]
    (tmp_path / "review_doors.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    found = json.loads(run("BASA-24C", "--rules", str(tmp_path), "--json").stdout)
    assert [lot["verdict"] for lot in found["lots"]] == ["as expected"]  # its only door is gone


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["BASA-24X"], "did you mean BASA-24C"),
        (["basa-24c"], "did you mean BASA-24C"),
        (["--season", "2031"], "the book has 2023, 2024, 2025, 2026"),
        (["GAAR-22A", "--season", "2026"], "GAAR-22A in 2023 and 2024"),
        (["GAAR-22A", "GAAR-24B"], "GAAR-22A in 2023 and 2024; choose with --season"),
        (["--rules", "nowhere"], "is no folder"),
    ],
)
def test_bad_wishes_are_refused_in_words(arguments, said):
    told = run(*arguments)
    assert told.exit_code == 2
    assert said in told.output
