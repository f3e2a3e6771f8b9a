"""A book of two trays worked out on paper, and the exit codes of every command on it.

Tray T1: 2 rows x 2 columns, one seed a cell. Seen on day 100 from sowing: A1, A2 up; day 130 also
B1; B2 never. Tray T2: the same, seen as totals: 1 filled on day 100, 2 on day 130. So 5 of 8 seeds:
1 of T1's came in (100, 130], 1 of T2's; 2 and 1 in (0, 100]; 3 never.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import beta

import germstats
from germstats.cli.main import main
from germstats.engine.fit import FitSpec
from germstats.engine.priors import Scatter
from germstats.forecast.seeds_per_cell import SowingSpec
from germstats.records.intervals.patterns import find_patterns

TRAYS = """tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover
T1,2025,L1,2024-12-01,2,2,1,grit
T2,2025,L1,2024-12-01,2,2,1,grit
"""
CELLS = "tray,cell,checked_on,emerged\n" + "".join(
    f"T1,{cell},{day},{n}\n"
    for cell, first, last in (("A1", 1, 1), ("A2", 1, 1), ("B1", 0, 1), ("B2", 0, 0))
    for day, n in (("2025-03-11", first), ("2025-04-10", last))
)
CHECKS = "tray,checked_on,filled\nT2,2025-03-11,1\nT2,2025-04-10,2\n"


@pytest.fixture
def book(tmp_path):
    folder = tmp_path / "book"
    folder.mkdir()
    for name, text in (("trays", TRAYS), ("cells", CELLS), ("checks", CHECKS)):
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return folder


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_patterns_are_those_on_paper(book):
    patterns = find_patterns(germstats.read_book(book))
    assert patterns.trays[["tray", "seeds", "emerged", "filled"]].to_numpy().tolist() == [
        ["T1", 4, 3, 3],
        ["T2", 4, 2, 2],
    ]
    assert patterns.times.to_numpy().tolist() == [[0, 0, 100, 2], [0, 100, 130, 1]]
    assert patterns.occupied[["tray", "lo", "hi", "count"]].to_numpy().tolist() == [
        [1, 0, 100, 1],
        [1, 100, 130, 1],
    ]
    assert patterns.finishes[["tray", "seen", "last", "count"]].to_numpy().tolist() == [
        [0, 0, 130, 1],
        [0, 1, 130, 3],
        [1, 0, 130, 2],
    ]


def test_a_single_look_gives_the_beta_posterior(book):
    """With one look a tray the count is final: 5 of 8 is Beta(5.5, 3.5), worked out from the
    Jeffreys prior.
    """
    (book / "cells.csv").write_text(
        "\n".join(CELLS.split("\n")[:1] + CELLS.split("\n")[2::2]) + "\n", encoding="utf-8"
    )
    (book / "checks.csv").write_text("tray,checked_on,filled\nT2,2025-04-10,2\n", encoding="utf-8")
    (row,) = germstats.fit_emergence(
        germstats.read_book(book),
        FitSpec(
            Scatter(tray=0.0, season=0.0, season_time=0.0),
            held=dict.fromkeys(("tray_time", "lot", "lot_time", "species", "place"), 0.0),
        ),
    ).rows
    middle, low, high = beta.ppf([0.5, 0.025, 0.975], 5.5, 3.5)
    np.testing.assert_allclose(
        (row.emergence, row.emergence_low, row.emergence_high), (middle, low, high), atol=0.025
    )
    assert row.median_days is None


def test_commands_answer_in_words_and_in_json(book):
    for command in ("check", "fit", "sow"):
        told = run(command, book)
        assert told.exit_code == 0, told.output
        assert "Next:" in told.output
    fit = json.loads(run("fit", book, "--json").stdout)
    assert fit["level"] == 0.95
    (row,) = fit["rows"]
    assert (row["species"], row["lot"], row["treatment"]) == (None, "L1", {"cover": "grit"})
    assert (row["trays"], row["cells"], row["seeds"], row["emerged"]) == (2, 8, 8, 5)
    assert 0 <= row["emergence_low"] < row["emergence"] < row["emergence_high"] <= 1
    sow = json.loads(run("sow", book, "--json", "--cells", "72", "--most-seeds", "2").stdout)
    assert sow["level"] == 0.9
    (row,) = sow["rows"]
    assert (row["seeds_per_cell"], row["reaches_target"]) == (2, False)
    assert "2 per cell do not reach the target" in " ".join(row["notes"])
    assert [rung["seeds"] for rung in row["ladder"]] == [1, 2, 3, 4]
    assert row["pencil_seeds_per_cell"] >= 2
    check = json.loads(run("check", book, "--json").stdout)
    assert set(check["counts"]) == {"stop", "ask", "changed", "watch"}


def test_an_order_of_dates_is_refused_until_said_and_then_remembered(book):
    (book / "datapackage.json").write_text("{}", encoding="utf-8")
    (book / "checks.csv").write_text("tray,checked_on,filled\nT2,04/05/2025,2\n", encoding="utf-8")
    refused = run("check", book)
    assert "4 May 2025" in refused.output
    assert "5 April 2025" in refused.output
    assert "0 stop, 0 ask" in run("check", book, "--dates", "day-first").output
    assert "0 stop, 0 ask" in run("check", book).output


def test_a_blank_book_has_nothing_to_answer_from(tmp_path):
    assert run("new", tmp_path / "blank").exit_code == 0
    assert run("check", tmp_path / "blank").exit_code == 0
    for command in ("fit", "sow"):
        told = run(command, tmp_path / "blank")
        assert told.exit_code == 3
        assert "No tray is in the book yet" in told.output


@pytest.mark.parametrize("filled", [0, 4])
def test_all_empty_and_all_full_trays_get_a_range(book, filled):
    (book / "cells.csv").unlink()
    looks = "".join(
        f"{t},{day},{filled}\n" for t in ("T1", "T2") for day in ("2025-03-11", "2025-06-10")
    )
    (book / "checks.csv").write_text("tray,checked_on,filled\n" + looks, encoding="utf-8")
    (row,) = json.loads(run("fit", book, "--json").stdout)["rows"]
    notes = " ".join(row["notes"])
    assert "looked at once" not in notes
    assert 0 <= row["emergence_low"] < row["emergence_high"] <= 1
    if filled:
        assert row["emergence_high"] > 0.95
        assert row["emergence_low"] > 0.4
    else:
        assert row["emergence_low"] == 0
        assert "none emerged: at most" in notes
        assert row["median_days"] is None
    (row,) = json.loads(run("sow", book, "--json").stdout)["rows"]
    assert 0 < row["chance"] < 1


def test_the_settings_shown_by_help_are_those_of_the_python_face():
    fit, sow = (main.get_command(None, name) for name in ("fit", "sow"))
    shown = {option.name: option.default for command in (fit, sow) for option in command.params}
    spec, wanted = FitSpec(), SowingSpec()
    assert shown["season_sd"] == spec.scatter.season
    assert not isinstance(shown["tray_sd"], float)  # trays are asked for theirs
    assert spec.pooling
    assert spec.scatter.tray is None
    assert shown["spring_ends"] == "{:02d}-{:02d}".format(*spec.spring_ends)
    assert (shown["target"], shown["assurance"]) == (wanted.target, wanted.assurance)
    # by the kind of sowing, where nothing is asked for
    assert wanted.most_seeds is None and not isinstance(shown["most_seeds"], int)


def test_exit_codes(book, tmp_path):
    (book / "checks.csv").write_text(CHECKS + "T2,2025-04-20,9\n", encoding="utf-8")
    stopped = run("check", book)
    assert stopped.exit_code == 1
    assert "9 filled cells" in stopped.output
    told = run("fit", book)
    assert told.exit_code == 0
    assert "T2: 9 filled cells" in told.output
    (book / "checks.csv").unlink()
    (book / "cells.csv").unlink()
    assert run("check", book).exit_code == 0
    for command in ("fit", "sow"):
        silent = run(command, book)
        assert silent.exit_code == 3
        assert "never checked" in silent.output
    assert run("fit", tmp_path / "nowhere").exit_code == 1
    assert run("sow", book, "--target", "1.4").exit_code == 2
    assert run("fit", book, "--spring-ends", "13-77").exit_code == 2
    assert run("fti", book).exit_code == 2
