"""`germstats new`: what it writes and what it says."""

from __future__ import annotations

from pathlib import Path

import pytest
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
    assert (
        result.output.index("trays:")
        < result.output.index("checks (")
        < result.output.index("germstats check")
    )


def test_a_book_in_the_way_is_kept(tmp_path: Path) -> None:
    (tmp_path / "trays.csv").write_text("tray\n")
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


def test_a_check_page_beside_the_blank_book(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["new", str(tmp_path / "book"), "--check-page"])
    assert result.exit_code == 0
    assert (
        (tmp_path / "book" / "check-page.html")
        .read_text(encoding="utf-8")
        .startswith("<!DOCTYPE html>")
    )
    assert (tmp_path / "book" / "trays.csv").exists()
    assert (
        f"The check page is {tmp_path / 'book' / 'check-page.html'}: trays are typed on it."
        in result.output
    )
    assert f"     germstats check {tmp_path / 'book'}\n" in result.output
    assert CliRunner().invoke(main, ["check", str(tmp_path / "book")]).exit_code == 0


def test_a_check_page_of_a_book_tells_how_its_rows_come_back(tmp_path: Path) -> None:
    book, page = tmp_path / "my book", tmp_path / "phone" / "page.html"
    CliRunner().invoke(main, ["new", str(book)])
    (book / "trays.csv").write_text(
        "tray,season,lot,sown_on,rows,columns,seeds_per_cell\n"
        "T-1,2025,L,2025-01-05,2,2,2\nT-2,2026,L,2026-01-05,2,2,2\nT-3,2026,L,2026-01-05,2,2,2\n"
    )
    words = ["new", "--check-page", "--for", str(book), "-o", str(page)]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0
    assert "2 trays of" in result.output
    assert f"     germstats new --check-page --for '{book}' -o {page} --force\n" in result.output
    assert f"germstats check '{book}'" in result.output
    assert "below the last row of the table of the same name" in " ".join(result.output.split())
    assert "T-2" in page.read_text(encoding="utf-8")
    assert "T-1" not in page.read_text(encoding="utf-8")
    assert CliRunner().invoke(main, words).exit_code == 2
    assert CliRunner().invoke(main, [*words, "--force", "--season", "2025"]).exit_code == 0
    assert "T-1" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "name a folder for the blank book"),
        (["--for", "book"], "go with --check-page"),
        (["book", "-o", "x.html"], "go with --check-page"),
        (["book", "--check-page", "--for", "book"], "leave DIR out"),
        (["--check-page", "--season", "2026"], "name the book with --for"),
        (["--check-page", "-o", "page.csv"], "Name a file ending in .html or .htm, not page.csv"),
        (["--check-page", "--for", "nothing"], "There is no folder or workbook called nothing"),
    ],
)
def test_words_that_do_not_go_together_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, ["new", *words])
    assert result.exit_code == (1 if "nothing" in words else 2)
    assert said in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_page_in_the_way_keeps_the_blank_book_from_being_written_in_part(tmp_path: Path) -> None:
    (tmp_path / "check-page.html").write_text("mine")
    result = CliRunner().invoke(main, ["new", str(tmp_path), "--check-page"])
    assert (result.exit_code, [path.name for path in tmp_path.iterdir()]) == (
        2,
        ["check-page.html"],
    )
    assert "is there already" in result.stderr


def test_a_blank_book_never_replaces_records_even_when_forced(tmp_path: Path) -> None:
    folder = tmp_path / "book"
    CliRunner().invoke(main, ["new", str(folder)])
    trays = folder / "trays.csv"
    trays.write_text(trays.read_text() + "T-1,2026,A-1,2025-12-01,6,12,2\n")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    for more in ([], ["--check-page"], ["--example"]):
        told = CliRunner().invoke(main, ["new", str(folder), "--force", *more])
        assert told.exit_code == 2
        assert "never replaces them" in told.stderr
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
