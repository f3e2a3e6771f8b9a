"""What the documents show is what happens: commands print the blocks under them, Python blocks run.

A ```console block whose first line is ``$ germstats ...`` is run in an empty folder that holds the demonstration book
in `output/demo`; a line ``...`` stands for any lines left out. Install and make blocks are tried on a clean clone.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

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
    pattern = "".join(r"(?:.*\n)*?" if line.strip() == "..." else re.escape(line.rstrip()) + r"\n" for line in shown)
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
def test_output_is_compared_line_by_line(shown: tuple[str, ...], printed: list[str], same: bool) -> None:
    assert matches(shown, printed) == same


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demonstration book in it."""
    folder = tmp_path_factory.mktemp("desk")
    run("germstats demo output/demo", folder).check_returncode()
    return folder


def run(command: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a shown command as a shell would, with this environment's `germstats` first on the path."""
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
    env = {**os.environ, "PATH": path, "COLUMNS": "120"}
    return subprocess.run(
        command, shell=True, cwd=folder, env=env, capture_output=True, text=True, timeout=300, check=False
    )


def test_readme_shows_commands() -> None:
    assert console_blocks((ROOT / "README.md").read_text(encoding="utf-8")) != []


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_commands_print_what_the_document_shows(document: Path, desk: Path) -> None:
    for shown in console_blocks(document.read_text(encoding="utf-8")):
        assert any(line.strip() != "..." for line in shown.output), f"{shown.command}: no line of output is shown"
        result = run(shown.command, desk)
        printed = (result.stdout or result.stderr).splitlines()
        assert matches(shown.output, printed), f"$ {shown.command}\n" + "\n".join(printed)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_python_blocks_run(document: Path, desk: Path) -> None:
    code = "\n".join(python_blocks(document.read_text(encoding="utf-8")))
    result = subprocess.run(
        [sys.executable, "-c", code], cwd=desk, capture_output=True, text=True, timeout=300, check=False
    )
    assert result.returncode == 0, result.stderr
