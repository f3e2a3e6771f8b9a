"""Names, places and days given on the command line: what cannot be is refused in a sentence, before
any work.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from germstats.cli import common
from germstats.cli.common import DAY, SHARE
from germstats.cli.main import main
from germstats.errors import WrongUseError
from germstats.records import writing
from germstats.records.formats.copying import copy_book
from germstats.records.writing import must_take_files, put_files
from tests.questions.plan.plan_books import small_book

LONG = "x" * 300  # file systems in use hold names of 255 bytes at most (Linux, NAME_MAX; memory)


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    small_book(tmp_path / "book")
    monkeypatch.chdir(tmp_path)
    return tmp_path / "book"


def run(*words: object) -> Result:
    told = CliRunner().invoke(main, [str(word) for word in words])
    assert told.exception is None or isinstance(told.exception, SystemExit), told.exception
    return told


@pytest.mark.parametrize("command", ["watch", "report"])
@pytest.mark.parametrize(
    "day", ["20260401", "2026-W14-3", "2026-4-1", "April 2026", "2026-02-30", "0001-01-01"]
)
def test_a_day_is_written_year_month_day(book: Path, command: str, day: str) -> None:
    told = run(command, "book", "--on", day)
    assert told.exit_code == 2
    assert (
        f"'{day}' is no day such as 2026-04-15: write year-month-day, with its hyphens"
        in " ".join(told.stderr.split())
    )


@pytest.mark.parametrize(
    "day",
    ["2026-04-15", "15/4/2026", "4/15/2026", "15.04.2026", "15 April 2026", "Apr 15, 2026"],
)
def test_a_day_that_can_only_be_read_one_way_is_understood(day: str) -> None:
    assert DAY.convert(day, None, None) == pd.Timestamp(2026, 4, 15)


def test_a_day_that_may_be_two_is_refused_with_both(book: Path) -> None:
    told = run("watch", "book", "--on", "5/4/2026")
    assert told.exit_code == 2
    said = " ".join(told.stderr.split())
    assert "5 April or 4 May: write 2026-04-05 or 2026-05-04" in said


@pytest.mark.parametrize(
    ("text", "share"), [("0.9", 0.9), ("90", 0.9), ("90%", 0.9), ("12.5", 0.125), ("5%", 0.05)]
)
def test_a_share_may_be_a_percentage(text: str, share: float) -> None:
    assert SHARE.convert(text, None, None) == pytest.approx(share, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "said"),
    [("2", "write 0.02 or 2%"), ("140", "write one such as 0.9 or 90%"), ("most", "write 0.9")],
)
def test_what_is_no_share_is_refused_with_the_right_form(book: Path, text: str, said: str) -> None:
    told = run("sow", "book", "--target", text)
    assert told.exit_code == 2 and said in " ".join(told.stderr.split())


def test_progress_is_for_those_who_wait(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "reading the records ..." in run("sow", "book").stderr
    assert "reading" not in run("sow", "book", "--quiet").stderr
    monkeypatch.setattr(common, "somebody_waits", lambda: False)
    assert run("sow", "book").stderr == ""


def test_what_only_an_analyst_sets_stands_apart_in_the_help() -> None:
    plain, _, advanced = run("compare", "--help").stdout.partition("Advanced:")
    for option in ("--tray-sd", "--season-sd", "--no-pooling", "--another-spring-sd"):
        assert option in advanced and option not in plain
    assert "--margin" in plain and "--quiet" in plain


@pytest.mark.parametrize("end", ["0731", "W31-5", "7-31", "02-30"])
def test_the_end_of_a_spring_is_written_month_day(book: Path, end: str) -> None:
    told = run("fit", "book", "--spring-ends", end)
    assert told.exit_code == 2 and "no month and day such as 07-31" in told.stderr


PLACES = [
    ("copy", "book", "{}"),
    ("report", "book", "-o", "{}"),
    ("report", "book", "--figures", "{}"),
    ("sheets", "book", "--kind", "checks", "-o", "{}"),
    ("sheets", "book", "--kind", "sowing", "--trays", "{}"),
    ("trial", "book", "--species", "AAAA", "--treatments", "grit,sand", "--plan", "{}"),
    ("new", "{}"),
    ("new", "--check-page", "-o", "{}"),
    ("demo", "{}"),
    ("check", "{}"),
]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("", "the name is empty"),
        (f"{LONG}.html", "choose another name"),
        (f"{LONG}/a.html", "choose another name"),
    ],
)
@pytest.mark.parametrize("words", PLACES, ids=" ".join)
def test_a_name_that_no_file_can_have(
    book: Path, words: tuple[str, ...], name: str, said: str
) -> None:
    told = run(*(word.format(name) for word in words))
    assert told.exit_code == 2 and said in " ".join(told.stderr.split())
    assert "reading the records" not in told.stderr
    assert [path.name for path in Path().iterdir()] == ["book"]


def test_the_package_itself_refuses_such_names(book: Path) -> None:
    with pytest.raises(WrongUseError, match="its name is empty"):
        copy_book("book", "")
    for name in (f"{LONG}.xlsx", LONG):
        with pytest.raises(WrongUseError, match="cannot be written"):
            copy_book("book", name)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("report", "book", "-o", "file/page.html"), "file is no folder"),
        (("report", "book", "-o", "folder.html"), "folder.html is a folder"),
        (("report", "book", "--figures", "file"), "file is no folder"),
        (("report", "book", "--figures", "file/figures"), "file is no folder"),
        (("sheets", "book", "--kind", "sowing", "-o", "file/missing/s.html"), "file is no folder"),
        (
            ("sheets", "book", "--kind", "sowing", "-o", "s.html", "--trays", "file/t.csv"),
            "file is no folder",
        ),
        (
            (
                "trial",
                "book",
                "--species",
                "AAAA",
                "--treatments",
                "grit,sand",
                "--plan",
                "file/p.csv",
            ),
            "file is no folder",
        ),
        (
            (
                "trial",
                "book",
                "--species",
                "AAAA",
                "--treatments",
                "grit,sand",
                "--plan",
                "folder.html",
            ),
            "Name a file ending in .csv",
        ),
        (("new", "--check-page", "-o", "file/page.html"), "file is no folder"),
    ],
)
def test_a_place_that_takes_no_file_is_told_before_the_work(
    book: Path, words: tuple[str, ...], said: str
) -> None:
    Path("file").write_text("mine", encoding="utf-8")
    Path("folder.html").mkdir()
    told = run(*words)
    assert told.exit_code == 2 and said in told.stderr
    assert "reading the records" not in told.stderr and ".part" not in told.stderr
    assert sorted(path.name for path in Path().iterdir()) == ["book", "file", "folder.html"]


def test_a_folder_that_may_not_be_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []
    monkeypatch.setattr(os, "access", lambda place, mode: bool(asked.append((place, mode))))
    with pytest.raises(
        WrongUseError,
        match=r"missing cannot be written: nothing may be written in .*; choose another",
    ):
        must_take_files(tmp_path / "missing")
    # the folder that is there, of which the missing one would be made
    assert asked == [(tmp_path, os.W_OK | os.X_OK)]


def test_a_failure_while_writing_names_the_file_that_was_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full_disk(part: Path, content: bytes) -> None:
        raise OSError(28, "No space left on device", str(part))

    monkeypatch.setattr(writing, "_write_through", full_disk)
    with pytest.raises(WrongUseError) as told:
        put_files({tmp_path / "page.html": b"x"}, force=False)
    assert str(told.value) == (
        f"{tmp_path / 'page.html'} cannot be written: No space left on device; choose another place"
    )


def test_the_longest_name_a_disk_bears_can_be_written(tmp_path: Path) -> None:
    place = tmp_path / ("x" * 250 + ".html")
    put_files({place: b"x"}, force=False)
    assert [path.name for path in tmp_path.iterdir()] == [place.name]


def test_a_script_without_a_guard_writes_its_page(book: Path) -> None:
    """Each process the page's work is shared among imports the script anew, and must not begin it
    again.
    """
    Path("script.py").write_text(
        "from germstats.cli.main import main\nmain(['report', 'book', '--no-backtest', '-o', "
        "'page.html'])\n"
    )
    told = subprocess.run(
        [sys.executable, "script.py"], capture_output=True, text=True, timeout=280, check=False
    )
    assert told.returncode == 0, told.stderr
    assert (
        told.stdout.count("The season's page is in page.html") == 1
        and "Traceback" not in told.stderr
    )
    assert Path("page.html").exists()
