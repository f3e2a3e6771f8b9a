"""`germstats fit`: emergence share and timing per species, lot and treatment."""

from __future__ import annotations

from pathlib import Path

import click

from germstats.cli.common import (
    book_argument,
    dates_option,
    fitted,
    json_option,
    print_json,
    progress,
    scatter_options,
    scatter_settings,
)


@click.command()
@book_argument
@dates_option
@scatter_options
@json_option
def fit(book: Path, dates: str | None, tray_sd: float, season_sd: float, spring_ends: str, as_json: bool) -> None:
    """Estimate emergence share and days to half from the records of BOOK, per species, lot and treatment."""
    from germstats.models.library_road import compare_roads, library_road
    from germstats.reports.fit_text import fit_text

    result = fitted(book, dates, tray_sd, season_sd, spring_ends)
    progress("the libraries' road")
    road = library_road(result.patterns)
    compared = compare_roads(result.rows, road)
    if as_json:
        settings = scatter_settings(result)
        print_json({"level": result.spec.level, "settings": settings, "rows": [row.as_record() for row in result.rows],
                    "left_out": result.patterns.left_out, "second_road": compared.to_dict("records"),
                    "libraries": road.to_frame().to_dict("records")})  # fmt: skip
    else:
        click.echo(fit_text(result, compared))
