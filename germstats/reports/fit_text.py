"""`fit` in words: estimates beside raw counts, settings, and the libraries' road."""

from __future__ import annotations

from germstats.models.emergence import EmergenceFit
from germstats.models.estimates import RowEstimate
from germstats.reports.sentences import days, note_lines, number, percent, scatter_words, spread, wrapped
from germstats.reports.tables import text_table


def _counts(row: RowEstimate) -> str:
    if row.emerged is not None and row.seeds is not None:
        return f"{row.emerged} of {row.seeds} seeds"
    return f"{number(row.filled)} of {row.cells} cells"


def fit_text(fit: EmergenceFit) -> str:
    """The whole printed answer of `germstats fit`."""
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
    header = ("lot", "cover, treatment", "trays", "seen", "emerge %", "range", "days to half", "range")
    lines = [
        wrapped("Share of seeds that emerge in an average tray of an ordinary spring, and days from sowing until half "
                f"of those have. Ranges hold the truth in {100 * fit.spec.level:.0f} % of cases."),
        "",
        text_table(header, rows, left=2),
        "",
        *_left_out(fit),
        *_notes(fit),
        wrapped(f"Scatter: {scatter_words(fit.spec.scatter)}."),
        wrapped(_cell_words(fit)),
        wrapped(_timing_words(fit)),
    ]  # fmt: skip
    return "\n".join(lines)


def _left_out(fit: EmergenceFit) -> list[str]:
    left_out = fit.patterns.left_out
    if not left_out:
        return []
    return [f"Left out, {len(left_out)} of {len(left_out) + len(fit.patterns.trays)} trays:",
            *(wrapped(f"{tray}: {why}", "  ") for tray, why in left_out.items()), ""]  # fmt: skip


def _notes(fit: EmergenceFit) -> list[str]:
    lines = note_lines((f"{row.lot}, {row.label}", row.notes) for row in fit.rows)
    return ["Notes:", *lines, ""] if lines else []


def _cell_words(fit: EmergenceFit) -> str:
    rho = fit.cell_scatter
    source = (
        f"learnt from {rho.learnt_from} lots counted by cell" if rho.learnt_from else "assumed, no cell was counted"
    )
    return f"Seeds of one cell share their fate: correlation {rho.rho:.2g} ({rho.low:.2g}-{rho.high:.2g}; {source})."


def _timing_words(fit: EmergenceFit) -> str:
    said = ", ".join(f"{name} {choice.family} from {choice.origin}" for name, choice in fit.timing.items())
    return f"Law of timing, by AIC: {said}."
