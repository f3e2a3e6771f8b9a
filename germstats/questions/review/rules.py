"""The rules of the poor-lot review, held as data: points, limits, doors, caps, tests, next year's
lines.

A folder with files of the same names may take the place of the package's own; the review follows
it.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path

from germstats.errors import WrongUseError
from germstats.records.suggesting import must_know

Reading = tuple[str, str]
"""A kind of evidence and how it reads, such as ("block", "strong")."""

DATA = Path(__file__).parent / "data"
STANDINGS = ("unlikely", "possible", "likely")
_KEYS = {"points": 3, "causes": 1, "readings": 2, "limits": 1, "doors": 1}
"""The first columns that name a row, and may do so once only."""
_FILES = {
    "points": ("cause", "evidence", "reading", "points", "source"),
    "causes": ("cause", "words", "start", "check", "check_when", "next_year", "caution", "source"),
    "readings": ("evidence", "reading", "words", "limit", "source"),
    "limits": ("limit", "value", "meaning", "source"),
    "doors": ("door", "evidence", "reading", "below", "with", "words", "source"),
    "caps": ("cause", "when", "lifted_by", "at_most", "why", "source"),
    "tests": (
        "cause_a",
        "cause_b",
        "test",
        "when",
        "limit",
        "wrong_answers",
        "cost",
        "spent_by",
        "source",
    ),
}
_MAY_LACK = {"causes": ("check_when",), "tests": ("when",)}
"""Columns that are blank where a table has none."""
OWN_DOOR = "lot"
"""The door of a lot that is low itself."""


class When(StrEnum):
    """When a check or a test can be made."""

    ANY_TIME = "any time"
    IN_SPRING = "in spring"
    WHILE_TRAYS_STAND = "while trays stand"


_WHEN_OF_SEVERAL = (When.ANY_TIME, When.IN_SPRING, When.WHILE_TRAYS_STAND)


@dataclass(frozen=True)
class Check:
    """What to look at, in words, and when that can be done."""

    words: str
    when: When


@dataclass(frozen=True)
class Cause:
    """Why a lot may be poor: its words, points before any evidence, first check, next year's line
    and caution.
    """

    cause: str
    words: str
    start: int
    check: Check
    next_year: str
    caution: str


@dataclass(frozen=True)
class Cap:
    """A cause stands at most so high where `when` was read (always where None), unless one of
    `lifted_by` was.
    """

    cause: str
    when: Reading | None
    lifted_by: frozenset[Reading]
    at_most: str
    why: str


@dataclass(frozen=True)
class Door:
    """What makes a lot poor: evidence that reads as one of `readings` (any where empty), with a
    statistic under `below` (any where None), beside the reading `beside` where one is named.
    """

    door: str
    evidence: str
    readings: frozenset[str]
    below: float | None
    beside: Reading | None
    words: str

    def opens(self, reading: str, statistic: float | None, others: Collection[Reading]) -> bool:
        """Whether a lot with this evidence is poor."""
        if self.readings and reading not in self.readings:
            return False
        if self.below is not None and (statistic is None or statistic >= self.below):
            return False
        return self.beside is None or self.beside in others


@dataclass(frozen=True)
class Test:
    """A test between two causes, the first of which it looks at; spent where such evidence is there
    already.
    """

    first: str
    second: str
    test: str
    when: When
    limit: str
    wrong_answers: str
    cost: str
    spent_by: str

    __test__ = False  # no test of this project

    @property
    def check(self) -> Check:
        """What to look at, in one sentence."""
        return Check(f"{self.test} ({self.cost}); {self.limit}", self.when)


@dataclass(frozen=True)
class Rules:
    """All rules.

    Attributes
    ----------
    points : dict
        Cause -> reading -> points; one point doubles the odds.
    causes : dict
    readings : dict
        Reading -> words.
    limits : dict
    doors, caps, tests : tuples
    """

    points: Mapping[str, Mapping[Reading, int]]
    causes: Mapping[str, Cause]
    readings: Mapping[Reading, str]
    limits: Mapping[str, float]
    doors: tuple[Door, ...]
    caps: tuple[Cap, ...]
    tests: tuple[Test, ...]

    @property
    def own_limit(self) -> float | None:
        """The z below which a lot is low itself: that of its own door; None where there is no such
        door.
        """
        return next((door.below for door in self.doors if door.door == OWN_DOOR), None)

    def check(self, cause: str, known: Collection[str]) -> Check | None:
        """What to look at first for a cause; None where evidence that is `known` tells it
        already.
        """
        spent = any(
            one.first == cause and one.spent_by in known for one in self.tests if one.spent_by
        )
        return None if spent else self.causes[cause].check

    def test_between(self, first: str, second: str, known: Collection[str] = ()) -> Check:
        """The cheapest test that separates two causes; their first checks where none is listed.

        Parameters
        ----------
        first, second : str
        known : collection of str
            Kinds of evidence there are already.
        """
        for one in self.tests:
            if {one.first, one.second} == {first, second} and not (
                one.spent_by and one.spent_by in known
            ):
                return one.check
        checks = [
            check for cause in (first, second) if (check := self.check(cause, known)) is not None
        ]
        return _together(checks) if checks else self.causes[first].check


def _together(checks: Sequence[Check]) -> Check:
    """Several checks as one: a packet can be opened first, at any time; else one that needs a
    spring makes all wait.
    """
    when = min((one.when for one in checks), key=_WHEN_OF_SEVERAL.index)
    return Check("; ".join(one.words for one in checks), when)


def load_rules(folder: Path | None = None) -> Rules:
    """Read the rules.

    Parameters
    ----------
    folder : pathlib.Path, optional
        Holds files such as ``review_points.csv``; those not there are taken from the package.

    Raises
    ------
    WrongUseError
        The folder holds no such file; a file cannot be read, lacks a column or says something
        twice; a number is none; a row names a cause or reading that is not there.
    """
    return _packaged() if folder is None else _load(folder)


@cache
def _packaged() -> Rules:
    return _load(None)


def _load(folder: Path | None) -> Rules:
    if folder is not None:
        _must_hold_rules(folder)
    table = {name: _rows(name, folder) for name in _FILES}
    causes = {
        row["cause"]: Cause(
            cause=row["cause"],
            words=row["words"],
            start=_whole("causes", row, "start"),
            check=Check(row["check"], _when("causes", row, "check_when")),
            next_year=row["next_year"],
            caution=row["caution"],
        )
        for row in table["causes"]
    }
    readings = {(row["evidence"], row["reading"]): row["words"] for row in table["readings"]}
    points: dict[str, dict[Reading, int]] = {cause: {} for cause in causes}
    for row in table["points"]:
        _known("points", row["cause"], causes)
        _known("points", (row["evidence"], row["reading"]), readings)
        points[row["cause"]][row["evidence"], row["reading"]] = _whole("points", row, "points")
    for row in table["tests"]:
        _known("tests", row["cause_a"], causes)
        _known("tests", row["cause_b"], causes)
    evidences = {evidence for evidence, _ in readings}
    for row in table["tests"]:
        _known("tests", row["spent_by"], {"", *evidences})
    tests = tuple(
        Test(
            first=row["cause_a"],
            second=row["cause_b"],
            test=row["test"],
            when=_when("tests", row, "when"),
            limit=row["limit"],
            wrong_answers=row["wrong_answers"],
            cost=row["cost"],
            spent_by=row["spent_by"],
        )
        for row in table["tests"]
    )
    doors = tuple(_door(row, readings) for row in table["doors"])
    caps = tuple(_cap(row, causes, readings) for row in table["caps"])
    return Rules(
        points=points,
        causes=causes,
        readings=readings,
        limits=_limits(table["limits"]),
        doors=doors,
        caps=caps,
        tests=tests,
    )


def _must_hold_rules(folder: Path) -> None:
    if not folder.is_dir():
        raise WrongUseError(
            f"--rules {folder} is no folder; it should hold files such as review_points.csv."
        )
    own = {f"review_{name}.csv" for name in _FILES}
    there = {path.name for path in folder.iterdir()}
    if not own & there:
        raise WrongUseError(
            f"--rules {folder} holds no rules; copy a file there from {DATA} and edit it."
        )
    for name in sorted(one for one in there - own if one.startswith("review_")):
        must_know(name, own, f"--rules {folder} holds {name}, which nothing reads")


def _limits(rows: list[dict[str, str]]) -> dict[str, float]:
    limits = {row["limit"]: _number("limits", row, "value") for row in rows}
    needed = {row["limit"] for row in _rows("limits", None)}
    if missing := needed - set(limits):
        raise WrongUseError(
            f"review_limits.csv lacks {', '.join(sorted(missing))}; put the row back."
        )
    if odd := set(limits) - needed:
        raise WrongUseError(
            f"review_limits.csv names {', '.join(sorted(odd))}, which nothing asks for; mend its "
            "name."
        )
    return limits


def _rows(name: str, folder: Path | None) -> list[dict[str, str]]:
    file = f"review_{name}.csv"
    path = folder / file if folder is not None and (folder / file).exists() else DATA / file
    try:
        with path.open(encoding="utf-8-sig", newline="") as text:
            rows = list(csv.DictReader(text))
    except (OSError, UnicodeDecodeError, csv.Error):
        raise WrongUseError(f"{file} cannot be read; save it as CSV in UTF-8.") from None
    if not rows:
        raise WrongUseError(f"{file} holds no row; copy the package's own from {DATA}.")
    blank = dict.fromkeys(_MAY_LACK.get(name, ()), "")
    rows = [blank | row for row in rows]
    for number, row in enumerate(rows, 2):
        if any(row.get(column) is None for column in _FILES[name]) or None in row:
            raise WrongUseError(
                f"{file} row {number}: it should have the columns {', '.join(_FILES[name])}; put "
                "text that holds a comma into quotes."
            )
    if name in _KEYS:
        _once(file, [tuple(row[column] for column in _FILES[name][: _KEYS[name]]) for row in rows])
    return [{column: row[column].strip() for column in _FILES[name]} for row in rows]


def _once(file: str, keys: list[tuple[str, ...]]) -> None:
    for number, key in enumerate(keys):
        if key in keys[:number]:
            raise WrongUseError(
                f"{file} rows {keys.index(key) + 2} and {number + 2} both speak of "
                f"{' '.join(key)}; take one out."
            )


def _number(name: str, row: dict[str, str], column: str) -> float:
    try:
        number = float(row[column])
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise WrongUseError(
            f"review_{name}.csv: {column} is a number, not {row[column]!r}; mend it."
        )
    return number


def _when(name: str, row: dict[str, str], column: str) -> When:
    """When a check can be made; where that is blank, while the trays stand."""
    try:
        return When(row[column] or When.WHILE_TRAYS_STAND)
    except ValueError:
        known = ", ".join(When)
        raise WrongUseError(
            f"review_{name}.csv: {column} is one of {known}, not {row[column]!r}; mend it."
        ) from None


def _whole(name: str, row: dict[str, str], column: str) -> int:
    number = _number(name, row, column)
    if number != int(number):
        raise WrongUseError(
            f"review_{name}.csv: {column} is a whole number, not {row[column]!r}; mend it."
        )
    return int(number)


def _known(name: str, what: object, among: Collection[object]) -> None:
    if what not in among:
        words = ":".join(what) if isinstance(what, tuple) else str(what)
        raise WrongUseError(
            f"review_{name}.csv names {words}, which is not listed; add it to the causes or "
            "readings."
        )


def _door(row: dict[str, str], readings: dict[Reading, str]) -> Door:
    named = row["reading"].split()
    for reading in named:
        _known("doors", (row["evidence"], reading), readings)
    _known("doors", row["evidence"], {evidence for evidence, _ in readings})
    below = _number("doors", row, "below") if row["below"] else None
    if not named and below is None:
        raise WrongUseError(
            f"review_doors.csv: {row['door']} has neither a reading nor a limit; give one of the "
            "two."
        )
    beside = _reading("doors", row["with"], readings) if row["with"] else None
    return Door(
        door=row["door"],
        evidence=row["evidence"],
        readings=frozenset(named),
        below=below,
        beside=beside,
        words=row["words"],
    )


def _cap(row: dict[str, str], causes: dict[str, Cause], readings: dict[Reading, str]) -> Cap:
    _known("caps", row["cause"], causes)
    named = [_reading("caps", text, readings) for text in row["lifted_by"].split()]
    if row["at_most"] not in STANDINGS:
        raise WrongUseError(
            f"review_caps.csv: at_most is one of {', '.join(STANDINGS)}, not {row['at_most']!r}."
        )
    when = _reading("caps", row["when"], readings) if row["when"] else None
    return Cap(
        cause=row["cause"],
        when=when,
        lifted_by=frozenset(named),
        at_most=row["at_most"],
        why=row["why"],
    )


def _reading(name: str, text: str, readings: dict[Reading, str]) -> Reading:
    evidence, _, reading = text.partition(":")
    _known(name, (evidence, reading), readings)
    return evidence, reading
