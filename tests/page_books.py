"""A small part of the demonstration with hostile names, and its page, made once for all tests of
pages.
"""

from __future__ import annotations

import datetime
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from germstats.demonstration import DEFAULT_SEED, simulate_demo
from germstats.forecast.order_plan import OrderSpec
from germstats.page.page import season_page
from germstats.page.pictures import draw, on_page
from germstats.page.season_summary import SeasonSummary, SummarySpec, account_of
from germstats.questions.compare.comparison import ComparisonVerdict
from germstats.questions.plan.plan import planned_orders
from germstats.records.book import RecordBook, read_book
from germstats.records.formats.workbook import write_book

SPECIES = ("HECY", "MOFI")
HOSTILE = {
    "MOFI-24A": "<script>document.title='owned'</script>",
    "MOFI-22A": "=cmd()\"'><img src=x onerror=alert(1)>",
    "HECY-22A": "\U0001f33c \u05e9\u05dc\u05d5\u05dd {{ 7 * 7 }}",
}
"""Lots renamed to names that would run, break out of an attribute, or turn the text round."""
PRICE = 31337.25


def small_tables(renamed: bool = False) -> dict[str, pd.DataFrame]:
    """Two species of the demonstration: trays, what was seen of them, orders with a telling
    price.
    """
    tables = dict(simulate_demo(DEFAULT_SEED).tables)
    lots = set(tables["lots"].loc[tables["lots"]["species"].isin(SPECIES), "lot"])
    trays = set(tables["trays"].loc[tables["trays"]["lot"].isin(lots), "tray"])
    for name, column, kept in (
        ("species", "species", set(SPECIES)),
        ("lots", "lot", lots),
        ("trays", "lot", lots),
        ("checks", "tray", trays),
        ("cells", "tray", trays),
        ("events", "tray", trays),
        ("maps", "tray", trays),
        ("orders", "species", set(SPECIES)),
    ):
        tables[name] = tables[name][tables[name][column].isin(kept)].reset_index(drop=True)
    of_both = ["HECY", "MOFI", *["HECY"] * (len(tables["orders"]) - 2)]
    tables["orders"] = tables["orders"].assign(
        species=of_both, price=PRICE, client='<b>Larchbank</b> & "Trail"'
    )
    tables["lots"] = tables["lots"].assign(cost_per_gram=2.5)
    if renamed:
        for name in ("lots", "trays"):
            tables[name] = tables[name].assign(lot=tables[name]["lot"].replace(HOSTILE))
    return tables


def small_book(folder, renamed: bool = False) -> RecordBook:
    """`small_tables`, written to a folder and read from it."""
    write_book(small_tables(renamed), folder / "hostile & <i>book</i>")
    return read_book(folder / "hostile & <i>book</i>")


@cache
def hostile_account() -> SeasonSummary:
    """What the page of the hostile book tells."""
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        return account_of(
            small_book(Path(folder), renamed=True), SummarySpec(on=pd.Timestamp(2026, 4, 26))
        )


@cache
def ended_account() -> SeasonSummary:
    """What the page of the same book, names as they were, tells when its last spring is over."""
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        return account_of(small_book(Path(folder)), SummarySpec(past=False))


def few_seeds(account: SeasonSummary, seeds: int) -> SeasonSummary:
    """The account with so few seeds of every lot of HECY in store."""
    lots = account.book.tables["lots"]
    mine = (lots["species"] == "HECY").to_numpy()
    short = lots.assign(
        seeds_left=lots["seeds_left"].astype("Float64").mask(mine, seeds),
        grams_left=lots["grams_left"].mask(mine, np.nan),
    )
    book = replace(account.book, tables={**account.book.tables, "lots": short})
    return replace(account, book=book, plan=planned_orders(account.fit, book, OrderSpec()))


def undecided(account: SeasonSummary, species: str = "MOFI", more: int = 11) -> SeasonSummary:
    """The account with the covers of a species not told apart."""
    assert account.covers is not None
    rows = tuple(
        replace(row, verdict=ComparisonVerdict.CANNOT_TELL, more_trays=more)
        if row.species == species
        else row
        for row in account.covers.rows
    )
    return replace(account, covers=replace(account.covers, rows=rows))


@cache
def hostile_page() -> str:
    """The page of the hostile book, with its figures."""
    account = hostile_account()
    return season_page(account, on_page(account, draw(account)), datetime.date(2026, 11, 26))
