"""Every analysis runs from its first line to its last."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ANALYSES = sorted((ROOT / "analyses").glob("*.py"))
NEEDS_SHARED = {"real_records.py"}


@pytest.mark.parametrize("script", ANALYSES, ids=lambda script: script.name)
def test_it_runs(script, tmp_path):
    if script.name in NEEDS_SHARED and not (ROOT.parent / "shared" / "data").is_dir():
        pytest.skip("the real records of ../shared/data are not here")
    done = subprocess.run(
        [sys.executable, str(script), "--out", str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "emergence" in done.stdout
    assert any(tmp_path.iterdir())
