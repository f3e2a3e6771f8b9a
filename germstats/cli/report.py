"""`germstats report`: the season's page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from germstats.cli.common import (
    DAY,
    PLACE,
    SHARE,
    Question,
    book_argument,
    dates_option,
    fit_options,
    fit_spec,
    opened,
    progress,
)
from germstats.cli.files import PAGE, refuse_place


@click.command(cls=Question)
@book_argument
@dates_option
@click.option(
    "-o",
    "--output",
    "page",
    type=PLACE,
    default=Path("season-page.html"),
    show_default=True,
    metavar="FILE.html",
    help="Where to write the page.",
)
@click.option("--force", is_flag=True, help="Overwrite files that are there.")
@click.option(
    "--figures", type=PLACE, metavar="DIR", help="Also write every figure there, as SVG and PNG."
)
@click.option(
    "--on", type=DAY, help="The page as it stood on this day: later records are not used."
)
@click.option(
    "--target", type=SHARE, default=0.9, show_default=True, help="Share of cells to be filled."
)
@click.option(
    "--assurance", type=SHARE, default=0.8, show_default=True, help="Chance wanted of reaching it."
)
@click.option(
    "--order-assurance",
    type=SHARE,
    default=0.9,
    show_default=True,
    help="Chance wanted of an order.",
)
@click.option(
    "--prices", is_flag=True, help="Tell costs and worths, through which clients' prices show."
)
@click.option(
    "--no-backtest",
    is_flag=True,
    help="Leave out how past seasons would have been foretold; quicker.",
)
@fit_options
def report(
    book: Path, dates: str | None, page: Path, force: bool, figures: Path | None, **settings: Any
) -> None:
    """Write everything BOOK tells onto one page, to read on a phone or to print; it needs no
    network.
    """
    import datetime

    from germstats.forecast.order_plan import OrderSpec
    from germstats.forecast.seeds_per_cell import SowingSpec
    from germstats.page.page import season_page
    from germstats.page.pictures import Kind, as_files, begin_lots, draw, on_page
    from germstats.page.season_summary import SummarySpec, begin_account
    from germstats.page.workers import shared, usable_cores
    from germstats.records.writing import must_take_files, put_files

    wanted = SummarySpec(
        sowing=SowingSpec(settings["target"], settings["assurance"]),
        orders=OrderSpec(settings["order_assurance"], settings["target"]),
        on=settings["on"],
        fit=fit_spec(settings),
        prices=settings["prices"],
        past=not settings["no_backtest"],
    )
    refuse_place(page, PAGE, force)
    if figures is not None:
        must_take_files(figures)
    progress("reading the records")
    records = opened(book, dates)
    kinds: tuple[Kind, ...] = ("svg", "png") if figures is not None else ()
    with shared(usable_cores() - 1) as begin:
        begun = begin_account(records, wanted, progress=progress, begin=begin)
        lots = begin_lots(begun, kinds, begin)
        account = begun.finished(progress)
        progress("drawing")
        drawn = draw(account, kinds, begin, lots)
    text = season_page(account, on_page(account, drawn), datetime.date.today())
    files = as_files(drawn, figures) if figures is not None else {}
    put_files({**files, page: text.encode()}, force=force)
    click.echo(f"The season's page is in {page}: open it in a browser, on a phone or on paper.")
    if figures is not None:
        click.echo(f"{len(drawn)} figures are in {figures}, each as SVG and PNG.")
    click.echo("Next: read what matters now, at its top.")
