"""`germstats sheets`: pages, rows for the table trays, and wishes that cannot be granted."""

from __future__ import annotations

import csv
import json
import os

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from germstats.cli.plan import plan
from germstats.cli.sheets import sheets
from germstats.records.book import read_book
from germstats.records.tables import TABLES
from tests.questions.plan.plan_books import ORDER_HEAD, small_book


def run(*words):
    return CliRunner().invoke(main, ["sheets", *map(str, words)])


@pytest.fixture
def book(tmp_path):
    small_book(tmp_path / "book")
    return tmp_path / "book"


def test_each_kind_writes_its_page_where_one_stands(book, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for kind in ("sowing", "checks", "labels"):
        told = run(book, "--kind", kind)
        assert told.exit_code == 0, told.output
        page = (tmp_path / f"{kind}-sheet.html").read_text(encoding="utf-8")
        assert page.startswith("<!DOCTYPE html>")
        assert f"The {kind} sheet is in {kind}-sheet.html: " in told.stdout
        assert told.stdout.splitlines()[-1].startswith("Next: ")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "book",
        "checks-sheet.html",
        "labels-sheet.html",
        "sowing-sheet.html",
    ]


def test_planned_rows_go_through_check_once_the_day_is_written(book, tmp_path):
    told = run(book, "--kind", "sowing", "-o", tmp_path / "s.html", "--trays", tmp_path / "new.csv")
    assert told.exit_code == 0, told.output
    rows = list(csv.DictReader((tmp_path / "new.csv").read_text(encoding="utf-8").splitlines()))
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    assert rows and all(row["tray"] in page and row["sown_on"] == "" for row in rows)
    before = read_book(book)
    columns = [column.name for column in TABLES["trays"].columns]

    def with_rows(day):
        old = list(csv.DictReader((book / "trays.csv").read_text(encoding="utf-8").splitlines()))
        old = [row for row in old if row["tray"] not in {new["tray"] for new in rows}]
        with (book / "trays.csv").open("w", encoding="utf-8", newline="") as stream:
            writer = csv.DictWriter(stream, columns, lineterminator="\n")
            writer.writeheader()
            writer.writerows([*old, *(row | {"sown_on": day} for row in rows)])
        return read_book(book)

    blank = with_rows("")
    asked = blank.findings[
        blank.findings["table"].eq("trays") & blank.findings["column"].eq("sown_on")
    ]
    assert set(asked["severity"]) == {"ask"} and len(asked) == len(rows)
    filled = with_rows("2026-12-10")
    new = filled.findings[~filled.findings["message"].isin(before.findings["message"])]
    # trays not looked at yet, which is true
    assert set(new["severity"]) <= {"watch"}, new["message"].tolist()
    read = filled.tables["trays"].set_index("tray")
    assert [read.at[row["tray"], "lot"] for row in rows] == [row["lot"] for row in rows]
    again = run(book, "--kind", "labels", "--season", "2027", "-o", tmp_path / "l.html")
    assert again.exit_code == 0 and f": {len(rows)} trays." in again.stdout
    for words in (["--kind", "labels", "--next"], ["--kind", "sowing", "--season", "2027"]):
        more = run(book, *words, "-o", tmp_path / "n.html")
        assert more.exit_code == 3 and not (tmp_path / "n.html").exists()
        assert (
            f"spring 2027, {len(rows)} in all, is in the book as sown: nothing is left to sow"
            in more.stderr
        )


@pytest.mark.parametrize("ahead", [False, True], ids=["rows as sown", "all rows ahead"])
def test_of_a_plan_half_sown_the_rest_is_printed_under_its_first_names(book, tmp_path, ahead):
    run(book, "--kind", "sowing", "-o", tmp_path / "s.html", "--trays", tmp_path / "new.csv")
    rows = list(csv.DictReader((tmp_path / "new.csv").read_text(encoding="utf-8").splitlines()))
    assert len(rows) > 1
    sown, left = rows[:1], rows[1:]
    old = list(csv.DictReader((book / "trays.csv").read_text(encoding="utf-8").splitlines()))
    with (book / "trays.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(
            stream, [column.name for column in TABLES["trays"].columns], lineterminator="\n"
        )
        writer.writeheader()
        writer.writerows(
            [*old, *(row | {"sown_on": "2026-11-02"} for row in sown), *(left if ahead else [])]
        )
    told = run(
        book, "--kind", "sowing", "-o", tmp_path / "n.html", "--trays", tmp_path / "more.csv"
    )
    assert told.exit_code == 0, told.output
    count = f"{len(left)} {'tray' if len(left) == 1 else 'trays'}"
    assert f": {count}, and not 1 more, which the book holds as sown." in told.stdout
    page = (tmp_path / "n.html").read_text(encoding="utf-8")
    assert "in the book as sown, and not printed here: 1." in page and sown[0]["tray"] not in page
    assert all(row["tray"] in page for row in left)
    if ahead:
        assert "more.csv was not written" in told.stdout and not (tmp_path / "more.csv").exists()
    else:
        assert (
            list(csv.DictReader((tmp_path / "more.csv").read_text(encoding="utf-8").splitlines()))
            == left
        )
    planned = CliRunner().invoke(plan, [str(book)])
    assert (
        "Trays for spring 2027" in planned.stdout
        and "Already in the book as sown: 1 of these trays" in planned.stdout
    )


def test_paper_and_plan_say_what_their_days_are_and_what_to_write_of_the_seed(book, tmp_path):
    run(book, "--kind", "sowing", "-o", tmp_path / "s.html")
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    told = " ".join(CliRunner().invoke(plan, [str(book)]).stdout.split())
    assert "is the usual day of past sowings, which germstats plan calls" in page
    assert (
        "'sow about' is the usual day of past sowings. The sheet (germstats sheets --kind sowing) "
        "says 'sow by'" in told
    )
    for text in (page, told):
        assert "column seeds_left where that is filled (it goes first), else grams_left" in text
    assert (
        "A-2 (seed left not written down). To mend it, weigh the packet and write grams_left, and"
        in told
    )


def test_a_slip_in_a_planned_name_is_noticed_by_check(book, tmp_path):
    run(book, "--kind", "sowing", "-o", tmp_path / "s.html", "--trays", tmp_path / "new.csv")
    new = (
        (tmp_path / "new.csv")
        .read_text(encoding="utf-8")
        .replace(",2027,A-1,,", ",2027,A-1,2026-12-10,")
    )
    (book / "trays.csv").write_text(new, encoding="utf-8")
    names = [row["tray"] for row in csv.DictReader(new.splitlines())]
    for slip in (names[0][:-2] + names[0][-1] + names[0][-2], names[0].replace("2", "3", 1)):
        (book / "checks.csv").write_text(
            f"tray,checked_on,filled\n{slip},2027-04-01,3\n", encoding="utf-8"
        )
        found = read_book(book).findings
        assert found[found["rule"] == "unknown-id"]["severity"].tolist() == ["stop"]


def test_labels_of_the_plan_bear_its_names(book, tmp_path):
    told = run(
        book,
        "--kind",
        "labels",
        "--next",
        "-o",
        tmp_path / "l.html",
        "--trays",
        tmp_path / "new.csv",
    )
    assert told.exit_code == 0, told.output
    rows = list(csv.DictReader((tmp_path / "new.csv").read_text(encoding="utf-8").splitlines()))
    page = (tmp_path / "l.html").read_text(encoding="utf-8")
    assert page.count('class="label"') == len(rows) and all(row["tray"] in page for row in rows)


def test_a_book_without_orders_gets_the_advice_but_no_rows(book, tmp_path):
    (book / "orders.csv").write_text(ORDER_HEAD, encoding="utf-8")
    told = run(book, "--kind", "sowing", "-o", tmp_path / "s.html")
    assert (
        told.exit_code == 0
        and "2 lines, for seed of which no order tells how many trays" in told.stdout
    )
    for words in (
        ["--kind", "sowing", "--trays", tmp_path / "new.csv"],
        ["--kind", "labels", "--next"],
    ):
        refused = run(book, *words, "-o", tmp_path / "other.html")
        assert refused.exit_code == 3 and "No order can be planned" in refused.stderr
    assert not (tmp_path / "other.html").exists() and not (tmp_path / "new.csv").exists()


def test_settings_are_those_of_the_plan():
    own = {option.name for option in sheets.params}
    assert {option.name for option in plan.params} - {"as_json"} <= own
    assert len([option.name for option in sheets.params]) == len(own)


def test_paper_and_plan_agree_under_the_same_settings(book, tmp_path):
    asked = ["--assurance", "0.95", "--losses", "0.3", "--lot", "A-2"]
    told = CliRunner().invoke(plan, [str(book), *asked, "--json"])
    trays = sum(s["trays"] for row in json.loads(told.stdout)["rows"] for s in row["sowings"])
    made = run(book, "--kind", "sowing", "-o", tmp_path / "s.html", *asked)
    assert f": {trays} trays." in made.stdout
    assert "A-2" in (tmp_path / "s.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--kind", "posters"], 2, "'posters' is not one of 'sowing', 'checks', 'labels'"),
        ([], 2, "Missing option '--kind'"),
        (
            ["--kind", "checks", "--season", "2031"],
            2,
            "No tray is of season 2031; the seasons are 2026",
        ),
        (["--kind", "checks", "--lot", "B-2"], 2, "No lot is called B-2; did you mean"),
        (["--kind", "labels", "--season", "2031"], 2, "No tray is of season 2031"),
        (["--kind", "checks", "--next"], 2, "--next goes with --kind labels"),
        (["--kind", "checks", "--trays", "x.csv"], 2, "--trays writes trays to be sown"),
        (["--kind", "checks", "-o", "x.pdf"], 2, "Name a file ending in .html"),
        (["--kind", "sowing", "--trays", "x.html"], 2, "Name a file ending in .csv"),
        (["--kind", "sowing", "--assurance", "0.3"], 2, "chance from .5 to .99"),
        (["--kind", "sowing", "--lot", "B-2"], 2, "No lot is called B-2"),
    ],
)
def test_wishes_that_cannot_be_granted_end_in_a_sentence(
    book, tmp_path, monkeypatch, words, code, said
):
    monkeypatch.chdir(tmp_path)
    told = run(book, *words)
    assert told.exit_code == code and said in told.stderr
    assert "Traceback" not in told.output
    assert [path.name for path in tmp_path.iterdir()] == ["book"]


def test_an_empty_book_and_none_at_all(tmp_path):
    small_book(
        tmp_path / "book",
        trays="tray,season,lot,sown_on,rows,columns,seeds_per_cell\n",
        checks="tray,checked_on,filled\n",
    )
    for kind in ("sowing", "checks", "labels"):
        told = run(tmp_path / "book", "--kind", kind, "-o", tmp_path / "s.html")
        assert told.exit_code == 3, told.output
        assert "Traceback" not in told.output and not (tmp_path / "s.html").exists()
        assert run(tmp_path / "nowhere", "--kind", kind, "-o", tmp_path / "s.html").exit_code == 1


def test_a_file_in_the_way_is_kept_unless_told(book, tmp_path):
    page, rows = tmp_path / "s.html", tmp_path / "new.csv"
    page.write_text("mine", encoding="utf-8")
    told = run(book, "--kind", "checks", "-o", page)
    assert (
        told.exit_code == 2
        and "is there already" in told.stderr
        and page.read_text(encoding="utf-8") == "mine"
    )
    rows.write_text("mine", encoding="utf-8")
    told = run(book, "--kind", "sowing", "-o", tmp_path / "t.html", "--trays", rows)
    assert (
        told.exit_code == 2
        and rows.read_text(encoding="utf-8") == "mine"
        and not (tmp_path / "t.html").exists()
    )
    assert run(book, "--kind", "checks", "-o", page, "--force").exit_code == 0
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


@pytest.mark.parametrize("place", ["book/trays.csv/s.html", "folder.html"])
def test_places_that_cannot_be_written(book, tmp_path, place):
    (tmp_path / "folder.html").mkdir()
    told = run(book, "--kind", "checks", "-o", tmp_path / place)
    assert told.exit_code == 2 and "Traceback" not in told.output
    assert "cannot be written" in told.stderr or "is a folder" in told.stderr


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write everywhere"
)
def test_a_locked_folder(book, tmp_path):
    (tmp_path / "locked").mkdir(mode=0o500)
    told = run(book, "--kind", "checks", "-o", tmp_path / "locked" / "s.html")
    assert told.exit_code == 2 and "cannot be written" in told.stderr
