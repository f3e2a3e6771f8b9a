"""What a test of past promises found: `BackTest`."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from enum import StrEnum

import pandas as pd

from germstats.engine.fit import FitSpec
from germstats.errors import WrongUseError
from germstats.questions.backtest.scores import Score, TrayTest, score

_FEW_TRAYS, _FEW_SEASONS = 10, 3  # under so many a verdict is a hint
WIDE_SPRINGS = 0.7
"""Scatter between springs to be tried where springs were odd: twice the usual."""


class SeasonVerdict(StrEnum):
    """How the promises for a season came out."""

    AS_PROMISED = "as promised"
    NEW_COVERS = "new covers"
    POORER = "poorer spring"
    KINDER = "kinder spring"
    BOTH_SIDES = "missed on both sides"


@dataclass(frozen=True)
class SetAside:
    """A tray of a later season that was not tested, and why."""

    tray: str
    season: int
    lot: str
    why: str


@dataclass(frozen=True)
class Promise:
    """What is promised of every tray: a chance of filling `target` of its cells, a range that holds
    with `level`.

    Where `assured` is given, not the target but as many cells as are filled with that chance or a
    higher one.
    """

    target: float
    level: float
    assured: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.target <= 1:
            raise WrongUseError(
                f"The target is a share of cells above 0 and at most 1, not {self.target:g}."
            )
        if not 0 < self.level < 1:
            raise WrongUseError(f"The level of a range lies between 0 and 1, not {self.level:g}.")
        if self.assured is not None and not 0 < self.assured < 1:
            raise WrongUseError(f"An assured chance lies between 0 and 1, not {self.assured:g}.")


@dataclass(frozen=True)
class BackTestSpec:
    """What is promised of every tray, and how the fits are made.

    Attributes
    ----------
    target : float
        Share of cells whose filling is promised with a chance, above 0 and at most 1.
    level : float
        Chance of the ranges of filled cells, between 0 and 1.
    fit : FitSpec
        Settings of the fits.

    Raises
    ------
    WrongUseError
        `target` or `level` lies outside its range.
    """

    target: float = 0.9
    level: float = 0.9
    fit: FitSpec = field(default_factory=FitSpec)

    def __post_init__(self) -> None:
        Promise(self.target, self.level)  # refuses what cannot be promised


@dataclass(frozen=True)
class BackTest:
    """What `back_test` found.

    Attributes
    ----------
    rows : tuple of TrayTest
        By season, then lot.
    set_aside : tuple of SetAside
    left_out : dict
        Tray -> why nothing at all could be read from it, as in `Patterns`.
    seasons, lots, bases : tuple of Score
        The same trays by season, by lot and by what the forecast rested on.
    overall : Score
    first_season : int
    spec : FitSpec
    target, level : float
    """

    rows: tuple[TrayTest, ...]
    set_aside: tuple[SetAside, ...]
    left_out: dict[str, str]
    seasons: tuple[Score, ...]
    lots: tuple[Score, ...]
    bases: tuple[Score, ...]
    overall: Score
    first_season: int
    spec: FitSpec
    target: float
    level: float

    def __repr__(self) -> str:
        inside = sum(row.inside for row in self.rows)
        return f"<BackTest: {inside} of {len(self.rows)} trays inside their ranges>"

    def to_frame(self) -> pd.DataFrame:
        """One row per tray.

        Returns
        -------
        pandas.DataFrame
            The attributes of `TrayTest`, then inside, reached, pencil_inside.
        """
        return pd.DataFrame([row.as_record() for row in self.rows])

    def without_new_covers(self, season: int | None = None) -> Score | None:
        """Score of the trays (of one season) whose species had been sown under their cover before;
        None: no such tray.

        What a cover does is not to be forecast before it was tried, and says nothing of the spring.
        """
        rows = [row for row in self.rows if row.basis != "cover" and season in (None, row.season)]
        return score("without new covers", rows) if rows else None

    def odd_seasons(self) -> tuple[int, ...]:
        """Seasons in which fewer trays came inside their range than chance allows, new covers
        apart.
        """
        return tuple(season for season, one in self._plain_seasons() if one.ranges == "too high")

    def troubled_seasons(self) -> tuple[int, ...]:
        """Seasons that were odd, or in which fewer trays reached the target than chance allows; new
        covers apart.
        """
        return tuple(
            season
            for season, one in self._plain_seasons()
            if "too high" in (one.ranges, one.chances)
        )

    def verdict_of(self, season: Score) -> SeasonVerdict:
        """How the promises for one of `seasons` came out; where the misses lie under new covers,
        the spring is not blamed.
        """
        if season.ranges != "too high":
            return SeasonVerdict.AS_PROMISED
        year = int(season.name)
        if year not in self.odd_seasons():
            return SeasonVerdict.NEW_COVERS
        known = [row for row in self.rows if row.season == year and row.basis != "cover"]
        short = sum(row.seen < row.low for row in known)
        better = sum(row.seen > row.high for row in known)
        if short >= 2 * better:
            return SeasonVerdict.POORER
        return SeasonVerdict.KINDER if better >= 2 * short else SeasonVerdict.BOTH_SIDES

    @property
    def hint_only(self) -> bool:
        """Whether so little was tested that its verdicts are a first hint."""
        return len(self.seasons) < _FEW_SEASONS or self.overall.trays < _FEW_TRAYS

    @property
    def held(self) -> bool:
        """Whether ranges and chances held, new covers apart: sow is about covers tried before."""
        one = self.without_new_covers() or self.overall
        return one.ranges != "too high" and one.chances != "too high"

    @property
    def narrow_springs(self) -> bool:
        """Whether springs could be taken to differ more than they were."""
        return self.spec.scatter.season < WIDE_SPRINGS

    def _plain_seasons(self) -> list[tuple[int, Score]]:
        scores = [(int(one.name), self.without_new_covers(int(one.name))) for one in self.seasons]
        return [(season, one) for season, one in scores if one is not None]

    def as_record(self) -> dict[str, object]:
        """Everything as plain values, for ``--json``: rows per tray, then sums, then what was not
        tested.
        """
        sums = {"lots": self.lots, "seasons": self.seasons, "bases": self.bases}
        return {
            "target": self.target,
            "level": self.level,
            "first_season": self.first_season,
            "rows": [row.as_record() for row in self.rows],
            **{name: [one.as_record() for one in scores] for name, scores in sums.items()},
            "seasons": [
                {**one.as_record(), "verdict": self.verdict_of(one)} for one in self.seasons
            ],
            "overall": self.overall.as_record(),
            "odd_seasons": self.odd_seasons(),
            "set_aside": [asdict(one) for one in self.set_aside],
            "left_out": self.left_out,
            "held": self.held,
            "hint_only": self.hint_only,
        }
