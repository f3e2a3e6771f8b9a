"""What all tests share: books and fits asked for twice are made once, and bars that a run misses
within what chance or a busy machine explains are reported at its end.
"""

from __future__ import annotations

import shutil

import pytest

from tests import sharing

MISSED = "bar missed"
SHELF = "shared-books-and-fits"


def pytest_sessionstart(session):
    """Before any test module is imported; workers share the folder of the process that began
    them.
    """
    base = session.config._tmp_path_factory.getbasetemp()
    worker = hasattr(session.config, "workerinput")
    shelf = (base.parent if worker else base) / SHELF
    shelf.mkdir(exist_ok=True)
    sharing.share(shelf)


def pytest_sessionfinish(session):
    """The shelf may hold a gigabyte."""
    if not hasattr(session.config, "workerinput"):
        base = session.config._tmp_path_factory.getbasetemp()
        shutil.rmtree(base / SHELF, ignore_errors=True)


@pytest.fixture(autouse=True)
def _sharing(request):
    """Tests marked ``apart`` share nothing: those of how a book is read or a fit comes about."""
    if request.node.get_closest_marker("apart") is None:
        yield
        return
    with sharing.apart():
        yield


@pytest.fixture
def report_missed(record_property):
    """Have a sentence on a missed bar printed in the summary; it excuses no assertion."""
    return lambda said: record_property(MISSED, said)


def pytest_terminal_summary(terminalreporter):
    """Print what `report_missed` was given, whatever became of the test."""
    said = [
        f"{report.nodeid}: {text}"
        for reports in terminalreporter.stats.values()
        for report in reports
        if getattr(report, "when", None) == "call"
        for name, text in report.user_properties
        if name == MISSED
    ]
    if said:
        terminalreporter.section("bars missed")
        terminalreporter.write_line("\n".join(said))
