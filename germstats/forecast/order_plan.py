"""What is wanted of a plan of orders, and the plan: frozen results of
`germstats.questions.plan.plan.plan_orders`.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from typing import ClassVar

import pandas as pd

from germstats.engine.fit import FitSpec
from germstats.errors import WrongUseError
from germstats.forecast.demand import Losses
from germstats.forecast.plan_parts import CollectingRow, CostView, Ready
from germstats.forecast.planned_sowing import PlannedSowing
from germstats.forecast.seeds_per_cell import SowingSpec

MOST_TRAYS = 60
"""Trays of one order line beyond which a plan is called not reachable; common practice, no
source.
"""
TWO_PLACES = 2
LEVELS = (0.80, 0.90, 0.95)
"""Chances for which the trays are always shown."""
# a chance in the worst spring below which it is told in words; common practice, no source
_EVEN = 0.5


MOST_CELLS, MOST_WEEKS = 1000, 520
"""Most cells of a tray that can be asked for, and weeks from seedling to plug; common practice, no
source.
"""


@dataclass(frozen=True)
class OrderSpec:
    """What is wanted.

    Attributes
    ----------
    assurance : float
        Chance wanted of having every plug of an order line.
    target : float
        Share of a tray's cells to be filled, which sets the seeds per cell (as in `SowingSpec`).
    losses : float or None
        Mean share of seedlings lost before they are plugs; None: from the book.
    reserve : float
        Share of every lot kept back.
    most_seeds : int or None
        Most seeds per cell, as in `SowingSpec`.
    most_trays : int
        Most trays of one order line.
    cells : int or None
        Cells of a tray; None: as each lot's latest.
    season : int or None
        First spring of the sowing; None: the one after the latest in the book.
    lots : tuple of str
        Use only these lots; empty: all.
    by_value : bool
        Share a small packet by value alone, whatever the priorities.
    prick_out : bool
        Extra seedlings fill empty cells of their tray; never of the species in `taproot`.
    taproot : tuple of str
    thinning_cost, cell_cost : float
        Money for taking out one seedling, and for one cell.
    grow_weeks : float
        Weeks from a seedling to a plug that can go, added to the ready dates.
    fit : FitSpec
        Settings of the fit, where a book is handed over instead of one.
    """

    assurance: float = 0.9
    target: float = 0.9
    losses: float | None = None
    reserve: float = 0.1
    most_seeds: int | None = None
    most_trays: int = MOST_TRAYS
    cells: int | None = None
    season: int | None = None
    lots: tuple[str, ...] = ()
    by_value: bool = False
    prick_out: bool = False
    taproot: tuple[str, ...] = ()
    thinning_cost: float = 0.0
    cell_cost: float = 0.0
    grow_weeks: float = 0.0
    fit: FitSpec = field(default_factory=FitSpec)

    def __post_init__(self) -> None:
        shares = {"losses": (self.losses or 0.0, 0.95), "reserve": (self.reserve, 0.95)}
        for name, (share, most) in shares.items():
            if not 0 <= share <= most:
                raise WrongUseError(f"--{name} is a share from 0 to {most:g}, not {share:g}.")
        if not 0.5 <= self.assurance <= 0.99:
            raise WrongUseError(
                f"The assurance of an order is a chance from .5 to .99, not {self.assurance:g}."
            )
        if not TWO_PLACES <= self.most_trays <= 200:
            raise WrongUseError(
                f"The most trays of an order line is a number from 2 to 200, not {self.most_trays}."
            )
        if not all(
            0 <= amount < math.inf
            for amount in (self.thinning_cost, self.cell_cost, self.grow_weeks)
        ):
            raise WrongUseError("Costs and weeks cannot be below 0, nor endless.")
        if self.grow_weeks > MOST_WEEKS:
            raise WrongUseError(
                f"A plug is grown on for at most {MOST_WEEKS} weeks, not {self.grow_weeks:g}."
            )
        if self.cells is not None and not 1 <= self.cells <= MOST_CELLS:
            raise WrongUseError(f"A tray has 1 to {MOST_CELLS:,} cells, not {self.cells:,}.")
        if self.season is not None and not 1900 <= self.season <= 2200:
            raise WrongUseError(f"--season is a year such as 2027, not {self.season}.")
        # refuses what it cannot advise on
        SowingSpec(self.target, cells=self.cells, most_seeds=self.most_seeds)


@dataclass(frozen=True)
class LotNote:
    """What must be known of the forecast of one lot, or of a species of which no lot is there."""

    lot: str
    note: str


@dataclass(frozen=True)
class OrderRow:
    """One order line and its plan.

    Attributes
    ----------
    order, species : str
    plugs : int
        Still to be grown.
    due : pandas.Timestamp or None
    sowings : tuple of PlannedSowing
    chance : float
        P(at least `plugs` plugs), never nearer to 0 or 1 than .001.
    expected_plugs, plugs_low, plugs_high : float, int, int
        Mean and 90 % range.
    trays_for : tuple of (level, trays or None)
        Trays of the best lot at its recommended rate for chances of 80, 90 and 95 %, whatever seed
        there is.
    trays_alone : int or None
        The same for the chance wanted.
    pencil_trays, pencil_chance : int or None, float or None
        Plain arithmetic, which knows no scatter, and the chance its number really has.
    ready : Ready
    cost : CostView or None
    losses : Losses
    short : bool
        The chance lies below the one wanted.
    rationed : bool
        There was too little seed for whole trays at the recommended rate, so that it was shared
        out.
    notes : tuple of str
        What must be known to read the line.
    of_lots : tuple of LotNote
        What the forecasts of its lots rest on.
    comes_late : bool
        Whether most seedlings come after the due date, less the growing weeks: the trays are then
        those of plants that come late, and `chance` is that they are ready in time.
    """

    order: str
    species: str
    plugs: int
    due: pd.Timestamp | None
    sowings: tuple[PlannedSowing, ...]
    chance: float
    worst_season: int | None
    worst_chance: float | None
    expected_plugs: float
    plugs_low: int
    plugs_high: int
    trays_for: tuple[tuple[float, int | None], ...]
    trays_alone: int | None
    pencil_trays: int | None
    pencil_chance: float | None
    ready: Ready
    cost: CostView | None
    losses: Losses
    short: bool
    rationed: bool
    notes: tuple[str, ...]
    of_lots: tuple[LotNote, ...]
    comes_late: bool = False

    RECORD: ClassVar[tuple[str, ...]] = (
        "order",
        "species",
        "plugs",
        "due",
        "lots",
        "trays",
        "seeds_per_cell",
        "grams_per_tray",
        "chance",
        "worst_season",
        "worst_chance",
        "expected_plugs",
        "plugs_low",
        "plugs_high",
        "ready_from",
        "ready_to",
        "trays_for",
        "pencil_trays",
        "pencil_chance",
        "short",
        "comes_late",
        "notes",
        "fails_in_worst",
        "ready_after_due",
    )

    def as_record(self) -> dict[str, object]:
        """The columns of `OrderPlan.to_frame`."""
        return {name: getattr(self, name) for name in self.RECORD} | {
            "notes": self.notes + self.lot_notes
        }

    @property
    def lot_notes(self) -> tuple[str, ...]:
        """What the forecasts of its lots rest on, each with its lot before it."""
        return tuple(f"{one.lot}: {one.note}" for one in self.of_lots)

    @property
    def fails_in_worst(self) -> bool:
        """Whether a spring like the worst on record leaves it less than an even chance."""
        return self.worst_chance is not None and self.worst_chance < _EVEN

    @property
    def ready_after_due(self) -> bool:
        """Whether it has plants enough, but surely after the day it is due."""
        if not self.sowings or self.short or self.due is None or self.ready_from is None:
            return False
        return self.ready_from > self.due

    @property
    def lots(self) -> tuple[str, ...]:
        """Lots sown, best first."""
        return tuple(dict.fromkeys(sowing.lot for sowing in self.sowings))

    @property
    def trays(self) -> int:
        """Trays of all lots."""
        return sum(sowing.trays for sowing in self.sowings)

    @property
    def seeds_per_cell(self) -> float | None:
        """Mean over all cells sown; None where none is."""
        cells = sum(sowing.trays * sowing.shape.cells for sowing in self.sowings)
        seeds = sum(sowing.trays * (sowing.seeds.per_tray or 0.0) for sowing in self.sowings)
        return seeds / cells if cells else None

    @property
    def grams_per_tray(self) -> float | None:
        """Mean over trays; None where a weight is not known."""
        weights = [(sowing.seeds.grams, sowing.trays) for sowing in self.sowings]
        known = [grams * trays for grams, trays in weights if grams is not None]
        return sum(known) / self.trays if self.trays and len(known) == len(weights) else None

    @property
    def ready_from(self) -> pd.Timestamp | None:
        """As in `Ready`."""
        return self.ready.first

    @property
    def ready_to(self) -> pd.Timestamp | None:
        """As in `Ready`."""
        return self.ready.last


@dataclass(frozen=True)
class StoreRow:
    """Seeds of a lot before and after the plan; None where the store is unknown."""

    lot: str
    species: str
    seeds: int | None
    planned: int
    left: int | None
    grams_left: float | None
    note: str


@dataclass(frozen=True)
class OrderPlan:
    """What `plan_orders` found.

    Attributes
    ----------
    rows : tuple of OrderRow
        Shortfalls first.
    store : tuple of StoreRow
        Lots of the species ordered.
    collecting : tuple of CollectingRow
    set_aside : tuple of str
        Rows of the orders table that could not be planned, and why.
    season : int
    spec : OrderSpec
    chance_of_all : float
        P(every order has its plugs) in one spring, which all share, with its losses and benches.
    """

    rows: tuple[OrderRow, ...]
    store: tuple[StoreRow, ...]
    collecting: tuple[CollectingRow, ...]
    set_aside: tuple[str, ...]
    season: int
    spec: OrderSpec
    chance_of_all: float

    def as_record(self) -> dict[str, object]:
        """Everything `germstats plan --json` prints beside the settings; dates as text."""
        rows = [
            {
                **_with_dates(row.as_record()),
                "trays_for": {f"{level:g}": trays for level, trays in row.trays_for},
                "sowings": [sowing.as_record() for sowing in row.sowings],
                "cost": None if row.cost is None else asdict(row.cost),
                "losses": row.losses.as_record(),
                "by_due": row.ready.by_due,
            }
            for row in self.rows
        ]
        return {
            "season": self.season,
            "chance_of_all": self.chance_of_all,
            "rows": rows,
            "store": [asdict(row) for row in self.store],
            "collecting": [asdict(row) for row in self.collecting],
            "set_aside": list(self.set_aside),
        }

    def __repr__(self) -> str:
        short = sum(row.short for row in self.rows)
        return f"<OrderPlan for spring {self.season}: {len(self.rows)} order lines, {short} short>"

    def to_frame(self) -> pd.DataFrame:
        """One row per order line, the columns of `OrderRow.RECORD`."""
        return pd.DataFrame([row.as_record() for row in self.rows], columns=list(OrderRow.RECORD))


def _with_dates(record: dict[str, object]) -> dict[str, object]:
    return {
        name: f"{value:%Y-%m-%d}" if isinstance(value, pd.Timestamp) else value
        for name, value in record.items()
    }
