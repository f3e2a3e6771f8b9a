"""Lots taken as far apart: every command accepts it, those too that forecast trays from others."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from germstats.cli.main import main
from tests.test_datasets import DATASETS


@pytest.mark.parametrize(
    "command",
    [
        ("fit",),
        ("sow",),
        ("watch", "--on", "2026-04-15"),
        ("review", "BASA-24C"),
        ("compare",),
    ],
    ids=lambda command: command[0],
)
def test_commands_accept_lots_far_apart(command: tuple[str, ...]) -> None:
    name, *rest = command
    book = str(DATASETS / "demonstration")
    shown = CliRunner().invoke(main, [name, book, *rest, "--no-pooling", "--json"])
    assert shown.exit_code == 0, shown.output
    answer = json.loads(shown.stdout)
    if name == "fit":
        assert answer["settings"]["pooling"] is False
        assert answer["settings"]["lot_sd"] == 1.5
        assert "lot" not in answer["settings"]["learnt"]
