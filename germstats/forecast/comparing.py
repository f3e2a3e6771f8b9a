"""What a comparison of treatments and a trial share: limits, and whose trays the scatter is
borrowed from.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from germstats.engine.arrays import Index
from germstats.engine.fit import EmergenceFit
from germstats.records.tables import Trays

ANOTHER_SPRING_SD = 0.15
"""Scatter of a treatment's effect from spring to spring, on the logit; a visible setting
(statistics of the design).
"""
FIRM = 0.05
MOST_TRAYS = 400
"""More trays of one treatment in one season than anybody sows; the search ends there."""
_FEWEST_OTHERS = 10


@dataclass(frozen=True)
class OtherSpecies:
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


def others_of(fit: EmergenceFit, species: str) -> OtherSpecies:
    """The trays of the other species."""
    trays = fit.patterns.trays
    codes = np.flatnonzero((trays["species"] != species).to_numpy())
    return OtherSpecies(codes, len(codes) - int(trays[Trays.lot].iloc[codes].nunique()))
