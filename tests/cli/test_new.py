"""`germstats new`: what it writes and what it says."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from germstats.cli.main import main
from germstats.records.tables import TABLES


def test_a_blank_book_and_what_to_do_next(tmp_path: Path) -> None:
    folder = tmp_path / "my records"
    result = CliRunner().invoke(main, ["new", str(folder)])
    assert result.exit_code == 0
    names = {f"{name}.csv" for name in TABLES} | {"datapackage.json", "record_book.xlsx"}
    assert {path.name for path in folder.iterdir()} == names
    assert all(name in result.output for name in names)
    # the line can be copied into a shell, blanks in the name and all
    assert f"germstats check '{folder}'" in result.output
    assert result.output.index("trays:") < result.output.index("checks (") < result.output.index("germstats check")


def test_a_book_in_the_way_is_kept(tmp_path: Path) -> None:
    (tmp_path / "trays.csv").write_text("tray\nT-1\n")
    result = CliRunner().invoke(main, ["new", str(tmp_path)])
    assert result.exit_code == 2
    assert "trays.csv is there already" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["trays.csv"]
    assert CliRunner().invoke(main, ["new", str(tmp_path), "--force"]).exit_code == 0
    assert (tmp_path / "trays.csv").read_text().startswith("tray,season,lot")


def test_a_blank_book_can_be_checked_at_once(tmp_path: Path) -> None:
    CliRunner().invoke(main, ["new", str(tmp_path / "book")])
    for place in (tmp_path / "book", tmp_path / "book" / "record_book.xlsx"):
        result = CliRunner().invoke(main, ["check", str(place)])
        assert result.exception is None or isinstance(result.exception, SystemExit)
        assert result.exit_code in (0, 1, 3)
        assert len(result.output.splitlines()) > 0
