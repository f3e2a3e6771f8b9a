"""`germstats fit`: emergence share and timing per species, lot and treatment."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from germstats.cli.common import (
    book_argument,
    dates_option,
    fit_options,
    fit_settings,
    fit_spec,
    fitted,
    json_option,
    print_json,
    progress,
)


@click.command()
@book_argument
@dates_option
@fit_options
@json_option
def fit(book: Path, dates: str | None, as_json: bool, **settings: Any) -> None:
    """Estimate emergence share and days to half from the records of BOOK, per species, lot and treatment."""
    from germstats.engine.crosscheck import compare_roads, library_road
    from germstats.questions.fit.fit_text import fit_text

    result = fitted(book, dates, fit_spec(settings))
    progress("the libraries' road")
    road = library_road(result.patterns)
    compared = compare_roads(result.rows, road)
    if as_json:
        rows = [row.as_record() for row in result.rows]
        answer = {
            "level": result.spec.level,
            "settings": fit_settings(result),
            "rows": rows,
            "left_out": result.patterns.left_out,
            "due": result.patterns.due,
            "second_road": compared.to_dict("records"),
            "libraries": road.to_frame().to_dict("records"),
        }
        print_json(answer)
    else:
        click.echo(fit_text(result, compared))
