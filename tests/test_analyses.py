"""Every analysis runs from its first line to its last."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

import matplotlib as mpl
import pytest

ROOT = Path(__file__).parents[1]
REAL_RECORDS = ROOT / "analyses" / "real_records.py"
OF_A_BOOK = sorted(set((ROOT / "analyses").glob("*.py")) - {REAL_RECORDS})


def runs(script: Path, out: Path, *options: str) -> None:
    """Run a script as its command line would."""
    # a script may set the style of its figures as it likes
    with pytest.MonkeyPatch.context() as patch, mpl.rc_context():
        patch.setattr(sys, "argv", [str(script), "--out", str(out), *options])
        runpy.run_path(str(script), run_name="__main__")


@pytest.mark.parametrize("script", OF_A_BOOK, ids=lambda script: script.name)
def test_it_runs(script, tmp_path, capsys):
    runs(script, tmp_path)
    assert "emergence" in capsys.readouterr().out
    assert any(tmp_path.iterdir())


@pytest.mark.parametrize(
    "sets", [("mesquite",), pytest.param((), marks=pytest.mark.slow)], ids=["one set", "all"]
)
def test_real_records_run(sets, tmp_path, capsys):
    if not (ROOT.parent / "shared" / "data").is_dir():
        pytest.skip("the real records of ../shared/data are not here")
    runs(REAL_RECORDS, tmp_path, *(("--sets", *sets) if sets else ()))
    assert "emergence" in capsys.readouterr().out
    assert any(tmp_path.iterdir())
