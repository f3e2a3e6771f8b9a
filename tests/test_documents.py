"""What the documents show is what happens: commands print the blocks under them, Python blocks run.

A ```console block whose first line is ``$ germstats ...`` is run in an empty folder that holds the
demonstration book in `output/demo`; a line ``...`` stands for any lines left out. Install and make
blocks are tried on a clean clone. The contributors' guide names only files that are there and words
that the code uses, and its map shows every folder.
"""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import subprocess
import sys
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from germstats.cli.main import main

ROOT = Path(__file__).parents[1]
FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
DOCUMENTS = (ROOT / "README.md", ROOT / "DEVELOPERS.md")


@dataclass(frozen=True)
class Shown:
    """One command of a document and the output shown under it."""

    command: str
    output: tuple[str, ...]


def console_blocks(text: str) -> list[Shown]:
    """Commands of the ```console blocks that start with this package's command."""
    shown = []
    for language, body in FENCE.findall(text):
        if language == "console" and body.startswith("$ germstats "):
            for part in re.split(r"^\$ ", body, flags=re.MULTILINE)[1:]:
                command, *output = part.rstrip().split("\n")
                shown.append(Shown(command, tuple(output)))
    return shown


def python_blocks(text: str) -> list[str]:
    """Bodies of the ```python blocks."""
    return [body for language, body in FENCE.findall(text) if language == "python"]


def matches(shown: tuple[str, ...], printed: list[str]) -> bool:
    """Whether the printed lines are the shown ones, ``...`` standing for any lines."""
    pattern = "".join(
        r"(?:.*\n)*?" if line.strip() == "..." else re.escape(line.rstrip()) + r"\n"
        for line in shown
    )
    return re.fullmatch(pattern, "".join(f"{line.rstrip()}\n" for line in printed)) is not None


SAMPLE = """
```console
$ make demo
never run
```
```console
$ germstats new book
A blank record book
...
end
$ germstats check book
nothing
```
```python
x = 1
```
"""


def test_the_extractor_finds_commands_with_their_output() -> None:
    assert console_blocks(SAMPLE) == [
        Shown("germstats new book", ("A blank record book", "...", "end")),
        Shown("germstats check book", ("nothing",)),
    ]
    assert python_blocks(SAMPLE) == ["x = 1\n"]


@pytest.mark.parametrize(
    ("shown", "printed", "same"),
    [
        (("a", "b"), ["a", "b"], True),
        (("a", "b "), ["a ", "b"], True),
        (("a", "...", "d"), ["a", "b", "c", "d"], True),
        (("a", "...", "d"), ["a", "d"], True),
        (("a", "...", "d"), ["a", "b", "c"], False),
        (("a.c",), ["abc"], False),
        (("a",), ["a", "b"], False),
    ],
)
def test_output_is_compared_line_by_line(
    shown: tuple[str, ...], printed: list[str], same: bool
) -> None:
    assert matches(shown, printed) == same


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demonstration book in it."""
    folder = tmp_path_factory.mktemp("desk")
    # as a shell runs it, with this environment's `germstats` first on the path
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
    subprocess.run(
        "germstats demo output/demo",
        shell=True,
        cwd=folder,
        env={**os.environ, "PATH": path},
        capture_output=True,
        timeout=300,
        check=True,
    )
    return folder


def run(command: str, folder: Path) -> Result:
    """Run a shown command in a folder; it has no pipe and nothing else that only a shell knows."""
    program, *words = shlex.split(command)
    assert program == "germstats" and not set(words) & {"|", ">", "<", "&&", ";"}, command
    with contextlib.chdir(folder):
        return CliRunner().invoke(main, words, env={"COLUMNS": "120"})


def test_readme_shows_commands() -> None:
    assert console_blocks((ROOT / "README.md").read_text(encoding="utf-8")) != []


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_commands_print_what_the_document_shows(document: Path, desk: Path) -> None:
    for shown in console_blocks(document.read_text(encoding="utf-8")):
        assert any(line.strip() != "..." for line in shown.output), (
            f"{shown.command}: no line of output is shown"
        )
        result = run(shown.command, desk)
        printed = (result.stdout or result.stderr).splitlines()
        assert matches(shown.output, printed), f"$ {shown.command}\n" + "\n".join(printed)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_python_blocks_run(document: Path, desk: Path) -> None:
    code = "\n".join(python_blocks(document.read_text(encoding="utf-8")))
    with contextlib.chdir(desk):
        exec(compile(code, document.name, "exec"), {"__name__": "__main__"})


# --- The contributors' guide
# -------------------------------------------------------------------------------------

GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TOPS = ("germstats", "analyses", "tests", "datasets", ".ci")
QUOTED = re.compile(r"`([^`\n]+)`")
A_PATH = re.compile(r"(?:[\w.-]+/)+(?:[\w.-]+)?|[\w-]+\.(?:css|csv|html|js|md|py|toml)")
OPTIONAL = "../shared/"
MADE = ".venv/"


def house_paths() -> set[str]:
    """Files and folders of the checkout, from its root; a folder ends in a slash."""
    inside = [
        path for top in TOPS for path in (ROOT / top).rglob("*") if "__pycache__" not in path.parts
    ]
    files = [path.relative_to(ROOT) for path in (*ROOT.glob("*"), *inside) if path.is_file()]
    folders = {folder for path in files for folder in path.parents[:-1]}
    return {*map(Path.as_posix, files), *(f"{folder.as_posix()}/" for folder in folders)}


def unknown_paths(text: str, known: Iterable[str]) -> list[str]:
    """Paths in backticks, a command's too, that end no known path; a folder may come without its
    slash.
    """
    ends = "".join(f"/{path}\n" for path in known)
    words = [word for quoted in QUOTED.findall(text) for word in quoted.split()]
    paths = [
        word for word in words if A_PATH.fullmatch(word) and not word.startswith((OPTIONAL, MADE))
    ]
    return [path for path in paths if f"/{path}\n" not in ends and f"/{path}/\n" not in ends]


def test_a_path_that_is_not_there_is_found_out() -> None:
    known = {"germstats/page/plan.py", "germstats/page/", "README.md", "tests/page/"}
    sound = "`page/plan.py`, `plan.py` of `page/`, `README.md`, `sow_by`, `../shared/data`"
    assert unknown_paths(sound, known) == []
    assert unknown_paths("`.venv/bin/python -m pytest tests/page -n 2`", known) == []
    assert unknown_paths("`page/plot.py`, `lan.py`, `age/`, `pytest tests/pages`", known) == [
        "page/plot.py",
        "lan.py",
        "age/",
        "tests/pages",
    ]


def test_every_path_of_the_guide_is_there() -> None:
    assert unknown_paths(GUIDE, house_paths()) == []


def mapped_folders(text: str) -> set[str]:
    """Folders named at the head of the lines of the ```text block, those of an indented line inside
    the one above.
    """
    (block,) = [body for language, body in FENCE.findall(text) if language == "text"]
    folders, above = set(), ""
    for line in block.splitlines():
        named = re.match(r"( {0,2})((?:[a-z_]+/ ?)+)(?: |$)", line)
        if named is None:
            continue
        names = named[2].split()
        above = above if named[1] else names[0]
        folders |= {above + name for name in names} if named[1] else set(names)
    return folders


def test_the_map_is_read_by_its_folders() -> None:
    text = (
        "```text\na/      what a is\n        and more/or less\n  b/ c/\n  d/    inside a\ne.py    "
        "a file\n```\n"
    )
    assert mapped_folders(text) == {"a/", "a/b/", "a/c/", "a/d/"}


def test_the_map_shows_every_folder_of_the_floors() -> None:
    package = ROOT / "germstats"
    folders = {
        f"{path.parent.relative_to(package).as_posix()}/" for path in package.rglob("__init__.py")
    }
    assert mapped_folders(GUIDE) == folders - {"./", "demonstration/"}


def glossary(text: str) -> dict[str, list[str]]:
    """Words of the glossary -> names of code, columns and keys behind them."""
    part = text.partition("## Glossary\n")[2].partition("\n## ")[0]
    entries = re.split(r"(?=\*\*[\w ]+\*\*)", part)[1:]
    return {re.match(r"\*\*([\w ]+)\*\*", entry)[1]: QUOTED.findall(entry) for entry in entries}


def unused(names: Iterable[str], code: str) -> list[str]:
    """Names that are no word of the code."""
    return [name for name in names if re.search(rf"\b{re.escape(name)}\b", code) is None]


def test_a_glossary_is_read_word_by_word() -> None:
    text = (
        "## Glossary\nOne word.\n* **lot** (`lot`): seed. **sow by**\n  (`sow_by`, `due`): a day.\n"
    )
    text += "\n## Next\n**no** (`no`)\n"
    assert glossary(text) == {"lot": ["lot"], "sow by": ["sow_by", "due"]}
    assert unused(["sow_by", "due"], "sow_by = 1; dues = 2") == ["due"]


def test_the_words_of_the_glossary_are_those_of_the_code() -> None:
    code = "\n".join(
        path.read_text(encoding="utf-8") for path in sorted((ROOT / "germstats").rglob("*.py"))
    )
    words = glossary(GUIDE)
    assert len(words) >= 20
    assert unused([name for names in words.values() for name in names], code) == []


# --- The change log
# ------------------------------------------------------------------------------------------

CHANGES = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def releases(text: str) -> list[tuple[str, str]]:
    """Versions and days of a change log, newest first; the unreleased part has no day."""
    return re.findall(r"^## (\S+)(?: - (\S+))?$", text, re.MULTILINE)


def test_the_newest_release_is_the_version_of_the_package() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    (unreleased, version, *_) = releases(CHANGES)
    assert unreleased == ("Unreleased", "")
    assert version[0] == settings["project"]["version"]
    date.fromisoformat(version[1])


def test_releases_are_read_with_their_days() -> None:
    text = "# Log\n\n## Unreleased\n\n## 0.2.0 - 2026-12-24\n\n### Added\n\n## 0.1.0 - 2026-12-01\n"
    assert releases(text) == [("Unreleased", ""), ("0.2.0", "2026-12-24"), ("0.1.0", "2026-12-01")]


def test_what_moved_is_where_the_change_log_says() -> None:
    """The right column of the table of moves; paths are inside the package unless they begin at the
    root.
    """
    rows = re.findall(
        r"^\| (`.*) \| (`.*) \|$", CHANGES.partition("### Where things went")[2], re.MULTILINE
    )
    assert len(rows) > 20
    known = house_paths()
    assert unknown_paths("\n".join(new for _, new in rows), known) == []
    gone = {path for old, _ in rows for path in QUOTED.findall(old) if f"germstats/{path}" in known}
    assert gone == set(), "these are still where they were"
