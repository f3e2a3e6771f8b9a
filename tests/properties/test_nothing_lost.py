"""Whatever is typed into a book, each row and each value is used, merged, or named in a finding."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from germstats.records.book import RecordBook, read_book
from germstats.records.checking.parsing import parse
from germstats.records.formats.workbook import write_rows
from germstats.records.seeds import SowingRate
from germstats.records.tables import TABLES

Tables = dict[str, list[list[str]]]

FILLED: dict[str, tuple[str, ...]] = {
    "species": (
        "MOFI|Monarda fistulosa|wild bergamot|either|no|4|2200|none known",
        "GETR|Geum triflorum|prairie smoke|dark|yes|6|1000|dust",
    ),
    "lots": (
        "MOFI-24A|MOFI|2024-09-02|hill|2300|97.5|4 7 2|50|46|40|31|88 91 "
        "84|2024-11-02|12.5|900|3.5|first lot",
        "GETR-23A|GETR|2023-08-02|bank|980|90|4 6 2|20|16|30|21|58 61 "
        "64|2023-11-02|2.5|800|4.5|other lot",
    ),
    "trays": (
        "T-1|2025|MOFI-24A|2024-12-03|2|3|3|0.5|grit|3|scarified|bench 1|b1|tr|1|2|1|first tray",
        "T-2|2025|GETR-23A|2024-12-04|2|3|2-3|0.6|none|0|soaked|bench 2|b2|tr|0|2|3|second tray",
        "T-3|2025|MOFI-24A|2024-12-05|2|3|pinch|0.7|sand|2|soaked|bench 2|b2|tr|5|6|7|third tray",
    ),
    "checks": (
        "T-2|2025-04-13|1|1|me|cold",
        "T-2|2025-04-20|3|4|me|rain",
        "T-2|2025-05-18|5|8|me|sun",
        "T-3|2025-05-18|5|8|you|mild",
    ),
    "cells": tuple(
        f"T-1|{cell}|{day}|{seen if cell != 'B3' else ''}|"
        f"{'' if cell != 'B3' else min(seen, 1)}|3|{seen}|me|looked"
        for day, seen in (("2025-04-20", 0), ("2025-05-04", 1), ("2025-05-18", 2))
        for cell in ("A1", "A2", "B3")
    ),
    "events": ("T-1|2025-05-20|thinned|A1 A2|to one", "T-2|2025-06-10|sold||to a client"),
    "maps": ("T-2|2025-05-30|A1", "T-3|2025-05-30|A1 B2"),
    "orders": ("Q-1|MOFI|40|2025-09-01|ann|2.5|1|1|3", "Q-2|GETR|30|2025-09-02|bob|3.5|2|2|0"),
    "weather": ("2025-01-05|-7.5|1||", "2025-01-06|||20|40"),
    "answers": ("dash|checks|T-9/2025-01-01|filled|-|0",),
}
"""A row or more of every table, with every column filled somewhere."""

TYPED = (
    "",
    " ",
    "O",
    "0",
    "l",
    "1",
    "garbage",
    "3 seeds",
    "mice ate?",
    "-",
    "\u2014",
    "1e9",
    "-5",
    "99999999999",
    "1,5",
    "1,200",
    "3.0",
    "3.5",
    "nan",
    "NaN",
    "None",
    "NA",
    "NULL",
    "inf",
    "TRUE",
    "yes",
    "No",
    "2025-04-05",
    "05/04/2025",
    "13/04/2025",
    "2025-13-01",
    "4 May 2025",
    "45000",
    "20250405",
    "2025.04.21",
    "2-3",
    "~3",
    "3+",
    "pinch",
    "500",
    "A1",
    "b2",
    "Z99",
    "A1 A1",
    "A1-A3",
    "a1, b2",
    "x" * 500,
    "x" * 40_000,
    " T-1 ",
    "t-1",
    "T-l",
    "T-2",
    "T-9",
    "MOFI",
    "mofi",
    "M0FI",
    "MOFI-24A",
    "GETR",
    "GETR-23A",
    "thinned",
    "Damping off",
    "sold",
    "grit",
    "Grit ",
    "sand",
    "buried",
    "'=x",
    "=1+1",
    "#REF!",
    "50 %",
    "1 2 3",
    "101 2",
    "\u00a03",
    "\uff11\uff12",
    "\u00b2",
    "2024-12-03",
    "2024-12-01",
    "2025-04-20",
    "2025-05-18",
    "2025-08-15",
    "2026-05-01",
    "2-Mar",
    "needs",
    "dark",
)
"""What stands in grower's sheets by mistake, and right values in wrong places."""


def filled_book() -> Tables:
    """The book as lines of text, the headings first."""
    heads = {name: [column.name for column in table.columns] for name, table in TABLES.items()}
    return {name: [heads[name], *(row.split("|") for row in rows)] for name, rows in FILLED.items()}


def edited(draw: np.random.Generator, sheets: bool) -> Tables:
    """The book with random edits in its tables."""
    tables = filled_book()
    # more than a cell can hold
    typed = [text for text in TYPED if len(text) < 30_000] if sheets else list(TYPED)
    for lines in tables.values():
        for often, edit in EDITS:
            if draw.random() < often:
                edit(draw, lines, typed)
    return tables


def _values(draw: np.random.Generator, lines: list[list[str]], typed: list[str]) -> None:
    for _ in range(draw.integers(1, 3)):
        row, column = draw.integers(1, len(lines)), draw.integers(len(lines[0]))
        lines[row][column] = str(draw.choice(typed))


def _row_typed_twice(draw: np.random.Generator, lines: list[list[str]], typed: list[str]) -> None:
    again = list(lines[draw.integers(1, len(lines))])
    if draw.random() < 0.7:
        again[draw.integers(len(again))] = str(draw.choice(typed))
    lines.append(again)


def _columns_moved(draw: np.random.Generator, lines: list[list[str]], typed: list[str]) -> None:
    order = draw.permutation(len(lines[0]))
    lines[:] = [[line[k] for k in order] for line in lines]


def _heading(draw: np.random.Generator, lines: list[list[str]], typed: list[str]) -> None:
    """Misspelt, in another form, as another column's, or gone."""
    head = int(draw.integers(len(lines[0])))
    forms = (lines[0][head] + "x", lines[0][head].upper().replace("_", " "), lines[0][head - 1], "")
    lines[0][head] = str(draw.choice(forms))


def _own_column(draw: np.random.Generator, lines: list[list[str]], typed: list[str]) -> None:
    for line, text in zip(lines, ("my own", *draw.choice(typed, len(lines) - 1)), strict=True):
        line.append(str(text))


def _comma_too_many(draw: np.random.Generator, lines: list[list[str]], typed: list[str]) -> None:
    lines[draw.integers(1, len(lines))].append("beyond")


EDITS = (
    (0.8, _values),
    (0.15, _row_typed_twice),
    (0.2, _columns_moved),
    (0.1, _heading),
    (0.1, _own_column),
    (0.1, _comma_too_many),
)
"""How often each edit falls on a table."""


def lost(book: RecordBook, tables: Tables) -> Iterator[tuple[str, int, str, str]]:
    """Values that are neither in the clean tables nor named: (table, row, heading, text)."""
    for name, (heads, *lines) in tables.items():
        findings = book.findings[book.findings["table"] == name]
        whole = " ".join(findings.loc[findings["row"].isna(), "message"])
        clean = book.tables[name].set_index("row")
        for number, line in enumerate(lines, start=2):
            own = findings[findings["row"] == number]
            also = findings[findings["message"].str.contains(rf"so in rows? (?:\d+, )*{number}\b")]
            if number not in clean.index:
                # set aside or merged as a whole: some finding names the row, or the column that all
                # rows lack
                if (
                    any(map(str.strip, line))
                    and own.empty
                    and also.empty
                    and "none of its rows" not in whole
                ):
                    yield name, number, "", "|".join(line)[:60]
                continue
            for place, text in enumerate(line):
                heading = heads[place] if place < len(heads) else ""
                if text.strip() and not (
                    _is_used(
                        clean.loc[number],
                        name,
                        column=_column(name, heading),
                        text=text,
                        dates=book.dates,
                    )
                    or _is_named(own, name, _column(name, heading), text)
                    or _is_listed(findings, _column(name, heading), text)
                    or (
                        _column(name, heading) == ""
                        and (f"{heading.strip()!r} is not read" in whole)
                    )
                    or (heading.strip() == "" and "has no heading and is not read" in whole)
                ):
                    yield name, number, heading, text[:60]


def _column(name: str, heading: str) -> str:
    """The column of the table that a heading stands for; empty where it is none."""
    mended = "_".join(heading.strip().lower().replace("_", " ").split())
    return mended if mended in [column.name for column in TABLES[name].columns] else ""


def _is_used(row: pd.Series, name: str, column: str, text: str, dates: str | None) -> bool:
    """Whether the clean table holds what was typed (what was ever seen may be above it, and the raw
    count stays).
    """
    if not column:
        return False
    value = parse(TABLES[name].column(column), text, dates).value
    kept = [row[column], row.get(f"{column}_raw")]
    if value is not None and any(_holds(one, value, column) for one in kept):
        return True
    return isinstance(row[column], str) and row[column] == " ".join(text.split())


def _holds(kept: object, value: object, column: str) -> bool:
    """Whether what the table keeps is what was read."""
    if kept is None or pd.isna(kept):
        return False
    if isinstance(value, datetime.date):
        return kept == pd.Timestamp(value)
    if isinstance(value, SowingRate):
        return kept == value and str(kept) == str(value)
    if isinstance(value, str):
        # words of rows written twice are joined; ids may be longer than a workbook's cell
        return value == kept or (column in ("note", "checked_by") and value in kept.split("; "))
    return float(kept) == float(value)


def _is_named(own: pd.DataFrame, name: str, column: str, text: str) -> bool:
    """Whether a finding of this row names the column, or says the value as typed or as read."""
    said = (
        own["message"].str.contains(rf"\b{re.escape(column)}\b") if column else own["column"] == ""
    )
    read = parse(TABLES[name].column(column), text, None).value if column else None
    words = f"{read:g}" if isinstance(read, int | float) else text.strip()
    value = own["message"].str.contains(rf"(?<![\w.]){re.escape(words)}(?![\w.])")
    return bool(((own["column"] == column) | said | value).any()) if len(own) else False


def _is_listed(findings: pd.DataFrame, column: str, text: str) -> bool:
    """Whether a spelling that runs through many rows is listed at the first of them."""
    return bool(column) and bool(
        ((findings["column"] == column) & (findings["value"] == text)).any()
    )


def accounted(book: RecordBook, tables: Tables) -> bool:
    """Whether the account of rows adds up to what was written."""
    account = book.accounting.set_index("table")
    rows = {
        name: sum(any(map(str.strip, line)) for line in lines[1:]) for name, lines in tables.items()
    }
    sums = account[["used", "merged", "set_aside"]].sum(axis=1)
    return account["rows"].to_dict() == rows and (account["rows"] == sums).all()


@pytest.mark.parametrize(
    ("kind", "seed", "books"), [("book", 1, 30), ("book", 2, 20), ("book.xlsx", 3, 8)]
)
def test_each_value_is_used_merged_or_named(
    tmp_path: Path, kind: str, seed: int, books: int
) -> None:
    draw = np.random.default_rng(seed)
    missing: list[Sequence[object]] = []
    for _ in range(books):
        tables = edited(draw, sheets=kind.endswith(".xlsx"))
        if "tray" not in [_column("trays", heading) for heading in tables["trays"][0]]:
            continue  # then the whole book is refused, with the reason
        write_rows(tables, tmp_path / kind, force=True)
        book = read_book(tmp_path / kind)
        assert accounted(book, tables)
        missing += lost(book, tables)
    assert missing == []


def test_the_book_itself_loses_nothing(tmp_path: Path) -> None:
    write_rows(filled_book(), tmp_path / "book")
    book = read_book(tmp_path / "book")
    assert book.findings["rule"].tolist() == ["answer-unused"]
    assert all(len(table) == len(FILLED[name]) for name, table in book.tables.items())
    assert list(lost(book, filled_book())) == []


def test_a_value_that_is_dropped_is_found_out(tmp_path: Path) -> None:
    """The measure itself: a blank put into the clean table in silence does not pass."""
    tables = filled_book()
    write_rows(tables, tmp_path / "book")
    book = read_book(tmp_path / "book")
    book.tables["checks"].loc[1, "seedlings"] = pd.NA
    book.tables["checks"].loc[1, "seedlings_raw"] = pd.NA
    book.tables["maps"].drop(index=0, inplace=True)
    assert list(lost(book, tables)) == [
        ("checks", 3, "seedlings", "4"),
        ("maps", 2, "", "T-2|2025-05-30|A1"),
    ]
