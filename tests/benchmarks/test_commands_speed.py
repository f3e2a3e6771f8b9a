"""`sow`, `plan` and `trial` on the demonstration answer in under five seconds after imports, on a machine at rest.

Machines are noisy: the same command took from 3.9 to 5.4 CPU seconds here within one day. So each run is timed beside a
fixed piece of work of the same kind (numpy on small arrays), which took one second where `sow` took 3.9.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from tests.test_datasets import DATASETS

pytestmark = pytest.mark.slow

BAR, PAGE_BAR = 5.0, 15.0  # seconds, where the fixed work takes one
ROUNDS = 81_000


def fixed_work() -> None:
    """One second on the machine at rest: calls, small arrays that come and go, plain Python between them."""
    places = np.arange(600) % 60
    told: dict[int, float] = {}
    for k in range(ROUNDS):
        values = np.where(places > k % 60, 0.5, 0.25) + np.linspace(0.0, 0.1, 600)
        sums = np.bincount(places, weights=np.log(values), minlength=60)
        told[k % 97] = float(sums.max()) + sum(float(one) for one in sums[:20])


def seconds(work: Callable[[], object]) -> float:
    """CPU seconds of this program alone, which runs on one thread."""
    began = time.process_time()
    work()
    return time.process_time() - began


TRIAL = "trial --species PEAT --treatments grit,sand --difference 10"


@pytest.mark.parametrize("command", ["sow", "plan", TRIAL])
def test_answers_in_five_seconds(command):
    def answer() -> None:
        name, *words = command.split()
        told = CliRunner().invoke(main, [name, str(DATASETS / "demonstration"), *words])
        assert told.exit_code == 0, told.output

    answer()  # imports
    rounds = [(seconds(fixed_work), seconds(answer)) for _ in range(5)]
    took = statistics.median(own for _, own in rounds)
    ratio = statistics.median(own / fixed for fixed, own in rounds)
    print(f"{command}: {took:.2f} CPU s, {ratio:.2f} times the fixed work")
    assert ratio < BAR


def test_a_page_in_fifteen_seconds(tmp_path):
    """The demonstration's page, from the command to the file: the work fits into fifteen seconds of two cores.

    By the clock it took 14.3 times the fixed work on two cores at rest; other work beside it soon costs the rest.
    """
    command = [sys.executable, "-m", "germstats", "report", str(DATASETS / "demonstration"), "--force", "-o"]

    def page() -> tuple[float, float]:
        began, before = time.perf_counter(), os.times()
        subprocess.run([*command, str(tmp_path / "page.html")], check=True, capture_output=True)
        after = os.times()
        spent = after.children_user + after.children_system - before.children_user - before.children_system
        return time.perf_counter() - began, spent

    rounds = [(seconds(fixed_work), *page()) for _ in range(5)]
    clock = statistics.median(own / fixed for fixed, own, _ in rounds)
    spent = statistics.median(cpu / fixed for fixed, _, cpu in rounds)
    print(f"report: {clock:.1f} times the fixed work by the clock, {spent:.1f} times in CPU seconds")
    assert spent < 2 * PAGE_BAR
    if clock >= PAGE_BAR:
        pytest.xfail(f"{clock:.1f} times the fixed work by the clock, bar {PAGE_BAR:g}: is the machine at rest?")
