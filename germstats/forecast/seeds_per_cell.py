"""Seeds per cell for a target fill: `seeds_per_cell`."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from functools import cache
from typing import ClassVar

import numpy as np
import pandas as pd

from germstats.engine.estimates import RowEstimate
from germstats.engine.fit import EmergenceFit, FitSpec, Progress, ScatterEstimate, fit_of
from germstats.engine.quantiles import count_range
from germstats.engine.trouble import FitTrouble
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.extra_trays import BATCH, extra_trays
from germstats.forecast.tray import (
    NewTray,
    chance_of_filling,
    filled_cells,
    new_tray,
    parts_of_tray,
)
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import so_many
from germstats.records.seeds import SowingRate

FORECAST_LEVEL = 0.90
HAND_CAP = 4
"""Most seeds per cell of a 72-cell tray that hand sowing and thinning bear; common practice, no
source.
"""
PINCH_CAP = 8
"""Largest mean pinch for a cell of a 72-cell tray; common practice, no source."""
LEAST_PINCH = 2
"""Smallest mean pinch that can be sown by hand; common practice, no source."""
_MOST_SEEDS = 60
MOST_SURE = 0.99
"""Largest chance that a forecast from a few seasons can be asked for; common practice, no
source.
"""


@dataclass(frozen=True)
class SowingSpec:
    """What is wanted.

    Attributes
    ----------
    target : float
        Share of cells to be filled.
    assurance : float
        Chance wanted of reaching it.
    cells : int or None
        Cells of the new tray; None takes the size of the lot's latest tray.
    most_seeds : int or None
        Most seeds per cell; None: `HAND_CAP`, of a pinch `PINCH_CAP` on the average.
    mixes : bool
        Whether alternating n and n + 1 may be recommended (half steps).
    fit : FitSpec
        Settings of the fit, where a book is handed over instead of one.
    """

    target: float = 0.9
    assurance: float = 0.8
    cells: int | None = None
    most_seeds: int | None = None
    mixes: bool = False
    fit: FitSpec = field(default_factory=FitSpec)

    def __post_init__(self) -> None:
        if not 0 < self.target <= 1:
            raise WrongUseError(
                f"The target is a share of cells above 0 and at most 1, not {self.target:g}."
            )
        if not 0 < self.assurance <= MOST_SURE:
            raise WrongUseError(
                f"The assurance is a chance above 0 and at most {MOST_SURE}, not "
                f"{self.assurance:g}."
            )
        if self.cells is not None and self.cells < 1:
            raise WrongUseError(f"A tray has at least one cell, not {self.cells}.")
        if self.most_seeds is not None and not 1 <= self.most_seeds <= _MOST_SEEDS:
            raise WrongUseError(
                f"The most seeds per cell is a number from 1 to {_MOST_SEEDS}, not "
                f"{self.most_seeds}."
            )

    def most_for(self, rate: SowingRate) -> int:
        """Most seeds (or pinches) per cell considered for a lot that is sown so."""
        if self.most_seeds is not None:
            return self.most_seeds
        return PINCH_CAP if rate.k is not None else HAND_CAP


@dataclass(frozen=True)
class Rung:
    """What one number of seeds per cell (or pinches of unknown size) gives.

    Attributes
    ----------
    seeds : int
    fill : float
        Share of cells expected to fill.
    chance : float
        Chance of reaching the target.
    """

    seeds: int
    fill: float
    chance: float


@dataclass(frozen=True)
class SowingRow:
    """Advice for one species, lot and treatment.

    Attributes
    ----------
    species, lot, treatment, label :
        As in `RowEstimate`.
    cells, wanted : int
        Cells of the new tray, and how many must fill.
    seeds_per_cell : float or None
        What to sow: the smallest number that reaches the target with the assurance, else the
        most considered, with `extra_trays`. A mean pinch where the lot is sown by the pinch; None
        where the size of a pinch is unknown.
    pinches_per_cell : float or None
        The same in pinches, where the size of a pinch is unknown.
    reaches_target : bool
        Whether that number reaches it.
    extra_trays : int or None
        Trays to add to every eight where it does not, so that together they fill as many cells; 0
        where it does, None where even twice the trays would not do.
    ladder : tuple of Rung
        What each number that can be sown by hand gives.
    chance : float
        Chance of reaching the target at that number.
    expected_fill, fill_low, fill_high : float
        Share of cells: mean and 90 % range, there.
    pencil_seeds_per_cell : int or None
        ceil(log(1 - target) / log(1 - emergence)), which knows no scatter and no luck.
    pencil_chance : float or None
        The chance that pencil number has by this forecast.
    by_seeds : tuple of (float, float)
        (seeds per cell, chance) of every number tried.
    emergence, emergence_low, emergence_high : float
    trays : int
    worst_season : int or None
        The spring on record in which the species did worst; None with one spring only.
    worst_chance : float or None
        Chance of reaching the target at the advised number in a spring like that one.
    notes : tuple of str
    horizon_on, horizon_days, horizon_basis, later_low, later_high :
        As in `RowEstimate`: chances and fills are by that day.
    by_pinch : bool
        Whether cells get a pinch instead of counted seeds.
    """

    species: str | None
    lot: str
    treatment: Mapping[str, str | float]
    label: str
    cells: int
    wanted: int
    seeds_per_cell: float | None
    pinches_per_cell: float | None
    reaches_target: bool
    extra_trays: int | None
    ladder: tuple[Rung, ...]
    chance: float
    expected_fill: float
    fill_low: float
    fill_high: float
    pencil_seeds_per_cell: int | None
    pencil_chance: float | None
    by_seeds: tuple[tuple[float, float], ...]
    emergence: float
    emergence_low: float
    emergence_high: float
    trays: int
    worst_season: int | None
    worst_chance: float | None
    notes: tuple[str, ...]
    horizon_on: pd.Timestamp | None = None
    horizon_days: float | None = None
    horizon_basis: str | None = None
    later_low: float | None = None
    later_high: float | None = None
    by_pinch: bool = False

    RECORD: ClassVar[tuple[str, ...]] = (
        "species",
        "lot",
        "treatment",
        "cells",
        "seeds_per_cell",
        "pinches_per_cell",
        "reaches_target",
        "extra_trays",
        "ladder",
        "chance",
        "expected_fill",
        "fill_low",
        "fill_high",
        "pencil_seeds_per_cell",
        "worst_season",
        "worst_chance",
        "notes",
        "horizon_on",
        "horizon_days",
        "horizon_basis",
        "later_low",
        "later_high",
        "by_pinch",
    )

    def as_record(self) -> dict[str, object]:
        """The columns of `SowingAdvice.to_frame`."""
        return {name: getattr(self, name) for name in self.RECORD} | {
            "ladder": [asdict(rung) for rung in self.ladder]
        }


@dataclass(frozen=True)
class SowingAdvice:
    """What `seeds_per_cell` found.

    Attributes
    ----------
    rows : tuple of SowingRow
    spec : SowingSpec
    scatter : tuple of ScatterEstimate
        The scatters the forecast rests on.
    due : dict
        Lot that needs two winters and of which nothing can be said yet -> the spring in which it is
        due.
    trouble : tuple of FitTrouble
        What went less than well in the fit.
    """

    rows: tuple[SowingRow, ...]
    spec: SowingSpec
    scatter: tuple[ScatterEstimate, ...]
    due: Mapping[str, int] = field(default_factory=dict)
    trouble: tuple[FitTrouble, ...] = ()

    def __repr__(self) -> str:
        reached = sum(row.reaches_target for row in self.rows)
        return (
            f"<SowingAdvice: {reached} of {len(self.rows)} rows reach {self.spec.target:g} filled>"
        )

    def to_frame(self) -> pd.DataFrame:
        """One row per species, lot and treatment.

        Returns
        -------
        pandas.DataFrame
            Columns species, lot, treatment (dict), cells, seeds_per_cell (None where the size of a
            pinch is unknown), pinches_per_cell (None where it is known), reaches_target (bool),
            extra_trays, ladder (list of dict: seeds, fill, chance), chance,
            expected_fill, fill_low, fill_high (shares of cells), pencil_seeds_per_cell,
            worst_season, worst_chance, notes (tuple), horizon_on, horizon_days, horizon_basis,
            later_low, later_high, by_pinch (bool).
        """
        return pd.DataFrame([row.as_record() for row in self.rows], columns=list(SowingRow.RECORD))


def seeds_per_cell(
    book_or_fit: RecordBook | EmergenceFit,
    spec: SowingSpec | None = None,
    *,
    progress: Progress | None = None,
) -> SowingAdvice:
    """Seeds per cell to sow: the smallest number that fills enough of a new tray with the chance
    wanted, else the most that can be sown by hand, with extra trays.

    At least ceil(target x cells - 1e-9) cells are to fill; the chance is over the posterior, a
    fresh tray and a fresh season.

    Parameters
    ----------
    book_or_fit : RecordBook or EmergenceFit
    spec : SowingSpec, optional
    progress : callable, optional
        Called with a short text before each stage of a fit.

    Returns
    -------
    SowingAdvice

    Raises
    ------
    NotEnoughRecordsError
        No tray can be used, or the fit has no row.
    """
    spec = spec or SowingSpec()
    fit = fit_of(book_or_fit, spec.fit, progress)
    if not fit.rows:
        raise NotEnoughRecordsError(
            "No lot has a tray that can be used, so no number of seeds can be advised."
        )
    latest = max(row.last_season for row in fit.rows)
    return SowingAdvice(
        rows=tuple(_advise(row, spec, latest) for row in fit.rows),
        spec=spec,
        scatter=fit.scatter,
        due=fit.patterns.due,
        trouble=fit.trouble,
    )


def pencil_rule(target: float, emergence: float) -> int | None:
    """ceil(log(1 - target) / log(1 - p)): independent seeds that leave at most 1 - target of the
    cells empty.

    Source: Roy 1957, in Schubert & Fowells, Sowing rates for reforestation by the seed-spotting
    method (USDA Forest Service). None where the target is every cell, or nothing emerges.
    """
    if target >= 1 or emergence <= 0:
        return None
    if emergence >= 1:
        return 1
    return max(1, math.ceil(math.log1p(-target) / math.log1p(-emergence) - 1e-9))


def rates_of(n: float, base: SowingRate) -> tuple[SowingRate, ...]:
    """What is sown cell after cell at a mean of n: n; n and n + 1 in turn; a pinch with mean n."""
    if base.k is not None:
        return (SowingRate(kind="pinch", counts=(), mean=n, k=base.k, k_measured=base.k_measured),)
    low = int(n)
    numbers = (low,) if n == low else (low, low + 1)
    return tuple(SowingRate("counted", (number,), float(number)) for number in numbers)


def fill_of(tray: NewTray, rates: tuple[SowingRate, ...], cells: int) -> tuple[float, float, float]:
    """Share of cells of a new tray that fill: mean and `FORECAST_LEVEL` range."""
    filled = filled_cells(tray, rates, cells)
    low, high = count_range(filled, FORECAST_LEVEL)
    return float(filled @ np.arange(cells + 1)) / cells, low / cells, high / cells


def cells_wanted(target: float, cells: int) -> int:
    """How many of `cells` are the target share of them, at least one."""
    return max(math.ceil(target * cells - 1e-9), 1)


def _advise(row: RowEstimate, spec: SowingSpec, latest: int) -> SowingRow:
    """The smallest number of seeds per cell that reaches the target with the chance wanted.

    Parameters
    ----------
    row : RowEstimate
    spec : SowingSpec
    latest : int
        Latest season of the book.
    """
    cells = spec.cells or row.tray_cells
    wanted = cells_wanted(spec.target, cells)
    tray = new_tray(row.draws)

    @cache  # a number is tried, stands on the ladder, and may be the pencil's
    def chance(n: float) -> float:
        return chance_of_filling(tray, rates_of(n, row.rate), cells, wanted)

    tried = _tried(spec, row, chance)
    best, best_chance = tried[-1]
    reached = best_chance >= spec.assurance
    rates = rates_of(best, row.rate)
    fill, fill_low, fill_high = fill_of(tray, rates, cells)
    extra: int | None = 0
    if not reached:
        parts = tuple(parts_of_tray(rates, cells))
        extra = extra_trays(row.draws, parts, wanted, spec.assurance)
    sized = row.rate.kind != "pinch_unmeasured"
    pencil = pencil_rule(spec.target, row.emergence) if sized else None
    half = _half_seed_less(spec, row, best, chance) if reached else None
    worst = row.draws.worst
    worst_chance = None
    if worst is not None:
        worst_tray = new_tray(row.draws, worst=True)
        worst_chance = chance_of_filling(worst_tray, rates, cells, wanted)
    return SowingRow(
        species=row.species,
        lot=row.lot,
        treatment=row.treatment,
        label=row.label,
        cells=cells,
        wanted=wanted,
        seeds_per_cell=best if sized else None,
        pinches_per_cell=None if sized else best,
        reaches_target=reached,
        extra_trays=extra,
        ladder=_ladder(row, tray, cells, chance),
        chance=best_chance,
        expected_fill=fill,
        fill_low=fill_low,
        fill_high=fill_high,
        pencil_seeds_per_cell=pencil,
        pencil_chance=None if pencil is None else chance(float(min(pencil, _MOST_SEEDS))),
        by_seeds=tried,
        emergence=row.emergence,
        emergence_low=row.emergence_low,
        emergence_high=row.emergence_high,
        trays=row.trays,
        worst_season=None if worst is None else worst.season,
        worst_chance=worst_chance,
        notes=(
            *_advice_notes(row, best, extra=extra, reached=reached, half=half),
            *age_note(row, latest),
            *row.notes,
        ),
        horizon_on=row.horizon_on,
        horizon_days=row.horizon_days,
        horizon_basis=row.horizon_basis,
        later_low=row.later_low,
        later_high=row.later_high,
        by_pinch=row.rate.kind in ("pinch", "pinch_unmeasured"),
    )


def _least(row: RowEstimate, most: int) -> int:
    """Fewest seeds a cell can be given."""
    return min(LEAST_PINCH, most) if row.rate.k is not None else 1


def _ladder(
    row: RowEstimate, tray: NewTray, cells: int, chance: Callable[[float], float]
) -> tuple[Rung, ...]:
    """What each number of seeds gives that can be sown by hand."""
    most = PINCH_CAP if row.rate.k is not None else HAND_CAP
    return tuple(
        Rung(
            seeds=seeds,
            fill=fill_of(tray, rates_of(seeds, row.rate), cells)[0],
            chance=chance(seeds),
        )
        for seeds in range(_least(row, most), most + 1)
    )


def _halves(spec: SowingSpec, row: RowEstimate) -> bool:
    """Whether n and n + 1 seeds in turn may be advised; pinches are not so fine."""
    return spec.mixes and row.rate.k is None


def _tried(
    spec: SowingSpec, row: RowEstimate, chance: Callable[[float], float]
) -> tuple[tuple[float, float], ...]:
    """Numbers of seeds with their chances, up to the first that has the chance wanted."""
    tried: list[tuple[float, float]] = []
    most = spec.most_for(row.rate)
    for twice in range(2 * _least(row, most), 2 * most + 1, 1 if _halves(spec, row) else 2):
        tried.append((twice / 2, chance(twice / 2)))
        if tried[-1][1] >= spec.assurance:
            break
    return tuple(tried)


def _half_seed_less(
    spec: SowingSpec, row: RowEstimate, best: float, chance: Callable[[float], float]
) -> float | None:
    """Half a seed less than the best whole number, where that does too and was not asked for."""
    if _halves(spec, row) or row.rate.k is not None or best <= 1:
        return None
    return best - 0.5 if chance(best - 0.5) >= spec.assurance else None


def age_note(row: RowEstimate, latest: int) -> tuple[str, ...]:
    """A warning where the seed will be older than its records: not sown in the book's latest
    season.
    """
    if row.last_season >= latest:
        return ()
    return (
        f"last sown for {row.last_season}; seed ages, so the share may be too high: test a sample",
    )


def _advice_notes(
    row: RowEstimate, best: float, extra: int | None, reached: bool, half: float | None
) -> tuple[str, ...]:
    """What must be known to sow so."""
    if row.rate.kind == "pinch_unmeasured":
        pinches = "1 pinch" if best == 1 else f"{best:g} pinches"
        short = "" if reached else f", {more_trays(extra)}"
        return (f"sow {pinches} per cell{short}; weigh or count pinches to learn the seeds",)
    notes = [] if reached else [f"{best:g} per cell do not reach the target: {more_trays(extra)}"]
    if row.rate.k is not None:
        notes.append("a mean pinch, uneven from cell to cell")
    elif best != int(best):
        notes.append(f"alternate {int(best)} and {int(best) + 1}")
    elif half is not None:
        notes.append(f"alternating {int(half)} and {int(half) + 1} would also do")
    if row.rate.k is None and best > HAND_CAP:
        notes.append(
            f"more than {HAND_CAP} is much to sow and thin by hand: more cells may be cheaper"
        )
    return tuple(notes)


def more_trays(extra: int | None) -> str:
    """What to do where the number advised does not reach the target."""
    if extra is None:
        return f"even {2 * BATCH} trays would not fill what {BATCH} should"
    if extra == 0:
        return f"{BATCH} trays together fill enough, one by itself may not"
    return f"add {so_many(extra, 'tray')} to every {BATCH}"
