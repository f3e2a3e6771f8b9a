"""Answers: what a grower says a questioned value should be read as.

An answer is an edit. It is made only while the question is really asked and the value still stands
as it did, so an answer cannot outlive what it answers.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import pandas as pd

from germstats.records.checking.findings import Finding, Kind, Validation
from germstats.records.values import value_text

ANSWERED = Kind("changed", "answered", "leave it; delete the answer to be asked again")
ANSWERS_DIFFER = Kind("ask", "answers-differ", "keep one answer to each question")
UNUSED = Kind(
    "watch",
    "answer-unused",
    "delete it; the value was mended or changed, or the question is not asked",
)

_BLANK = "blank"  # the answer that empties a value

Question = tuple[str, str, str, str, str]
"""Rule, table, key, column and value, without case."""


@dataclass(frozen=True)
class GivenAnswers:
    """What was answered so far.

    Attributes
    ----------
    edits : dict
        (table, position, column) -> text to read there.
    confirmed : set of (rule, table, position, column)
        Places whose answer is what stands there.
    used : set of Question
    """

    edits: dict[tuple[str, int, str], str] = field(default_factory=dict)
    confirmed: frozenset[tuple[str, str, int, str]] = frozenset()
    used: frozenset[Question] = frozenset()


def new_answers(
    validation: Validation, typed: dict[str, pd.DataFrame], answers: GivenAnswers
) -> GivenAnswers | None:
    """Answer what the judgement asked, as far as the answers table does.

    Parameters
    ----------
    validation : Validation
    typed : dict of str to pandas.DataFrame
        The text of each table as it stands in the files.
    answers : GivenAnswers
        Those given before.

    Returns
    -------
    Answers or None
        With the new ones added; None where nothing new is answered.
    """
    given = _given(validation)
    edits, confirmed, used = dict(answers.edits), set(answers.confirmed), set(answers.used)
    new = False
    for finding, position in zip(validation.findings, validation.positions, strict=True):
        place = (finding.table, position, finding.column)
        if finding.severity != "ask" or position < 0 or not finding.column or place in edits:
            continue
        value = str(typed[finding.table].at[position, finding.column])
        for question in _questions(validation, finding, position, value):
            if question in given:
                text = given[question]
                edits[place] = "" if text.casefold() == _BLANK else text
                confirmed.add((finding.rule, *place))
                used.add(question)
                new = True
                break
    return GivenAnswers(edits, frozenset(confirmed), frozenset(used)) if new else None


def note_answers(
    validation: Validation, typed: dict[str, pd.DataFrame], answers: GivenAnswers
) -> None:
    """List every answer that was used, those that contradict one another, and those that answer
    nothing.
    """
    for (name, position, column), text in answers.edits.items():
        said = f"{typed[name].at[position, column]!r} is read as {text!r}, as answered"
        validation.note(ANSWERED, (name, column), [position], said)
    rows = validation.tables["answers"].used()
    asked = pd.Series([_question(*row[:5]) for row in _rows(rows)], index=rows.index, dtype=object)
    differ = {question for question, n in Counter(asked).items() if n > 1} - set(_given(validation))
    at = rows.index[asked.isin(differ)]
    validation.note(
        ANSWERS_DIFFER, ("answers", "answer"), at, "another answer to the same question differs"
    )
    at = rows.index[~asked.isin(differ | answers.used)]
    validation.note(UNUSED, ("answers", ""), at, "this answers no question that is asked")


def _rows(frame: pd.DataFrame) -> Iterator[tuple[str, ...]]:
    return frame[["rule", "table", "key", "column", "value", "answer"]].itertuples(
        index=False, name=None
    )


def _question(rule: str, table: str, key: str, column: str, value: str) -> Question:
    key = "/".join(part.strip() for part in key.split("/"))
    rule, table, key, column, value = (
        part.strip().casefold() for part in (rule, table, key, column, value)
    )
    return rule, table, key, column, value


def _given(validation: Validation) -> dict[Question, str]:
    """Question -> its answer, where all answers to it agree."""
    found: dict[Question, set[str]] = {}
    for rule, table, key, column, value, answer in _rows(validation.tables["answers"].used()):
        found.setdefault(_question(rule, table, key=key, column=column, value=value), set()).add(
            answer
        )
    return {question: said.pop() for question, said in found.items() if len(said) == 1}


def _questions(
    validation: Validation, finding: Finding, position: int, value: str
) -> Iterator[Question]:
    """The question as an answer may put it: with the key as typed, or as it was read."""
    table = validation.tables[finding.table]
    read = "/".join(value_text(table.values.at[position, name]) for name in table.spec.key)
    for key in (finding.key, read):
        yield _question(finding.rule, finding.table, key=key, column=finding.column, value=value)
