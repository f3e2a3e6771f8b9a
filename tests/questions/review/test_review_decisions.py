"""What a review decides stands in fields of its result: no wording moves it, and no tray is taken
for another.
"""

from __future__ import annotations

import csv
import importlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from germstats.document.blocks import Words
from germstats.errors import WrongUseError
from germstats.page.pictures import _telling_maps
from germstats.page.spring import _other, _poor
from germstats.questions.review.befell import Befell, maps_to_draw
from germstats.questions.review.book import gather
from germstats.questions.review.gather import lot_file
from germstats.questions.review.review import LotReview, LotVerdict, ReviewSpec, judge, review
from germstats.questions.review.review_text import review_text, settle_words
from germstats.questions.review.row import Evidence
from germstats.questions.review.rules import DATA, OWN_DOOR, When, load_rules
from tests.questions.review.test_review_books import (
    COLUMNS,
    DAYS,
    ROWS,
    by_cell,
    read,
    tables,
    two_winters,
)

RULES = load_rules()
SENTENCES = {
    "causes": ("words", "check", "next_year", "caution", "source"),
    "readings": ("words", "limit", "source"),
    "points": ("source",),
    "doors": ("words", "source"),
    "caps": ("why", "source"),
    "tests": ("test", "limit", "wrong_answers", "cost", "source"),
    "limits": ("meaning", "source"),
}
"""Columns of the editable rules that hold a grower's words."""
IDS = ("1", "11", "T-1", "NT-1")


def bare(rows: int) -> list[tuple[tuple[str, int], ...]]:
    """The first rows of a tray are empty, one seedling stands in every other cell."""
    return [((DAYS[5], 0 if place < rows * COLUMNS else 1),) for place in range(ROWS * COLUMNS)]


def reworded_rules(folder: Path) -> Path:
    """The package's rules, every sentence in other words; a blank stays blank."""
    folder.mkdir()
    for name, columns in SENTENCES.items():
        with (DATA / f"review_{name}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        for number, row in enumerate(rows):
            row.update({column: f"other words {number}" for column in columns if row[column]})
        with (folder / f"review_{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    return folder


def told_by_block():
    """A book of which one tray of the lot A-1 is bare in its first row, and one of B-1 in two."""
    told = by_cell(tables(), "T-2025-A-1-0", bare(1))
    return by_cell(told, "T-2025-B-1-0", bare(2))


LEADS = ("It can be settled next spring", "To settle it, if its trays still stand", "To settle it")


def lead_of(one: LotReview) -> str:
    """How the sentence on the test begins once the spring is over."""
    words = settle_words(one, over=True)
    return next(lead for lead in LEADS if words.startswith(f"{lead}:"))


def decisions(one: LotReview) -> tuple[object, ...]:
    """Everything that a review of a lot decides, on the screen, on the page and as values; no
    words.
    """
    return (
        one.lot,
        one.verdict,
        one.one_tray,
        one.opened,
        one.told,
        one.test_when,
        lead_of(one) if one.test else "",
        one.waiting,
        one.maps,
        tuple(seen.tray for seen in _telling_maps(one)),
        tuple((cause.cause, cause.standing, cause.points) for cause in one.shown),
        tuple((row.evidence, row.reading, row.statistic, row.trays) for row in one.evidence),
    )


def test_no_sentence_of_the_rules_changes_a_decision(tmp_path):
    book = read(told_by_block(), tmp_path)
    folder = reworded_rules(tmp_path / "rules")
    plain, reworded = review(book), review(book, ReviewSpec(rules=folder))
    assert [decisions(one) for one in reworded.lots] == [decisions(one) for one in plain.lots]
    assert [one.lot for one in reworded.of_one_tray] == [one.lot for one in plain.of_one_tray]
    assert plain.of_one_tray, "the book should hold a lot with one tray lost"
    assert "other words" in review_text(reworded) and "other words" not in review_text(plain)


@pytest.mark.parametrize("cause", sorted(RULES.causes))
def test_when_a_check_can_be_made_is_a_column_and_not_its_words(tmp_path, cause):
    reworded = load_rules(reworded_rules(tmp_path / "rules"))
    assert reworded.causes[cause].check.when == RULES.causes[cause].check.when
    assert reworded.causes[cause].check.words != RULES.causes[cause].check.words
    pairs = [(cause, other) for other in RULES.causes if other != cause]
    assert [reworded.test_between(*pair).when for pair in pairs] == [
        RULES.test_between(*pair).when for pair in pairs
    ]


def test_a_table_of_rules_without_the_column_when_is_read_and_a_wrong_entry_refused(tmp_path):
    with (DATA / "review_causes.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    columns = [name for name in rows[0] if name != "check_when"]
    path = tmp_path / "review_causes.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(rows)
    assert {one.check.when for one in load_rules(tmp_path).causes.values()} == {
        When.WHILE_TRAYS_STAND
    }
    text = (DATA / "review_causes.csv").read_text(encoding="utf-8")
    path.write_text(text.replace("any time", "some day", 1), encoding="utf-8")
    with pytest.raises(WrongUseError, match="check_when is one of any time, in spring"):
        load_rules(tmp_path)


def test_the_limit_of_a_lot_that_is_low_itself_is_that_of_its_own_door(tmp_path):
    """z of the lot -1.2: one tray lost by the package's rules, poor where the door opens from -1.0
    on.
    """
    [door] = [one for one in RULES.doors if one.door == OWN_DOOR]
    assert RULES.own_limit == door.below == -1.5
    text = (DATA / "review_doors.csv").read_text(encoding="utf-8")
    assert "lot,lot_seen,,-1.5," in text
    (tmp_path / "review_doors.csv").write_text(
        text.replace("lot,lot_seen,,-1.5,", "lot,lot_seen,,-1.0,"), "utf-8"
    )
    assert load_rules(tmp_path).own_limit == -1.0


def test_no_words_of_the_evidence_change_which_maps_are_drawn(tmp_path, monkeypatch):
    file = lot_file(gather(read(told_by_block(), tmp_path), RULES), "A-1", 2025)
    plain = judge(file, RULES)
    sums = importlib.import_module("germstats.questions.review.review")
    evidence_of = sums.evidence_of

    def reworded(*args):
        return tuple(replace(row, words="other words") for row in evidence_of(*args))

    monkeypatch.setattr(sums, "evidence_of", reworded)
    assert decisions(judge(file, RULES)) == decisions(plain)
    assert plain.maps == ("T-2025-A-1-0",)


def test_the_map_drawn_is_of_the_tray_the_evidence_is_about_whatever_its_words_name(tmp_path):
    """The tray meant is the fuller one; the words name the emptier one."""
    file = lot_file(gather(read(told_by_block(), tmp_path), RULES), "A-1", 2025)
    emptier = next(one for one in file.trays if one.seen_map is not None)
    full = replace(emptier.seen_map, emerged=np.ones_like(emptier.seen_map.emerged))
    fuller = replace(emptier, tray="T-1", seen_map=full)
    row = Evidence(
        evidence="block",
        reading="strong",
        statistic=0.001,
        words=f"{emptier.tray}: a block is empty",
        trays=(fuller.tray,),
    )
    assert maps_to_draw((emptier, fuller), [row]) == (fuller.tray,)
    assert maps_to_draw((emptier, fuller), []) == (emptier.tray,)


def test_no_note_changes_what_is_asked_of_a_lot_that_waits_for_its_second_spring(tmp_path):
    found = judge(
        lot_file(gather(read(two_winters(tables()), tmp_path), RULES), "A-1", 2025), RULES
    )
    assert found.verdict == LotVerdict.NOT_OVER and found.waiting
    for notes in (found.notes, ("other words",), ()):
        said = [
            block.text
            for block in _other(replace(found, notes=notes), over=True)
            if isinstance(block, Words)
        ]
        assert any("keep its trays for their second winter" in words for words in said)
    said = [
        block.text
        for block in _other(replace(found, waiting=False), over=True)
        if isinstance(block, Words)
    ]
    assert not any("second winter" in words for words in said[1:])


def test_json_says_what_the_screen_and_the_page_say(tmp_path):
    found = review(read(told_by_block(), tmp_path))
    record, printed = found.as_record(), " ".join(review_text(found).split())
    assert record["poor"] == [one.lot for one in found.poor]
    assert f"Poor: {len(record['poor'])} of {len(found.lots)} lots." in printed
    assert f"Well enough but for one tray: {', '.join(record['of_one_tray'])}." in printed
    assert record["of_one_tray"]
    for one, told in zip(found.lots, record["lots"], strict=True):
        if one.verdict == LotVerdict.POOR:
            assert f"{one.lot}: {told['shown_verdict']}, " in printed
            page = " ".join(block.text for block in _poor(one, False) if isinstance(block, Words))
            assert page.startswith(
                "Poor, since" if told["shown_verdict"] == LotVerdict.POOR else "Looked into since"
            )
        assert [cause["cause"] for cause in told["causes"] if cause["shown"]] == [
            cause.cause for cause in one.shown
        ]
        assert told["test_when"] == one.test_when and told["maps"] == list(one.maps)
        assert told["verdict"] == one.verdict
    assert any(told["befell_one_tray"] == [Befell.PART_LOST] for told in record["lots"])


# --- names of trays that hold each other


def last_empty(empty: int) -> list[tuple[tuple[str, int], ...]]:
    """The last so many cells of a tray are empty."""
    cells = ROWS * COLUMNS
    return [((DAYS[5], int(place < cells - empty)),) for place in range(cells)]


def book_of_ids(folder: Path, hit: str):
    """A lot of four trays whose names hold each other, all counted by cell: the first row of one of
    them is bare, mice were noted on it, and the others have as many empty cells as their place, at
    the end.
    """
    told = tables()
    told["trays"] = [row for row in told["trays"] if "T-2025-A-1" not in row]
    told["checks"] = [row for row in told["checks"] if not row.startswith("T-2025-A-1")]
    told["trays"] += [f"{tray},2025,A-1,2024-12-05,{ROWS},{COLUMNS},1,none" for tray in IDS]
    for empty, tray in enumerate(IDS):
        by_cell(told, tray, bare(1) if tray == hit else last_empty(empty))
    told["events"].append(f"{hit},2025-05-12,rodent,A1,")
    return read(told, folder)


@pytest.mark.parametrize("hit", IDS)
def test_trays_whose_names_hold_each_other_never_meet(tmp_path, hit):
    file = lot_file(gather(book_of_ids(tmp_path, hit), RULES), "A-1", 2025)
    filled = {one.tray: one.filled for one in file.trays}
    empty = {tray: COLUMNS if tray == hit else at for at, tray in enumerate(IDS)}
    assert filled == {tray: ROWS * COLUMNS - count for tray, count in empty.items()}
    assert {one.tray: int(one.seen_map.filled.sum()) for one in file.trays} == filled
    assert all(one.seen_map.tray == one.tray for one in file.trays)
    found = judge(file, RULES)
    assert found.verdict == LotVerdict.POOR
    rows = {row.evidence: row for row in found.evidence}
    assert rows["block"].reading == "strong"
    assert rows["block"].trays == rows["shape"].trays == (hit,)
    assert [tray.tray for tray in found.trays if tray.mice] == list(rows["note"].trays)
    assert rows["note"].trays == (hit,)
    assert found.maps == (hit,)
    assert [seen.tray for seen in _telling_maps(found)] == [hit]
