"""`fit` in words: estimates beside raw counts, settings, and the libraries' road where it was asked
for.
"""

from __future__ import annotations

import pandas as pd

from germstats.document.sentences import (
    day_and_month,
    days,
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
from germstats.engine.cell_scatter import CellScatter
from germstats.engine.estimates import RowEstimate
from germstats.engine.fit import EmergenceFit
from germstats.records.checking.parsing import so_many


def _counts(row: RowEstimate) -> str:
    if row.emerged is not None and row.seeds is not None:
        return f"{row.emerged} of {so_many(row.seeds, 'seed')}"
    return f"{number(row.filled)} of {so_many(row.cells, 'cell')}"


def fit_table(fit: EmergenceFit) -> Table:
    """One row per lot and treatment, raw counts beside the estimates."""
    rows = [
        (
            row.lot,
            row.label,
            number(row.trays),
            _counts(row),
            percent(row.emergence),
            spread(percent(row.emergence_low), percent(row.emergence_high)),
            day_and_month(row.horizon_on),
            later_words(row),
            days(row.median_days),
            "-"
            if row.median_days is None
            else spread(days(row.median_days_low), days(row.median_days_high)),
        )
        for row in fit.rows
    ]
    header = (
        "lot",
        "cover, treatment",
        "trays",
        "seen",
        "emerge %",
        "range",
        "by",
        "later %",
        "days to half",
        "range",
    )
    return header, rows


def later_words(row: RowEstimate) -> str:
    """What may still come after the day a row is told by, in percent of its seeds; a dash where not
    known.
    """
    if row.later_low is None or row.later_high is None:
        return "-"
    return spread(percent(row.later_low), percent(row.later_high))


def fit_text(fit: EmergenceFit, compared: pd.DataFrame | None = None) -> str:
    """The whole printed answer of `germstats fit`.

    Parameters
    ----------
    fit : EmergenceFit
    compared : pandas.DataFrame, optional
        What `compare_with_libraries` returns; without it nothing is said of the libraries.
    """
    lines = [
        wrapped(
            "How much of each lot comes up in an average tray of an ordinary spring, counted to "
            f"the day under 'by', as late as you looked. Ranges are {100 * fit.spec.level:.0f} %. "
            "'later' is what may still come up between that day and the end of spring. No other "
            "figure here counts on it. 'days to half' runs from sowing until half of those "
            "seedlings are up."
        ),
        "",
        text_table(*fit_table(fit), left=2),
        "",
        *trouble_lines(fit.trouble),
        *due_lines(fit.patterns.due),
        *_left_out(fit),
        *note_lines(fit.rows),
        wrapped(f"Scatter: {scatter_words(fit.scatter)}."),
        wrapped(cell_words(fit)),
        wrapped(timing_words(fit)),
        *([] if compared is None else _roads(compared)),
        "",
        "Next: germstats sow, for seeds per cell.",
    ]
    return "\n".join(lines)


def _left_out(fit: EmergenceFit) -> list[str]:
    left_out = fit.patterns.left_out
    if not left_out:
        return []
    return [
        f"Left out, {len(left_out)} of {len(left_out) + len(fit.patterns.trays)} trays:",
        *(wrapped(f"{tray}: {why}", "  ") for tray, why in left_out.items()),
        "",
    ]


def cell_words(fit: EmergenceFit) -> str:
    """How far the seeds of one cell share their fate."""
    rho = fit.cell_scatter
    return (
        f"Seeds of one cell share their fate: correlation {rho.rho:.2g} "
        f"({rho.low:.2g}-{rho.high:.2g}; {cell_source(rho)})."
    )


def cell_source(rho: CellScatter) -> str:
    """Where what is said of seeds of one cell comes from."""
    if rho.learned and rho.learned_from:
        return f"learned from {so_many(rho.learned_from, 'lot')} counted by cell"
    if rho.learned:
        return "learned from trays sown with different numbers of seeds"
    return "assumed, not from your records"


def timing_words(fit: EmergenceFit) -> str:
    """Law of timing of each species."""
    said = ", ".join(
        f"{name} {choice.family} from {choice.origin}" for name, choice in fit.timing.items()
    )
    return f"Law of timing, by AIC: {said}."


def _roads(compared: pd.DataFrame) -> list[str]:
    """Where the joint model and the libraries' road agree or part, and why."""

    def agreed(column: str) -> str:
        told = compared[column].dropna()
        return f"{int(told.sum())} of {len(told)} rows"

    lines = [
        "",
        wrapped(
            "Worked out a second time by simpler, general-purpose means (statsmodels: regression "
            "of the last counts, errors by tray; lifelines: times of what emerged), the two "
            f"agree, within two standard errors, in {agreed('points_agree')} on the share and in "
            f"{agreed('days_agree')} on the days."
        ),
    ]
    apart = compared[(compared["points_agree"] != True) | (compared["days_agree"] == False)]  # noqa: E712
    told = apart[apart["why"] != ""].to_dict("records")
    if told:
        lines.append(
            "Where they part: what the simpler means say beyond the table, and what they leave out."
        )
    for row in told:
        gap = [] if pd.isna(row["points"]) else [f"{row['points']:+.0f} points"]
        gap += [] if pd.isna(row["days"]) else [f"{row['days']:+.0f} days"]
        lines.append(
            wrapped(
                f"{row['lot']}, {row['treatment']}: {', '.join(gap) or 'no answer there'}; "
                f"{row['why']}.",
                "  ",
            )
        )
    return lines
