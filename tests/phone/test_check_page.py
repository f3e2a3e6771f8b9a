"""The check page as a document: what it holds of the book, and that names of a book can neither run
nor break it.
"""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.phone.check_page import check_page
from germstats.records.book import RecordBook, read_book
from germstats.records.tables import EVENTS, TABLES

TRAYS = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover,cover_depth_mm,place\n"


def made_book(folder: Path, trays: str, **tables: str) -> RecordBook:
    folder.mkdir()
    (folder / "lots.csv").write_text("lot,species\nL,S\n")
    (folder / "species.csv").write_text("species,common_name\nS,yampah\n")
    (folder / "trays.csv").write_text(TRAYS + trays, encoding="utf-8")
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return read_book(folder)


class Reader(HTMLParser):
    """Picks the data of the page, and what could load or run anything."""

    def __init__(self) -> None:
        super().__init__()
        self.scripts: list[tuple[dict[str, str | None], list[str]]] = []
        self.dangers: list[str] = []
        self.options: list[str] = []
        self._in_script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_script = tag == "script"
        if self._in_script:
            self.scripts.append((dict(attrs), []))
        self.dangers += [
            f"{tag} {k}"
            for k, _ in attrs
            if k.startswith("on") or k in ("style", "src", "href", "action")
        ]
        if tag == "option" and dict(attrs)["value"]:
            self.options.append(str(dict(attrs)["value"]))

    def handle_data(self, data: str) -> None:
        if self._in_script:
            self.scripts[-1][1].append(data)

    def handle_endtag(self, tag: str) -> None:
        self._in_script = False


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    return reader


def data_of(html: str) -> dict[str, Any]:
    return next(
        json.loads("".join(text)) for attrs, text in read(html).scripts if attrs.get("id") == "data"
    )


def test_trays_stand_in_bench_order_with_their_latest_numbers(tmp_path: Path) -> None:
    book = made_book(
        tmp_path / "b",
        "T-1,2026,L,2026-01-05,2,2,2-3,sand,5,bench 10\nT-2,2026,L,2026-01-05,2,2,pinch,,,bench 2\n"
        "T-0,2025,L,2025-01-05,2,2,2,,,bench 1\n",
        cells="tray,cell,checked_on,emerged,occupied,seeds\nT-1,A1,2026-04-01,1,,4\nT-1,A2,2026-04-01,,1,\n"
        "T-1,B1,2026-04-01,0,,\nT-1,A1,2026-04-08,2,,\nT-1,A2,2026-04-08,1,,\nT-1,B1,2026-04-08,0,,\n",
        checks="tray,checked_on,filled\nT-2,2026-04-01,3\nT-2,2026-04-08,2\n",
    )
    made = check_page(book)
    data = data_of(made.html)
    assert made.trays == 2
    assert [one["tray"] for one in data["trays"]] == ["T-2", "T-1"]
    two, one = data["trays"]
    assert (one["seen"], one["own"], one["most"]) == ({"A1": 2, "A2": 1, "B1": 0}, {"A1": 4}, 3)
    # the living of the last look, not the most there ever were
    assert (two["most"], two["filled"]) == (None, 2)
    assert one["days"] == {"cells": ["2026-04-01", "2026-04-08"], "checks": []}
    assert two["days"] == {"cells": [], "checks": ["2026-04-01", "2026-04-08"]}
    assert (one["sown"], one["treatment"], one["name"], one["place"]) == (
        "2026-01-05",
        "sand 5 mm",
        "yampah",
        "bench 10",
    )
    assert data_of(check_page(book, 2025).html)["trays"][0]["tray"] == "T-0"


def test_a_season_or_a_book_without_trays_is_refused(tmp_path: Path) -> None:
    book = made_book(tmp_path / "b", "T-1,2026,L,2026-01-05,2,2,2,,,\n")
    with pytest.raises(WrongUseError, match="No tray is of season 2020; the seasons are 2026"):
        check_page(book, 2020)
    with pytest.raises(NotEnoughRecordsError, match="no tray yet"):
        check_page(made_book(tmp_path / "c", ""))


@pytest.mark.parametrize(
    "name",
    [
        "</script><script>alert(1)</script>",
        "\"' onload=alert(1)",
        "&lt;b&gt;",
        "\u05d0\u05d1 \U0001f331",
        "{{ 7*7 }}",
    ],
)
def test_names_of_a_book_stay_text(tmp_path: Path, name: str) -> None:
    here, gone = ('"' + one.replace('"', '""') + '"' for one in (name, f"{name} gone"))
    rest = ",2026,L,2026-01-05,2,2,2,,"
    book = made_book(
        tmp_path / "b",
        f"{here}{rest},{here}\n{gone}{rest},\n",
        events=f"tray,on,event,cells\n{gone},2026-05-01,sold,\n",
    )
    html = check_page(book).html
    assert data_of(html)["trays"][0]["tray"] == name
    assert [sorted(attrs) for attrs, _ in read(html).scripts] == [["id", "type"], []]
    assert read(html).dangers == []


def test_the_policy_allows_nothing_from_outside() -> None:
    html = check_page().html
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', html)
    assert policy is not None
    assert "default-src &#39;none&#39;" in policy[1]
    assert "unsafe" not in policy[1] and "http" not in policy[1]
    assert not re.findall(
        r"https?:|\bfetch\(|XMLHttpRequest|innerHTML|\beval\(|sendBeacon|WebSocket", html
    )


def test_events_are_the_words_of_the_table() -> None:
    assert tuple(read(check_page().html).options) == EVENTS


def test_exported_columns_are_those_of_a_blank_book_or_of_the_books_own_files(
    tmp_path: Path,
) -> None:
    blank = data_of(check_page().html)
    for name, columns in blank["columns"].items():
        assert columns == [column.name for column in TABLES[name].columns]
    book = made_book(tmp_path / "b", "T-1,2026,L,2026-01-05,2,2,2,,,\n")
    own = {"cells": ("Checked on", "tray", "cell", "occupied", "my column")}
    data = data_of(check_page(book, headers=own).html)
    assert data["columns"]["cells"] == [
        "checked_on",
        "tray",
        "cell",
        "occupied",
        "my_column",
        "emerged",
        "checked_by",
        "note",
    ]
    assert data["missing"]["cells"] == ["emerged", "checked_by", "note"]
    assert data["missing"]["checks"] == []
