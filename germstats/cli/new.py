"""`germstats new`: a blank record book."""

from __future__ import annotations

import shlex
from pathlib import Path

import click


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Overwrite a record book that is there.")
def new(folder: Path, force: bool) -> None:
    """Write a blank record book to DIR: CSV files, and the same as a workbook.

    The workbook has drop-downs and a page that explains every column. Fill either the CSV files or the workbook.
    """
    from germstats.records.workbook import BLANK_WORKBOOK, blank_book

    written = blank_book(folder, force=force)
    sheets = ", ".join(path.name for path in written if path.suffix == ".csv")
    click.echo(
        f"A blank record book is in {folder}:\n"
        f"  {BLANK_WORKBOOK}   one workbook with drop-downs; its first sheet explains every column\n"
        f"  the same as CSV files: {sheets}\n"
        f"  datapackage.json   what each column means, for other programs\n"
        f"\n"
        f"Fill the workbook or the CSV files, not both. What to do next:\n"
        f"  1. trays: one row for each sown tray\n"
        f"  2. checks (filled cells of a tray) or cells (single cells): one row for each look, zeros too\n"
        f"  3. germstats check {shlex.quote(str(folder / BLANK_WORKBOOK))}\n"
        f"     or, for the CSV files, germstats check {shlex.quote(str(folder))}"
    )
