"""Which law of timing each species follows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from germstats.engine.arrays import Index
from germstats.engine.design import PooledDesign, build_design, mode_of_design, usual_components
from germstats.engine.hierarchy import State, VarianceComponents
from germstats.engine.likelihood import Origin
from germstats.engine.lots import LotRecords, groups_of
from germstats.engine.priors import Scatter, time_priors_under
from germstats.engine.timing import FAMILIES, LOG_NORMAL
from germstats.records.intervals.patterns import Patterns

TimingLaw = tuple[str, Origin]
"""Family and origin."""
ORIGINS: tuple[Origin, ...] = ("1 February", "sowing")
_TIMES_USUAL = (1.0, 0.5, 2.0, 4.0)
"""Scatters of trays on log time for which clocks are compared; the first is 1."""


@dataclass(frozen=True)
class TimingChoice:
    """Law of timing of one species.

    Attributes
    ----------
    family, origin : str
        Distribution and where its clock starts.
    aic : dict
        (family, origin) -> AIC at the usual scatters; infinite where a seed came before the clock
        starts. The best law of each origin has it under the scatter of trays on time that suits it
        best.
    """

    family: str
    origin: Origin
    aic: dict[TimingLaw, float]


@dataclass(frozen=True)
class _Candidates:
    """Records whose laws of timing are to be chosen."""

    patterns: Patterns
    lots: tuple[LotRecords, ...]
    scatter: Scatter

    def design(self, laws: Mapping[str, TimingLaw]) -> PooledDesign:
        """The trays laid out under a law for each species."""
        priors = time_priors_under(self.lots, self.patterns, laws)
        return build_design(
            self.patterns, self.lots, laws=dict(laws), priors=priors, scatter=self.scatter
        )


def choose_laws(
    patterns: Patterns, lots: tuple[LotRecords, ...], scatter: Scatter
) -> dict[str, TimingChoice]:
    """Family and origin of each species by AIC.

    The score of a species is its part of Laplace's criterion: its trays' and lots' log-likelihoods
    with their effects integrated out. All species are fitted under one law at a time, at the usual
    scatters. Then the best law of each origin is compared with the other's under the scatter of
    trays on time that suits it best: the same days scatter less on a clock that starts earlier, and
    one sd for both clocks would decide between them by itself.

    One with a seed seen before the clock starts stays with sowing, and one looked at once only
    takes the log-normal from sowing, which says nothing there.

    Parameters
    ----------
    patterns : Patterns
    lots : tuple of LotRecords
    scatter : Scatter

    Returns
    -------
    dict
        Group (species) -> TimingChoice.
    """
    candidates = _Candidates(patterns, lots, scatter)
    groups = list(dict.fromkeys(lot.group for lot in lots))
    timed = {lot.group for lot in lots if lot.timed}
    early = set(groups_of(patterns.trays).iloc[seen_before_february(patterns)])

    aic: dict[str, dict[TimingLaw, float]] = {group: {} for group in groups}
    for origin in ORIGINS:
        origins: dict[str, Origin] = {
            group: "sowing" if group in early else origin for group in groups
        }
        scores = _scores_of_families(candidates, origins)
        for family in FAMILIES:
            for group in groups:
                able = origins[group] == origin
                aic[group][family, origin] = -2 * scores[family][group] if able else np.inf
    return {group: _choice(aic[group], timed=group in timed) for group in groups}


def laws_near(
    near: Mapping[str, TimingChoice], lots: Iterable[LotRecords]
) -> dict[str, TimingChoice]:
    """The laws of timing of these lots' species, from those chosen for records that hold theirs.

    Parameters
    ----------
    near : dict
        Group (species) -> TimingChoice.
    lots : iterable of LotRecords

    Returns
    -------
    dict
    """
    return {lot.group: near[lot.group] for lot in lots}


def seen_before_february(patterns: Patterns) -> Index:
    """Codes of trays in which a seedling was seen before 1 February, ascending."""
    origin = patterns.trays["origin_days"].to_numpy(dtype=float)
    early = []
    for seen in (patterns.times, patterns.occupied):
        codes = seen["tray"].to_numpy(dtype=np.int64)
        early.append(codes[seen["hi"].to_numpy(dtype=float) <= origin[codes]])
    return np.unique(np.concatenate(early))


def _choice(aic: dict[TimingLaw, float], timed: bool) -> TimingChoice:
    """The law of least AIC; the log-normal from sowing where no timing is known."""
    able = {law: score for law, score in aic.items() if np.isfinite(score)}
    if not able or not timed:  # none is able where no search found a number
        return TimingChoice(LOG_NORMAL.name, "sowing", aic)
    family, origin = min(able, key=lambda law: able[law])
    return TimingChoice(family, origin, aic)


def _scores_of_families(
    candidates: _Candidates, origins: Mapping[str, Origin]
) -> dict[str, dict[str, float]]:
    """Family -> species -> score, with each species' clock starting at its origin.

    The best family of a species has its score at the scatter of trays on time that suits it best.
    """
    usual = candidates.design({group: (LOG_NORMAL.name, origins[group]) for group in origins})
    near: State | None = None
    scores: dict[str, dict[str, float]] = {}
    for family in FAMILIES:
        near, scores[family] = _scores(_under_family(usual, family), near)

    best = {group: max(scores, key=lambda family: scores[family][group]) for group in origins}
    design = candidates.design({group: (best[group], origins[group]) for group in origins})
    for group, gain in _gains(design, near).items():
        scores[best[group]][group] += gain
    return scores


def _gains(design: PooledDesign, near: State | None) -> dict[str, float]:
    """How much the score of each species rises at the best scatter of trays on time."""
    usual = usual_components(design)
    found = []
    for times in _TIMES_USUAL:
        near, scores = _scores(design, near, replace(usual, tray_time=times * usual.tray_time))
        found.append(scores)
    return {group: max(scores[group] for scores in found) - found[0][group] for group in found[0]}


def _under_family(design: PooledDesign, family: str) -> PooledDesign:
    """The same trays under another family; their records are compiled once."""
    parts = tuple(replace(part, family=FAMILIES[family]) for part in design.hierarchy.parts)
    return replace(design, hierarchy=replace(design.hierarchy, parts=parts))


def _scores(
    design: PooledDesign, near: State | None, components: VarianceComponents | None = None
) -> tuple[State, dict[str, float]]:
    """The mode at some scatters, by default the usual ones, and the score of each species there."""
    hierarchy, components = design.hierarchy, components or usual_components(design)
    found = mode_of_design(design, components, near)

    of_trays = found.terms.value - 0.5 * found.elimination.tray_log_det  # (T,)
    of_trays -= 0.5 * (found.state.trays**2 * hierarchy.tray_precision(components)).sum(axis=1)
    squares = (found.state.lots**2 * hierarchy.lot_precision(components)).sum(axis=1)
    of_lots = -0.5 * (found.elimination.lot_log_det + squares)  # (L,)

    group_of_lot = np.array([lot.group for lot in design.lots])
    group_of_tray = group_of_lot[hierarchy.lot[hierarchy.group]]
    return found.state, {
        group: float(of_trays[group_of_tray == group].sum() + of_lots[group_of_lot == group].sum())
        for group in dict.fromkeys(group_of_lot)
    }
