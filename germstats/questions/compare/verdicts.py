"""From numbers to words: Holm within a species, the ladder of verdicts, and the mean over
species.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from germstats.engine.timing import Array
from germstats.forecast.comparing import FIRM
from germstats.questions.compare.comparison import CompareSpec, ComparisonRow, ComparisonVerdict

SECOND_FIRM = 0.10
_FARTHEST = float(np.log(1e6))
_RESTS_ON_SCATTER = "rests on the usual scatter of your trays"
_RESTS_ON_WEIGHTS = (
    "comes from the species known best: it does not show when each species counts the same"
)


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
    """The ladder: better or worse, probably so, practically the same, cannot tell.

    A row comes in as practically the same where its 90 % ranges lie inside both margins; one whose
    adjusted p tells the two apart is better or worse all the same, if by little.
    """
    if row.p_adjusted is None or row.points is None:
        return row
    if row.p_adjusted < FIRM:
        sure, unsure = (
            (ComparisonVerdict.BETTER, ComparisonVerdict.PROBABLY_BETTER)
            if row.points > 0
            else (ComparisonVerdict.WORSE, ComparisonVerdict.PROBABLY_WORSE)
        )
        firm = row.p_second is not None and row.p_second <= SECOND_FIRM
        said = (
            () if firm else (_RESTS_ON_SCATTER if row.species is not None else _RESTS_ON_WEIGHTS,)
        )
        little = (
            (f"a real difference, but {_within(spec)}",)
            if row.verdict == ComparisonVerdict.SAME
            else ()
        )
        return replace(
            row,
            verdict=sure if firm else unsure,
            more_trays=None,
            more_trays_scale="",
            notes=(*row.notes, *said, *little),
        )
    if row.verdict == ComparisonVerdict.SAME:
        return replace(row, more_trays=None, more_trays_scale="")
    if row.more_trays is None and row.species is not None:
        note = (
            f"a difference of {spec.margin:g} points, or {spec.ratio_margin:g} times as many, "
            "would probably have shown; too uncertain to call them the same"
        )
        return replace(row, verdict=ComparisonVerdict.CANNOT_TELL, notes=(*row.notes, note))
    return replace(row, verdict=ComparisonVerdict.CANNOT_TELL)


def _within(spec: CompareSpec) -> str:
    return f"within {spec.margin:g} points and {spec.ratio_margin:g} times"


@dataclass(frozen=True)
class _Mean:
    """A mean over species with the scatter between them, its 90 % and 95 % ranges and its p."""

    middle: float
    inner: float
    outer: float
    p: float

    def within(self, outer: bool) -> tuple[float, float]:
        reach = self.outer if outer else self.inner
        return self.middle - reach, self.middle + reach


def _mean_over_species(found: Array, spread: Array) -> _Mean:
    """Random-effects mean (Hartung-Knapp, statsmodels), never narrower than the plain one."""
    from scipy import stats
    from statsmodels.stats.meta_analysis import combine_effects

    # species that agree to the last figure leave no scatter
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = combine_effects(found, spread**2, method_re="iterated", use_t=True)
    middle, sd = (
        float(mean.mean_effect_re),
        max(float(mean.sd_eff_w_re_hksj), float(mean.sd_eff_w_re)),
    )
    free = len(found) - 1
    inner, outer = (float(stats.t.ppf(level, free)) * sd for level in (0.95, 0.975))
    return _Mean(middle, inner, outer, float(2 * stats.t.sf(abs(middle) / sd, free)))


def over_all(rows: list[ComparisonRow], spec: CompareSpec) -> list[ComparisonRow]:
    """Each pair over the species that show it: a random-effects mean, and Holm over the pairs.

    A verdict is firm where a t test over the species, each weighing the same, agrees.
    """
    told = [row for row in rows if row.points is not None]
    pairs = dict.fromkeys((row.reference, row.level) for row in told)
    of_pairs = [[row for row in told if (row.reference, row.level) == pair] for pair in pairs]
    return judged([_over_species(of, spec) for of in of_pairs if len(of) > 1], spec)


def _over_species(of: list[ComparisonRow], spec: CompareSpec) -> ComparisonRow:
    """One pair over its species, not yet judged."""
    from scipy import stats

    each = np.array([row.points for row in of], dtype=float)
    points = _mean_over_species(each, _spread([(row.points_low, row.points_high) for row in of]))
    row = ComparisonRow(
        species=None,
        treatment=spec.treatment,
        reference=of[0].reference,
        level=of[0].level,
        trays=(sum(row.trays[0] for row in of), sum(row.trays[1] for row in of)),
        seeds=_sum_pairs([row.seeds for row in of]),
        emerged=_sum_pairs([row.emerged for row in of]),
        filled=_sum_pairs([row.filled for row in of]),
        points=points.middle,
        p_main=points.p,
        p_second=float(stats.ttest_1samp(each, 0.0).pvalue) if np.ptp(each) > 0 else points.p,
        places_noted=None if of[0].places_noted is None else all(row.places_noted for row in of),
        notes=(f"over {', '.join(str(row.species) for row in of)}; species may differ",),
    )
    (low, high), (inner_low, inner_high) = points.within(outer=True), points.within(outer=False)
    row = replace(
        row,
        points_low=max(low, -100.0),
        points_high=min(high, 100.0),
        points_90_low=max(inner_low, -100.0),
        points_90_high=min(inner_high, 100.0),
    )
    if any(one.ratio is None for one in of):
        return replace(row, verdict=ComparisonVerdict.CANNOT_TELL)
    logs = np.log(np.array([[one.ratio, one.ratio_low, one.ratio_high] for one in of], dtype=float))
    ratio = _mean_over_species(logs[:, 0], _spread([(log[1], log[2]) for log in logs]))
    low, high = _ratios(ratio.within(outer=True))
    inner_ratio = _ratios(ratio.within(outer=False))
    same = spec.same(points.within(outer=False), inner_ratio)
    return replace(
        row,
        ratio=float(np.exp(ratio.middle)),
        ratio_low=low,
        ratio_high=high,
        ratio_90_low=inner_ratio[0],
        ratio_90_high=inner_ratio[1],
        verdict=ComparisonVerdict.SAME if same else ComparisonVerdict.CANNOT_TELL,
    )


def _ratios(logs: tuple[float, float]) -> tuple[float, float]:
    """The ratios of these logs, none further than a million times."""
    low, high = np.exp(np.clip(logs, -_FARTHEST, _FARTHEST))
    return float(low), float(high)


def _spread(ranges: list[tuple[float | None, float | None]]) -> Array:
    """Standard deviations of 95 % ranges."""
    return np.array([((high or 0.0) - (low or 0.0)) / (2 * 1.96) for low, high in ranges])


def _sum_pairs(pairs: list[tuple[int | None, int | None]]) -> tuple[int | None, int | None]:
    columns = [[pair[k] for pair in pairs] for k in (0, 1)]
    totals = [None if None in column else sum(value or 0 for value in column) for column in columns]
    return totals[0], totals[1]
