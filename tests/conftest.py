"""Bars that a run misses within what chance or a busy machine explains are reported at its end."""

from __future__ import annotations

import pytest

MISSED = "bar missed"


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
