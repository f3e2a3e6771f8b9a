"""Findings: what is odd, ambiguous or impossible in the records, each with its place, rule and
remedy.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from germstats.records.suggesting import shorten, some_of
from germstats.records.tables import TABLES, NamedTables, Table

Severity = Literal["stop", "ask", "changed", "watch"]

SEVERITIES: tuple[Severity, ...] = ("stop", "ask", "changed", "watch")
"""Worst first."""

MEANING: dict[Severity, str] = {
    "stop": "impossible; nothing is estimated from that tray until it is mended",
    "ask": "ambiguous; the value is not used until you mend it or answer it in the table answers",
    "changed": "mended by a stated rule",
    "watch": "odd, but kept",
}

USED, MERGED, SET_ASIDE = "used", "merged", "set_aside"
"""What became of a row."""

_LONGEST = 600
"""Letters of a message beyond which it is cut, for what was typed may be of any length."""

Positions = np.ndarray[tuple[Any, ...], np.dtype[np.int64]]


@dataclass(frozen=True)
class Kind:
    """A kind of finding: how bad it is, the name of its rule, and what to do about it.

    Where `confirmable`, an answer may say that what is written is meant, and the question is not
    asked again.
    """

    severity: Severity
    rule: str
    remedy: str
    confirmable: bool = False


@dataclass(frozen=True)
class Finding:
    """One finding.

    Attributes
    ----------
    severity : {"stop", "ask", "changed", "watch"}
    rule : str
        Name of the rule, as the answers table names it.
    table : str
    row : int or None
        As the spreadsheet shows it, header = 1; None where it concerns the whole table.
    column, value : str
        Column, and what is written there; empty where it concerns no single value.
    message : str
        The place and what is wrong.
    remedy : str
        What to do.
    tray : str
        The tray concerned, empty where none.
    key : str
        The row's ids and date as typed, joined by ``/``: what an answer has to give as its key.
    """

    severity: Severity
    rule: str
    table: str
    row: int | None
    column: str
    value: str
    message: str
    remedy: str
    tray: str = ""
    key: str = ""


@dataclass
class Worktable:
    """One table while it is being judged; the index of its frames is the position 0..n-1.

    Attributes
    ----------
    spec : Table
    shown_as : str
        How messages call it: ``cells.csv`` or ``sheet cells``.
    text : pandas.DataFrame
        Every column as typed, empty where the header lacks it.
    values : pandas.DataFrame
        The same, parsed; ``row`` is the row a spreadsheet shows.
    status : (R,) array of str
        ``used``, ``merged`` or ``set_aside``.
    headed : frozenset of str
        Columns the header has.
    ids : pandas.DataFrame
        Ids and date of each row as typed, whatever was answered.
    entries : dict
        What `distinct` has found so far.
    """

    spec: Table
    shown_as: str
    text: pd.DataFrame
    values: pd.DataFrame
    status: NDArray[np.str_]
    headed: frozenset[str]
    ids: pd.DataFrame
    entries: dict[str, tuple[Positions, pd.Index[Any]]] = field(default_factory=dict)

    def keys(self, at: Positions) -> list[str]:
        """Ids and date of rows as typed, joined by ``/``."""
        return [
            "/".join(entry.strip() for entry in row) for row in self.ids.to_numpy(dtype=object)[at]
        ]

    def typed(self, column: str) -> pd.Series[bool]:
        """Whether anything is typed in the column, by position."""
        codes, entries = self.distinct(column)
        return pd.Series(np.array([entry.strip() != "" for entry in entries], dtype=bool)[codes])

    def distinct(self, column: str) -> tuple[Positions, pd.Index[Any]]:
        """The different entries of a column as typed, and which of them stands at each position.

        They are looked for once: nobody may change the text after that.
        """
        if column not in self.entries:
            self.entries[column] = pd.factorize(self.text[column])
        return self.entries[column]

    @property
    def in_use(self) -> NDArray[np.bool_]:
        """(R,) whether each row is still in use."""
        return np.asarray(self.status == USED)

    def used(self, *columns: str) -> pd.DataFrame:
        """Values of the rows still in use, by position: of these columns, where any is named."""
        chosen = self.values[list(columns)] if columns else self.values.copy()
        in_use = self.in_use
        return chosen if in_use.all() else chosen[in_use]


@dataclass
class Validation(NamedTables[Worktable]):
    """A book while it is being judged.

    Attributes
    ----------
    tables : dict of str to Worktable
        Every table, empty where the book has none of that name.
    dates : {"day-first", "month-first"} or None
    confirmed : frozenset of (rule, table, position, column)
        Places where an answer says that what is written is meant; such a question is not asked
        again.
    findings, left_out
        What was found so far; tray -> why it is left out.
    """

    tables: dict[str, Worktable]
    dates: str | None = None
    confirmed: frozenset[tuple[str, str, int, str]] = frozenset()
    findings: list[Finding] = field(default_factory=list)
    positions: list[int] = field(default_factory=list)
    left_out: dict[str, str] = field(default_factory=dict)

    def note(
        self,
        kind: Kind,
        place: tuple[str, str],
        at: Iterable[int],
        wrong: str | Sequence[str],
        trays: Sequence[str] | None = None,
    ) -> Positions:
        """Note one finding for each position in `at`; a stop leaves its tray out.

        Parameters
        ----------
        kind : Kind
        place : (table, column)
            The column may be empty.
        at : positions of rows
        wrong : str or one str per position
        trays : one str per position, optional
            The trays concerned where they are not those the rows name.

        Returns
        -------
        positions
            Those noted: all, less those an answer has confirmed.
        """
        name, column = place
        table = self.tables[name]
        noted = np.fromiter(at, dtype=np.int64)
        if not len(noted):
            return noted
        said = [wrong] * len(noted) if isinstance(wrong, str) else wrong
        if trays is None:
            own = "tray" in table.values.columns
            trays = table.values["tray"].to_numpy()[noted].tolist() if own else [""] * len(noted)
        rows, keys = table.values["row"].to_numpy()[noted], table.keys(noted)
        texts = table.text[column].to_numpy()[noted] if column else [""] * len(noted)
        keep = []
        where = f", {column}" if column else ""
        for position, row, key, text, words, tray in zip(
            noted, rows, keys, texts, said, trays, strict=True
        ):
            if kind.confirmable and (kind.rule, name, int(position), column) in self.confirmed:
                continue
            message = f"{table.shown_as} row {row}{where}: {shorten(words, _LONGEST)}"
            self.findings.append(
                Finding(
                    severity=kind.severity,
                    rule=kind.rule,
                    table=name,
                    row=int(row),
                    column=column,
                    value=text,
                    message=message,
                    remedy=kind.remedy,
                    tray=tray,
                    key=key,
                )
            )
            self.positions.append(int(position))
            keep.append(position)
            if kind.severity == "stop":
                self.leave_out(tray, words)
        return np.array(keep, dtype=np.int64)

    def note_table(self, kind: Kind, name: str, wrong: str, column: str = "") -> None:
        """Note a finding about a whole table."""
        place = f"{self.tables[name].shown_as}{f', {column}' if column else ''}"
        wrong = shorten(wrong, _LONGEST)
        self.findings.append(
            Finding(
                severity=kind.severity,
                rule=kind.rule,
                table=name,
                row=None,
                column=column,
                value="",
                message=f"{place}: {wrong}",
                remedy=kind.remedy,
            )
        )
        self.positions.append(-1)

    def note_book(self, kind: Kind, message: str) -> None:
        """Note a finding about no table."""
        self.findings.append(
            Finding(
                severity=kind.severity,
                rule=kind.rule,
                table="",
                row=None,
                column="",
                value="",
                message=message,
                remedy=kind.remedy,
            )
        )
        self.positions.append(-1)

    def leave_out(self, tray: str, why: str) -> None:
        """Leave a tray out of all estimates; the first reason stays."""
        if tray:
            self.left_out.setdefault(tray, why)

    def set_aside(self, name: str, at: Positions, status: str = SET_ASIDE) -> None:
        """Take rows out of use."""
        self.tables[name].status[at] = status

    def blank(self, place: tuple[str, str], at: Positions) -> None:
        """Take single values out of use."""
        if not len(at):
            return
        name, column = place
        table = self.tables[name]
        entries = table.values[column].copy()
        entries.iloc[at] = table.spec.column(column).blank
        table.values[column] = entries


def more_rows(table: Worktable, at: Positions) -> str:
    """Rows by their numbers: ``row 5``, ``rows 5, 7 and 12 more``."""
    numbers = table.values["row"].iloc[at].astype(str).tolist()
    return f"row{'s' if len(numbers) > 1 else ''} {some_of(numbers)}"


def also_in(count: int) -> str:
    """Words on how many more rows say the same, nothing where none does."""
    return f" (and in {count} more row{'s' if count > 1 else ''})" if count else ""


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame, each as column -> value."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def findings_frame(findings: Sequence[Finding]) -> pd.DataFrame:
    """Findings as a table, worst first; within a severity by table and row.

    Returns
    -------
    pandas.DataFrame
        The attributes of `Finding` as columns; ``row`` is Int64.
    """
    frame = pd.DataFrame(
        {item.name: [getattr(one, item.name) for one in findings] for item in fields(Finding)}
    )
    frame["row"] = frame["row"].astype("Int64")
    places = {name: place for place, name in enumerate((*SEVERITIES, "", *TABLES))}
    order = pd.DataFrame(
        {name: frame[name].map(places).astype(int) for name in ("severity", "table")}
    )
    order["row"] = frame["row"].fillna(0)
    return frame.loc[
        order.sort_values(["severity", "table", "row"], kind="stable").index
    ].reset_index(drop=True)
