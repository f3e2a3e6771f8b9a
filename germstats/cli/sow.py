"""`germstats sow`: seeds per cell for a target fill."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from germstats.cli.common import (
    SHARE,
    Question,
    book_argument,
    dates_option,
    fit_options,
    fit_settings,
    fit_spec,
    fitted,
    json_option,
    print_json,
)


@click.command(cls=Question)
@book_argument
@dates_option
@click.option(
    "--target", type=SHARE, default=0.9, show_default=True, help="Share of cells to be filled."
)
@click.option(
    "--assurance", type=SHARE, default=0.8, show_default=True, help="Chance wanted of reaching it."
)
@click.option(
    "--cells", type=int, help="Cells of the new tray; by default those of the lot's latest tray."
)
@click.option(
    "--most-seeds", type=int, help="Most seeds per cell; by default 4, by the pinch 8 on average."
)
@click.option("--mixes", is_flag=True, help="Allow alternating n and n + 1 seeds.")
@fit_options
@json_option
def sow(book: Path, dates: str | None, as_json: bool, **wanted: Any) -> None:
    """Say how many seeds to sow per cell, from the records of BOOK, per species, lot and
    treatment.
    """
    from germstats.forecast.seeds_per_cell import FORECAST_LEVEL, SowingSpec, seeds_per_cell
    from germstats.questions.sow.sow_text import sow_text

    how = fit_spec(wanted)
    spec = SowingSpec(**wanted, fit=how)  # refuses wrong options before the work begins
    result = fitted(book, dates, how)
    advice = seeds_per_cell(result, spec)
    if as_json:
        settings = {**fit_settings(result), **wanted}
        rows = [
            {"target": advice.spec.target, "assurance": advice.spec.assurance, **row.as_record()}
            for row in advice.rows
        ]
        print_json({"level": FORECAST_LEVEL, "settings": settings, "rows": rows, "due": advice.due})
    else:
        click.echo(sow_text(advice))
