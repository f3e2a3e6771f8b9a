"""`germstats copy`: a record book in the other form, proved to be the same."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from germstats.cli.common import PLACE, Question, book_argument
from germstats.records.suggesting import some_of

if TYPE_CHECKING:
    from germstats.records.formats.copying import Copied


@click.command(cls=Question)
@book_argument
@click.argument("out", type=PLACE)
@click.option("--force", is_flag=True, help="Overwrite a record book that is there.")
def copy(book: Path, out: Path, force: bool) -> None:
    """Copy BOOK to OUT: a workbook where OUT ends in .xlsx, else a folder of CSV files.

    Every heading and value is copied as it was typed, right or wrong; nothing is judged or mended.
    """
    from germstats.records.formats.copying import copy_book

    click.echo(_said(copy_book(book, out, force=force), book, out))


def _said(copied: Copied, book: Path, out: Path) -> str:
    form = (
        "a workbook"
        if out.suffix.lower() == ".xlsx"
        else f"a folder of {len(copied.rows)} CSV files, with datapackage.json"
    )
    lines = [f"{book} was copied to {out}, {form}:"]
    lines += [
        f"  {name:<8} {rows:>6,} {'row' if rows == 1 else 'rows'}"
        for name, rows in copied.rows.items()
    ]
    lines += ["", "The copy was read back and compared: no value was changed or dropped."]
    if copied.formulas:
        which = "1 formula reads" if copied.formulas == 1 else f"{copied.formulas} formulas read"
        lines.append(
            f"{which} as 0 or as nothing, and so it stands in the copy; to have the result copied, "
            "open and save the workbook in a spreadsheet first."
        )
    if dates := copied.settings.get("dates"):
        lines.append(f"It remembers that dates such as 04/05/2024 are read {dates}.")
    if copied.left_behind:
        lines.append(
            "Left behind, since no table of a record book is called so: "
            f"{some_of(copied.left_behind)}."
        )
    lines += [
        "Write in one of the two from now on, not in both. See that it is read the same:",
        f"  germstats check {shlex.quote(str(out))}",
    ]
    return "\n".join(lines)
