"""`germstats fit`: emergence share and timing per species, lot and treatment."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from germstats.cli.common import (
    Question,
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

if TYPE_CHECKING:
    import pandas as pd

    from germstats.engine.fit import EmergenceFit


@click.command(cls=Question)
@book_argument
@dates_option
@fit_options
@click.option(
    "--crosscheck",
    is_flag=True,
    help="Also estimate everything with general-purpose libraries "
    "(statsmodels, lifelines) and say where the two "
    "disagree. Takes longer.",
)
@json_option
def fit(book: Path, dates: str | None, crosscheck: bool, as_json: bool, **settings: Any) -> None:
    """Estimate emergence share and days to half from the records of BOOK, per species, lot and
    treatment.
    """
    from germstats.questions.fit.fit_text import fit_text

    result = fitted(book, dates, fit_spec(settings))
    compared, libraries = _cross_checked(result) if crosscheck else (None, None)
    if as_json:
        rows = [row.as_record() for row in result.rows]
        answer = {
            "level": result.spec.level,
            "settings": fit_settings(result),
            "rows": rows,
            "left_out": result.patterns.left_out,
            "due": result.patterns.due,
        }
        if compared is not None and libraries is not None:
            answer["second_road"] = compared.to_dict("records")
            answer["libraries"] = libraries.to_dict("records")
        print_json(answer)
    else:
        click.echo(fit_text(result, compared))


def _cross_checked(result: EmergenceFit) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Where the fit and the general-purpose libraries agree or part, and the libraries' own
    estimates.
    """
    from germstats.engine.crosscheck import compare_with_libraries, library_estimates

    progress("estimating again with general-purpose libraries")
    road = library_estimates(result.patterns)
    return compare_with_libraries(result.rows, road), road.to_frame()
