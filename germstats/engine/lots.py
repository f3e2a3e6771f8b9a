"""Patterns sorted into lots, with what each lot's fit needs to know beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from germstats.engine.arrays import Index
from germstats.engine.likelihood import Origin
from germstats.engine.priors import TimePriors
from germstats.engine.quantiles import weighted_values
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Trays

_SOWN = 1.0  # day after sowing up to which a tray is taken as empty without a look
_UNSEEN_TIME_SD = (
    0.15  # of a species of which nothing was seen: "very late" must not stand in for "none"
)
_DAYS_TO_HALF = 60.0  # from 1 February, where no seedling was ever seen; common practice, no source


@dataclass(frozen=True)
class LotRecords:
    """The trays of one lot.

    Attributes
    ----------
    species, lot : str or None, str
    labels : tuple of str
        Treatment labels, in the order of the rows.
    codes : (T,) int array
        Tray codes in the patterns.
    row : (T,) int array
        Treatment row of each tray, 0..R-1.
    timed : bool
        False where every tray was looked at once only: the count is taken as final and no timing is
        estimated.
    patterns : Patterns
    """

    species: str | None
    lot: str
    labels: tuple[str, ...]
    codes: Index
    row: Index
    timed: bool
    patterns: Patterns

    @property
    def group(self) -> str:
        """What shares one law of timing: the species, or the lot where species are not recorded."""
        return self.species if self.species is not None else self.lot

    @cached_property
    def has_cell_counts(self) -> bool:
        """Whether some tray has two cells or more in which two seeds or more were counted: only
        cells beside each other tell the scatter of cells from that of trays.
        """
        finishes = self.patterns.finishes
        several = [
            code
            for code, rate in enumerate(self.patterns.sowings)
            if rate.k is None and max(rate.numbers) > 1
        ]
        counted = finishes[(finishes["kind"] == "counts") & finishes["sowing"].isin(several)]
        cells = counted[counted["tray"].isin(self.codes)].groupby("tray")["count"].sum()
        return bool((cells > 1).any())

    @cached_property
    def seeds_sown(self) -> tuple[float, ...]:
        """Numbers of seeds per cell of which its trays say how many cells filled."""
        trays = self.patterns.trays.loc[self.codes]
        cells = set(
            trays.index[trays["record"] != "seedlings"]
        )  # seedlings of a whole tray say nothing of its cells
        codes = {
            int(code)
            for frame in (self.patterns.finishes, self.patterns.occupied)
            for code in frame.loc[frame["tray"].isin(cells), "sowing"]
        }
        rates = [self.patterns.sowings[code] for code in codes]
        return tuple(
            sorted(
                {rate.mean for rate in rates if rate.kind in ("counted", "range") and rate.mean > 0}
            )
        )


def groups_of(trays: pd.DataFrame) -> pd.Series:
    """What shares one law of timing with each tray: its species, or its lot where species are not
    recorded.
    """
    groups: pd.Series = trays["species"].fillna(trays[Trays.lot]).astype(str)
    return groups


def sort_lots(patterns: Patterns) -> tuple[LotRecords, ...]:
    """Group trays by lot; treatments become rows."""
    lots = []
    for (species, lot), trays in patterns.trays.groupby(
        ["species", Trays.lot], sort=True, dropna=False
    ):
        labels, row = np.unique(trays["treatment"].astype(str), return_inverse=True)
        lots.append(
            LotRecords(
                species=str(species) if isinstance(species, str) else None,
                lot=str(lot),
                labels=tuple(str(label) for label in labels),
                codes=trays.index.to_numpy(dtype=np.int64),
                row=row,
                timed=bool((trays["looks"] > 1).any()),
                patterns=patterns,
            )
        )
    return tuple(lots)


def time_priors(
    lots: tuple[LotRecords, ...], patterns: Patterns, origin: Origin
) -> dict[str, TimePriors]:
    """Weak prior of m per species: centred on the days by which half of what was seen had been
    seen.

    A species with no seedling takes the book's centre, closely; a book with none takes 60 days from
    1 February.
    """
    frames = []
    for seen in (patterns.times, patterns.occupied):
        trays = patterns.trays.iloc[seen["tray"]]
        shift = trays["origin_days"].to_numpy() if origin == "1 February" else 0.0
        frames.append(
            pd.DataFrame(
                {
                    "group": groups_of(trays).to_numpy(),
                    "day": np.maximum(_middle_days(seen) - shift, 1.0),
                    "count": seen["count"].to_numpy(dtype=float),
                }
            )
        )
    seen_days = pd.concat([frame for frame in frames if len(frame)] or frames[:1])
    shift_all = -float(patterns.trays["origin_days"].mean()) if origin == "1 February" else 0.0
    if len(seen_days):
        usual = _half_up(seen_days)
    else:
        before_february = patterns.trays["origin_days"].clip(lower=0).mean()
        usual = _DAYS_TO_HALF + float(before_february + min(shift_all, 0.0))
    medians = {str(group): _half_up(part) for group, part in seen_days.groupby("group")}
    return {
        lot.group: TimePriors(float(np.log(medians[lot.group])))
        if lot.group in medians
        else TimePriors(float(np.log(usual)), log_time_sd=_UNSEEN_TIME_SD)
        for lot in lots
    }


def _middle_days(seen: pd.DataFrame) -> NDArray[np.float64]:
    """The day that stands for each interval: its middle, but the look itself where that was the
    first.

    What is up at a first look weeks after sowing came nearer to the look than to the sowing:
    nothing comes for most of the time between.
    """
    lo, hi = seen["lo"].to_numpy(dtype=float), seen["hi"].to_numpy(dtype=float)
    return np.where(lo <= _SOWN, hi, (lo + hi) / 2)


def _half_up(seen: pd.DataFrame) -> float:
    """The day by which half of what was seen had come."""
    day, count = seen["day"].to_numpy(dtype=float), seen["count"].to_numpy(dtype=float)
    return float(weighted_values(day, count, np.array([0.5]))[0])
