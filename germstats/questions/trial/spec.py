"""What a trial is to find out, and the trial laid out."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from germstats.engine.fit import FitSpec
from germstats.errors import WrongUseError
from germstats.forecast.comparing import MOST_TRAYS
from germstats.questions.trial.bench_plan import PlannedTray, plan_frame

SIMULATIONS = 100
"""Simulated trials of one answer: their standard error is .04, and they take two to three
seconds.
"""


@dataclass(frozen=True)
class TrialSpec:
    """What is to be found out.

    Attributes
    ----------
    species : str
    treatments : tuple of str
        Covers, two or more.
    difference : float
        Points of emergence (0-100) that should be told from none.
    power : float
        Chance wanted of telling them.
    seasons : int
        Springs the trial is sown in.
    lot : str or None
        By default the newest lot with seed enough.
    places : tuple of str or None
        Benches; by default those of the book, the most used first.
    trays : int or None
        Of each treatment in a season, where it is already known how many there can be.
    season : int or None
        First spring; by default the one after the book's latest.
    seed : int
        Draws the order on the benches and the simulated trials.
    simulations : int
    fit : FitSpec
        Settings of the fit, where a book is handed over instead of one.
    """

    species: str
    treatments: tuple[str, ...]
    difference: float = 10.0
    power: float = 0.8
    seasons: int = 1
    lot: str | None = None
    places: tuple[str, ...] | None = None
    trays: int | None = None
    season: int | None = None
    seed: int = 1
    simulations: int = SIMULATIONS
    fit: FitSpec = field(default_factory=FitSpec)

    def __post_init__(self) -> None:
        names = {name.casefold() for name in self.treatments}
        if len(self.treatments) < 2:
            raise WrongUseError(
                "A trial compares two treatments or more; name them, such as grit,sand."
            )
        if len(names) < len(self.treatments) or "" in names:
            raise WrongUseError(f"Name each treatment once, not {','.join(self.treatments)}.")
        limits = (
            (
                0 < self.difference < 100,
                f"A difference is a number of points between 0 and 100, not {self.difference:g}.",
            ),
            (
                0.5 <= self.power <= 0.95,
                f"A chance of telling it from .5 to .95 can be planned for, not {self.power:g}: "
                "certainty takes endless trays.",
            ),
            (1 <= self.seasons <= 10, f"A trial runs for 1 to 10 seasons, not {self.seasons}."),
            (
                self.trays is None or 2 <= self.trays <= MOST_TRAYS,
                f"Trays of each treatment are 2 to {MOST_TRAYS}, not {self.trays}: one tray cannot "
                "be told from its cover.",
            ),
            (self.season is None or 1900 <= self.season <= 2200, f"{self.season} is no year."),
            (self.seed >= 0, f"A seed is a whole number from 0, not {self.seed}."),
            (
                50 <= self.simulations <= 20_000,
                f"50 to 20,000 trials can be simulated, not {self.simulations}.",
            ),
        )
        for holds, sentence in limits:
            if not holds:
                raise WrongUseError(sentence)
        if self.places is not None and len({place.casefold() for place in self.places}) < 2:
            raise WrongUseError(
                "A trial needs at least two places, or bench and treatment cannot be separated."
            )


MANY_TRAYS = 40
"""More trays of one treatment in a season than a small nursery sows for a trial; common practice,
no source.
"""


@dataclass(frozen=True)
class TrialDesign:
    """A trial laid out.

    Attributes
    ----------
    spec : TrialSpec
    season : int
    lot : str
    share, share_source : float, str
        Share of seeds expected under one treatment (0-1), and where it comes from.
    other_share : float
        The share, `spec.difference` points away, that is harder to tell.
    tray_sd, tray_sd_high, place_sd : float or None
        Scatter of trays at one place on the logit, the high end of its range (None where taken as
        given), and of places (None where not learned).
    trays, blocks : int
        Of each treatment in a season as laid out, and blocks they stand in.
    needed, needed_high, needed_strewn : int or None
        Trays of each treatment in a season at the middle and at the high end of the scatter, and
        for trays that stand anyhow on the benches; None where no number would do, or the scatter is
        not known.
    power, power_high : float or None
        Chance of telling the difference with the trays laid out, by the formula.
    power_simulated, simulation_error : float
        The same by simulation through the comparison, and its standard error.
    told : tuple of (int, int or None)
        Trays of each treatment in a season, and the smallest difference in points they tell.
    seeds_per_cell, seeds : int
        Seeds in a cell, and in one season's trays.
    seeds_left : int or None
        Of the lot.
    plan : tuple of PlannedTray
        The first season's.
    notes : tuple of str
    """

    spec: TrialSpec
    season: int
    lot: str
    share: float
    share_source: str
    other_share: float
    tray_sd: float
    tray_sd_high: float | None
    place_sd: float | None
    trays: int
    blocks: int
    needed: int | None
    needed_high: int | None
    needed_strewn: int | None
    power: float
    power_high: float | None
    power_simulated: float
    simulation_error: float
    told: tuple[tuple[int, int | None], ...]
    seeds_per_cell: int
    seeds: int
    seeds_left: int | None
    plan: tuple[PlannedTray, ...]
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        covers = ", ".join(self.spec.treatments)
        return f"<TrialDesign for {self.lot}: {self.trays} trays each of {covers}>"

    def to_frame(self) -> pd.DataFrame:
        """The bench plan: rows of the table `trays` for the first season, its day as text."""
        return plan_frame(self.plan)

    @property
    def too_many(self) -> bool:
        """Whether more trays are needed than a small nursery sows for a trial."""
        return self.needed is None or self.needed > MANY_TRAYS

    @property
    def sowable(self) -> tuple[tuple[int, int], ...]:
        """Those of `told` that a small nursery can sow and that tell something."""
        return tuple(
            (trays, points)
            for trays, points in self.told
            if points is not None and trays <= MANY_TRAYS
        )
