"""The data sets in the repository are what their manifest says and what their build scripts
write.
"""

from __future__ import annotations

import csv
import hashlib
import json
import runpy
from pathlib import Path

import pytest

from germstats.demonstration import simulate_demo

DATASETS = Path(__file__).parents[1] / "datasets"
FILES = json.loads((DATASETS / "manifest.json").read_text(encoding="utf-8"))["files"]
NOT_DATA = {"README.md", "build.py", "manifest.json"}


def test_the_manifest_names_every_file_and_no_other() -> None:
    here = {path.relative_to(DATASETS).as_posix() for path in DATASETS.rglob("*") if path.is_file()}
    assert {
        name for name in here if Path(name).name not in NOT_DATA and "__pycache__" not in name
    } == set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_rows_and_checksums_match_the_manifest(name: str) -> None:
    content = (DATASETS / name).read_bytes()
    assert hashlib.sha256(content).hexdigest() == FILES[name]["sha256"]
    if name.endswith(".csv"):
        rows = sum(1 for _ in csv.reader(content.decode("utf-8").splitlines())) - 1
        assert rows == FILES[name]["rows"]
    else:
        assert FILES[name]["rows"] is None


def test_the_build_script_writes_the_demonstration_byte_for_byte(tmp_path: Path) -> None:
    script = runpy.run_path(str(DATASETS / "demonstration" / "build.py"))
    written = script["build"](tmp_path / "book")
    assert {f"demonstration/{path.name}" for path in written} == set(FILES)
    for path in written:
        assert path.read_bytes() == (DATASETS / "demonstration" / path.name).read_bytes(), path.name


def test_every_set_has_a_readme_with_source_licence_units_and_oddities() -> None:
    folders = [path for path in DATASETS.iterdir() if path.is_dir()]
    assert folders
    for folder in folders:
        text = (folder / "README.md").read_text(encoding="utf-8")
        for heading in ("## Source", "## Licence", "## Units", "## Known oddities"):
            assert heading in text, f"{folder.name}: {heading}"


def test_the_demonstrations_readme_counts_every_kind_of_dirt() -> None:
    text = (DATASETS / "demonstration" / "README.md").read_text(encoding="utf-8")
    counts = simulate_demo().truth.dirt.groupby(["kind", "table"]).size()
    for (kind, table), count in counts.items():
        assert f"| {kind} | {table} | {count:,} |" in text
