"""`germstats watch`: the season under way, tray by tray."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from germstats.cli.common import (
    DAY,
    Question,
    book_argument,
    dates_option,
    fit_options,
    fit_spec,
    json_option,
    opened,
    print_json,
    progress,
)


@click.command(cls=Question)
@book_argument
@dates_option
@click.option(
    "--on",
    type=DAY,
    help="The day to look from; later records are not used. By default the newest one.",
)
@click.option("--lot", "lots", multiple=True, metavar="LOT", help="Only this lot; may be repeated.")
@click.option(
    "--plug-value", type=float, help="Money for a plug; by default the middle price of the orders."
)
@click.option(
    "--holding-cost",
    type=float,
    default=0.5,
    show_default=True,
    help="Money for holding a tray a week.",
)
@click.option(
    "--base",
    "base_c",
    type=float,
    default=4.0,
    show_default=True,
    help="Temperature (C) above which heat counts, where weather is written down.",
)
@fit_options
@json_option
def watch(book: Path, dates: str | None, as_json: bool, **options: Any) -> None:
    """Say of every tray of BOOK under way what is still to come, which are overdue, and what to do
    with them.
    """
    from germstats.questions.watch.spec import WatchSpec
    from germstats.questions.watch.watch import watch as watch_book
    from germstats.questions.watch.watch_text import watch_text

    how = fit_spec(options)
    progress("reading the records")
    records = opened(book, dates)
    spec = WatchSpec(**options, fit=how)
    found = watch_book(records, spec, progress=progress)
    if as_json:
        print_json(found.as_record())
    else:
        click.echo(watch_text(found))
