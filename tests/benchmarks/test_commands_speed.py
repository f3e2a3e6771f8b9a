"""`sow` and `plan` on the demonstration answer in under five seconds after imports."""

from __future__ import annotations

import statistics
import time

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from tests.test_datasets import DATASETS

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("command", ["sow", "plan"])
def test_answers_in_five_seconds(command):
    def seconds() -> float:
        began = time.perf_counter()
        told = CliRunner().invoke(main, [command, str(DATASETS / "demonstration")])
        assert told.exit_code == 0, told.output
        return time.perf_counter() - began

    seconds()  # imports
    took = statistics.median(seconds() for _ in range(5))
    print(f"{command}: {took:.2f} s")
    assert took < 5.0
