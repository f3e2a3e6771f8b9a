"""The rules of the poor-lot review, held as data: points, limits, caps, tests, next year's lines.

A folder with files of the same names may take the place of the package's own; the review follows it.
"""

from __future__ import annotations

import csv
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

from germstats.errors import WrongUseError

DATA = Path(__file__).parent / "data"
STANDINGS = ("unlikely", "possible", "likely")
_FILES = {
    "points": ("cause", "evidence", "reading", "points", "source"),
    "causes": ("cause", "words", "start", "check", "next_year", "caution", "source"),
    "readings": ("evidence", "reading", "words", "limit"),
    "limits": ("limit", "value", "meaning", "source"),
    "caps": ("cause", "when", "lifted_by", "at_most", "why"),
    "tests": ("cause_a", "cause_b", "test", "limit", "wrong_answers", "cost", "source"),
}

Reading = tuple[str, str]
"""A kind of evidence and how it reads, such as ("block", "strong")."""


@dataclass(frozen=True)
class Cause:
    """Why a lot may be poor: its words, points before any evidence, first check, next year's line and caution."""

    cause: str
    words: str
    start: int
    check: str
    next_year: str
    caution: str


@dataclass(frozen=True)
class Cap:
    """A cause stands at most so high where `when` was read (always where None), unless one of `lifted_by` was."""

    cause: str
    when: Reading | None
    lifted_by: frozenset[Reading]
    at_most: str
    why: str


@dataclass(frozen=True)
class Test:
    """The cheapest test between two causes."""

    causes: frozenset[str]
    test: str
    limit: str
    wrong_answers: str
    cost: str

    __test__ = False  # no test of this project

    @property
    def words(self) -> str:
        """One sentence."""
        return f"{self.test} ({self.cost}); {self.limit}"


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
    caps, tests : tuples
    """

    points: Mapping[str, Mapping[Reading, int]]
    causes: Mapping[str, Cause]
    readings: Mapping[Reading, str]
    limits: Mapping[str, float]
    caps: tuple[Cap, ...]
    tests: tuple[Test, ...]

    @cached_property
    def by_pair(self) -> dict[frozenset[str], Test]:
        """Test of each pair of causes; the first listed where there are several."""
        return {one.causes: one for one in reversed(self.tests)}

    def test_between(self, first: str, second: str) -> str:
        """Words of the test that separates two causes; their first checks where none is listed."""
        listed = self.by_pair.get(frozenset({first, second}))
        if listed is not None:
            return listed.words
        return f"{self.causes[first].check}; {self.causes[second].check}"


def load_rules(folder: Path | None = None) -> Rules:
    """Read the rules.

    Parameters
    ----------
    folder : pathlib.Path, optional
        Holds files such as ``review_points.csv``; those not there are taken from the package.

    Raises
    ------
    WrongUseError
        A file lacks a column, a number is none, or a row names a cause or reading that is not there.
    """
    return _packaged() if folder is None else _load(folder)


@cache
def _packaged() -> Rules:
    return _load(None)


def _load(folder: Path | None) -> Rules:
    if folder is not None and not folder.is_dir():
        raise WrongUseError(f"--rules {folder} is no folder; it should hold files such as review_points.csv.")
    table = {name: _rows(name, folder) for name in _FILES}
    causes = {
        row["cause"]: Cause(row["cause"], row["words"], _whole("causes", row, "start"), row["check"], row["next_year"],
                            row["caution"])
        for row in table["causes"]
    }  # fmt: skip
    readings = {(row["evidence"], row["reading"]): row["words"] for row in table["readings"]}
    points: dict[str, dict[Reading, int]] = {cause: {} for cause in causes}
    for row in table["points"]:
        _known("points", row["cause"], causes)
        _known("points", (row["evidence"], row["reading"]), readings)
        points[row["cause"]][row["evidence"], row["reading"]] = _whole("points", row, "points")
    limits = {row["limit"]: _number("limits", row, "value") for row in table["limits"]}
    missing = {row["limit"] for row in _rows("limits", None)} - set(limits)
    if missing:
        raise WrongUseError(f"review_limits.csv lacks {', '.join(sorted(missing))}; put the row back.")
    caps = tuple(_cap(row, causes, readings) for row in table["caps"])
    for row in table["tests"]:
        _known("tests", row["cause_a"], causes)
        _known("tests", row["cause_b"], causes)
    tests = tuple(
        Test(frozenset({row["cause_a"], row["cause_b"]}), row["test"], row["limit"], row["wrong_answers"], row["cost"])
        for row in table["tests"]
    )
    return Rules(points, causes, readings, limits, caps, tests)


def _rows(name: str, folder: Path | None) -> list[dict[str, str]]:
    file = f"review_{name}.csv"
    path = folder / file if folder is not None and (folder / file).exists() else DATA / file
    with path.open(encoding="utf-8-sig", newline="") as text:
        rows = list(csv.DictReader(text))
    for number, row in enumerate(rows, 2):
        if any(row.get(column) is None for column in _FILES[name]) or None in row:
            raise WrongUseError(f"{file} row {number}: it should have the columns {', '.join(_FILES[name])}; put text "
                                "that holds a comma into quotes.")  # fmt: skip
    if not rows:
        raise WrongUseError(f"{file} holds no row.")
    return rows


def _number(name: str, row: dict[str, str], column: str) -> float:
    try:
        return float(row[column])
    except ValueError:
        raise WrongUseError(f"review_{name}.csv: {column} is a number, not {row[column]!r}.") from None


def _whole(name: str, row: dict[str, str], column: str) -> int:
    number = _number(name, row, column)
    if number != int(number):
        raise WrongUseError(f"review_{name}.csv: {column} is a whole number, not {row[column]!r}.")
    return int(number)


def _known(name: str, what: object, among: Collection[object]) -> None:
    if what not in among:
        words = ":".join(what) if isinstance(what, tuple) else str(what)
        raise WrongUseError(f"review_{name}.csv names {words}, which is not listed; add it to the causes or readings.")


def _cap(row: dict[str, str], causes: dict[str, Cause], readings: dict[Reading, str]) -> Cap:
    _known("caps", row["cause"], causes)
    named = [_reading(text, readings) for text in row["lifted_by"].split()]
    if row["at_most"] not in STANDINGS:
        raise WrongUseError(f"review_caps.csv: at_most is one of {', '.join(STANDINGS)}, not {row['at_most']!r}.")
    when = _reading(row["when"], readings) if row["when"] else None
    return Cap(row["cause"], when, frozenset(named), row["at_most"], row["why"])


def _reading(text: str, readings: dict[Reading, str]) -> Reading:
    evidence, _, reading = text.partition(":")
    _known("caps", (evidence, reading), readings)
    return evidence, reading
