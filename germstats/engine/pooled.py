"""Species, lots and trays fitted together: the fit behind `fit_emergence`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from germstats.engine.arrays import Index
from germstats.engine.cell_scatter import CellScatter, cell_scatter, cell_scatter_is_shown
from germstats.engine.component_draws import (
    ComponentDraw,
    draw_components,
    effective_share,
    given_rho,
)
from germstats.engine.design import (
    PooledDesign,
    build_design,
    component_set_of,
    mode_of_design,
    share_seen,
    usual_components,
)
from germstats.engine.draws import lateness
from germstats.engine.gaussian_vb import NormalLaw, normal_law
from germstats.engine.hierarchy import VarianceComponents, part_of, predictors, state_of
from germstats.engine.horizon import Horizons
from germstats.engine.laplace import PooledMode
from germstats.engine.lots import LotRecords, groups_of, sort_lots
from germstats.engine.priors import Scatter, time_priors_under
from germstats.engine.threads import one_thread
from germstats.engine.timing import Array
from germstats.engine.timing_choice import TimingChoice, TimingLaw, seen_before_february
from germstats.engine.trouble import FitTrouble, trouble_of
from germstats.engine.variance_components import (
    COORDINATES,
    ComponentFit,
    ComponentSet,
    Coordinate,
    components_near,
    fit_components,
    fit_components_twice,
)
from germstats.records.intervals.patterns import Patterns
from germstats.records.intervals.subsets import keep_trays
from germstats.records.tables import Trays

COMPONENT_DRAWS = ((100, 32), (1000, 16), (np.inf, 4))
"""Below how many trays, and draws of the variance components. Few trays leave the components wide
open: with sixteen draws the variance of trays and lots together came out up to 8 % off on average
over nurseries, with thirty-two 3 %. From 1,000 trays on ranges of shares move by a few hundredths
of their standard error only, as they do from sixteen draws to thirty-two.
"""
_IN_FIRST_SPRINGS = 4
"""Times as many draws: with two seedlings seen all hung on a few of thirty-two."""
_WITH_GIVEN_RHO, _RHO_VALUES = 2, 16
"""Times as many draws where rho has its prior, and values it is given at most."""
NEARLY_ALL = 0.95
"""A last season of which less than this share came by the last checks is still under way: its
spring may be late.
"""
_HARDLY = 0.05
"""On the logit of a share for one on log days: a spring a tenth later takes next to nothing."""


@dataclass(frozen=True)
class PooledDraw:
    """Variance components drawn from their posterior, with the law of all effects there."""

    components: VarianceComponents
    weight: float
    law: NormalLaw


@dataclass(frozen=True)
class PooledFit:
    """How far trays, lots, species and places lie apart, and draws of everything.

    Attributes
    ----------
    design : PooledDesign
    component_set : ComponentSet
    component_fit : ComponentFit
        At the likeliest mode; `draws` know of a second one, if there is one.
    current : int or None
        The season still under way.
    choices : dict
        Group (species) -> TimingChoice.
    draws : tuple of PooledDraw
        Heavy ones several times over, with their weight shared out: each is given as many draws of
        the effects.
    effective_share : float
        Effective number of draws of the components over the number made.
    scatter : Scatter
        Settings; its season sds are held.
    cell_scatter : CellScatter
        Where the records do not show it, `component_fit` has it at the middle of its prior, and the
        draws by its prior.
    trouble : tuple of FitTrouble
        What went less than well.
    horizons : Horizons or None
        Up to when shares are counted; None: to the end of all days.
    """

    design: PooledDesign
    component_set: ComponentSet
    component_fit: ComponentFit
    current: int | None
    choices: dict[str, TimingChoice]
    draws: tuple[PooledDraw, ...]
    effective_share: float
    scatter: Scatter
    cell_scatter: CellScatter
    trouble: tuple[FitTrouble, ...]
    horizons: Horizons | None = None

    def coordinate(self, name: str) -> Coordinate | None:
        """Posterior of an unknown component about its likeliest mode.

        Parameters
        ----------
        name : str
            Field of `VarianceComponents`.

        Returns
        -------
        Coordinate or None
            Normal law of its transformed value; None where it was held.
        """
        for k, prior in enumerate(self.component_set.unknown):
            if prior.name == name:
                mean = prior.mean + prior.sd * float(self.component_fit.mode[k])
                sd = prior.sd * float(np.sqrt(self.component_fit.covariance[k, k]))
                return Coordinate(name, mean, sd)
        return None

    def components_of(self, codes: Index) -> VarianceComponents:
        """Likeliest components by some of the trays alone, under the same laws of timing.

        Parameters
        ----------
        codes : (C,) int array
            Tray codes in the patterns.

        Returns
        -------
        VarianceComponents
        """
        kept = np.isin(self.design.order, codes)
        with one_thread():
            return components_near(
                part_of(self.design.hierarchy, kept),
                self.design.prior,
                component_set=self.component_set,
                start=state_of(self.design.hierarchy, self.component_fit.found.state, kept),
                near=self.component_fit,
            )


def likeliest(pooled: PooledFit, patterns: Patterns) -> tuple[Array, Array]:
    """Likeliest predictors of trays that need not be those fitted.

    They are found under the fit's laws of timing and its likeliest components.

    Parameters
    ----------
    pooled : PooledFit
    patterns : Patterns
        T trays.

    Returns
    -------
    predictors : (T, 3) array
        Logit of the share, log time, log sigma, by tray code; NaN for trays of species that were
        not fitted, and for those with a seedling before their species' clock starts.
    out : (T,) array
        Expected share of what emerges that is out by the last check; 1 for those.
    """
    values = np.full((len(patterns.trays), 3), np.nan)
    out = np.ones(len(patterns.trays))
    codes = _codes_with_a_law(pooled, patterns)
    if not codes.size:
        return values, out

    known = keep_trays(patterns, codes)
    lots = sort_lots(known)
    laws = _laws_of({lot.group: pooled.choices[lot.group] for lot in lots})
    components = pooled.component_set.at(pooled.component_fit.mode)
    if "place" not in pooled.design.prior.learned:  # places among these trays alone
        components = replace(components, place=COORDINATES["place"].value(0.0))
    with one_thread():
        design = build_design(
            known,
            lots,
            laws=laws,
            priors=time_priors_under(lots, known, laws),
            scatter=pooled.scatter,
            current=pooled.current,
        )
        found = mode_of_design(design, components)
    at = predictors(design.hierarchy, found.state)
    values[codes[design.order]] = at
    out[codes[design.order]] = share_seen(design, at)
    return values, out


def _codes_with_a_law(pooled: PooledFit, patterns: Patterns) -> Index:
    """Codes of trays of fitted species, without those seen before their species' clock starts."""
    groups = groups_of(patterns.trays)
    from_february = [group for group, law in pooled.choices.items() if law.origin == "1 February"]
    too_early = patterns.trays.index.isin(seen_before_february(patterns))
    able = groups.isin(list(pooled.choices)) & ~(groups.isin(from_february) & too_early)
    return np.flatnonzero(able.to_numpy(dtype=bool))


def _laws_of(choices: Mapping[str, TimingChoice]) -> dict[str, TimingLaw]:
    """Group (species) -> family and origin."""
    return {group: (choice.family, choice.origin) for group, choice in choices.items()}


def fit_pooled(
    patterns: Patterns,
    lots: tuple[LotRecords, ...],
    scatter: Scatter,
    choices: dict[str, TimingChoice],
    *,
    held: Mapping[str, float] = MappingProxyType({}),
    progress: Callable[[str], None] = lambda text: None,
    near: PooledFit | None = None,
    horizons: Horizons | None = None,
) -> PooledFit:
    """Fit every lot of a nursery together.

    Parameters
    ----------
    patterns : Patterns
    lots : tuple of LotRecords
    scatter : Scatter
        Season sds are held.
    choices : dict
        Group (species) -> its law of timing.
    held : dict
        Components held instead of learned, by field of `VarianceComponents`; without effect where
        nothing has that component.
    progress : callable, optional
    near : PooledFit, optional
        Of records that hold these: its components are where these are sought from.
    horizons : Horizons, optional
        Up to when the patterns are counted.

    Returns
    -------
    PooledFit
    """
    with one_thread():
        layout = _layout(patterns, lots, scatter, choices)
        design = layout.design
        rho_is_shown = cell_scatter_is_shown(lots)
        if not rho_is_shown:
            held = {**held, "rho": COORDINATES["rho"].value(0.0)}
        component_set = component_set_of(design, held)

        progress("learning how far trays, lots and species lie apart")
        current = layout.current
        first_spring = current is not None and near is None and _first_sown(patterns, current)
        modes = _component_modes(layout, component_set, near, twice=first_spring)
        asked = _draws_asked(design, first_spring=first_spring, rho_is_shown=rho_is_shown)
        drawn = _drawn(design, component_set, modes=modes, asked=asked, rho_is_shown=rho_is_shown)

        progress("carrying the uncertainty on")
        draws = tuple(copy for one in drawn for copy in _with_law(design, one, asked))
    effective = effective_share(drawn, asked * len(modes))
    return PooledFit(
        design=design,
        component_set=component_set,
        component_fit=modes[0],
        current=current,
        choices=choices,
        draws=draws,
        effective_share=effective,
        scatter=scatter,
        cell_scatter=_cell_scatter(component_set, modes[0], lots),
        trouble=trouble_of(modes, drawn, effective),
        horizons=horizons,
    )


@dataclass(frozen=True)
class _Layout:
    """The design, a first mode without lateness, and the season still under way."""

    design: PooledDesign
    first_mode: PooledMode
    current: int | None


def _layout(
    patterns: Patterns,
    lots: tuple[LotRecords, ...],
    scatter: Scatter,
    choices: Mapping[str, TimingChoice],
) -> _Layout:
    """Trays laid out twice: what the first mode says of late springs goes into the second."""
    laws = _laws_of(choices)
    priors = time_priors_under(lots, patterns, laws)
    design = build_design(patterns, lots, laws=laws, priors=priors, scatter=scatter)
    first_mode = mode_of_design(design, usual_components(design))
    current = _under_way(design, patterns, first_mode) if scatter.late_spring else None
    late = _lateness_of_lots(design, first_mode)
    if current is not None or late:
        design = build_design(
            patterns, lots, laws=laws, priors=priors, scatter=scatter, current=current, late=late
        )
    return _Layout(design, first_mode, current)


def _component_modes(
    layout: _Layout, component_set: ComponentSet, near: PooledFit | None, twice: bool
) -> tuple[ComponentFit, ...]:
    """Modes of the components' posterior, the likeliest first; `twice` searches from two places."""
    design, start = layout.design, layout.first_mode.state
    if twice:
        return fit_components_twice(design.hierarchy, design.prior, component_set, start)
    same = near is not None and near.component_set == component_set
    fit = fit_components(
        design.hierarchy,
        design.prior,
        component_set=component_set,
        start=start,
        near=near.component_fit if near is not None and same else None,
    )
    return (fit,)


def _draws_asked(design: PooledDesign, first_spring: bool, rho_is_shown: bool) -> int:
    """How many draws of the components are made about each mode."""
    usual = next(draws for trays, draws in COMPONENT_DRAWS if design.hierarchy.trays < trays)
    if first_spring:
        return usual * _IN_FIRST_SPRINGS
    return usual if rho_is_shown else usual * _WITH_GIVEN_RHO


def _drawn(
    design: PooledDesign,
    component_set: ComponentSet,
    modes: tuple[ComponentFit, ...],
    asked: int,
    rho_is_shown: bool,
) -> tuple[ComponentDraw, ...]:
    """Draws of the components; rho has its prior where no record shows it."""
    given = None
    if not rho_is_shown:
        given = given_rho(
            design.hierarchy,
            design.prior,
            component_set=component_set,
            fits=modes,
            values=min(asked, _RHO_VALUES),
        )
    return draw_components(
        design.hierarchy,
        design.prior,
        component_set=component_set,
        fits=modes,
        draws=asked,
        given=given,
    )


def _with_law(design: PooledDesign, draw: ComponentDraw, asked: int) -> list[PooledDraw]:
    """A draw with the law of all effects there.

    It comes as often as it is heavier than one of `asked` equal ones, its weight shared out.
    """
    law = normal_law(design.hierarchy, design.prior, draw.components, draw.found)
    times = max(round(asked * draw.weight), 1)
    return [PooledDraw(draw.components, draw.weight / times, law)] * times


def _cell_scatter(
    component_set: ComponentSet, fit: ComponentFit, lots: tuple[LotRecords, ...]
) -> CellScatter:
    """What the components' posterior says of rho, or its prior where it is held."""
    prior = COORDINATES["rho"]
    if prior not in component_set.unknown:
        return cell_scatter(prior.mean, prior.sd, lots, learned=False)
    k = component_set.unknown.index(prior)
    middle = prior.mean + prior.sd * float(fit.mode[k])
    sd = prior.sd * float(np.sqrt(fit.covariance[k, k]))
    return cell_scatter(middle, sd, lots, learned=True)


def _under_way(design: PooledDesign, patterns: Patterns, found: PooledMode) -> int | None:
    """The last season, where much of it has not come by the last checks."""
    season = int(patterns.trays[Trays.season].max())
    of_last = (patterns.trays[Trays.season].to_numpy(dtype=int) == season)[design.order]
    timed = [lot.codes for lot in design.lots if lot.timed]
    if not timed:
        return None
    asked = of_last & np.isin(design.order, np.concatenate(timed))
    seen = share_seen(design, predictors(design.hierarchy, found.state))[asked]
    return season if seen.size and float(seen.mean()) < NEARLY_ALL else None


def _lateness_of_lots(
    design: PooledDesign, found: PooledMode
) -> dict[tuple[str | None, str], float]:
    """What a later spring takes from each lot's share by its horizon, at the mode.

    Lots of which it takes little are left out, and all where shares are counted to the end of all
    days.
    """
    hierarchy = design.hierarchy
    at = predictors(hierarchy, found.state)
    slopes = np.zeros(hierarchy.trays)
    for part in hierarchy.parts:
        eta, mu, log_sigma = at[part.trays].T
        start = part.data.origin_days if part.origin == "1 February" else 0.0
        gap = np.log(np.maximum(part.data.horizon - start, 1e-3)) - mu
        ends = np.isfinite(gap)
        slopes[part.trays[ends]] = lateness(
            part.family, gap[ends], np.exp(log_sigma[ends]), eta[ends]
        )
    lot = hierarchy.lot[hierarchy.group]  # (T,)
    mean = np.bincount(lot, slopes) / np.bincount(lot)
    return {
        (one.species, one.lot): round(float(by), 3)
        for one, by in zip(design.lots, mean, strict=True)
        if one.timed and by > _HARDLY
    }


def _first_sown(patterns: Patterns, season: int) -> bool:
    """Whether a species is in its first spring on record."""
    groups = groups_of(patterns.trays)
    before = groups[patterns.trays[Trays.season] != season]
    return bool(set(groups) - set(before))
