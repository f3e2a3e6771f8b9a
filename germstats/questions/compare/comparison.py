"""What is compared and what was found: the spec, a row, the whole."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from enum import StrEnum

import numpy as np
import pandas as pd

from germstats.engine.fit import FitSpec
from germstats.errors import WrongUseError
from germstats.forecast.comparing import ANOTHER_SPRING_SD, MOST_TRAYS
from germstats.questions.compare.blocking import TREATMENTS

RATIO_MARGIN = 1.25
"""How many times as many seedlings still pass for the same; common practice, no source."""


class ComparisonVerdict(StrEnum):
    """What comes of comparing one treatment with another."""

    REFUSED = "refused"
    SAME = "practically the same"
    CANNOT_TELL = "cannot tell"
    BETTER = "better"
    WORSE = "worse"
    PROBABLY_BETTER = "probably better"
    PROBABLY_WORSE = "probably worse"

    @property
    def probable(self) -> bool:
        """Whether it says better or worse, but is not firm."""
        return self in (ComparisonVerdict.PROBABLY_BETTER, ComparisonVerdict.PROBABLY_WORSE)

    @property
    def way(self) -> ComparisonVerdict:
        """Better or worse, however sure; any other verdict as it is."""
        firm = {
            ComparisonVerdict.PROBABLY_BETTER: ComparisonVerdict.BETTER,
            ComparisonVerdict.PROBABLY_WORSE: ComparisonVerdict.WORSE,
        }
        return firm.get(self, self)


@dataclass(frozen=True)
class CompareSpec:
    """What is compared.

    Attributes
    ----------
    treatment : {"cover", "depth", "pretreatment", "place"}
    species, lots : tuple of str
        Only these; empty for all.
    reference : str or None
        Level that others are compared with; by default ``none`` (``untreated``), else the level
        with most trays.
    margin, ratio_margin : float
        Points of emergence, and ratio of the two emergences either way round, within which two
        levels are practically the same: both must hold, because 12 and 4 seedlings of a hundred
        seeds lie few points apart.
    another_spring_sd : float
        How far a treatment's effect differs from spring to spring, as sd on the logit.
    fit : FitSpec
        Settings of the fit, where a book is handed over instead of one.
    """

    treatment: str = "cover"
    species: tuple[str, ...] = ()
    lots: tuple[str, ...] = ()
    reference: str | None = None
    margin: float = 10.0
    ratio_margin: float = RATIO_MARGIN
    another_spring_sd: float = ANOTHER_SPRING_SD
    fit: FitSpec = field(default_factory=FitSpec)

    def __post_init__(self) -> None:
        if self.treatment not in TREATMENTS:
            raise WrongUseError(
                f"A treatment to compare is one of {', '.join(TREATMENTS)}, not {self.treatment}."
            )
        if not 0 < self.margin < 100:
            raise WrongUseError(
                f"The margin is a number of points between 0 and 100, not {self.margin:g}."
            )
        if not 1 < self.ratio_margin < np.inf:
            raise WrongUseError(
                f"The ratio margin is a number above 1, such as 1.25, not {self.ratio_margin:g}."
            )
        if not self.another_spring_sd >= 0:
            raise WrongUseError(
                f"A scatter from spring to spring is 0 or more, not {self.another_spring_sd:g}."
            )

    def same(self, points: tuple[float, float], ratio: tuple[float, float]) -> bool:
        """Whether these ranges lie inside both margins, so that two levels are practically the
        same.
        """
        in_points = -self.margin <= points[0] and points[1] <= self.margin
        return in_points and 1 / self.ratio_margin <= ratio[0] and ratio[1] <= self.ratio_margin

    def needs_ratio(self, points: float | None, ratio: float | None) -> bool:
        """Whether the points alone would hide how far the two lie apart."""
        if ratio is None or abs(points or 0.0) > self.margin:
            return False
        return not 1 / self.ratio_margin <= ratio <= self.ratio_margin


@dataclass(frozen=True)
class ComparisonRow:
    """Two levels of one species, or over all species where ``species`` is None.

    Attributes
    ----------
    species, treatment, reference, level : str or None, str, str, str
    trays, seeds, emerged, filled : (reference, level)
        Raw counts of the trays compared; None where not known.
    points, points_low, points_high : float or None
        Difference in points of emergence (0-100), level less reference, and its 95 % range.
    points_90_low, points_90_high : float or None
        Its 90 % range, which decides whether the two are practically the same.
    emergence : (reference, level)
        Share of seeds that emerge in an average tray, 0-1; None over all species.
    ratio, ratio_low, ratio_high, ratio_90_low, ratio_90_high : float or None
        Emergence of the level over that of the reference, with its 95 % and 90 % ranges.
    cells_per_tray : float or None
        Difference in filled cells of a tray at the seeds used.
    days, days_low, days_high : float or None
        Difference in days to half.
    odds_ratio : float or None
    p_main, p_second, p_permutation, p_permutation_smallest, p_adjusted, p_days : float or None
        Main road; t test on tray logits; permutation and the smallest it can reach; Holm over the
        species' pairs; time.
    tray_sd, tray_sd_source : float or None, str
    cell_scatter_points : float or None
        Points, up or down, by which the difference hangs on how strongly seeds of one cell share
        their fate (over the 95 % range of that).
    places_noted : bool or None
        Whether every tray compared has a place or a block noted; without, a better bench cannot be
        told from a better level. None where places are compared, or refused.
    horizon_days, horizon_on : float or None, pandas.Timestamp or None
        Day up to which both levels are told, the earlier one's horizon: from the latest tray's
        sowing, and its date.
    out_by_horizon : (reference, level)
        Share of what ever comes that is out by then, by the law of timing; None without timing.
    by_horizon_only : bool
        Whether so little is out in a level that the verdict holds for that day only.
    another_low, another_high : float or None
        95 % range of the points in another spring.
    verdict, timing : str
    more_trays : int or None
        More trays per level that would tell the margins from none; None where the design already
        would, or refused.
    more_trays_scale : {"points", "ratio", ""}
        The margin that needs them.
    notes : tuple of str
    tray_sd_borrowed : bool
        Whether the tray sd is borrowed from trays of other species, and not just what is usual.
    """

    species: str | None
    treatment: str
    reference: str
    level: str
    trays: tuple[int, int]
    seeds: tuple[int | None, int | None]
    emerged: tuple[int | None, int | None]
    filled: tuple[int | None, int | None]
    points: float | None = None
    points_low: float | None = None
    points_high: float | None = None
    points_90_low: float | None = None
    points_90_high: float | None = None
    emergence: tuple[float | None, float | None] = (None, None)
    ratio: float | None = None
    ratio_low: float | None = None
    ratio_high: float | None = None
    ratio_90_low: float | None = None
    ratio_90_high: float | None = None
    cells_per_tray: float | None = None
    days: float | None = None
    days_low: float | None = None
    days_high: float | None = None
    odds_ratio: float | None = None
    p_main: float | None = None
    p_second: float | None = None
    p_permutation: float | None = None
    p_permutation_smallest: float | None = None
    p_adjusted: float | None = None
    p_days: float | None = None
    tray_sd: float | None = None
    tray_sd_source: str = ""
    cell_scatter_points: float | None = None
    places_noted: bool | None = None
    horizon_days: float | None = None
    horizon_on: pd.Timestamp | None = None
    out_by_horizon: tuple[float | None, float | None] = (None, None)
    by_horizon_only: bool = False
    another_low: float | None = None
    another_high: float | None = None
    verdict: ComparisonVerdict = ComparisonVerdict.REFUSED
    timing: str = ""
    more_trays: int | None = None
    more_trays_scale: str = ""
    notes: tuple[str, ...] = ()
    tray_sd_borrowed: bool = False

    @property
    def probably(self) -> bool:
        """Whether its verdict is not firm."""
        return self.verdict.probable

    @property
    def way(self) -> str:
        """Better or worse, however sure; any other verdict as it is."""
        return self.verdict.way

    @property
    def takes_too_many(self) -> bool:
        """Whether it would take more trays than anybody sows to tell."""
        return self.more_trays is not None and self.more_trays > MOST_TRAYS

    @property
    def worth_a_trial(self) -> bool:
        """Whether a number of trays that anybody sows would tell it."""
        return (
            self.verdict == ComparisonVerdict.CANNOT_TELL
            and bool(self.more_trays)
            and not self.takes_too_many
        )


@dataclass(frozen=True)
class Comparison:
    """What `compare` found.

    Attributes
    ----------
    rows : tuple of ComparisonRow
    apart : tuple of str
        Lots that were only ever under one level, and what cannot be told of them.
    strays : tuple of str
        Seedlings in cells where nothing was sown, by level.
    spec : CompareSpec
    """

    rows: tuple[ComparisonRow, ...]
    apart: tuple[str, ...]
    strays: tuple[str, ...]
    spec: CompareSpec

    def __repr__(self) -> str:
        species = len({row.species for row in self.rows if row.species})
        return f"<Comparison of {self.spec.treatment}: {len(self.rows)} pairs, {species} species>"

    def to_frame(self) -> pd.DataFrame:
        """One row per pair of levels and species, as `ComparisonRow`."""
        return pd.DataFrame([asdict(row) for row in self.rows])
