"""`germstats compare`: covers, or any treatment, side by side."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from germstats.cli.common import (
    Advanced,
    Question,
    book_argument,
    dates_option,
    fit_options,
    fit_spec,
    json_option,
    opened,
    print_json,
    progress,
    settings_of,
)


@click.command(cls=Question)
@book_argument
@dates_option
@click.option(
    "--treatment",
    default="cover",
    show_default=True,
    metavar="NAME",
    help="What to compare: cover, depth (cover and whether it is deep), pretreatment or place.",
)
@click.option(
    "--species", multiple=True, metavar="CODE", help="Only this species; may be repeated."
)
@click.option("--lot", "lots", multiple=True, metavar="LOT", help="Only this lot; may be repeated.")
@click.option(
    "--reference", metavar="LEVEL", help="Held against; by default none, else the commonest."
)
@click.option(
    "--margin",
    type=float,
    default=10.0,
    show_default=True,
    help="Points within which two are practically the same; 5 needs about 60 trays of each.",
)
@click.option(
    "--ratio-margin",
    type=float,
    default=1.25,
    show_default=True,
    metavar="TIMES",
    help="And at most this many times as many seedlings; a pair must pass both.",
)
@click.option(
    "--another-spring-sd",
    cls=Advanced,
    type=float,
    default=0.15,
    show_default=True,
    help="Scatter of an effect between springs, on the logit scale; a setting, not learned.",
)
@fit_options
@json_option
def compare(book: Path, dates: str | None, as_json: bool, **options: Any) -> None:
    """Compare covers, or another treatment, in the records of BOOK: points, cells, days, and a
    plain verdict.
    """
    from germstats.questions.compare.compare import compare as compare_book
    from germstats.questions.compare.compare_text import compare_text
    from germstats.questions.compare.comparison import CompareSpec

    how = fit_spec(options)
    spec = CompareSpec(**options, fit=how)
    progress("reading the records")
    found = compare_book(opened(book, dates), spec, progress=progress)
    if as_json:
        rows = [asdict(row) for row in found.rows]
        print_json(
            {
                "settings": settings_of(spec),
                "rows": rows,
                "apart": found.apart,
                "strays": found.strays,
            }
        )
    else:
        click.echo(compare_text(found))
