"""`germstats backtest`: past seasons forecast from the seasons before them."""

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
    fit_spec,
    json_option,
    opened,
    print_json,
    progress,
)


@click.command(cls=Question)
@book_argument
@dates_option
@click.option(
    "--target",
    type=SHARE,
    default=0.9,
    show_default=True,
    help="Share of cells to be filled.",
)
@fit_options
@json_option
def backtest(book: Path, dates: str | None, target: float, as_json: bool, **settings: Any) -> None:
    """Hold what the forecasts would have promised in past seasons of BOOK against what came."""
    from germstats.questions.backtest.backtest import back_test
    from germstats.questions.backtest.backtest_text import backtest_text
    from germstats.questions.backtest.result import BackTestSpec

    asked = dict(settings)
    spec = BackTestSpec(target=target, fit=fit_spec(settings))
    progress("reading the records")
    test = back_test(opened(book, dates), spec, progress=progress)
    if as_json:
        print_json({"settings": asked, **test.as_record()})
    else:
        click.echo(backtest_text(test))
