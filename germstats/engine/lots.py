"""Patterns sorted into lots."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from germstats.engine.arrays import Index
from germstats.records.intervals.patterns import Patterns
from germstats.records.tables import Trays


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
        """Whether some tray has two or more counted cells of two or more seeds.

        Only cells beside each other separate the scatter of cells from that of trays.
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
        # seedlings of a whole tray say nothing of its cells
        cells = set(trays.index[trays["record"] != "seedlings"])
        codes = {
            int(code)
            for frame in (self.patterns.finishes, self.patterns.occupied)
            for code in frame.loc[frame["tray"].isin(cells), "sowing"]
        }
        rates = [self.patterns.sowings[code] for code in codes]
        counted = [rate for rate in rates if rate.kind in ("counted", "range")]
        return tuple(sorted({rate.mean for rate in counted if rate.mean > 0}))


def groups_of(trays: pd.DataFrame) -> pd.Series:
    """What shares one law of timing with each tray: its species, or its lot without one."""
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
