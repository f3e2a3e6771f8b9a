"""`germstats plan`: orders into trays, weights, dates and a collecting list."""

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
    json_option,
)


@click.command(cls=Question)
@book_argument
@dates_option
@click.option(
    "--assurance",
    type=SHARE,
    default=0.9,
    show_default=True,
    help="Chance wanted of every plug ordered.",
)
@click.option(
    "--target",
    type=SHARE,
    default=0.9,
    show_default=True,
    help="Share of a tray's cells to be filled.",
)
@click.option(
    "--losses",
    type=SHARE,
    help="Average share of seedlings lost later; by default from your records.",
)
@click.option(
    "--reserve", type=SHARE, default=0.1, show_default=True, help="Share of every lot kept back."
)
@click.option(
    "--lot", "lots", multiple=True, metavar="LOT", help="Use only this lot; may be repeated."
)
@click.option(
    "--season", type=int, help="First spring of the sowing; by default the next after the book's."
)
@click.option("--cells", type=int, help="Cells of a tray; by default those of each lot's latest.")
@click.option("--most-seeds", type=int, help="Most seeds per cell; by default 4, by the pinch 8.")
@click.option(
    "--most-trays", type=int, default=60, show_default=True, help="Most trays of one order line."
)
@click.option(
    "--by-value", is_flag=True, help="Share scarce seed by value alone, whatever the priorities."
)
@click.option("--prick-out", is_flag=True, help="Extra seedlings fill empty cells.")
@click.option(
    "--taproot",
    multiple=True,
    metavar="CODE",
    help="Never prick out this species; may be repeated.",
)
@click.option(
    "--thinning-cost",
    type=float,
    default=0.0,
    show_default=True,
    help="Money for thinning one seedling.",
)
@click.option("--cell-cost", type=float, default=0.0, show_default=True, help="Money for one cell.")
@click.option(
    "--grow-weeks", type=float, default=0.0, show_default=True, help="Weeks from seedling to plug."
)
@fit_options
@json_option
def plan(book: Path, dates: str | None, as_json: bool, **settings: Any) -> None:
    """Plan trays, seed and dates for the orders in BOOK; shortfalls first, what to collect last."""
    from germstats.cli.common import fit_settings, fit_spec, opened, print_json, progress
    from germstats.engine.fit import fit_emergence
    from germstats.forecast.demand import order_lines
    from germstats.forecast.order_plan import OrderSpec
    from germstats.questions.plan.next_sowings import plan_and_sown
    from germstats.questions.plan.plan_text import plan_text

    how = fit_spec(settings)
    spec = OrderSpec(**settings, fit=how)  # refuses wrong options before the work begins
    progress("reading the records")
    records = opened(book, dates)
    order_lines(records)  # so does an orders table that cannot be planned
    fit = fit_emergence(records, how, progress=progress)
    progress("planning the orders")
    answer, _, already = plan_and_sown(fit, records, spec)
    if as_json:
        print_json({"settings": {**fit_settings(fit), **settings}, **answer.as_record()})
    else:
        click.echo(plan_text(answer, already.sown))
