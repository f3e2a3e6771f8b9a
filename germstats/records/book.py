"""The record book: clean tables, findings, and an account of every input row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from germstats.records.checking.answers import GivenAnswers, new_answers, note_answers
from germstats.records.checking.book import check_files
from germstats.records.checking.findings import MERGED, SET_ASIDE, USED, Validation, findings_frame
from germstats.records.checking.rules import RULES
from germstats.records.checking.staging import add_worktable, empty_worktable
from germstats.records.formats.reading import BookSheets, read_sheets
from germstats.records.tables import TABLES, NamedTables


@dataclass(frozen=True)
class RecordBook(NamedTables[pd.DataFrame]):
    """A record book, read and judged.

    Attributes
    ----------
    source : str
        Name of the folder or workbook it was read from.
    dates : {"day-first", "month-first"} or None
        How dates such as 04/05/2024 were read; None where they were refused.
    tables : dict of str to pandas.DataFrame
        Every table, empty where the book has none of that name, with all its columns and ``row``
        (as a spreadsheet shows it, header = 1). Text is str ("" where blank), whole numbers Int64,
        numbers float64, dates datetime64[ns], seeds per cell `germstats.records.seeds.SowingRate`
        (None where blank). Values a finding made unusable are blank, rows set
        aside are not there. Counts of what was ever seen carry their running maximum;
        ``filled_raw``, ``seedlings_raw``, ``emerged_raw`` and ``occupied_raw`` keep what was
        written.
    findings : pandas.DataFrame
        One row per finding, worst first; columns as in
        `germstats.records.checking.findings.Finding`.
    accounting : pandas.DataFrame
        One row per table of the input: ``table``, ``rows``, ``used``, ``merged``, ``set_aside``;
        rows = used + merged + set_aside.
    left_out : dict of str to str
        Tray -> why nothing is estimated from it. Such trays remain in `tables`.
    headings : dict of str to tuple of str
        Table of the input -> its headings as typed.
    """

    source: str
    dates: str | None
    tables: dict[str, pd.DataFrame]
    findings: pd.DataFrame
    accounting: pd.DataFrame
    left_out: dict[str, str]
    headings: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def __repr__(self) -> str:
        rows = ", ".join(
            f"{len(table)} {name}" for name, table in self.tables.items() if len(table)
        )
        return f"<RecordBook {self.source}: {rows or 'no rows'}; {len(self.findings)} findings>"


def read_book(path: str | Path, dates: str | None = None) -> RecordBook:
    """Read a folder of CSV files or one xlsx workbook, and judge all of it.

    Parameters
    ----------
    path : path
    dates : {"day-first", "month-first"}, optional
        How dates such as 04/05/2024 are meant; without it, as the book itself remembers, else they
        are refused.

    Returns
    -------
    RecordBook

    Raises
    ------
    UnreadableBookError
        Nothing readable is there; the message is one sentence.
    WrongUseError
        `dates` is none of the two.
    """
    sheets = read_sheets(path, dates)
    answers = GivenAnswers()
    validation = _judged(sheets, answers)
    typed = {name: table.text for name, table in validation.tables.items()}
    while more := new_answers(validation, typed, answers):
        answers = more
        validation = _judged(sheets, answers)
    note_answers(validation, typed, answers)
    check_files(validation, sheets.not_read)
    return RecordBook(
        source=sheets.source,
        dates=sheets.dates,
        tables={
            name: table.used().reset_index(drop=True) for name, table in validation.tables.items()
        },
        findings=findings_frame(validation.findings),
        accounting=_accounting(validation, sheets),
        left_out=dict(validation.left_out),
        headings={name: sheet.header for name, sheet in sheets.tables.items()},
    )


def _judged(sheets: BookSheets, answers: GivenAnswers) -> Validation:
    tables = {name: empty_worktable(spec) for name, spec in TABLES.items()}
    validation = Validation(tables, sheets.dates, answers.confirmed)
    for sheet in sheets.tables.values():
        add_worktable(validation, sheet, answers.edits)
    for rule in RULES:
        rule(validation)
    return validation


def _accounting(validation: Validation, sheets: BookSheets) -> pd.DataFrame:
    rows: list[Mapping[str, object]] = []
    for name, sheet in sheets.tables.items():
        status = validation.tables[name].status
        became = {one: int((status == one).sum()) for one in (USED, MERGED, SET_ASIDE)}
        rows.append({"table": name, "rows": len(sheet.numbers), **became})
    return pd.DataFrame(rows, columns=["table", "rows", USED, MERGED, SET_ASIDE])
