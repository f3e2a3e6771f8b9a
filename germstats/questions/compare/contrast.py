"""Two levels side by side through the model: points, cells, days, the second roads, and what is
borrowed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from germstats.engine.arrays import Index
from germstats.engine.estimates import any_seen, latest_of
from germstats.engine.fit import EmergenceFit
from germstats.engine.hierarchy import VarianceComponents
from germstats.engine.horizon import Horizon, pair_horizon, up_to
from germstats.engine.quantiles import weighted_quantiles
from germstats.engine.timing import FAMILIES, Array
from germstats.engine.treatment_model import (
    Contrasts,
    LevelDraws,
    SdPrior,
    TreatmentPosterior,
    Trial,
    borrowed,
    borrowed_time,
    compare_levels,
    rho_law,
)
from germstats.forecast.comparing import FIRM, OtherSpecies
from germstats.forecast.tray import empty_share
from germstats.questions.compare.blocking import Pair
from germstats.questions.compare.comparison import CompareSpec, ComparisonRow, ComparisonVerdict
from germstats.questions.compare.crosscheck import Permuted, permutation_test, t_test, tray_logits
from germstats.records.checking.parsing import so_many
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Trays

_WORTH_SAYING = 0.5  # points
NEARLY_OUT = 0.9
"""Where less of what ever comes than this is out by the horizon in a level, a verdict holds for
that day only.
"""
_POWER = 2.8  # 1.96 + 0.84: a difference that eight trials of ten would tell from none


@dataclass(frozen=True)
class SdPriors:
    """Priors of the tray sds of a pair.

    Attributes
    ----------
    tray, time : SdPrior
        Of the logit of emergence, and of the log of time.
    source : str
        Where they come from, in words.
    borrowed : bool
        Whether they are borrowed from trays of other species.
    """

    tray: SdPrior
    time: SdPrior
    source: str
    borrowed: bool


def borrow(
    fit: EmergenceFit, others: OtherSpecies, scales: VarianceComponents | None, found: Pair
) -> SdPriors:
    """Priors of the tray sds of a pair from the scatters of `others`; that of places counts where
    its blocks are not places.
    """
    if scales is None:
        return SdPriors(
            tray=borrowed(None),
            time=borrowed_time(None),
            source="usual scatter of trays; fewer than ten others of yours to borrow from",
            borrowed=False,
        )
    placed = "place" in fit.pooled.design.prior.learned and "place" not in found.blocked_by
    sd = float(np.hypot(scales.tray, scales.place)) if placed else scales.tray
    said = f"borrowed from {so_many(len(others.trays), 'tray')} of other species"
    return SdPriors(
        tray=borrowed(sd, others.sisters),
        time=borrowed_time(scales.tray_time),
        source=said,
        borrowed=True,
    )


def compared(
    fit: EmergenceFit, base: ComparisonRow, found: Pair, priors: SdPriors, spec: CompareSpec
) -> ComparisonRow:
    """One pair with its numbers, not yet judged.

    Parameters
    ----------
    fit : EmergenceFit
    base : ComparisonRow
        Names and raw counts.
    found : Pair
    priors : SdPriors
        Of the tray sds on share and time, and where they come from.
    spec : CompareSpec
    """
    trays = fit.patterns.trays.iloc[found.codes]
    rates = [fit.patterns.sowings[code] for code in trays["sowing"]]
    horizon = _horizon_of(fit, base.species or "", found)
    trial = _trial(fit, base.species or "", found, horizon)
    posterior = compare_levels(trial, priors.tray, priors.time)
    share = posterior.share
    draws = share.draws()
    logits = tray_logits(trays, rates, trial.rho)
    _, second = t_test(logits, found.level, found.block)
    permuted = permutation_test(logits, found.level, found.block)
    row = replace(
        _with_difference(base, draws, spec),
        cells_per_tray=_cells(fit, trays, draws),
        odds_ratio=float(np.exp(share.middle(1))),
        p_main=share.p_value(1),
        p_second=second,
        p_permutation=permuted.p,
        p_permutation_smallest=permuted.smallest,
        tray_sd=float(draws.weight @ draws.sd),
        tray_sd_source=priors.source,
        tray_sd_borrowed=priors.borrowed,
        places_noted=found.places_noted,
    )
    row = replace(row, notes=_notes(fit, trays, found=found, permuted=permuted, row=row))
    row = _another_spring(row, share, spec)
    return _with_days(row, posterior, horizon, trays)


def _horizon_of(fit: EmergenceFit, species: str, found: Pair) -> Horizon:
    """Up to when both levels were looked at."""
    arms = [found.codes[found.level == k] for k in (0, 1)]
    return pair_horizon(fit.patterns, arms, fit.timing[species].origin, fit.spec.spring_ends)


def _trial(fit: EmergenceFit, species: str, found: Pair, horizon: Horizon) -> Trial:
    """The trays of a pair under the species' law of timing, up to the earlier level's horizon."""
    trays = fit.patterns.trays.iloc[found.codes]
    choice = fit.timing[species]
    came = [any_seen(trays[found.level == k]) for k in (0, 1)]
    # an empty arm shows no timing: its counts are final
    timed = bool((trays["looks"] > 1).any()) and all(came)
    time = next(
        (row.draws.time for row in fit.rows if row.species == species and row.draws.time), None
    )
    timed = timed and time is not None
    return Trial(
        patterns=_up_to(fit.patterns, found.codes, horizon) if timed else fit.patterns,
        codes=found.codes,
        level=found.level,
        block=found.block,
        family=choice.family,
        origin=choice.origin,
        timed=timed,
        rho=rho_law(fit.cell_scatter),
        log_time=float(np.mean(time.mu)) if time else 4.0,
        log_sigma=float(np.log(np.mean(time.sigma))) if time else float(np.log(0.3)),
    )


def _up_to(patterns: Patterns, codes: Index, horizon: Horizon) -> Patterns:
    """The records with those of the trays `codes` told up to a horizon; a look after it would be
    one level's alone.
    """
    days = np.full(len(patterns.trays), np.inf)
    origin_days = patterns.trays["origin_days"].to_numpy(dtype=float)[codes]
    days[codes] = np.maximum(horizon.from_sowing(origin_days), 1.0)
    return up_to(patterns, days, days)


def _with_difference(row: ComparisonRow, draws: LevelDraws, spec: CompareSpec) -> ComparisonRow:
    """Points and ratio with their ranges, whether both lie inside the margins, and the trays that
    would tell them.
    """
    values, weight = draws.shares, draws.weight
    points = 100 * (values[:, 1] - values[:, 0])
    log_ratio = np.log(values[:, 1]) - np.log(values[:, 0])
    low, high, inner_low, inner_high = _ends(points, weight)
    ratio_low, ratio_high, ratio_inner_low, ratio_inner_high = (
        float(np.exp(end)) for end in _ends(log_ratio, weight)
    )
    more, scale = trays_to_tell(_sd(points, weight), _sd(log_ratio, weight), min(row.trays), spec)
    same = spec.same((inner_low, inner_high), (ratio_inner_low, ratio_inner_high))
    return replace(
        row,
        points=float(weight @ points),
        points_low=low,
        points_high=high,
        points_90_low=inner_low,
        points_90_high=inner_high,
        emergence=(float(weight @ values[:, 0]), float(weight @ values[:, 1])),
        ratio=float(np.exp(weight @ log_ratio)),
        ratio_low=ratio_low,
        ratio_high=ratio_high,
        ratio_90_low=ratio_inner_low,
        ratio_90_high=ratio_inner_high,
        cell_scatter_points=_hangs_on_cells(points, draws),
        more_trays=more,
        more_trays_scale=scale,
        verdict=ComparisonVerdict.SAME if same else ComparisonVerdict.CANNOT_TELL,
    )


def _ends(values: Array, weight: Array) -> list[float]:
    """Ends of the 95 % and of the 90 % range."""
    return [
        float(end)
        for end in weighted_quantiles(values, weight, np.array([0.025, 0.975, 0.05, 0.95]))
    ]


def _sd(values: Array, weight: Array) -> float:
    variance = float(weight @ values**2) - float(weight @ values) ** 2
    return float(np.sqrt(max(variance, 0.0)))


def _hangs_on_cells(points: Array, draws: LevelDraws) -> float:
    """Points, up or down, by which the mean difference moves over the 95 % range of the cell
    scatter.
    """
    of_rho = [draws.rho == rho for rho in np.unique(draws.rho)]
    weight = np.array([draws.weight[here].sum() for here in of_rho])
    middle = np.array([draws.weight[here] @ points[here] for here in of_rho]) / weight
    return 1.96 * _sd(middle, weight)


def _cells(fit: EmergenceFit, trays: pd.DataFrame, draws: LevelDraws) -> float:
    """Difference in filled cells of a tray at the seeds most often used."""
    rate = fit.patterns.sowings[int(trays["sowing"].mode().iloc[0])]
    values = draws.shares
    if rate.mean <= 0 or rate.kind == "pinch_unmeasured":
        fill = values
    else:
        fill = np.column_stack([1 - empty_share(values[:, k], draws.rho, rate) for k in (0, 1)])
    return float(draws.weight @ (fill[:, 1] - fill[:, 0])) * float(
        trays["tray_cells"].mode().iloc[0]
    )


def trays_to_tell(
    points_sd: float, log_ratio_sd: float, trays: int, spec: CompareSpec
) -> tuple[int | None, str]:
    """More trays per level that would tell both margins from none, and the margin that needs them.

    From the ranges now, never from the estimate. At a low emergence the ratio needs more than the
    points.
    """
    needed = {
        "points": _trays_for(points_sd, spec.margin, trays),
        "ratio": _trays_for(log_ratio_sd, float(np.log(spec.ratio_margin)), trays),
    }
    scale = max(needed, key=lambda name: needed[name])
    return (int(np.ceil(needed[scale])), scale) if needed[scale] >= 1 else (None, "")


def _trays_for(sd: float, margin: float, trays: int) -> float:
    """More trays that would tell a margin from none where so many leave this sd."""
    return trays * ((_POWER * sd / margin) ** 2 - 1)


def _notes(
    fit: EmergenceFit, trays: pd.DataFrame, found: Pair, permuted: Permuted, row: ComparisonRow
) -> tuple[str, ...]:
    notes = [f"compared within {found.blocked_by}"]
    rates = [
        {fit.patterns.sowings[code].mean for code in trays["sowing"][found.level == k]}
        for k in (0, 1)
    ]
    if rates[0] != rates[1]:
        notes.append(_seeds_differed(row.cell_scatter_points or 0.0))
    if trays["emerged"].isna().any():
        notes.append("some trays known by filled cells only")
    for k, name in ((0, "reference"), (1, "level")):
        fill = trays["filled"][found.level == k] / trays["cells"][found.level == k]
        if (fill >= 1).all() or (fill <= 0).all():
            notes.append(
                f"every tray of the {name} is {'full' if (fill >= 1).all() else 'empty'}: how far "
                "apart they are can be told from one side only"
            )
    if permuted.smallest > FIRM:
        notes.append(
            f"a permutation test cannot reach below {permuted.smallest:.2g} with so few trays"
        )
    return tuple(notes)


def _seeds_differed(points: float) -> str:
    """Adjusted for, and by how much the answer hangs on what is assumed for that."""
    said = "seeds per cell differed between the two: adjusted for"
    if points < _WORTH_SAYING:
        return said
    return (
        f"{said}, but seeds in one cell tend to do alike, which may move the difference by "
        f"{points:.0f} points either way (the range allows for it)"
    )


def _another_spring(row: ComparisonRow, share: Contrasts, spec: CompareSpec) -> ComparisonRow:
    """Range of the points in a spring not yet seen: the difference moved by the treatment's scatter
    between springs.
    """
    draws = share.widened(spec.another_spring_sd).draws()
    values = draws.shares
    low, high = weighted_quantiles(
        100 * (values[:, 1] - values[:, 0]), draws.weight, np.array([0.025, 0.975])
    )
    return replace(row, another_low=float(low), another_high=float(high))


def _with_days(
    row: ComparisonRow, posterior: TreatmentPosterior, horizon: Horizon, trays: pd.DataFrame
) -> ComparisonRow:
    """Difference in days to half of what came by the horizon, and how much of all that comes is out
    by then.
    """
    time = posterior.time
    if time is None:
        return row
    draws, family, sigma = time.draws(1), FAMILIES[posterior.family], np.exp(posterior.log_sigma)
    end = (np.log(horizon.day) - draws.values) / sigma
    days = np.exp(draws.values + sigma * family.time_of(0.5, end)).mean(axis=1)
    out = draws.weight @ family.cdf(end).mean(axis=1)
    latest = trays.iloc[latest_of(trays)]
    from_sowing = float(horizon.from_sowing(float(latest["origin_days"])))
    row = replace(
        row,
        horizon_days=from_sowing,
        horizon_on=latest[Trays.sown_on] + pd.Timedelta(days=round(from_sowing)),
        out_by_horizon=(float(out[0]), float(out[1])),
        by_horizon_only=bool(out.min() < NEARLY_OUT),
    )
    gap = days[:, 1] - days[:, 0]
    low, high = weighted_quantiles(gap, draws.weight, np.array([0.025, 0.975]))
    p = time.p_value(1)
    timing = (
        ("later" if time.middle(1) > 0 else "earlier")
        if p < FIRM
        else ComparisonVerdict.CANNOT_TELL
    )
    return replace(
        row,
        days=float(draws.weight @ gap),
        days_low=float(low),
        days_high=float(high),
        p_days=p,
        timing=timing,
    )
