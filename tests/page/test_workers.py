"""Work shared among processes: who does what, and what comes of it."""

import os
import time

import pytest

from germstats.errors import WrongUseError
from germstats.page.workers import shared, usable_cores


def refuse():
    raise WrongUseError("not so")


def test_who_asks_for_work_not_taken_up_does_it():
    with shared(1) as begin:
        busy = begin(time.sleep, 1.0)  # takes the only process
        waiting = begin(os.getpid)
        assert waiting() == os.getpid()
        busy()
        taken = begin(os.getpid)
        time.sleep(1.0)
        assert taken() != os.getpid()


def test_results_are_those_of_the_work_and_refusals_its_own():
    with shared(1) as begin:
        results = [begin(pow, 2, k) for k in range(20)]
        wrong = begin(refuse)
        assert [result() for result in reversed(results)] == [2**k for k in reversed(range(20))]
        with pytest.raises(WrongUseError, match="not so"):
            wrong()


def test_without_a_process_who_asks_does_all():
    with shared(0) as begin:
        assert begin(os.getpid)() == os.getpid()


def test_the_cores_counted_are_those_this_process_may_use(monkeypatch):
    monkeypatch.delattr(os, "process_cpu_count", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: 64)
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {3, 5}, raising=False)
    assert usable_cores() == 2
    monkeypatch.delattr(os, "sched_getaffinity")
    assert usable_cores() == 64
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert usable_cores() == 1
    monkeypatch.setattr(os, "process_cpu_count", lambda: 6, raising=False)
    assert usable_cores() == 6
