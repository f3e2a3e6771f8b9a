"""One forecast tray against what came, and sums over such trays."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Literal

import numpy as np

from germstats.engine.quantiles import count_range
from germstats.questions.backtest.out_of_sample import Basis
from germstats.records.intervals.seed_totals import Unit

Verdict = Literal["as promised", "too high", "too low"]

_LEVEL = 0.9
"""Chance of the ranges within which counts of trays are put down to chance."""


@dataclass(frozen=True)
class Forecast:
    """What is known of a tray before it is sown.

    Attributes
    ----------
    cells, wanted : int
        Cells sown, and how many make the target.
    seeds_per_cell : float
        Mean, as really sown.
    expected, low, high : float, int, int
        Filled cells: mean and range.
    range_chance : float
        Chance of that range by the forecast itself; whole cells make it a little more than asked
        for.
    chance : float
        Promised chance of reaching the target.
    pencil_expected, pencil_low, pencil_high, pencil_range_chance, pencil_chance :
        The same by a plain binomial at the share of seedlings among all earlier seeds.
    """

    cells: int
    wanted: int
    seeds_per_cell: float
    expected: float
    low: int
    high: int
    range_chance: float
    chance: float
    pencil_expected: float
    pencil_low: int
    pencil_high: int
    pencil_range_chance: float
    pencil_chance: float


@dataclass(frozen=True)
class TrayTest(Forecast):
    """One tray: what was promised before it was sown, and what came.

    Attributes
    ----------
    tray, season, species, lot, label :
        As in `Patterns.trays`.
    basis : {"lot", "species", "cover", "unknown"}
        What the forecast rests on, see `OutOfSample`.
    seen : int
        Cells filled.
    counted : {"cells", "seeds"}
        Seeds where only all seedlings of the tray were counted: each seed then stands as a cell of
        its own, in the promise and in what came.
    """

    tray: str
    season: int
    species: str | None
    lot: str
    label: str
    basis: Basis
    seen: int
    counted: Unit = "cells"

    @property
    def inside(self) -> bool:
        """Whether the range held."""
        return self.low <= self.seen <= self.high

    @property
    def pencil_inside(self) -> bool:
        """Whether the pencil's range held."""
        return self.pencil_low <= self.seen <= self.pencil_high

    @property
    def reached(self) -> bool:
        """Whether the target was reached."""
        return self.seen >= self.wanted

    def as_record(self) -> dict[str, object]:
        """The columns of `BackTest.to_frame`."""
        names = {
            name: getattr(self, name)
            for name in ("tray", "season", "species", "lot", "label", "basis")
        }
        judged = {
            "inside": self.inside,
            "reached": self.reached,
            "pencil_inside": self.pencil_inside,
        }
        return {**names, **asdict(self), **judged}


@dataclass(frozen=True)
class Score:
    """Forecasts of several trays, summed.

    Attributes
    ----------
    name : str
        A season, a lot, a basis, or ``all``.
    trays : int
    expected_fill, low_fill, high_fill, seen_fill : float
        Share of cells in the mean tray: forecast, ends of the range of one tray, and what came.
    inside, short, better : int
        Trays inside their range, below it and above it.
    inside_expected : float
        Trays to be expected inside by the forecasts themselves.
    inside_low, inside_high : int
        Range (90 %) of that number if only chance were at work and trays were independent. Trays of
        one spring share its luck, so that it is too narrow.
    promised, promised_low, promised_high : float, int, int
        Trays to be expected at the target (sum of the chances), and the range by chance alone, as
        above.
    reached : int
        Trays that got there.
    pencil_inside, pencil_inside_expected, pencil_promised :
        The same by the pencil.
    chance_error, pencil_chance_error : float
        Mean squared difference between the promised chance and what came, 1 or 0 (Brier 1950, Mon.
        Weather Rev. 78:1-3, memory). 0 is perfect, 0.25 what a constant chance of one half gets.
    """

    name: str
    trays: int
    expected_fill: float
    low_fill: float
    high_fill: float
    seen_fill: float
    inside: int
    short: int
    better: int
    inside_expected: float
    inside_low: int
    inside_high: int
    promised: float
    promised_low: int
    promised_high: int
    reached: int
    pencil_inside: int
    pencil_inside_expected: float
    pencil_promised: float
    chance_error: float
    pencil_chance_error: float

    @property
    def ranges(self) -> Verdict:
        """Whether as many trays lay inside their ranges as promised; too high: fewer did."""
        return _verdict(self.inside, self.inside_low, self.inside_high)

    @property
    def chances(self) -> Verdict:
        """Whether as many trays reached the target as promised; too high: fewer did."""
        return _verdict(self.reached, self.promised_low, self.promised_high)

    def as_record(self) -> dict[str, object]:
        """Every figure, and the two verdicts."""
        return {**asdict(self), "ranges": self.ranges, "chances": self.chances}


def _verdict(came: int, low: int, high: int) -> Verdict:
    if came < low:
        return "too high"
    return "too low" if came > high else "as promised"


def score(name: str, rows: Sequence[TrayTest]) -> Score:
    """Sum the forecasts of `rows` (one or more)."""

    def of(take: Callable[[TrayTest], float]) -> np.ndarray:
        return np.array([take(row) for row in rows], dtype=float)

    range_chance, chance, pencil_chance = (
        of(lambda r: r.range_chance),
        of(lambda r: r.chance),
        of(lambda r: r.pencil_chance),
    )
    reached, cells = of(lambda r: r.reached), of(lambda r: r.cells)
    inside_low, inside_high = chance_range(range_chance)
    promised_low, promised_high = chance_range(chance)
    return Score(
        name=name,
        trays=len(rows),
        expected_fill=float(np.mean(of(lambda r: r.expected) / cells)),
        low_fill=float(np.mean(of(lambda r: r.low) / cells)),
        high_fill=float(np.mean(of(lambda r: r.high) / cells)),
        seen_fill=float(np.mean(of(lambda r: r.seen) / cells)),
        inside=sum(row.inside for row in rows),
        short=sum(row.seen < row.low for row in rows),
        better=sum(row.seen > row.high for row in rows),
        inside_expected=float(range_chance.sum()),
        inside_low=inside_low,
        inside_high=inside_high,
        promised=float(chance.sum()),
        promised_low=promised_low,
        promised_high=promised_high,
        reached=int(reached.sum()),
        pencil_inside=sum(row.pencil_inside for row in rows),
        pencil_inside_expected=float(of(lambda r: r.pencil_range_chance).sum()),
        pencil_promised=float(pencil_chance.sum()),
        chance_error=float(np.mean((chance - reached) ** 2)),
        pencil_chance_error=float(np.mean((pencil_chance - reached) ** 2)),
    )


def chance_range(chances: np.ndarray) -> tuple[int, int]:
    """Range (90 %) of the number of successes among independent trials, exactly, by adding one
    trial at a time.

    Parameters
    ----------
    chances : (N,) array
    """
    distribution = np.ones(1)
    for chance in chances:
        distribution = np.convolve(distribution, [1 - chance, chance])
    return count_range(distribution, _LEVEL)
