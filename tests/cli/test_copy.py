"""`germstats copy`: what it writes, what it says, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import click
import openpyxl
import pytest
from click.testing import CliRunner, Result

from germstats.cli.copy import copy
from germstats.errors import GermstatsError, UnreadableBookError, WrongUseError
from germstats.records.formats import copying
from germstats.records.formats.reading import read_sheets
from germstats.records.formats.workbook import blank_book

TRAYS = (
    'tray,season,lot,sown_on,rows,columns,seeds_per_cell,note\n007,2025,L,2024-12-03,6,12,2-3,"\'=1+1"\n'
    "\n008,2025,L,2024-12-03,6,12,~3,\n"
)
CHECKS = "tray,checked_on,filled\n007,04/05/2025,0\n"


def book(folder: Path, **more: str) -> Path:
    """A folder with two trays, the second after a blank line, and a date that can be read
    two ways.
    """
    place = folder / "my book"
    place.mkdir()
    for name, text in {"trays": TRAYS, "checks": CHECKS, **more}.items():
        (place / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
    package = {"resources": [], "germstats": {"dates": "day-first"}}
    (place / "datapackage.json").write_text(json.dumps(package), encoding="utf-8")
    return place


def run(*words: object) -> Result:
    return CliRunner().invoke(copy, [str(word) for word in words])


def error(*words: object) -> GermstatsError:
    """The error a call ends with; the group turns it into a sentence and an exit code."""
    result = run(*words)
    assert isinstance(result.exception, GermstatsError), result.output
    return result.exception


def test_there_and_back_gives_the_same_records(tmp_path: Path) -> None:
    place = book(tmp_path)
    assert run(place, tmp_path / "copy.xlsx").exit_code == 0
    assert run(tmp_path / "copy.xlsx", tmp_path / "back").exit_code == 0
    assert read_sheets(tmp_path / "back") == read_sheets(place).__class__(
        "back", read_sheets(place).tables, "day-first", ()
    )
    assert (tmp_path / "back" / "checks.csv").read_text() == CHECKS
    package = json.loads((tmp_path / "back" / "datapackage.json").read_text())
    assert package["germstats"] == {"dates": "day-first"}


def test_it_says_what_was_written_and_what_to_do_next(tmp_path: Path) -> None:
    place = book(tmp_path, prices="a,b\n1,2\n")
    result = run(place, tmp_path / "copy.xlsx")
    lines = result.output.splitlines()
    assert lines[0] == f"{place} was copied to {tmp_path / 'copy.xlsx'}, a workbook:"
    assert lines[1:3] == ["  trays         2 rows", "  checks        1 row"]
    assert "The copy was read back and compared: no value was changed or dropped." in lines
    assert "It remembers that dates such as 04/05/2024 are read day-first." in lines
    assert "Left behind, since no table of a record book is called so: prices.csv." in lines
    assert lines[-1] == f"  germstats check {tmp_path / 'copy.xlsx'}"
    result = run(tmp_path / "copy.xlsx", tmp_path / "a back")
    assert ", a folder of 2 CSV files, with datapackage.json:" in result.output.splitlines()[0]
    # the explanations are no records, and are written anew
    assert "Left behind" not in result.output
    assert result.output.endswith(f"  germstats check '{tmp_path / 'a back'}'\n")


def test_nothing_is_overwritten_without_force(tmp_path: Path) -> None:
    place = book(tmp_path)
    out = tmp_path / "copy.xlsx"
    out.write_bytes(b"mine")
    refused = error(place, out)
    assert (type(refused), refused.exit_code) == (WrongUseError, 2)
    assert (
        str(refused)
        == f"{out} is there already; choose another place, or overwrite it with --force"
    )
    assert out.read_bytes() == b"mine"
    assert run(place, out, "--force").exit_code == 0
    assert openpyxl.load_workbook(out).sheetnames == ["explanations", "trays", "checks"]


def test_a_copy_is_not_mixed_with_another_book(tmp_path: Path) -> None:
    place = book(tmp_path)
    blank_book(tmp_path / "blank")
    before = {path: path.read_bytes() for path in (tmp_path / "blank").iterdir()}
    assert "is there already" in str(error(place, tmp_path / "blank"))
    assert "belongs to another book" in str(error(place, tmp_path / "blank", "--force"))
    assert {path: path.read_bytes() for path in (tmp_path / "blank").iterdir()} == before


@pytest.mark.parametrize("options", [[], ["--force"]])
def test_the_book_itself_is_no_place_for_its_copy(tmp_path: Path, options: list[str]) -> None:
    place = book(tmp_path)
    before = {path: path.read_bytes() for path in place.iterdir()}
    assert "is the book itself; name another place" in str(
        error(place, place / ".." / "my book", *options)
    )
    run(place, tmp_path / "copy.xlsx")
    (tmp_path / "link.xlsx").symlink_to(tmp_path / "copy.xlsx")
    assert "is the book itself" in str(
        error(tmp_path / "copy.xlsx", tmp_path / "link.xlsx", *options)
    )
    assert {path: path.read_bytes() for path in place.iterdir()} == before


def test_what_is_no_book_is_refused(tmp_path: Path) -> None:
    missing = error(tmp_path / "nowhere", tmp_path / "copy.xlsx")
    assert (type(missing), missing.exit_code) == (UnreadableBookError, 1)
    assert "There is no folder or workbook called" in str(missing)
    (tmp_path / "plain.xlsx").write_text("tray\nT-1\n")
    assert "is a text file under another name" in str(
        error(tmp_path / "plain.xlsx", tmp_path / "copy")
    )
    (tmp_path / "empty").mkdir()
    assert "holds no CSV file" in str(error(tmp_path / "empty", tmp_path / "copy"))
    assert not (tmp_path / "copy").exists()
    assert not (tmp_path / "copy.xlsx").exists()


@pytest.mark.parametrize("name", ["copy.csv", "copy.xls", "copy.ods"])
def test_another_kind_of_file_is_refused_by_its_own_name(tmp_path: Path, name: str) -> None:
    out = tmp_path / name
    assert str(error(book(tmp_path), out)).startswith(
        f"{out} would be a {out.suffix} file; name a folder"
    )


def test_a_place_that_cannot_be_written_to_is_named(tmp_path: Path) -> None:
    place = book(tmp_path)
    (tmp_path / "file").write_text("mine")
    for name in ("copy", "copy.xlsx"):
        refused = error(place, tmp_path / "file" / name)
        assert f"{tmp_path / 'file'}" in str(refused)
        assert "cannot be written" in str(refused)
    assert (tmp_path / "file").read_text() == "mine"


def test_what_a_form_cannot_hold_is_refused_not_mended(tmp_path: Path) -> None:
    place = book(tmp_path, maps="tray,seen_on,empty_cells\n007,2025-05-30,A1\ufffe\n")
    refused = error(place, tmp_path / "copy.xlsx")
    assert (
        "could not hold maps.csv row 2 just as it stands; copy to a folder of CSV files instead"
        in str(refused)
    )
    assert not (tmp_path / "copy.xlsx").exists()
    assert run(place, tmp_path / "copy").exit_code == 0


@pytest.mark.parametrize(
    ("loss", "named"),
    [
        ("heading", "the headings of trays.csv"),
        ("row", "trays.csv row 4"),
        ("settings", "the settings of the book"),
    ],
)
def test_a_copy_that_differs_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, loss: str, named: str
) -> None:
    """The comparison itself: a writer that loses something is caught, and nothing is put in
    place.
    """
    honest = copying.book_files

    def lossy(
        tables: dict[str, list[list[str]]], where: Path, settings: dict[str, str]
    ) -> dict[Path, bytes]:
        if loss == "heading":
            tables["trays"][0][1] = "Season"
        elif loss == "row":
            tables["trays"][3][-2] = "3"
        else:
            settings = {}
        return honest(tables, where, settings)

    monkeypatch.setattr(copying, "book_files", lossy)
    assert f"could not hold {named} just as it stands" in str(
        error(book(tmp_path), tmp_path / "copy.xlsx")
    )
    assert not (tmp_path / "copy.xlsx").exists()


def test_formulas_that_were_never_worked_out_are_counted(tmp_path: Path) -> None:
    sheets = openpyxl.Workbook()
    sheets.active.title = "trays"
    for line in (["tray", "rows"], ["T-1", "=2*3"]):
        sheets.active.append(line)
    sheets.save(tmp_path / "own.xlsx")
    result = run(tmp_path / "own.xlsx", tmp_path / "copy")
    assert "1 formula reads as 0 or as nothing" in result.output
    assert (tmp_path / "copy" / "trays.csv").read_text() == "tray,rows\nT-1,\n"


def test_it_is_a_command() -> None:
    assert isinstance(copy, click.Command)
    assert "BOOK OUT" in run("--help").output
