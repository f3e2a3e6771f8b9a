"""`germstats report`: where it writes, what it refuses before any work begins, what it says."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from germstats.errors import WrongUseError
from germstats.page import workers
from germstats.records.formats.workbook import write_book
from tests.page_books import small_tables


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    folder = tmp_path_factory.mktemp("book") / "book"
    write_book(small_tables(), folder)
    return folder


def run(*words):
    return CliRunner().invoke(main, ["report", *map(str, words)])


def test_writes_the_page_and_the_figures_and_says_where(book, tmp_path):
    page, figures = tmp_path / "new" / "page.html", tmp_path / "figures"
    told = run(book, "-o", page, "--figures", figures, "--no-backtest", "--on", "2026-04-15")
    assert told.exit_code == 0, told.output
    assert str(page) in told.output and str(figures) in told.output
    assert "Next:" in told.output
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    names = sorted(one.name for one in figures.iterdir())
    assert len(names) >= 20 and {one.rsplit(".")[-1] for one in names} == {"svg", "png"}
    assert (figures / next(one for one in names if one.endswith("png"))).read_bytes()[
        :4
    ] == b"\x89PNG"
    again = run(book, "-o", page)
    assert again.exit_code == 2 and "is there already" in again.output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("-o", "page.pdf"), "Name a file ending in .html"),
        (("-o", "."), "Name a file ending in"),
        (("--on", "soon"), "is no day such as 2026-04-15"),
        (("--target", "0"), "The target is a share"),
        (("--target", "2"), "write 0.02 or 2%"),
        (("--assurance", "1"), "The assurance is a chance"),
        (("--assurance", ".9999"), "at most 0.99"),
        (("--season-sd", "nan"), "is no scatter"),
        (("--tray-sd", "nan"), "is no scatter"),
        (("--order-assurance", "0.2"), "The assurance of an order"),
    ],
)
def test_refuses_before_the_work_begins(tmp_path, words, said):
    told = run(tmp_path / "no book", *words)
    assert told.exit_code == 2
    assert said in told.output
    assert "reading" not in told.output


def test_no_book_is_one_sentence(tmp_path):
    told = run(tmp_path / "no book", "-o", tmp_path / "page.html")
    assert told.exit_code == 1
    assert not (tmp_path / "page.html").exists()


def test_a_day_without_trays_is_refused(book, tmp_path):
    told = run(book, "-o", tmp_path / "page.html", "--on", "1999-04-15", "--no-backtest")
    assert told.exit_code == 2
    assert "no tray" in told.output


@pytest.mark.parametrize(("cores", "beside"), [(1, 0), (4, 3)])
def test_begins_a_process_for_every_further_core_it_may_use(
    book, tmp_path, monkeypatch, cores, beside
):
    begun = []

    def shared(workers):
        begun.append(workers)
        raise WrongUseError("far enough")

    monkeypatch.setattr(workers, "usable_cores", lambda: cores)
    monkeypatch.setattr(workers, "shared", shared)
    assert "far enough" in run(book, "-o", tmp_path / "page.html").output
    assert begun == [beside]
