"""Emergence share and timing per species, lot and treatment: `fit_emergence`."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import pandas as pd

from germstats.errors import NotEnoughRecordsError
from germstats.models.estimates import RowEstimate
from germstats.models.laws import CellScatter, TimingChoice, choose_timing, learn_cell_scatter
from germstats.models.lot_posterior import Scatter
from germstats.models.lots import sort_lots
from germstats.models.unpooled import estimate_rows
from germstats.records.book import RecordBook
from germstats.records.patterns import Patterns, find_patterns
from germstats.records.sown import SPRING_ENDS

if TYPE_CHECKING:
    from collections.abc import Callable


@dataclass(frozen=True)
class FitSpec:
    """Settings of a fit, all visible in its output.

    Attributes
    ----------
    scatter : Scatter
        Tray-to-tray and season-to-season scatter taken as given until enough trays are pooled to learn it.
    spring_ends : (month, day)
        End of the first spring.
    level : float
        Coverage of the ranges of estimates.
    """

    scatter: Scatter = field(default_factory=Scatter)
    spring_ends: tuple[int, int] = SPRING_ENDS
    level: float = 0.95


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
    """

    rows: tuple[RowEstimate, ...]
    spec: FitSpec
    timing: dict[str, TimingChoice]
    cell_scatter: CellScatter
    patterns: Patterns

    def to_frame(self) -> pd.DataFrame:
        """One row per species, lot and treatment.

        Returns
        -------
        pandas.DataFrame
            Columns species, lot, treatment (dict), trays, cells, seeds, emerged, emergence, emergence_low,
            emergence_high (shares, 0-1), median_days, median_days_low, median_days_high (from sowing), notes (tuple).
        """
        return pd.DataFrame([row.as_record() for row in self.rows], columns=list(RowEstimate.RECORD))


def fit_emergence(
    records: RecordBook | Patterns, spec: FitSpec | None = None, progress: Callable[[str], None] | None = None
) -> EmergenceFit:
    """Estimate emergence share and timing per species, lot and treatment.

    Counts, occupancy and tray totals go through one likelihood, lot by lot, with tray and season scatter integrated
    out; treatments of a lot share its seasons and the spread of its timing. See `germstats.models.lot_posterior`.

    Parameters
    ----------
    records : RecordBook or Patterns
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
    say = progress or (lambda text: None)
    patterns = records if isinstance(records, Patterns) else find_patterns(records, spec.spring_ends)
    if patterns.trays.empty:
        raise NotEnoughRecordsError(_why_nothing(patterns))
    lots = sort_lots(patterns, spec.scatter)
    say("choosing the timing law of each species")
    choices, fitted = choose_timing(lots, patterns)
    say("learning how seeds of one cell share their fate")
    rho = learn_cell_scatter(lots, fitted)
    rows: list[RowEstimate] = []
    for done, lot in enumerate(lots):
        say(f"lot {done + 1} of {len(lots)}: {lot.lot}")
        law, mode = fitted[lot.lot]
        nodes = tuple(replace(law, rho=float(node)) for node in rho.nodes)
        rows.extend(estimate_rows(lot, nodes, rho.weights, mode, patterns, spec.level))
    return EmergenceFit(tuple(rows), spec, choices, rho, patterns)


def _why_nothing(patterns: Patterns) -> str:
    if not patterns.left_out:
        return "No tray is in the book yet: enter trays and their checks first."
    reasons = pd.Series(patterns.left_out).value_counts()
    listed = "; ".join(f"{count} {'tray' if count == 1 else 'trays'}: {reason}" for reason, count in reasons.items())
    return f"No tray has a check that can be used ({listed}). Enter checks or cells, then try again."
