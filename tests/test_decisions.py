"""The decision log: every file has its parts, what it cites exists, and the list names each file
exactly once.
"""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LOG = ROOT / "analyses" / "decisions"
FILES = sorted(path for path in LOG.glob("*.md") if path.name != "README.md")
DIARIES = sorted((ROOT / "analyses").rglob("*.md"))
PARTS = ["Context", "Decision", "Consequence", "Held by"]
NAME = re.compile(r"\d{4}(-[a-z0-9]+)+\.md")
STATUS = re.compile(
    r"accepted|superseded by \[\d{4}\]\(\S+\)|accepted, in part superseded by \[\d{4}\]\(\S+\)"
)
CITED = re.compile(r"`((?:analyses|datasets|germstats|tests)/[^`\s:]+)(?:::(\w+))?`")
LINK = re.compile(r"\]\(([^)#:]+)\)")


def faults_of_form(text: str) -> list[str]:
    """What a decision lacks: a title, an ISO date, a status, the four parts in order and none of
    them empty.
    """
    head, *parts = re.split(r"^## (.*)\n", text, flags=re.MULTILINE)
    faults = []
    if not re.match(r"# \S.*\n\n", head):
        faults.append("no title")
    day = re.search(r"^\* Date: (\d{4}-\d{2}-\d{2})$", head, re.MULTILINE)
    if day is None or not _is_a_day(day[1]):
        faults.append("no date")
    status = re.search(r"^\* Status: (.*)$", head, re.MULTILINE)
    if status is None or STATUS.fullmatch(status[1]) is None:
        faults.append("no status")
    if parts[::2] != PARTS:
        faults.append(f"its parts are {parts[::2]}")
    faults += [
        f"nothing under {name}"
        for name, body in zip(parts[::2], parts[1::2], strict=True)
        if not body.strip()
    ]
    return faults


def _is_a_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def missing(text: str, folder: Path, root: Path = ROOT) -> list[str]:
    """Paths, tests and links that a document names and that do not exist."""
    faults = []
    for path, test in CITED.findall(text):
        if not (root / path).exists():
            faults.append(path)
        elif test and f"def {test}(" not in (root / path).read_text(encoding="utf-8"):
            faults.append(f"{path}::{test}")
    faults += [link for link in LINK.findall(text) if not (folder / link).exists()]
    return faults


def listed(text: str) -> list[str]:
    """Files that head a line of the list."""
    return re.findall(r"^\* \[\d{4}\]\((\S+?)\)", text, re.MULTILINE)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name[:4])
def test_a_decision_has_its_parts(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert NAME.fullmatch(path.name)
    assert faults_of_form(text) == []
    held = text.partition("## Held by\n")[2]
    assert "`tests/" in held or "* No test" in held


@pytest.mark.parametrize("path", DIARIES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_what_is_cited_exists(path: Path) -> None:
    assert missing(path.read_text(encoding="utf-8"), path.parent) == []


def test_the_list_names_every_file_once_with_its_title() -> None:
    text = (LOG / "README.md").read_text(encoding="utf-8")
    assert sorted(listed(text)) == [path.name for path in FILES]
    for path in FILES:
        title = path.read_text(encoding="utf-8").splitlines()[0].removeprefix("# ")
        assert f"* [{path.name[:4]}]({path.name}) {title}" in text


def test_numbers_follow_the_days() -> None:
    """One number a file, none left out, and no decision numbered before an earlier one."""
    assert [path.name[:4] for path in FILES] == [
        f"{number:04d}" for number in range(1, len(FILES) + 1)
    ]
    days = [
        re.findall(r"^\* Date: (.*)$", path.read_text(encoding="utf-8"), re.MULTILINE)[0]
        for path in FILES
    ]
    assert days == sorted(days)


SOUND = """# Trays are the units

* Date: 2026-11-25
* Status: accepted

## Context

Pots share a tray.

## Decision

Trays count.

## Consequence

Ranges are wide.

## Held by

* `tests/test_it.py::test_units`
"""


@pytest.mark.parametrize(
    ("sound", "spoiled", "fault"),
    [
        ("# Trays are the units\n", "", "no title"),
        ("2026-11-25", "2026-11-31", "no date"),
        ("2026-11-25", "25 November", "no date"),
        ("accepted", "superseded", "no status"),
        ("Trays count.\n", "", "nothing under Decision"),
        ("## Held by", "## Tests", "its parts are ['Context', 'Decision', 'Consequence', 'Tests']"),
    ],
)
def test_a_spoiled_decision_is_found_out(sound: str, spoiled: str, fault: str) -> None:
    assert faults_of_form(SOUND) == []
    assert faults_of_form(SOUND.replace(sound, spoiled)) == [fault]


def test_what_does_not_exist_is_found_out(tmp_path: Path) -> None:
    assert missing(SOUND, tmp_path, tmp_path) == ["tests/test_it.py"]
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests" / "test_it.py").write_text("def test_other(): ...\n")
    assert missing(SOUND, tmp_path, tmp_path) == ["tests/test_it.py::test_units"]
    (tmp_path / "tests" / "test_it.py").write_text("def test_units(): ...\n")
    assert missing(SOUND, tmp_path, tmp_path) == []
    assert missing("see [0002](0002-gone.md) and [a page](https://example.org)", tmp_path) == [
        "0002-gone.md"
    ]


def test_the_list_is_read_by_its_lines() -> None:
    text = (
        "* [0001](0001-one.md) One (superseded by [0002](0002-two.md))\n* [0002](0002-two.md) Two\n"
    )
    assert listed(text) == ["0001-one.md", "0002-two.md"]
