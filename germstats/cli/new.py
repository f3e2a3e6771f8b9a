"""`germstats new`: a blank record book, or a page to note checks on a phone."""

from __future__ import annotations

from pathlib import Path

import click

from germstats.cli.common import PLACE, Question, dates_option
from germstats.cli.files import PAGE, refuse_place
from germstats.errors import WrongUseError


@click.command(cls=Question)
@click.argument("folder", metavar="[DIR]", required=False, type=PLACE)
@click.option(
    "--example", is_flag=True, help="Put a workbook of invented records beside it, to look at."
)
@click.option("--check-page", "paged", is_flag=True, help="Write a page to note checks on a phone.")
@click.option(
    "--for",
    "book",
    metavar="BOOK",
    type=PLACE,
    help="Put the trays of this book on the page; then leave DIR out.",
)
@click.option(
    "--season",
    type=int,
    help="First spring of the trays on the page; by default the book's latest.",
)
@click.option(
    "-o",
    "--output",
    "page",
    type=PLACE,
    metavar="FILE.html",
    help="Where to write the page; by default check-page.html in DIR, else in this folder.",
)
@dates_option
@click.option("--force", is_flag=True, help="Overwrite what is there.")
def new(
    folder: Path | None,
    example: bool,
    paged: bool,
    book: Path | None,
    season: int | None,
    page: Path | None,
    dates: str | None,
    force: bool,
) -> None:
    """Write a blank record book to DIR, as CSV files and as a workbook; or a page to note checks on
    a phone.

    The workbook has drop-downs and a page that explains every column. Fill either the CSV files or
    the workbook.
    """
    place = page or (folder or Path()) / "check-page.html"
    for wrong, why in (
        (
            not paged and bool(book or season is not None or page),
            "--for, --season and -o go with --check-page; add it",
        ),
        (
            folder is None and not paged,
            "name a folder for the blank book, such as records, or add --check-page",
        ),
        (
            folder is not None and book is not None,
            "--for takes the trays of a book that is there; leave DIR out",
        ),
        (
            season is not None and book is None,
            "--season chooses trays of a book; name the book with --for",
        ),
        (example and folder is None, "--example goes with a folder for the blank book; name one"),
    ):
        if wrong:
            raise WrongUseError(why)
    if paged:
        refuse_place(place, PAGE, force)
    if folder is not None:
        from germstats.document.new_text import blank_book_text
        from germstats.records.formats.workbook import blank_book, example_book

        click.echo(blank_book_text(folder, blank_book(folder, force=force)))
        if example:
            click.echo(
                f"Invented records, to look at only, are in {example_book(folder, force=force)}."
            )
    if paged:
        from germstats.cli.common import opened
        from germstats.document.new_text import check_page_text
        from germstats.phone.check_page import check_page
        from germstats.records.writing import put_files

        records = None if book is None else opened(book, dates)
        made = check_page(records, season, {} if records is None else records.headings)
        put_files({place: made.html.encode()}, force=force)
        click.echo(check_page_text(place, book or folder, made.trays if book else None))
