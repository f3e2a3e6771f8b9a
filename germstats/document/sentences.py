"""Numbers and settings in a grower's words: two figures are enough."""

from __future__ import annotations

import datetime
import textwrap
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # `check` and `new` speak through this module and need none of the estimating
    from germstats.engine.estimates import RowEstimate
    from germstats.engine.fit import ScatterEstimate
    from germstats.engine.trouble import FitTrouble
    from germstats.forecast.seeds_per_cell import SowingRow

WIDTH = 100


def percent(share: float) -> str:
    """A share as whole per cent; ends are never claimed to be certain."""
    if share < 0.005:
        return "<1"
    return ">99" if share > 0.995 else f"{100 * share:.0f}"


def spread(low: str, high: str) -> str:
    """A range for a table; ends such as ``<1`` and ``>99`` are held to 1 and 99, as a sign in it
    reads as an arrow, but for a range that lies beyond them.
    """
    if low == high and low.startswith(("<", ">")):
        return low
    if low == "<1" and high == "1":
        return "0-1"
    if low == "99" and high == ">99":
        return "99-100"
    return f"{low.lstrip('<>')}-{high.lstrip('<>')}"


def days(value: float | None) -> str:
    """Whole days, or a dash where no time can be told."""
    return "-" if value is None else f"{value:.0f}"


def day_and_month(day: datetime.date | None) -> str:
    """A day of any year: 4 May; a dash where none is known."""
    return "-" if day is None else f"{day.day} {day:%b}"


def due_lines(due: Mapping[str, int]) -> list[str]:
    """Lots that need two winters and of which nothing can be said yet; no line where there
    is none.
    """
    if not due:
        return []
    said = ", ".join(f"{lot} (due in spring {year})" for lot, year in due.items())
    return [wrapped(f"Not counted yet, since they need two winters: {said}."), ""]


_TROUBLE = {
    "few draws count": "Take the ranges as rough: few of the values tried for how "
    "much trays and lots differ "
    "really count (worth {share:.0f} % of them). More trays or seasons will help.",
    "search not ended": "Take the ranges as rough: "
    "the search for how much trays and lots differ did not finish.",
    "effects not ended": "Take the ranges as rough: for {share:.0f} % of the values "
    "tried, the estimates of single "
    "trays and lots did not settle.",
}


def trouble_lines(trouble: Iterable[FitTrouble]) -> list[str]:
    """What went less than well in a fit; no line where nothing did."""
    said = [wrapped(_TROUBLE[one.kind].format(share=100 * (one.share or 0.0))) for one in trouble]
    return [*said, ""] if said else []


def number(value: int | None) -> str:
    """A count, or a dash where it is not known."""
    return "-" if value is None else str(value)


def wrapped(text: str, indent: str = "") -> str:
    """Fold a paragraph."""
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


_KINDS = {
    "tray": "trays of one lot",
    "lot": "lots of one species",
    "species": "species",
    "place": "places in one spring",
    "season": "springs",
}
_COUNTED = {"tray": "trays", "lot": "lots", "species": "species", "place": "places in a spring"}
_OPTIONS = {"tray": "--tray-sd ", "season": "--season-sd "}


def points_at_60(sd: float) -> str:
    """What a scatter on the logit scale is in points where 60 % come: the slope p(1 - p) there is
    .24.
    """
    return f"{100 * 0.24 * sd:.0f}"


def scatter_words(scatter: Iterable[ScatterEstimate]) -> str:
    """How far trays, lots, species, places and springs lie apart, in points at 60 %, and what that
    rests on.
    """
    points, said = points_at_60, []
    for one in scatter:
        if one.low is not None and one.high is not None:
            source = f"{points(one.low)}-{points(one.high)}; {_learnt(one)}"
        else:
            source = f"taken as given, {_OPTIONS.get(one.name, '')}{one.sd:g}"
        said.append(
            f"{_KINDS[one.name]} differ by about +-{points(one.sd)} points at 60 % ({source})"
        )
    return ", ".join(said)


def _learnt(one: ScatterEstimate) -> str:
    """What a scatter was learned from; a single one says nothing about any."""
    return (
        f"learnt from {one.groups} {_COUNTED[one.name]}"
        if one.groups > 1
        else "assumed, one alone tells of none"
    )


def note_lines(rows: Iterable[RowEstimate | SowingRow]) -> list[str]:
    """Notes under a table, one paragraph per row that has any; no line where none has."""
    lines = [
        wrapped(f"{row.lot}, {row.label}: {'; '.join(row.notes)}.", "  ")
        for row in rows
        if row.notes
    ]
    return ["Notes:", *lines, ""] if lines else []


STORE_AFTER = (
    "Sowing takes no seed off the book. When all trays of a lot are sown, write what is left of it "
    "into the table lots: column seeds_left where that is filled (it goes first), else grams_left. "
    "Else the next plan counts the same seed again."
)
CAUTION = (
    "Dry sand, grit, perlite and vermiculite make dust that harms lungs: wet them first, work "
    "outdoors or aired. These are estimates from your own records, without warranty."
)
