"""What check says of how seed was sown: light-needing seed under a cover, lots without a
species.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from germstats.records.book import RecordBook, read_book
from tests.records.small_books import found, only, write

SPECIES = "species,light\nMOFI,needs\nGETR,either\n"
TRAYS = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover,cover_depth_mm,note\n"


def covered(folder: Path, *covers: tuple[str, str, str], lot: str = "MOFI-24A") -> RecordBook:
    """Trays T-1, T-2, ... of one lot with (cover, depth, note)."""
    rows = [
        f"T-{k},2025,{lot},2024-12-03,2,3,3,{','.join(cover)}\n"
        for k, cover in enumerate(covers, start=1)
    ]
    trays = TRAYS + "".join(rows)
    return read_book(
        write(folder, species=SPECIES, trays=trays, checks=None, cells=None, maps=None)
    )


@pytest.mark.parametrize(
    ("cover", "said"),
    [
        (("sand", "", ""), "lies under sand"),
        (("coarse sand", "2", ""), "lies under coarse sand 2 mm deep"),
        (("grit", "5", ""), "lies under grit 5 mm deep"),
        (("mix", "", "buried 1 cm by mistake"), "is buried, as the note says,"),
        (("buried", "", ""), "is buried, as the cover says,"),
        (("none", "", "Buried"), "is buried, as the note says,"),
    ],
)
def test_light_needing_seed_where_no_light_comes_is_worth_a_look(
    tmp_path: Path, cover: tuple[str, str, str], said: str
) -> None:
    book = covered(tmp_path, cover)
    watched = found(book, "light-covered").iloc[0]
    column = "note" if "note" in said else "cover"
    assert (
        watched["message"]
        == f"trays.csv row 2, {column}: MOFI needs light to sprout, and its seed {said} in tray T-1"
    )
    assert watched["severity"] == "watch"
    assert book.left_out == {}
    assert len(book.tables["trays"]) == 1
    assert found(covered(tmp_path, cover, lot="GETR-23A"), "light-covered").empty


@pytest.mark.parametrize(
    "cover",
    [
        ("grit", "3", ""),
        ("grit", "", ""),
        ("none", "", "not buried this time"),
        ("vermiculite", "5", ""),
        ("none", "", "sandy bench"),
        ("", "", ""),
    ],
)
def test_light_that_comes_through_is_not_mentioned(
    tmp_path: Path, cover: tuple[str, str, str]
) -> None:
    assert found(covered(tmp_path, cover), "light-covered").empty


def test_trays_alike_are_named_in_one_sentence(tmp_path: Path) -> None:
    watched = found(
        covered(tmp_path, ("sand", "", ""), ("none", "", ""), ("sand", "", "")), "light-covered"
    )
    assert [message.split(", and ")[1] for message in watched["message"]] == [
        "its seed lies under sand in trays T-1, T-3"
    ]


def test_a_book_without_lots_says_once_that_each_lot_stands_alone(tmp_path: Path) -> None:
    watched = only(read_book(write(tmp_path, lots=None)), "lot-alone")
    assert (watched["severity"], watched["table"], watched["message"]) == (
        "watch",
        "lots",
        "lots.csv: no lot is written down here, so every lot is treated as a species of its own: "
        "its estimate gets no help from other lots of its species",
    )


def test_lots_without_a_species_are_named(tmp_path: Path) -> None:
    book = read_book(write(tmp_path, lots="lot,species\nMOFI-24A,MOFI\nGETR-23A,\n"))
    watched = found(book, "lot-alone")
    assert watched["message"].tolist() == [
        "lots.csv: no species is written down for GETR-23A, so each is treated as a species of its "
        "own: its estimate gets no help from other lots of its species"
    ]


def test_lots_with_a_species_are_no_matter_even_without_a_table_of_species(tmp_path: Path) -> None:
    assert read_book(write(tmp_path, species=None)).findings.empty
