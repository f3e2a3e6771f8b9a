"""A clean book of two trays, and ways to spoil it; shared by the tests of reading and judging."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from germstats.records.book import RecordBook, read_book

CLEAN = {
    "species": "species,common_name,two_winters,seeds_per_gram\n"
    "MOFI,wild bergamot,no,2200\nGETR,prairie smoke,no,1000\n",
    "lots": "lot,species,pinch_counts,cut_test_seeds,cut_test_full,germination_counts\n"
    "MOFI-24A,MOFI,,50,46,88 91 84\nGETR-23A,GETR,4 7 2,,,\n",
    "trays": "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover\n"
    "T-0412,2025,MOFI-24A,2024-12-03,2,3,3,grit\nT-0413,2025,GETR-23A,2024-12-03,2,3,2-3,none\n",
    "checks": "tray,checked_on,filled,seedlings,note\n"
    "T-0413,2025-04-13,1,,\nT-0413,2025-04-20,3,4,\nT-0413,2025-05-18,5,8,\n",
    "cells": "tray,cell,checked_on,emerged,occupied,seeds,alive,note\n"
    "T-0412,A1,2025-04-20,1,,,,\nT-0412,B3,2025-04-20,0,,,,\n"
    "T-0412,A1,2025-05-04,3,,,3,\nT-0412,B3,2025-05-04,1,,,1,\n"
    "T-0412,A1,2025-05-18,3,,,3,\nT-0412,B3,2025-05-18,1,,,1,\n",
    "events": "tray,on,event,cells,note\n",
    "maps": "tray,seen_on,empty_cells\nT-0413,2025-05-30,A1\n",
    "orders": "order,species,plugs,due\nQ-1,MOFI,40,2025-09-01\n",
    "weather": "date,tmin_c,tmax_c\n2025-01-05,-7.5,1\n",
    "answers": "rule,table,key,column,value,answer\n",
}


def write(folder: Path, **tables: str | None) -> Path:
    """Write the clean book with these tables in place of its own; None leaves a table out."""
    place = folder / "book"
    place.mkdir(exist_ok=True)
    for name, text in (CLEAN | tables).items():
        file = place / f"{name}.csv"
        if text is None:
            file.unlink(missing_ok=True)
        else:
            file.write_text(text, encoding="utf-8", newline="")
    return place


def spoilt(folder: Path, table: str, old: str, new: str, **more: str) -> RecordBook:
    """Read the clean book with one text in it replaced by another."""
    text = (CLEAN | more)[table]
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {table}"
    return read_book(write(folder, **(more | {table: text.replace(old, new)})))


def added(folder: Path, **lines: str) -> RecordBook:
    """Read the clean book with lines added to its tables."""
    return read_book(write(folder, **{name: CLEAN[name] + text for name, text in lines.items()}))


def found(book: RecordBook, rule: str) -> pd.DataFrame:
    """Findings of one rule."""
    return book.findings[book.findings["rule"] == rule]


def only(book: RecordBook, rule: str) -> pd.Series:
    """The single finding of the book, which is of this rule."""
    assert book.findings["rule"].tolist() == [rule], book.findings["message"].tolist()
    return book.findings.iloc[0]


def balances(book: RecordBook) -> bool:
    """Whether every input row is used, merged or set aside, and the tables hold just those used."""
    account = book.accounting
    sums = (account["rows"] == account["used"] + account["merged"] + account["set_aside"]).all()
    return bool(sums) and all(
        len(book.tables[name]) == used
        for name, used in zip(account["table"], account["used"], strict=True)
    )
