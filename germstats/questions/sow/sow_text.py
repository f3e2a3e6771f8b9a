"""`sow` in words: the sowing table."""

from __future__ import annotations

from germstats.document.sentences import (
    CAUTION,
    day_and_month,
    due_lines,
    note_lines,
    number,
    percent,
    scatter_words,
    spread,
    trouble_lines,
    wrapped,
)
from germstats.document.tables import Table, text_table
from germstats.forecast.extra_trays import BATCH
from germstats.forecast.seeds_per_cell import SowingAdvice, SowingRow

SOW_WORDS = (
    "Chances count what is up by the day under 'by', as late as you looked. They can rise if you "
    "keep checking for longer. 'fill' is what to expect, its range holds nine trays of ten; 'worst "
    "spring' is the chance in a spring like the worst on record (its year); 'pencil' is the rule "
    "that knows no scatter, with the chance it really has; '+1 in 8': sow one tray more for every "
    "eight, because that number does not fill enough of each. A dash: not known."
)


def wanted_words(advice: SowingAdvice) -> str:
    """What the seeds per cell are for."""
    spec = advice.spec
    return (
        f"Seeds per cell so that at least {100 * spec.target:.3g} % of a new tray's cells fill, "
        f"with a chance of {100 * spec.assurance:.3g} % or better."
    )


def seeds_words(row: SowingRow) -> str:
    """Seeds per cell to sow, or pinches where nobody knows their size, and the trays to add to
    every eight.
    """
    extra = ""
    if not row.reaches_target:
        extra = " (too few)" if row.extra_trays is None else f" +{row.extra_trays} in {BATCH}"
    if row.pinches_per_cell is not None:
        pinches = "1 pinch" if row.pinches_per_cell == 1 else f"{row.pinches_per_cell:g} pinches"
        return pinches + extra
    assert row.seeds_per_cell is not None, "seeds or pinches are advised"
    low = int(row.seeds_per_cell)
    return (str(low) if row.seeds_per_cell == low else f"{low},{low + 1}") + extra


def sow_table(advice: SowingAdvice) -> Table:
    """One row per lot and treatment."""
    rows = [
        (
            row.lot,
            row.label,
            seeds_words(row),
            percent(row.chance),
            "-"
            if row.worst_chance is None
            else f"{percent(row.worst_chance)} ({row.worst_season})",
            percent(row.expected_fill),
            spread(percent(row.fill_low), percent(row.fill_high)),
            str(row.cells),
            number(row.pencil_seeds_per_cell),
            "-" if row.pencil_chance is None else percent(row.pencil_chance),
            spread(percent(row.emergence_low), percent(row.emergence_high)),
            day_and_month(row.horizon_on),
            str(row.trays),
        )
        for row in advice.rows
    ]
    header = (
        "lot",
        "cover, treatment",
        "sow",
        "chance %",
        "worst spring %",
        "fill %",
        "range",
        "cells",
        "pencil",
        "its chance %",
        "emerge %",
        "by",
        "trays",
    )
    return header, rows


def sow_text(advice: SowingAdvice) -> str:
    """The whole printed answer of `germstats sow`."""
    return "\n".join(
        [
            wrapped(f"{wanted_words(advice)} {SOW_WORDS}"),
            "",
            text_table(*sow_table(advice), left=2),
            "",
            *trouble_lines(advice.trouble),
            *due_lines(advice.due),
            *note_lines(advice.rows),
            wrapped(f"Scatter: {scatter_words(advice.scatter)}."),
            wrapped("Next: weigh or count out the seed, sow, and keep every check, zeros too."),
            wrapped(CAUTION),
        ]
    )
