"""`germstats sheets`: paper for the potting bench, as pages to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from germstats.cli.common import PLACE, Question, book_argument, dates_option
from germstats.cli.files import PAGE, refuse_place
from germstats.cli.plan import plan
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.records.tables import TABLES

if TYPE_CHECKING:
    from germstats.forecast.reconcile import NextSowings

_NEXT = {
    "sowing": "open it in a browser and print it; weigh out the seed, and write sown_on as you sow",
    "checks": (
        "open it in a browser and print it; copy the pencil into checks, cells, events and maps, "
        "zeros too"
    ),
    "labels": "open it in a browser, print it and cut along the broken lines",
}


@click.command(cls=Question)
@book_argument
@dates_option
@click.option(
    "--kind", type=click.Choice(["sowing", "checks", "labels"]), required=True, help="Which sheet."
)
@click.option(
    "-o",
    "--output",
    "page",
    type=PLACE,
    metavar="FILE.html",
    help="Where to write it; by default <kind>-sheet.html in this folder.",
)
@click.option(
    "--season",
    type=int,
    help="Spring; by default the book's latest, of what is to be sown the one after.",
)
@click.option(
    "--next",
    "to_come",
    is_flag=True,
    help="Labels of the trays to be sown, not of those that were.",
)
@click.option(
    "--trays",
    "rows",
    type=PLACE,
    metavar="FILE.csv",
    help="Also write the trays to be sown as rows of the table trays, sown_on blank.",
)
@click.option("--force", is_flag=True, help="Overwrite files that are there.")
def sheets(
    book: Path,
    dates: str | None,
    kind: str,
    page: Path | None,
    season: int | None,
    to_come: bool,
    rows: Path | None,
    force: bool,
    **settings: Any,
) -> None:
    """Write a page to print from BOOK: trays to sow for the orders, check sheets of a season, or
    labels.

    --lot picks trays of any sheet; other settings of the plan, such as --assurance, bear on what is
    to be sown.
    """
    from germstats.records.writing import put_files

    page = page or Path(f"{kind}-sheet.html")
    planned = kind == "sowing" or to_come
    if to_come and kind != "labels":
        raise WrongUseError(
            "--next goes with --kind labels; a sowing sheet is of the next trays anyhow, and trays "
            "not yet sown have nothing to check."
        )
    if rows is not None and not planned:
        raise WrongUseError(
            "--trays writes trays to be sown; ask for them with --kind sowing or --kind labels "
            "--next."
        )
    refuse_place(page, PAGE, force)
    if rows is not None:
        refuse_place(rows, (".csv",), force)
        if (
            book.is_dir()
            and rows.resolve().parent == book.resolve()
            and rows.stem.lower() in TABLES
        ):
            raise WrongUseError(
                f"{rows} is a table of the book itself; name another file, such as to-sow.csv."
            )
    if not planned:
        text, number = _season_page(book, dates, kind, (season, settings["lots"]))
        from germstats.records.checking.parsing import so_many

        told = so_many(number, "tray")
    else:
        found, source = _next(
            book, dates, settings | {"season": season}, kind == "labels" or rows is not None
        )
        text, told = _next_page(found, source, kind), _told(found)
        if rows is not None:
            rows_told = _write_rows(found, rows, force)
    put_files({page: text.encode("utf-8")}, force=force)
    click.echo(f"The {kind} sheet is in {page}: {told.rstrip('.')}.")
    if rows is not None:
        click.echo(rows_told)
    click.echo(f"Next: {_NEXT[kind]}.")


# the settings of `plan`, taken as they are so that paper and plan cannot part
_OWN = {option.name for option in sheets.params} | {"as_json"}
sheets.params += [option for option in plan.params if option.name not in _OWN]


def _season_page(
    book: Path, dates: str | None, kind: str, asked: tuple[int | None, tuple[str, ...]]
) -> tuple[str, int]:
    from germstats.cli.common import opened
    from germstats.questions.sheets.sheets import check_sheets, label_sheet, labels_of
    from germstats.records.bench_order import bench_of

    records = opened(book, dates)
    bench = bench_of(records, *asked)
    if kind == "checks":
        return check_sheets(bench, records.source), len(bench.trays)
    return label_sheet(labels_of(bench.own), bench.season, records.source), len(bench.own)


def _next(
    book: Path, dates: str | None, settings: dict[str, Any], ordered_only: bool
) -> tuple[NextSowings, str]:
    """What to sow next, and the name of the book; `ordered_only` refuses a book without orders."""
    from germstats.cli.common import fit_spec, opened, progress
    from germstats.engine.fit import fit_emergence
    from germstats.forecast.order_plan import OrderSpec
    from germstats.questions.plan.next_sowings import next_sowings, why_no_orders

    how = fit_spec(settings)
    spec = OrderSpec(**settings, fit=how)  # refuses wrong options before the work begins
    progress("reading the records")
    records = opened(book, dates)
    # refuses an orders table that cannot be planned before the work begins
    why = why_no_orders(records)
    if ordered_only and why:
        raise NotEnoughRecordsError(why)
    fit = fit_emergence(records, how, progress=progress)
    progress("planning the orders")
    return next_sowings(fit, records, spec), records.source


def _told(found: NextSowings) -> str:
    """How many trays the page holds, and which it leaves out."""
    count = len(found.trays)
    if not found.plan:
        return f"{count} lines, for seed of which no order tells how many trays. {found.no_orders}"
    told = f"{count} {'tray' if count == 1 else 'trays'}"
    return (
        f"{told}, and not {found.already.sown} more, which the book holds as sown"
        if found.already.sown
        else told
    )


def _next_page(found: NextSowings, source: str, kind: str) -> str:
    from germstats.questions.sheets.sheets import label_sheet, labels_to_come, sowing_sheet

    if kind == "labels":
        return label_sheet(labels_to_come(found.trays), found.season, source)
    return sowing_sheet(found, source)


def _write_rows(found: NextSowings, rows: Path, force: bool) -> str:
    """Write the rows that the book does not hold yet, and say what to do with them."""
    from germstats.forecast.trays_to_sow import trays_frame
    from germstats.records.formats.workbook import write_table

    new = [one for one in found.trays if one.tray not in found.already.written]
    if not new:
        return (
            f"{rows} was not written: the rows of these trays stand in the table trays already; "
            "fill sown_on there."
        )
    write_table("trays", trays_frame(new), rows, force=force)
    return (
        f"Rows for the table trays are in {rows}: fill sown_on, add them to the table, then run "
        "check."
    )
