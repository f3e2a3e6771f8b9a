"""Arguments and options that several commands share, and the two ways a command speaks."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click

Command = Callable[..., Any]


def book_argument(command: Command) -> Command:
    """Add the argument BOOK: a folder of CSV files or a workbook."""
    return click.argument("book", type=click.Path(path_type=Path))(command)


def dates_option(command: Command) -> Command:
    """Add ``--dates``, which settles how 04/05/2024 is read."""
    return click.option(
        "--dates",
        type=click.Choice(["day-first", "month-first"]),
        help="How dates such as 04/05/2024 are written; without it they are refused, never guessed.",
    )(command)


def json_option(command: Command) -> Command:
    """Add ``--json``; the command receives it as `as_json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON object, for scripts.")(command)


def progress(words: str) -> None:
    """Say on standard error what is being worked on, so that standard output holds the answer only."""
    click.echo(f"{words} ...", err=True)


def print_json(content: Mapping[str, object]) -> None:
    """Print one JSON object; numbers that are not there (NaN) become null."""
    click.echo(json.dumps(_plain(content), indent=2, ensure_ascii=False, allow_nan=False))


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):  # a number of numpy
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return None if str(value) in ("<NA>", "NaT") else value
