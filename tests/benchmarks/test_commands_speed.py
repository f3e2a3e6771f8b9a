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
        began = time.process_time()  # of this program alone, on one thread: what else the machine does is not timed
        told = CliRunner().invoke(main, [command, str(DATASETS / "demonstration")])
        assert told.exit_code == 0, told.output
        return time.process_time() - began

    seconds()  # imports
    took = statistics.median(seconds() for _ in range(5))
    print(f"{command}: {took:.2f} s")
    assert took < 5.0
