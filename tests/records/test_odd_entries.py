"""Entries no grower means: seeds beyond counting, signs that are no text, texts no workbook holds,
endless lists.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from germstats.cli.main import main
from germstats.engine.fit import fit_emergence
from germstats.errors import UnreadableBookError
from germstats.records.book import RecordBook, read_book
from germstats.records.seeds import MOST_SEEDS, parse_seeds
from germstats.records.suggesting import shorten, some_of
from germstats.records.tables import Trays
from germstats.records.values import LONGEST_TEXT
from tests.questions.plan.plan_books import COUNTS, small_book, tray_tables

TRAYS = tray_tables(COUNTS)["trays"]
CELLS = "tray,cell,checked_on,emerged,seeds\nT-1,A1,2026-05-20,1,{}\nT-1,A2,2026-05-20,1,2\n"
LONG = "x" * (LONGEST_TEXT + 1)


def sown(folder: Path, seeds: str, **tables: str) -> RecordBook:
    """The small book with these seeds per cell in tray T-1."""
    trays = TRAYS.replace("T-1,2026,A-1,2025-12-10,6,6,2", f"T-1,2026,A-1,2025-12-10,6,6,{seeds}")
    return small_book(folder / "book", trays=trays, **tables)


def run(*words: object) -> Result:
    told = CliRunner().invoke(main, [str(word) for word in words])
    assert told.exception is None or isinstance(told.exception, SystemExit), told.exception
    return told


def asked(book: RecordBook, rule: str) -> list[tuple[str, str, str]]:
    """(severity, table, column) of the findings of a rule."""
    found = book.findings[book.findings["rule"] == rule]
    return list(found[["severity", "table", "column"]].itertuples(index=False, name=None))


@pytest.mark.parametrize(
    ("seeds", "many"),
    [
        (f"{MOST_SEEDS}", False),
        (f"{MOST_SEEDS + 1}", True),
        ("500", True),
        ("1-500", True),
        ("~200", True),
        ("9999", True),
        ("pinch", False),
        ("3", False),
    ],
)
def test_more_seeds_in_a_cell_than_anybody_counts_are_asked_about(
    tmp_path: Path, seeds: str, many: bool
) -> None:
    book = sown(tmp_path, seeds)
    assert asked(book, "many-seeds") == ([("ask", "trays", "seeds_per_cell")] if many else [])
    rate = book.trays[Trays.seeds_per_cell][0]
    assert rate is None if many else rate == parse_seeds(seeds)


def test_until_answered_such_a_tray_is_left_out_and_named(tmp_path: Path) -> None:
    book = sown(tmp_path, "500")
    assert fit_emergence(book).patterns.left_out == {"T-1": "seeds per cell not known"}
    for command in ("fit", "sow", "watch"):
        assert run(command, tmp_path / "book").exit_code == 0
    answers = "rule,table,key,column,value,answer\nmany-seeds,trays,T-1,seeds_per_cell,500,5\n"
    (tmp_path / "book" / "answers.csv").write_text(answers, encoding="utf-8")
    answered = read_book(tmp_path / "book")
    assert asked(answered, "many-seeds") == []
    assert answered.trays[Trays.seeds_per_cell][0] == parse_seeds("5")


@pytest.mark.parametrize("seeds", ["500", "123456"])
def test_a_cell_with_such_a_number_of_its_own_is_not_used(tmp_path: Path, seeds: str) -> None:
    book = sown(tmp_path, "2", cells=CELLS.format(seeds))
    assert asked(book, "many-seeds") == [("ask", "cells", "seeds")]
    assert book.tables["cells"]["cell"].tolist() == ["A2"]


@pytest.mark.parametrize("code", [0, 7, 27, 31])
def test_a_sign_that_is_no_text_is_told_with_its_line(tmp_path: Path, code: int) -> None:
    text = TRAYS.replace(
        "T-3,2026,A-1,2025-12-10,6,6,2,grit", f"T-3,2026,A-1,2025-12-10,6,6,2,gr{chr(code)}it"
    )
    (tmp_path / "book").mkdir()
    (tmp_path / "book" / "trays.csv").write_text(text, encoding="utf-8")
    for words in (("check", tmp_path / "book"), ("copy", tmp_path / "book", tmp_path / "c.xlsx")):
        told = run(*words)
        assert told.exit_code == 1
        assert (
            f"trays.csv line 4 holds a sign that nobody types (code {code}): delete it"
            in told.stderr
        )


def test_a_sign_that_is_no_text_in_a_workbook(tmp_path: Path) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(tmp_path / "own.xlsx") as workbook:
        sheet = workbook.add_worksheet("trays")
        for row, line in enumerate(
            TRAYS.replace("T-2,2026,A-1", "T-2,2026,A\x1b[31m-1").splitlines()
        ):
            for column, text in enumerate(line.split(",")):
                sheet.write_string(
                    row, column, text.replace("grit", "gr\x07it") if row == 1 else text
                )
    book = read_book(tmp_path / "own.xlsx")
    assert asked(book, "no-text") == [("ask", "trays", "cover")]
    assert (
        "sheet trays row 2, cover: a sign that nobody types (code 7) stands in it"
        in book.findings["message"].tolist()
    )
    assert not any("\x1b" in message for message in book.findings["message"])
    refused = run("copy", tmp_path / "own.xlsx", tmp_path / "copy")
    assert (
        refused.exit_code == 2
        and "could not be read back, so it was not written. trays.csv line 2" in refused.stderr
    )


def test_a_text_that_no_workbook_holds(tmp_path: Path) -> None:
    book = sown(
        tmp_path,
        "2",
        cells=CELLS.format("2").replace("seeds\n", "seeds,note\n").replace(",2\n", f",2,{LONG}\n"),
    )
    assert asked(book, "too-long") == [("ask", "cells", "note")] * 2
    said = book.findings.loc[book.findings["rule"] == "too-long", "message"].iloc[0]
    assert (
        said == "cells.csv row 2, note: 32,768 letters, more than a workbook cell can hold (32,767)"
    )
    refused = run("copy", tmp_path / "book", tmp_path / "c.xlsx")
    assert (
        refused.exit_code == 2
        and "cells row 2 holds a text longer than the 32,767 letters" in refused.stderr
    )
    assert run("copy", tmp_path / "book", tmp_path / "c").exit_code == 0


def test_a_quotation_mark_never_closed_is_told_as_such(tmp_path: Path) -> None:
    with pytest.raises(UnreadableBookError, match="look for a quotation mark that is never closed"):
        sown(
            tmp_path,
            "2",
            events="tray,on,event,cells,note\n" + f"T-1,2026-04-01,dried,,{'x' * 140_000}\n",
        )


@pytest.mark.parametrize("place", ["heading", "value", "id"])
def test_what_check_prints_stays_short_whatever_was_typed(tmp_path: Path, place: str) -> None:
    old, new = {
        "heading": ("cover", "c" * 20_000),
        "value": (",6,6,2,", f",{'6' * 20_000},6,2,"),
        "id": ("T-1,2026,A-1", f"T-1,2026,{'A' * 20_000}"),
    }[place]
    small_book(tmp_path / "book", trays=TRAYS.replace(old, new, 1))
    assert 0 < len(run("check", tmp_path / "book").stdout) < 6_000


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (0, ""),
        (1, "a0"),
        (3, "a0, a1, a2"),
        (4, "a0, a1, a2 and 1 more"),
        (44, "a0, a1, a2 and 41 more"),
    ],
)
def test_long_lists_are_cut_in_words(count: int, said: str) -> None:
    assert some_of([f"a{k}" for k in range(count)], 3) == said


def test_a_refusal_of_a_tray_of_many_lots_and_of_an_outside_cell_names_some(tmp_path: Path) -> None:
    cells = " ".join(f"Z{k}" for k in range(1, 60))
    many = "".join(f"T-9/L{k},2026,A-1,2025-12-10,6,6,2,grit\n" for k in range(60))
    book = small_book(
        tmp_path / "book",
        trays=TRAYS + many,
        maps=f"tray,seen_on,empty_cells\nT-1,2026-05-20,{cells}\n",
        checks="tray,checked_on,filled\nT-9,2026-05-20,3\n",
    )
    said = " ".join(book.findings["message"])
    assert "T-9/L11 and 48 more" in said and "Z12 and 47 more" in said


def test_a_text_is_cut_where_it_is_long() -> None:
    assert [shorten("x" * n, 6) for n in (5, 6, 7)] == ["xxxxx", "xxxxxx", "xxx..."]
