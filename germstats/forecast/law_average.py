"""One law of timing and one clock by AIC is too hard a choice for what may still come: several, by
weight.

A species' laws weigh exp(-AIC / 2) (Burnham & Anderson, Model Selection and Multimodel Inference,
2002, section 2.9, memory); those that weigh little are left out. Each pass fits every species under
its first, second, ... law.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np

from germstats.engine.design import share_seen
from germstats.engine.fit import EmergenceFit, FitSpec, Progress, fit_patterns, silent
from germstats.engine.hierarchy import predictors
from germstats.engine.lots import groups_of
from germstats.engine.timing_choice import TimingChoice
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Trays

LEAST_WEIGHT = 0.1
"""Laws that weigh less are left out: a tenth of the draws would move a forecast by less than their
own scatter.
"""
MOST_LAWS = 3
NEARLY_OUT = 0.98
"""Where more than this is out by the likeliest law, nothing hangs on the others; common practice,
no source.
"""


@dataclass(frozen=True)
class WeighedFit:
    """A fit under one law for each species.

    Attributes
    ----------
    fit : EmergenceFit
    weight : dict
        Species (or lot, where species are not recorded) -> weight of its law here; over all fits
        they sum to 1.
    """

    fit: EmergenceFit
    weight: Mapping[str, float]


def fits_by_law(
    patterns: Patterns,
    spec: FitSpec,
    here: Collection[str],
    progress: Progress = silent,
) -> tuple[WeighedFit, ...]:
    """Fit the records under every law of timing that counts for some species.

    Parameters
    ----------
    patterns : Patterns
    spec : FitSpec
    here : collection of str
        Trays whose forecast is wanted: the laws of their species matter while more is to come, all
        others keep their likeliest.
    progress : callable, optional

    Returns
    -------
    tuple of WeighedFit
        The likeliest laws first, `MOST_LAWS` at most.
    """
    first = fit_patterns(patterns, spec, progress=progress)
    groups = _still_coming(first, here)
    ranked = {group: _ranked(choice) for group, choice in first.timing.items()}
    passes = max([len(ranked[group]) for group in groups if group in ranked], default=1)
    found = [
        WeighedFit(
            first, {group: laws[0][1] if group in groups else 1.0 for group, laws in ranked.items()}
        )
    ]
    for number in range(1, passes):
        own = {
            group: laws[number]
            for group, laws in ranked.items()
            if group in groups and len(laws) > number
        }
        choices = {
            group: own[group][0] if group in own else choice
            for group, choice in first.timing.items()
        }
        fit = fit_patterns(patterns, spec, progress=progress, near=first.pooled, choices=choices)
        found.append(
            WeighedFit(fit, {group: own[group][1] if group in own else 0.0 for group in ranked})
        )
    return tuple(found)


def _still_coming(fit: EmergenceFit, here: Collection[str]) -> set[str]:
    """Species (or lots) of which some of these trays have more to come, by the likeliest law."""
    pooled = fit.pooled
    out = share_seen(
        pooled.design, predictors(pooled.design.hierarchy, pooled.component_fit.found.state)
    )[pooled.design.place_of]
    trays = fit.patterns.trays
    waiting = trays[Trays.tray].isin(here) & (out < NEARLY_OUT)
    return set(groups_of(trays)[waiting])


def _ranked(choice: TimingChoice) -> list[tuple[TimingChoice, float]]:
    """The laws of a species that count, the chosen one first, with their weights."""
    laws = [
        (choice.family, choice.origin),
        *(law for law in choice.aic if law != (choice.family, choice.origin)),
    ]
    aic = np.array([choice.aic.get(law, np.inf) for law in laws])
    if not np.isfinite(aic[0]):
        return [(choice, 1.0)]
    weight = np.exp(-0.5 * (aic - aic[np.isfinite(aic)].min()))
    order = [0, *(1 + np.argsort(-weight[1:], kind="stable"))][:MOST_LAWS]
    kept = [int(k) for k in order if k == 0 or weight[k] >= LEAST_WEIGHT * weight.sum()]
    total = float(weight[kept].sum())
    return [
        (replace(choice, family=laws[k][0], origin=laws[k][1]), float(weight[k]) / total)
        for k in kept
    ]
