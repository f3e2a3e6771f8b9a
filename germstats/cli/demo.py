"""`germstats demo`: the record book of an invented nursery."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from germstats.cli.common import PLACE, Question


@click.command(cls=Question)
@click.argument("folder", metavar="[DIR]", default="demonstration", type=PLACE)
@click.option("--force", is_flag=True, help="Overwrite a record book that is there.")
@click.option(
    "--seed",
    type=click.IntRange(min=0),
    help="Any whole number: draws another nursery of the same kind.",
)
def demo(folder: Path, force: bool, seed: int | None) -> None:
    """Write the record book of an invented nursery to DIR (a folder, or a workbook ending in
    .xlsx).

    Without DIR it goes to a folder called demonstration. The mistakes growers make are in it, on
    purpose.
    """
    from germstats.demonstration import DEFAULT_SEED, simulate_demo
    from germstats.demonstration.nursery import NAME, SEASONS
    from germstats.records.formats.workbook import write_book

    book = simulate_demo(DEFAULT_SEED if seed is None else seed)
    write_book(book.tables, folder, force=force)
    counts = [(name, len(table)) for name, table in book.tables.items() if len(table)]
    lines = "\n".join(
        f"  {name:<8} {rows:>6,} {'row' if rows == 1 else 'rows'}" for name, rows in counts
    )
    click.echo(
        f"The record book of {NAME} is in {folder}:\n"
        f"{lines}\n"
        f"\n"
        f"{NAME} is invented, seasons {min(SEASONS)} to {max(SEASONS)}, and so is every number in "
        "the book.\n"
        f"Some of its entries are wrong or odd on purpose. See what is found:\n"
        f"  germstats check {shlex.quote(str(folder))}"
    )
