"""`germstats demo`: what it writes and what it says."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from germstats.cli.main import main
from germstats.records.tables import TABLES


def test_the_book_is_written_and_said_to_be_invented(tmp_path: Path) -> None:
    folder = tmp_path / "my demo"
    result = CliRunner().invoke(main, ["demo", str(folder)])
    assert result.exit_code == 0, result.output
    assert {path.name for path in folder.iterdir()} == {f"{name}.csv" for name in TABLES} | {
        "datapackage.json"
    }
    rows = (folder / "trays.csv").read_text(encoding="utf-8").count("\n") - 1
    assert f"trays       {rows} rows" in result.output
    assert "Quillback Draw Native Plants is invented" in result.output
    # the line can be copied into a shell, blanks in the name and all
    assert f"germstats check '{folder}'" in result.output


def test_a_book_in_the_way_is_kept_unless_forced(tmp_path: Path) -> None:
    (tmp_path / "trays.csv").write_text("tray\nT-1\n")
    result = CliRunner().invoke(main, ["demo", str(tmp_path)])
    assert result.exit_code == 2
    assert "trays.csv is there already" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["trays.csv"]
    assert CliRunner().invoke(main, ["demo", str(tmp_path), "--force"]).exit_code == 0
    assert (tmp_path / "trays.csv").read_text().startswith("tray,season,lot")


def test_another_seed_is_another_nursery(tmp_path: Path) -> None:
    for name, options in (("a", ["--seed", "5"]), ("b", ["--seed", "5"]), ("c", [])):
        assert CliRunner().invoke(main, ["demo", str(tmp_path / name), *options]).exit_code == 0
    cells = {name: (tmp_path / name / "cells.csv").read_bytes() for name in "abc"}
    assert cells["a"] == cells["b"] != cells["c"]


def test_a_seed_that_is_no_whole_number_is_wrong_use(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["demo", str(tmp_path / "book"), "--seed", "-3"])
    assert result.exit_code == 2
    assert "-3 is not in the range x>=0" in result.output
    assert not (tmp_path / "book").exists()
