"""Emergence share and timing per species, lot and treatment: `fit_emergence`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import pandas as pd
from scipy.special import expit

from germstats.engine.cell_scatter import CellScatter
from germstats.engine.estimates import RowEstimate
from germstats.engine.hierarchy import predictors
from germstats.engine.horizon import Horizons, counted_up_to, find_horizons
from germstats.engine.lots import LotRecords, groups_of, sort_lots
from germstats.engine.pooled import PooledFit, fit_pooled
from germstats.engine.pooled_rows import pooled_rows
from germstats.engine.priors import Scatter
from germstats.engine.still_to_come import Clocks, with_later
from germstats.engine.threads import one_thread
from germstats.engine.timing_choice import TimingChoice, choose_laws, laws_near
from germstats.engine.trouble import FitTrouble
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import so_many
from germstats.records.intervals.patterns import Patterns, find_patterns
from germstats.records.seasons import SPRING_ENDS
from germstats.records.suggesting import some_of
from germstats.records.tables import Trays

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

Progress = Callable[[str], None]
"""Called with a short text before each stage of a longer piece of work."""


def silent(text: str) -> None:
    """Progress that nobody asked for."""


HELD = ("tray_time", "lot", "lot_time", "species", "place")
"""Scatters that a fit can be given instead of learning them, beside those of `Scatter`."""
LOTS_APART = 1.5
"""Standard deviation between lots, on logit p, without pooling: a lot says next to nothing about
another. Three times the middle of its prior; common practice, no source.
"""


@dataclass(frozen=True)
class FitSpec:
    """Settings of a fit, all visible in its output.

    Attributes
    ----------
    scatter : Scatter
        Between seasons, and between trays where that is not to be learned.
    pooling : bool
        How far lots differ is learned from the records; off, lots are taken as far apart
        (`LOTS_APART`), so that each is estimated nearly by itself.
    held : dict
        Other scatters to be used instead of learning them, by their name in `HELD`: what a nursery
        could forecast that knew them.
    spring_ends : (month, day)
        End of the first spring.
    to_horizon : bool
        Shares are counted up to a day that was looked at (`germstats.engine.horizon`); off, up to
        the end of all days by the law of timing, as a forecast of a spring under way needs them.
    level : float
        Coverage of the ranges of estimates.
    """

    scatter: Scatter = field(default_factory=Scatter)
    pooling: bool = True
    held: Mapping[str, float] = field(default_factory=dict)
    spring_ends: tuple[int, int] = SPRING_ENDS
    to_horizon: bool = True
    level: float = 0.95

    def __post_init__(self) -> None:
        unknown = set(self.held) - set(HELD)
        if unknown:
            raise ValueError(
                f"{min(unknown)} is no scatter that can be held; these can: {', '.join(HELD)}"
            )

    @property
    def held_sds(self) -> dict[str, float]:
        """Every scatter that is not learned, by field of `VarianceComponents`."""
        held = dict(self.held)
        if self.scatter.tray is not None:
            held["tray"] = self.scatter.tray
        if not self.pooling:
            held.setdefault("lot", LOTS_APART)
        return held


@dataclass(frozen=True)
class ScatterEstimate:
    """How far things of one kind lie apart, on the logit scale of the share.

    Attributes
    ----------
    name : str
        ``tray`` (of one lot), ``lot`` (of one species), ``place`` (of one spring) or ``season``.
    sd : float
    low, high : float or None
        95 % range; None where the sd was held.
    groups : int
        How many of the kind it rests on.
    """

    name: str
    sd: float
    low: float | None
    high: float | None
    groups: int

    @property
    def learned(self) -> bool:
        """Whether the records had a say."""
        return self.low is not None


@dataclass(frozen=True)
class EmergenceFit:
    """What `fit_emergence` found.

    Attributes
    ----------
    rows : tuple of RowEstimate
        One per species, lot and treatment, sorted.
    spec : FitSpec
    timing : dict
        Species (or lot, where species are not recorded) -> TimingChoice.
    cell_scatter : CellScatter
    patterns : Patterns
        The records it rests on, with the trays left out and why.
    pooled : PooledFit
        The scatters and draws of everything.
    horizons : Horizons or None
        Up to when shares are counted; None where that is the end of all days.
    book : RecordBook or None
        The book it was fitted from; None where it was fitted from patterns alone.
    """

    rows: tuple[RowEstimate, ...]
    spec: FitSpec
    timing: dict[str, TimingChoice]
    cell_scatter: CellScatter
    patterns: Patterns
    pooled: PooledFit
    horizons: Horizons | None = None
    book: RecordBook | None = None

    def __repr__(self) -> str:
        lots = len({row.lot for row in self.rows})
        seasons = sorted({int(season) for season in self.patterns.trays[Trays.season]})
        return (
            f"<EmergenceFit: {len(self.rows)} rows of {lots} lots, {len(self.patterns.trays)} "
            f"trays, springs {seasons[0]} to {seasons[-1]}>"
        )

    @property
    def scatter(self) -> tuple[ScatterEstimate, ...]:
        """The scatters that forecasts rest on: learned ones at their mode, then held ones.

        Returns
        -------
        tuple of ScatterEstimate
        """
        learned, given = [], []
        for name, groups in self._groups().items():
            found = self.pooled.coordinate(name)
            held = self.pooled.component_set.held.get(name)
            if held is not None:
                given.append(_given_scatter(name, held))
            elif found is not None and groups:
                sd, low, high = (found.value(z) for z in (0.0, -1.96, 1.96))
                learned.append(ScatterEstimate(name=name, sd=sd, low=low, high=high, groups=groups))
        given.append(_given_scatter("season", self.spec.scatter.season))
        return (*learned, *given)

    def _groups(self) -> dict[str, int]:
        """How many trays, lots, species and places of a spring there are."""
        trays = self.patterns.trays
        placed = trays.loc[trays[Trays.place] != "", [Trays.season, Trays.place]]
        return {
            "tray": len(trays),
            "lot": int(trays[Trays.lot].nunique()),
            "species": int(trays["species"].nunique()),
            "place": len(placed.drop_duplicates()),
        }

    @property
    def trouble(self) -> tuple[FitTrouble, ...]:
        """What went less than well."""
        return self.pooled.trouble

    def to_frame(self) -> pd.DataFrame:
        """One row per species, lot and treatment.

        Returns
        -------
        pandas.DataFrame
            Columns species, lot, treatment (dict), trays, cells, seeds, emerged, emergence,
            emergence_low, emergence_high (shares, 0-1), median_days, median_days_low,
            median_days_high (from sowing), notes (tuple).
        """
        return pd.DataFrame(
            [row.as_record() for row in self.rows], columns=list(RowEstimate.RECORD)
        )


def _given_scatter(name: str, sd: float) -> ScatterEstimate:
    return ScatterEstimate(name=name, sd=sd, low=None, high=None, groups=0)


def fit_emergence(
    book: RecordBook | Patterns,
    spec: FitSpec | None = None,
    *,
    progress: Progress | None = None,
) -> EmergenceFit:
    """Estimate emergence share and timing per species, lot and treatment.

    Counts, occupancy and tray totals go through one likelihood; species, lots and trays are fitted
    together, the scatter between them is learned, and its uncertainty carried on
    (`germstats.engine.pooled`). With ``pooling=False`` lots are taken as far apart.

    Parameters
    ----------
    book : RecordBook or Patterns
        The records, or what `germstats.records.intervals.patterns.find_patterns` found in them.
    spec : FitSpec, optional
    progress : callable, optional
        Called with a short text before each stage.

    Returns
    -------
    EmergenceFit

    Raises
    ------
    NotEnoughRecordsError
        No tray has a usable check.
    """
    spec = spec or FitSpec()
    if isinstance(book, Patterns):
        return fit_patterns(book, spec, progress=progress)
    fit = fit_patterns(find_patterns(book, spec.spring_ends), spec, progress=progress)
    return replace(fit, book=book)


def fit_of(
    book_or_fit: RecordBook | EmergenceFit, spec: FitSpec, progress: Progress | None = None
) -> EmergenceFit:
    """A fit as it is, or the fit of a book."""
    if isinstance(book_or_fit, EmergenceFit):
        return book_or_fit
    return fit_emergence(book_or_fit, spec, progress=progress)


def book_of(book_or_fit: RecordBook | EmergenceFit) -> RecordBook:
    """A book as it is, or the book of a fit.

    Raises
    ------
    WrongUseError
        The fit was made from patterns alone.
    """
    if isinstance(book_or_fit, RecordBook):
        return book_or_fit
    if book_or_fit.book is None:
        raise WrongUseError("This fit has no book: fit the book itself, or hand over the book.")
    return book_or_fit.book


def spec_of(book_or_fit: RecordBook | EmergenceFit, spec: FitSpec) -> FitSpec:
    """The settings of a fit that is there, else those asked for."""
    return book_or_fit.spec if isinstance(book_or_fit, EmergenceFit) else spec


def fit_patterns(
    patterns: Patterns,
    spec: FitSpec,
    *,
    progress: Progress | None = None,
    near: PooledFit | None = None,
    choices: dict[str, TimingChoice] | None = None,
) -> EmergenceFit:
    """Fit patterns; as `fit_emergence`, with what is already known of them.

    Parameters
    ----------
    patterns : Patterns
    spec : FitSpec
    progress : callable, optional
    near : PooledFit, optional
        Of records that hold these: its laws of timing are kept, and the search for the variance
        components starts from its own.
    choices : dict, optional
        Species (or lot, where species are not recorded) -> law of timing to take.
    """
    say = progress or silent
    if patterns.trays.empty:
        raise NotEnoughRecordsError(_why_nothing(patterns))
    lots = sort_lots(patterns)
    if choices is None:
        say("choosing the timing law of each species")
        choices = _chosen_laws(patterns, lots, spec, near)
    counted, horizons = _up_to_horizons(patterns, lots, choices, spec)
    pooled = fit_pooled(
        counted,
        sort_lots(counted),
        scatter=spec.scatter,
        choices=choices,
        held=spec.held_sds,
        progress=say,
        near=near,
        horizons=horizons,
    )
    rows = tuple(pooled_rows(pooled, counted, spec.level))
    if horizons is not None:
        rows = with_later(
            rows,
            pooled.design.lots,
            patterns=patterns,
            clocks=_clocks(pooled, patterns),
            spring_ends=spec.spring_ends,
        )
    return EmergenceFit(
        rows=rows,
        spec=spec,
        timing=pooled.choices,
        cell_scatter=pooled.cell_scatter,
        patterns=patterns,
        pooled=pooled,
        horizons=horizons,
    )


def _chosen_laws(
    patterns: Patterns, lots: tuple[LotRecords, ...], spec: FitSpec, near: PooledFit | None
) -> dict[str, TimingChoice]:
    """The laws of timing: those of a fit near this one, or else chosen by these records."""
    if near is not None:
        return laws_near(near.choices, lots)
    with one_thread():
        return choose_laws(patterns, lots, spec.scatter)


def _up_to_horizons(
    patterns: Patterns,
    lots: tuple[LotRecords, ...],
    choices: Mapping[str, TimingChoice],
    spec: FitSpec,
) -> tuple[Patterns, Horizons | None]:
    """The records up to each lot's horizon, if that is wanted."""
    if not spec.to_horizon:
        return patterns, None
    origins = {group: choice.origin for group, choice in choices.items()}
    horizons = find_horizons(patterns, lots, origins, spec.spring_ends)
    return counted_up_to(patterns, lots, horizons, spec.spring_ends), horizons


def _clocks(pooled: PooledFit, patterns: Patterns) -> dict[str, Clocks]:
    """How the days of each species' trays are read: how late each is by the fit, and its share."""
    at = predictors(pooled.design.hierarchy, pooled.component_fit.found.state)[
        pooled.design.place_of
    ]
    groups = groups_of(patterns.trays)
    late = at[:, 1] - pd.Series(at[:, 1]).groupby(groups.to_numpy()).transform("mean").to_numpy()
    return {
        group: Clocks(choice.origin, late, expit(at[:, 0]))
        for group, choice in pooled.choices.items()
    }


def _why_nothing(patterns: Patterns) -> str:
    if not patterns.left_out:
        return "No tray is in the book yet: enter trays and their checks first."
    return (
        f"No tray has a check that can be used ({trays_by_reason(patterns.left_out.values())}). "
        "Enter checks or cells, then try again."
    )


def trays_by_reason(reasons: Iterable[str]) -> str:
    """How many trays each reason keeps out, the commonest first."""
    counts = pd.Series(list(reasons)).value_counts()
    said = [f"{so_many(count, 'tray')}: {reason}" for reason, count in counts.items()]
    return some_of(said, 5, "; ")
