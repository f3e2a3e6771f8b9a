"""From numbers to words: Holm within a species, the ladder of verdicts, and the mean over species."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from germstats.decisions.comparison import CANNOT_TELL, SAME, CompareSpec, ComparisonRow

FIRM, SECOND_FIRM = 0.05, 0.10


def judged(rows: list[ComparisonRow], spec: CompareSpec) -> list[ComparisonRow]:
    """Holm over the pairs shown of one species, then the ladder."""
    from statsmodels.stats.multitest import multipletests

    told = [k for k, row in enumerate(rows) if row.p_main is not None]
    if not told:
        return rows
    adjusted = multipletests([rows[k].p_main for k in told], method="holm")[1]
    judged = list(rows)
    for k, p in zip(told, adjusted, strict=True):
        judged[k] = verdict_of(replace(rows[k], p_adjusted=float(p)), spec)
    return judged


def verdict_of(row: ComparisonRow, spec: CompareSpec) -> ComparisonRow:
    """The ladder: practically the same, better or worse, probably so, cannot tell.

    A row comes in as practically the same where its 90 % range lies inside the margin.
    """
    if row.verdict == SAME or row.p_adjusted is None or row.points is None:
        return replace(row, more_trays=None) if row.verdict == SAME else row
    direction = "better" if row.points > 0 else "worse"
    if row.p_adjusted < FIRM:
        firm = row.p_second is not None and row.p_second <= SECOND_FIRM
        said = () if firm else ("rests on the usual scatter of your trays",)
        return replace(row, verdict=direction if firm else f"probably {direction}", more_trays=None,
                       notes=(*row.notes, *said))  # fmt: skip
    if row.more_trays is None and row.species is not None:
        note = (
            f"a difference of {spec.margin:g} points would probably have shown; too uncertain to call them the same",
        )
        return replace(row, verdict=CANNOT_TELL, notes=(*row.notes, *note))
    return replace(row, verdict=CANNOT_TELL)


def over_all(rows: list[ComparisonRow], spec: CompareSpec) -> list[ComparisonRow]:
    """Each pair over the species that tell of it: a random-effects mean (Hartung-Knapp, statsmodels)."""
    from scipy import stats
    from statsmodels.stats.meta_analysis import combine_effects

    over = []
    told = [row for row in rows if row.points is not None]
    for pair in dict.fromkeys((row.reference, row.level) for row in told):
        of = [row for row in told if (row.reference, row.level) == pair]
        if len(of) < 2:
            continue
        points = np.array([row.points for row in of], dtype=float)
        spread = np.array([((row.points_high or 0) - (row.points_low or 0)) / (2 * 1.96) for row in of])
        found = combine_effects(points, spread**2, method_re="iterated", use_t=True)
        middle, sd = float(found.mean_effect_re), float(found.sd_eff_w_re_hksj)
        sd = max(sd, float(found.sd_eff_w_re))
        inner, outer = (float(stats.t.ppf(level, len(of) - 1)) * sd for level in (0.95, 0.975))
        p = float(2 * stats.t.sf(abs(middle) / sd, len(of) - 1))
        inside = -spec.margin <= middle - inner and middle + inner <= spec.margin
        row = ComparisonRow(
            species=None, treatment=spec.treatment, reference=pair[0], level=pair[1],
            trays=(sum(row.trays[0] for row in of), sum(row.trays[1] for row in of)),
            seeds=_sum_pairs([row.seeds for row in of]), emerged=_sum_pairs([row.emerged for row in of]),
            filled=_sum_pairs([row.filled for row in of]),
            points=middle, points_low=max(middle - outer, -100.0),
            points_high=min(middle + outer, 100.0), p_main=p,
            p_adjusted=p, verdict=SAME if inside else CANNOT_TELL,
            notes=(f"over {', '.join(str(row.species) for row in of)}; species may differ",),
        )  # fmt: skip
        over.append(verdict_of(row, spec))
    return over


def _sum_pairs(pairs: list[tuple[int | None, int | None]]) -> tuple[int | None, int | None]:
    columns = [[pair[k] for pair in pairs] for k in (0, 1)]
    totals = [None if None in column else sum(value or 0 for value in column) for column in columns]
    return totals[0], totals[1]
