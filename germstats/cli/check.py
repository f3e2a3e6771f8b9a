"""`germstats check`: what is wrong, unclear or odd in a record book."""

from __future__ import annotations

from pathlib import Path

import click

from germstats.cli.common import (
    Question,
    book_argument,
    dates_option,
    json_option,
    opened,
    print_json,
)


@click.command(cls=Question)
@book_argument
@dates_option
@json_option
@click.option(
    "--all", "show_all", is_flag=True, help="Show every finding, not the first five of each rule."
)
def check(book: Path, dates: str | None, as_json: bool, show_all: bool) -> None:
    """Judge the records of BOOK: every finding with its place and what to do.

    Ends with exit code 1 where a tray is stopped, 0 otherwise.
    """
    from germstats.document.check_text import check_text, severity_counts

    records = opened(book, dates)
    counts = severity_counts(records)
    if as_json:
        columns = ["severity", "table", "row", "column", "value", "rule", "message", "remedy"]
        print_json(
            {
                "level": None,
                "settings": {"dates": records.dates},
                "counts": counts,
                "findings": records.findings[columns].to_dict("records"),
                "accounting": records.accounting.to_dict("records"),
            }
        )
    else:
        click.echo(check_text(records, show_all))
    if counts["stop"]:
        raise click.exceptions.Exit(1)
