"""`fit` in words: estimates beside raw counts, settings, and the libraries' road."""

from __future__ import annotations

import pandas as pd

from germstats.models.emergence import EmergenceFit
from germstats.models.estimates import RowEstimate
from germstats.records.parsing import so_many
from germstats.reports.sentences import days, note_lines, number, percent, scatter_words, spread, wrapped
from germstats.reports.tables import Table, text_table


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
            days(row.median_days),
            "-" if row.median_days is None else spread(days(row.median_days_low), days(row.median_days_high)),
        )
        for row in fit.rows
    ]
    return ("lot", "cover, treatment", "trays", "seen", "emerge %", "range", "days to half", "range"), rows


def fit_text(fit: EmergenceFit, compared: pd.DataFrame) -> str:
    """The whole printed answer of `germstats fit`; `compared` is what `compare_roads` returns."""
    lines = [
        wrapped("Share of seeds that emerge in an average tray of an ordinary spring, and days from sowing until half "
                f"of those have. Ranges hold the truth in {100 * fit.spec.level:.0f} % of cases."),
        "",
        text_table(*fit_table(fit), left=2),
        "",
        *_left_out(fit),
        *note_lines(fit.rows),
        wrapped(f"Scatter: {scatter_words(fit.scatter)}."),
        wrapped(cell_words(fit)),
        wrapped(timing_words(fit)),
        *_roads(compared),
        "",
        "Next: germstats sow, for seeds per cell.",
    ]  # fmt: skip
    return "\n".join(lines)


def _left_out(fit: EmergenceFit) -> list[str]:
    left_out = fit.patterns.left_out
    if not left_out:
        return []
    return [f"Left out, {len(left_out)} of {len(left_out) + len(fit.patterns.trays)} trays:",
            *(wrapped(f"{tray}: {why}", "  ") for tray, why in left_out.items()), ""]  # fmt: skip


def cell_words(fit: EmergenceFit) -> str:
    """How far the seeds of one cell share their fate."""
    rho = fit.cell_scatter
    source = (
        f"learnt from {so_many(rho.learnt_from, 'lot')} counted by cell"
        if rho.learnt_from
        else "assumed, no cell was counted"
    )
    return f"Seeds of one cell share their fate: correlation {rho.rho:.2g} ({rho.low:.2g}-{rho.high:.2g}; {source})."


def timing_words(fit: EmergenceFit) -> str:
    """Law of timing of each species."""
    said = ", ".join(f"{name} {choice.family} from {choice.origin}" for name, choice in fit.timing.items())
    return f"Law of timing, by AIC: {said}."


def _roads(compared: pd.DataFrame) -> list[str]:
    """Where the joint model and the libraries' road agree or part, and why."""

    def agreed(column: str) -> str:
        told = compared[column].dropna()
        return f"{int(told.sum())} of {len(told)} rows"

    lines = [
        "",
        wrapped(
            "Worked out a second time by simpler, general-purpose means (statsmodels: regression of the last counts, "
            "errors by tray; lifelines: times of what emerged), the two agree, within two standard errors, in "
            f"{agreed('points_agree')} on the share and in {agreed('days_agree')} on the days."
        ),
    ]
    apart = compared[(compared["points_agree"] != True) | (compared["days_agree"] == False)]  # noqa: E712
    told = apart[apart["why"] != ""].to_dict("records")
    if told:
        lines.append("Where they part: what the simpler means say beyond the table, and what they leave out.")
    for row in told:
        gap = [] if pd.isna(row["points"]) else [f"{row['points']:+.0f} points"]
        gap += [] if pd.isna(row["days"]) else [f"{row['days']:+.0f} days"]
        lines.append(
            wrapped(f"{row['lot']}, {row['treatment']}: {', '.join(gap) or 'no answer there'}; {row['why']}.", "  ")
        )
    return lines
