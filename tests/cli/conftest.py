"""Commands are run as if somebody sat before the terminal, so that their progress is seen."""

from __future__ import annotations

import pytest

from germstats.cli import common


@pytest.fixture(autouse=True)
def _somebody_waits(monkeypatch):
    monkeypatch.setattr(common, "somebody_waits", lambda: True)
