"""Write the demonstration record book anew, and its lines of the manifest.

Run as `python datasets/demonstration/build.py`. With a folder as argument the book goes there and
the manifest stays.
"""

from __future__ import annotations

import csv
import hashlib
import json
import sys
from pathlib import Path

from germstats.demonstration import simulate_demo
from germstats.records.formats.workbook import write_book

HERE = Path(__file__).resolve().parent
MANIFEST = HERE.parent / "manifest.json"


def build(where: Path) -> tuple[Path, ...]:
    """Write the book to `where`, over one that is there."""
    return write_book(simulate_demo().tables, where, force=True)


def manifest_entry(path: Path) -> dict[str, object]:
    """Rows below the header (none for a file that is no table) and checksum of one file."""
    content = path.read_bytes()
    rows = None
    if path.suffix == ".csv":
        with path.open(encoding="utf-8", newline="") as stream:
            rows = sum(1 for _ in csv.reader(stream)) - 1
    return {"rows": rows, "sha256": hashlib.sha256(content).hexdigest()}


def main(arguments: list[str]) -> None:
    """Build in place and renew the manifest, or build somewhere else."""
    if arguments:
        build(Path(arguments[0]))
        return
    entries = {
        path.relative_to(MANIFEST.parent).as_posix(): manifest_entry(path) for path in build(HERE)
    }
    kept = json.loads(MANIFEST.read_text(encoding="utf-8"))["files"] if MANIFEST.exists() else {}
    others = {name: entry for name, entry in kept.items() if not name.startswith(f"{HERE.name}/")}
    files = dict(sorted((others | entries).items()))
    MANIFEST.write_text(json.dumps({"files": files}, indent=2) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
