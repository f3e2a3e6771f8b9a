"""`germstats trial`: words, JSON and the file of the plan."""

from __future__ import annotations

import csv
import json

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from tests.test_datasets import DATASETS

ASKED = [
    "trial",
    str(DATASETS / "demonstration"),
    "--species",
    "PEAT",
    "--difference",
    "20",
    "--simulations",
    "50",
]
COLUMNS = [
    "tray",
    "season",
    "lot",
    "sown_on",
    "rows",
    "columns",
    "seeds_per_cell",
    "cover",
    "place",
    "block",
    "trial",
]


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    plan = tmp_path_factory.mktemp("plan") / "plan.csv"
    words = CliRunner().invoke(main, [*ASKED, "--treatments", "grit, sand", "--plan", str(plan)])
    again = CliRunner().invoke(main, [*ASKED, "--treatments", "grit,sand", "--json"])
    return words, again, plan


def test_words_answer_and_warn_of_dust(shown):
    words, _, _ = shown
    assert words.exit_code == 0, words.output
    told = " ".join(words.stdout.split())
    assert told.startswith("PEAT, grit and sand: To tell 20 points")
    for said in (
        "trays of each treatment",
        "Checked by 50 simulated trials",
        "give or take",
        "Bench plan",
        "make dust",
    ):
        assert said in told


def test_the_plan_is_rows_of_the_trays_table(shown):
    words, again, plan = shown
    rows = list(csv.DictReader(plan.read_text(encoding="utf-8").splitlines()))
    assert list(rows[0]) == COLUMNS
    answer = json.loads(again.stdout)
    assert len(rows) == 2 * answer["trays"]
    assert [row["tray"] for row in rows] == [tray["tray"] for tray in answer["plan"]]
    assert all(row["tray"] in words.stdout for row in rows)
    assert answer["power"] >= answer["spec"]["power"] == 0.8


def test_a_plan_in_the_way_is_kept(shown):
    _, _, plan = shown
    refused = CliRunner().invoke(main, [*ASKED, "--treatments", "grit,sand", "--plan", str(plan)])
    assert refused.exit_code == 2
    assert "is there already" in refused.stderr and "reading the records" not in refused.stderr
    assert plan.stat().st_size > 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--treatments", "grit"], "two treatments or more"),
        (["--treatments", "grit,sannd"], "did you mean sand"),
        (["--treatments", "grit,sand", "--seasons", "0"], "1 to 10 seasons"),
        (["--treatments", "grit,sand", "--power", ".99"], "endless trays"),
    ],
)
def test_bad_wishes_end_in_a_sentence(options, words):
    told = CliRunner().invoke(main, [*ASKED, *options])
    assert told.exit_code == 2
    assert words in told.stderr
    assert "Traceback" not in told.output
