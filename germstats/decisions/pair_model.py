"""Two levels side by side through the model: points, cells, days, the second roads, and what is borrowed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from germstats.decisions.comparison import CANNOT_TELL, SAME, CompareSpec, ComparisonRow
from germstats.decisions.judging import FIRM
from germstats.decisions.second_roads import Permuted, permutation_test, t_test, tray_logits
from germstats.decisions.side_by_side import Pair
from germstats.models.compiled import Index
from germstats.models.draws import weighted_quantiles
from germstats.models.emergence import EmergenceFit
from germstats.models.estimates import any_seen
from germstats.models.forecast import empty_share
from germstats.models.timing import FAMILIES, Array
from germstats.models.treatment_model import (
    Contrasts,
    SdPrior,
    TreatmentPosterior,
    Trial,
    borrowed,
    borrowed_time,
    compare_levels,
    shares_of_levels,
)
from germstats.models.tree import Scales
from germstats.records.parsing import so_many

_FEWEST_OTHERS = 10
_POWER = 2.8  # 1.96 + 0.84: a difference that eight trials of ten would tell from none


@dataclass(frozen=True)
class Others:
    """Trays of the other species, so that nothing is used twice.

    Attributes
    ----------
    trays : (C,) int array
        Their codes.
    sisters : int
        Those beyond the first of their lot, which tell how far trays of one lot lie apart.
    """

    trays: Index
    sisters: int

    @property
    def enough(self) -> bool:
        """Whether their scatter can be borrowed."""
        return len(self.trays) >= _FEWEST_OTHERS


def others_of(fit: EmergenceFit, species: str) -> Others:
    """The trays of the other species."""
    trays = fit.patterns.trays
    codes = np.flatnonzero((trays["species"] != species).to_numpy())
    return Others(codes, len(codes) - int(trays["lot"].iloc[codes].nunique()))


def borrow(fit: EmergenceFit, others: Others, scales: Scales | None, found: Pair) -> tuple[SdPrior, SdPrior, str]:
    """Priors of the tray sds of a pair from the scatters of `others`; that of places counts where its blocks are not
    places."""
    if scales is None:
        return (
            borrowed(None),
            borrowed_time(None),
            "usual scatter of trays; fewer than ten others of yours to borrow from",
        )
    assert fit.pooled is not None, "a comparison rests on a pooled fit"
    placed = "place" in fit.pooled.design.prior.learnt and "place" not in found.blocked_by
    sd = float(np.hypot(scales.tray, scales.place)) if placed else scales.tray
    said = f"borrowed from {so_many(len(others.trays), 'tray')} of other species"
    return borrowed(sd, others.sisters), borrowed_time(scales.tray_time), said


def compared(
    fit: EmergenceFit, base: ComparisonRow, found: Pair, priors: tuple[SdPrior, SdPrior, str], spec: CompareSpec
) -> ComparisonRow:
    trays = fit.patterns.trays.iloc[found.codes]
    choice = fit.timing[base.species or ""]
    came = [any_seen(trays[found.level == k]) for k in (0, 1)]
    timed = bool((trays["looks"] > 1).any()) and all(came)  # an empty arm tells of no time: its counts are final
    time = next((row.draws.time for row in fit.rows if row.species == base.species and row.draws.time), None)
    trial = Trial(fit.patterns, found.codes, found.level, found.block, choice.family, choice.origin,
                  timed and time is not None, fit.cell_scatter.rho, float(np.mean(time.mu)) if time else 4.0,
                  float(np.log(np.mean(time.sigma))) if time else float(np.log(0.3)))  # fmt: skip
    posterior = compare_levels(trial, priors[0], priors[1])
    share = posterior.share
    values, sd, weight = shares_of_levels(share)
    points = 100 * (values[:, 1] - values[:, 0])
    low, high, inner_low, inner_high = weighted_quantiles(points, weight, np.array([0.025, 0.975, 0.05, 0.95]))
    spread = float(np.sqrt(weight @ points**2 - (weight @ points) ** 2))
    logits = tray_logits(trays, [fit.patterns.sowings[code] for code in trays["sowing"]])
    _, second = t_test(logits, found.level, found.block)
    permuted = permutation_test(logits, found.level, found.block)
    row = replace(
        base,
        points=float(weight @ points),
        points_low=float(low),
        points_high=float(high),
        cells_per_tray=_cells(fit, trays, values, weight),
        odds_ratio=float(np.exp(share.middle(1))),
        p_main=share.p_value(1),
        p_second=second,
        p_permutation=permuted.p,
        p_permutation_smallest=permuted.smallest,
        tray_sd=float(weight @ sd),
        tray_sd_source=priors[2],
        more_trays=_more(spread, min(base.trays), spec.margin),
        verdict=SAME if -spec.margin <= inner_low and inner_high <= spec.margin else CANNOT_TELL,
        notes=_notes(fit, trays, found, permuted),
    )
    row = _another_spring(row, share, spec)
    return _with_days(row, posterior, trays)


def _cells(fit: EmergenceFit, trays: pd.DataFrame, values: Array, weight: Array) -> float:
    """Difference in filled cells of a tray at the seeds most often used."""
    rate = fit.patterns.sowings[int(trays["sowing"].mode().iloc[0])]
    rho = np.full(len(values), fit.cell_scatter.rho)
    if rate.mean <= 0 or rate.kind == "pinch_unmeasured":
        fill = values
    else:
        fill = np.column_stack([1 - empty_share(values[:, k], rho, rate) for k in (0, 1)])
    return float(weight @ (fill[:, 1] - fill[:, 0])) * float(trays["tray_cells"].mode().iloc[0])


def _more(spread: float, trays: int, margin: float) -> int | None:
    """More trays per level that would tell `margin` points from none: from the range now, never from the estimate."""
    more = trays * ((_POWER * spread / margin) ** 2 - 1)
    return int(np.ceil(more)) if more >= 1 else None


def _notes(fit: EmergenceFit, trays: pd.DataFrame, found: Pair, permuted: Permuted) -> tuple[str, ...]:
    notes = [f"compared within {found.blocked_by}"]
    rates = [{fit.patterns.sowings[code].mean for code in trays["sowing"][found.level == k]} for k in (0, 1)]
    if rates[0] != rates[1]:
        notes.append("seeds per cell differed between the two: adjusted for")
    if trays["emerged"].isna().any():
        notes.append("some trays known by filled cells only")
    for k, name in ((0, "reference"), (1, "level")):
        fill = trays["filled"][found.level == k] / trays["cells"][found.level == k]
        if (fill >= 1).all() or (fill <= 0).all():
            notes.append(f"every tray of the {name} is {'full' if (fill >= 1).all() else 'empty'}: how far apart they "
                         "are can be told from one side only")  # fmt: skip
    if permuted.smallest > FIRM:
        notes.append(f"a permutation test cannot reach below {permuted.smallest:.2g} with so few trays")
    return tuple(notes)


def _another_spring(row: ComparisonRow, share: Contrasts, spec: CompareSpec) -> ComparisonRow:
    """Range of the points in a spring not yet seen: the difference moved by the treatment's scatter between springs."""
    values, _, weight = shares_of_levels(share.widened(spec.another_spring_sd))
    low, high = weighted_quantiles(100 * (values[:, 1] - values[:, 0]), weight, np.array([0.025, 0.975]))
    return replace(row, another_low=float(low), another_high=float(high))


def _with_days(row: ComparisonRow, posterior: TreatmentPosterior, trays: pd.DataFrame) -> ComparisonRow:
    time = posterior.time
    if time is None:
        return row
    values, _, weight = time.draws(1)
    half = FAMILIES[posterior.family].quantile(0.5) * np.exp(posterior.log_sigma)
    days = np.exp(values + half).mean(axis=1)
    gap = days[:, 1] - days[:, 0]
    low, high = weighted_quantiles(gap, weight, np.array([0.025, 0.975]))
    p = time.p_value(1)
    timing = ("later" if time.middle(1) > 0 else "earlier") if p < FIRM else CANNOT_TELL
    return replace(row, days=float(weight @ gap), days_low=float(low), days_high=float(high), p_days=p, timing=timing)
