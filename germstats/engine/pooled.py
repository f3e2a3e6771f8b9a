"""Species, lots and trays fitted together: the pooled road behind `fit_emergence`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from germstats.engine.arrays import Index
from germstats.engine.cell_scatter import CellScatter, cell_scatter, cell_scatter_is_shown
from germstats.engine.design import (
    PooledDesign,
    build_design,
    component_set,
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
from germstats.engine.scale_draws import draw_scales, effective_share, given_rho
from germstats.engine.scatter import Scatter
from germstats.engine.threads import one_thread
from germstats.engine.timing import Array
from germstats.engine.timing_choice import TimingChoice, seen_before_february
from germstats.engine.timing_prior import timing_priors_under
from germstats.engine.trouble import FitTrouble, trouble_of
from germstats.engine.variance_components import (
    COORDINATES,
    ComponentFit,
    ComponentSet,
    Coordinate,
    fit_scales,
    fit_scales_twice,
    scales_near,
)
from germstats.records.intervals.patterns import Patterns
from germstats.records.intervals.subsets import keep_trays
from germstats.records.tables import Trays

SCALE_DRAWS = ((100, 32), (1000, 16), (np.inf, 4))
"""Below how many trays, and draws of the scales. Few trays leave the scales wide open: with sixteen
draws the variance of trays and lots together came out up to 8 % off on average over nurseries, with
thirty-two 3 %. From 1,000 trays on ranges of shares move by a few hundredths of their standard
error only, as they do from sixteen draws to thirty-two.
"""
_IN_FIRST_SPRINGS = (
    4  # times as many draws: with two seedlings seen all hung on a few of thirty-two
)
_WITH_GIVEN_RHO, _RHO_VALUES = (
    2,
    16,
)  # times as many draws where rho has its prior, and values it is given at most
NEARLY_ALL = 0.95
"""A last season of which less than this share came by the last checks is still under way: its
spring may be late.
"""
# on the logit of a share for one on log days: a spring a tenth later takes next to nothing
_HARDLY = 0.05


@dataclass(frozen=True)
class PooledDraw:
    """Scales drawn from their posterior, with the law of all effects there."""

    scales: VarianceComponents
    weight: float
    law: NormalLaw


@dataclass(frozen=True)
class PooledFit:
    """What the pooled road found: how far trays, lots, species and places lie apart, and draws of
    everything.

    Attributes
    ----------
    design : PooledDesign
    scale_set : ComponentSet
    scales : ComponentFit
        At the likeliest mode; `draws` know of a second one, if there is one.
    current : int or None
        The season still under way.
    choices : dict
        Group (species) -> TimingChoice.
    draws : tuple of PooledDraw
        Heavy ones several times over, with their weight shared out: each is given as many draws of
        the effects.
    effective_share : float
        Effective number of scale draws over the number made.
    scatter : Scatter
        Settings; its season sds are taken as given.
    cell_scatter : CellScatter
        Held at the middle of its prior in `scales` where the records do not show it; the draws have
        it by its prior.
    trouble : tuple of FitTrouble
        What went less than well.
    horizons : Horizons or None
        Up to when shares are told; None: to the end of all days.
    """

    design: PooledDesign
    scale_set: ComponentSet
    scales: ComponentFit
    current: int | None
    choices: dict[str, TimingChoice]
    draws: tuple[PooledDraw, ...]
    effective_share: float
    scatter: Scatter
    cell_scatter: CellScatter
    trouble: tuple[FitTrouble, ...]
    horizons: Horizons | None = None

    def coordinate(self, name: str) -> Coordinate | None:
        """Normal law of an unknown scale's transformed value about its likeliest mode; None where
        it was held.
        """
        for k, prior in enumerate(self.scale_set.unknown):
            if prior.name == name:
                sd = float(np.sqrt(self.scales.covariance[k, k]))
                return Coordinate(
                    name, prior.mean + prior.sd * float(self.scales.mode[k]), prior.sd * sd
                )
        return None

    def scales_of(self, codes: Index) -> VarianceComponents:
        """How far trays, lots, species and places lie apart by some of the trays alone, under the
        same laws of timing.

        Parameters
        ----------
        codes : (C,) int array
            Tray codes in the patterns.
        """
        kept = np.isin(self.design.order, codes)
        with one_thread():
            return scales_near(
                part_of(self.design.tree, kept),
                self.design.prior,
                scale_set=self.scale_set,
                start=state_of(self.design.tree, self.scales.found.state, kept),
                near=self.scales,
            )


def likeliest(pooled: PooledFit, patterns: Patterns) -> tuple[Array, Array]:
    """Likeliest predictors of trays that need not be those fitted, under its laws of timing and
    likeliest scatters.

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
    values, out = np.full((len(patterns.trays), 3), np.nan), np.ones(len(patterns.trays))
    groups = groups_of(patterns.trays)
    waits = groups.isin(
        [group for group, law in pooled.choices.items() if law.origin == "1 February"]
    )
    able = groups.isin(list(pooled.choices)) & ~(
        waits & patterns.trays.index.isin(seen_before_february(patterns))
    )
    codes = np.flatnonzero(able.to_numpy(dtype=bool))
    if not codes.size:
        return values, out
    known = keep_trays(patterns, codes)
    lots = sort_lots(known)
    laws = {
        lot.group: (pooled.choices[lot.group].family, pooled.choices[lot.group].origin)
        for lot in lots
    }
    with one_thread():
        design = build_design(
            known,
            lots,
            laws=laws,
            priors=timing_priors_under(lots, known, laws),
            scatter=pooled.scatter,
            current=pooled.current,
        )
        scales = pooled.scale_set.at(pooled.scales.mode)
        if "place" not in pooled.design.prior.learnt:  # places among these trays alone
            scales = replace(scales, place=COORDINATES["place"].value(0.0))
        found = mode_of_design(design, scales)
    at = predictors(design.tree, found.state)
    values[codes[design.order]], out[codes[design.order]] = at, share_seen(design, at)
    return values, out


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
        Season sds, taken as given.
    choices : dict
        Group (species) -> its law of timing.
    held : dict
        Scatters taken as given instead of learned, by field of `VarianceComponents`; without
        effect where nothing has that scatter.
    progress : callable, optional
    near : PooledFit, optional
        Of records that hold these: its scatters are where these are sought from.
    horizons : Horizons, optional
        Up to when the patterns are told.

    Returns
    -------
    PooledFit
    """
    with one_thread():
        design, start, current = _laid_out(patterns, lots, scatter, choices)
        shown = cell_scatter_is_shown(lots)
        scale_set = component_set(
            design, held if shown else {**held, "rho": COORDINATES["rho"].value(0.0)}
        )
        progress("learning how far trays, lots and species lie apart")
        like = near.scales if near is not None and near.scale_set == scale_set else None
        first = current is not None and near is None and _first_sown(patterns, current)
        if first:
            modes = fit_scales_twice(design.tree, design.prior, scale_set, start.state)
        else:
            modes = (
                fit_scales(
                    design.tree, design.prior, scale_set=scale_set, start=start.state, near=like
                ),
            )
        asked = next(draws for trays, draws in SCALE_DRAWS if design.tree.trays < trays)
        asked *= _IN_FIRST_SPRINGS if first else 1 if shown else _WITH_GIVEN_RHO
        rho = (
            None
            if shown
            else given_rho(
                design.tree,
                design.prior,
                scale_set=scale_set,
                fits=modes,
                values=min(asked, _RHO_VALUES),
            )
        )
        drawn = draw_scales(
            design.tree, design.prior, scale_set=scale_set, fits=modes, draws=asked, given=rho
        )
        progress("carrying the uncertainty on")
        each = [
            PooledDraw(
                one.scales, one.weight, normal_law(design.tree, design.prior, one.scales, one.found)
            )
            for one in drawn
        ]
        draws = tuple(copy for draw in each for copy in _shared_out(draw, asked))
    found = effective_share(drawn, asked * len(modes))
    return PooledFit(
        design=design,
        scale_set=scale_set,
        scales=modes[0],
        current=current,
        choices=choices,
        draws=draws,
        effective_share=found,
        scatter=scatter,
        cell_scatter=_cell_scatter(scale_set, modes[0], lots),
        trouble=trouble_of(modes, drawn, found),
        horizons=horizons,
    )


def _laid_out(
    patterns: Patterns,
    lots: tuple[LotRecords, ...],
    scatter: Scatter,
    choices: Mapping[str, TimingChoice],
) -> tuple[PooledDesign, PooledMode, int | None]:
    """The design, a first mode without lateness, and the season still under way."""
    laws = {group: (choice.family, choice.origin) for group, choice in choices.items()}
    priors = timing_priors_under(lots, patterns, laws)
    design = build_design(patterns, lots, laws=laws, priors=priors, scatter=scatter)
    start = mode_of_design(design, usual_components(design))
    current = _under_way(design, patterns, start) if scatter.late_spring else None
    late = _late(design, start)
    if current is not None or late:
        design = build_design(
            patterns, lots, laws=laws, priors=priors, scatter=scatter, current=current, late=late
        )
    return design, start, current


def _cell_scatter(
    scale_set: ComponentSet, fit: ComponentFit, lots: tuple[LotRecords, ...]
) -> CellScatter:
    """What the scales' posterior says of rho, or its prior where it is held."""
    prior = COORDINATES["rho"]
    if prior not in scale_set.unknown:
        return cell_scatter(prior.mean, prior.sd, lots, learned=False)
    k = scale_set.unknown.index(prior)
    sd = float(np.sqrt(fit.covariance[k, k]))
    return cell_scatter(
        prior.mean + prior.sd * float(fit.mode[k]), prior.sd * sd, lots, learned=True
    )


def _shared_out(draw: PooledDraw, asked: int) -> list[PooledDraw]:
    """A draw as often as it is heavier than one of `asked` equal ones, its weight shared out."""
    times = max(round(asked * draw.weight), 1)
    return [replace(draw, weight=draw.weight / times)] * times


def _under_way(design: PooledDesign, patterns: Patterns, found: PooledMode) -> int | None:
    """The last season, where much of it has not come by the last checks."""
    season = int(patterns.trays[Trays.season].max())
    last = (patterns.trays[Trays.season].to_numpy(dtype=int) == season)[design.order]
    timed = np.concatenate(
        [lot.codes for lot in design.lots if lot.timed] or [np.zeros(0, dtype=np.int64)]
    )
    asked = last & np.isin(design.order, timed)
    seen = share_seen(design, predictors(design.tree, found.state))[asked]
    return season if seen.size and float(seen.mean()) < NEARLY_ALL else None


def _late(design: PooledDesign, found: PooledMode) -> dict[tuple[str | None, str], float]:
    """What a later spring takes from each lot's share by its horizon, at the mode; lots of which it
    takes little are left out, and all where shares are told to the end of all days.
    """
    at, slopes = predictors(design.tree, found.state), np.zeros(design.tree.trays)
    for part in design.tree.parts:
        eta, mu, log_sigma = at[part.trays].T
        start = part.data.origin_days if part.origin == "1 February" else 0.0
        gap = np.log(np.maximum(part.data.horizon - start, 1e-3)) - mu
        ends = np.isfinite(gap)
        slopes[part.trays[ends]] = lateness(
            part.family, gap[ends], np.exp(log_sigma[ends]), eta[ends]
        )
    lot = design.tree.lot[design.tree.group]
    mean = np.bincount(lot, slopes) / np.bincount(lot)
    return {
        (one.species, one.lot): round(float(by), 3)
        for one, by in zip(design.lots, mean, strict=True)
        if one.timed and by > _HARDLY
    }


def _first_sown(patterns: Patterns, season: int) -> bool:
    """Whether a species is in its first spring on record."""
    groups = groups_of(patterns.trays)
    return bool(set(groups) - set(groups[patterns.trays[Trays.season] != season]))
