"""`germstats review`: why a lot did poorly, and what to do next year."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from germstats.cli.common import (
    PLACE,
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
@click.argument("lots", nargs=-1, metavar="[LOT]...")
@dates_option
@click.option("--season", type=int, metavar="YEAR", help="Season to review; by default the last.")
@click.option("--explain", is_flag=True, help="Add up the points of every cause.")
@click.option(
    "--rules",
    type=PLACE,
    metavar="DIR",
    help="Folder of edited rules that take the place of the package's own.",
)
@fit_options
@json_option
def review(
    book: Path,
    lots: tuple[str, ...],
    dates: str | None,
    season: int | None,
    explain: bool,
    rules: Path | None,
    as_json: bool,
    **settings: Any,
) -> None:
    """Review the lots of a season in BOOK: bad seed, bad tray, bad practice or bad year, and the
    test that tells.
    """
    from germstats.questions.review.review import ReviewSpec
    from germstats.questions.review.review import review as review_book
    from germstats.questions.review.review_text import review_text

    asked = dict(settings)
    spec = ReviewSpec(lots=lots, season=season, rules=rules, fit=fit_spec(settings))
    progress("reading the records")
    found = review_book(opened(book, dates), spec, progress=progress)
    if as_json:
        print_json({"settings": asked, **found.as_record()})
    else:
        click.echo(review_text(found, explain))
