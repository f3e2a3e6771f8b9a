"""What is wanted of a watch, and what it found: frozen results of
`germstats.questions.watch.watch.watch`.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from enum import StrEnum

import pandas as pd

from germstats.engine.fit import FitSpec
from germstats.errors import WrongUseError
from germstats.forecast.weather import BASE_C
from germstats.records.intervals.seed_totals import Unit


class TrayStatus(StrEnum):
    """How a tray stands in its spring."""

    NOT_DUE = "not yet due"
    UNSEEN = "not looked at"
    COMING = "coming"
    NEARLY = "nearly done"
    LATE = "late"
    SILENT = "silent"
    FEW = "few came"
    FINISHED = "finished"
    SECOND_WINTER = "waiting for its second winter"
    CUT_SHORT = "cut short"
    NOT_TOLD = "not forecast"


class Advice(StrEnum):
    """What to do with a tray."""

    KEEP = "keep"
    DISCARD = "discard"
    WINTER_OVER = "winter over"
    MOVE_ON = "thin, fill gaps"
    LOOK = "look at it"
    NOTHING = "nothing to decide"


_OVERDUE = (TrayStatus.SILENT, TrayStatus.LATE, TrayStatus.UNSEEN)
_UNFINISHED = (*_OVERDUE, TrayStatus.COMING, TrayStatus.NOT_DUE, TrayStatus.NEARLY)


@dataclass(frozen=True)
class WatchSpec:
    """What is wanted.

    Attributes
    ----------
    on : pandas.Timestamp, text such as 2026-04-15, or None
        The day; later records are not used. None: the newest day in the book.
    lots : tuple of str
        Only these; empty for all.
    plug_value : float or None
        Money for a plug; None: the middle price of the book's orders, else 1.
    holding_cost : float
        Money for holding a tray a week, in plugs' values (common practice, no source).
    base_c : float
        Temperature above which heat counts.
    fit : FitSpec
        Settings of the fits.
    """

    on: pd.Timestamp | None = None
    lots: tuple[str, ...] = ()
    plug_value: float | None = None
    holding_cost: float = 0.5
    base_c: float = BASE_C
    fit: FitSpec = field(default_factory=FitSpec)

    def __post_init__(self) -> None:
        try:
            if self.on is not None:
                object.__setattr__(self, "on", pd.Timestamp(self.on).normalize())
        except ValueError:
            raise WrongUseError(f"{self.on!r} is no day: give a date such as 2026-04-15.") from None
        if not (
            0 <= self.holding_cost < math.inf
            and (self.plug_value is None or 0 <= self.plug_value < math.inf)
        ):
            raise WrongUseError(
                "The value of a plug and the cost of holding a tray cannot be below 0, nor endless."
            )
        if not -10 <= self.base_c <= 30:
            raise WrongUseError(
                f"The base of degree-days is a temperature from -10 to 30 C, not {self.base_c:g}."
            )

    @property
    def day(self) -> pd.Timestamp:
        """The day itself; a watch fills in the newest one where none was given."""
        assert self.on is not None, "the day is filled in before anything asks for it"
        return self.on


@dataclass(frozen=True)
class TrayWatch:
    """One tray.

    Attributes
    ----------
    tray, lot, species, treatment, place : str
    filled_now, cells : int or None, int
        None before its first check.
    final_low, final, final_high : int, float, int
        Cells filled by the end of its spring, 90 % range; None where nothing is forecast.
    chance_more : float
        That at least one more cell fills, never nearer to 0 or 1 than .001; None where nothing is
        forecast.
    by_now : float or None
        Cells that trays like it have filled by its last check.
    behind : float or None
        Chance that a tray like it has so few by then; None where nothing tells.
    give_up_after : pandas.Timestamp or None
        After it under 5 % of the lot's remaining plugs would come; None where there is nothing to
        wait for.
    status, advice, why : str
    chance_short : float or None
        That it ends more than a quarter below what trays like it bring, by its own records; None
        where nothing tells.
    money : str
        What waiting is worth against what it costs, where advice rests on that.
    counted : {"cells", "seeds"}
        What the numbers count; seeds where only all seedlings of the tray were counted: `cells` are
        then the seeds sown and `filled_now` the seedlings, each seed standing as a cell of its own.
    """

    tray: str
    lot: str
    species: str
    treatment: str
    place: str
    filled_now: int | None
    cells: int
    final_low: int | None
    final: float | None
    final_high: int | None
    chance_more: float | None
    by_now: float | None
    behind: float | None
    give_up_after: pd.Timestamp | None
    status: TrayStatus
    advice: Advice
    why: str
    chance_short: float | None = None
    money: str = ""
    counted: Unit = "cells"

    @property
    def overdue(self) -> bool:
        """Whether it is silent, late or not looked at."""
        return self.status in _OVERDUE

    @property
    def unfinished(self) -> bool:
        """Whether something may still come on it, by its status."""
        return self.status in _UNFINISHED

    def as_record(self) -> dict[str, object]:
        """As `germstats watch --json` prints it; dates as text."""
        return {**_dated(asdict(self)), "overdue": self.overdue, "unfinished": self.unfinished}


Window = tuple[pd.Timestamp, pd.Timestamp]


@dataclass(frozen=True)
class LotWatch:
    """One lot: its trays together, those counted by cells and those by seeds apart.

    Attributes
    ----------
    lot, species : str
    trays, cells, filled_now : int
    final_low, final, final_high : int, float, int
    first, half, most : (low, high) or None
        90 % windows of the day on which its first cell fills, half of those it will fill, and nine
        of ten of them.
    give_up_after : pandas.Timestamp or None
    counted : {"cells", "seeds"}
        As in `TrayWatch`.
    """

    lot: str
    species: str
    trays: int
    cells: int
    filled_now: int
    final_low: int
    final: float
    final_high: int
    first: Window | None
    half: Window | None
    most: Window | None
    give_up_after: pd.Timestamp | None
    counted: Unit = "cells"


@dataclass(frozen=True)
class OrderWatch:
    """Orders of one species against this season's trays.

    Attributes
    ----------
    species : str
    plugs : int
        Still to be delivered.
    chance : float
        That this season's trays bring so many.
    last_plant : (low, high) or None
        90 % window of the day the last one needed is up, in springs that bring so many.
    orders : tuple of str
        Orders of the species that are due by the end of the year: this season's trays serve them, a
        later sowing cannot.
    """

    species: str
    plugs: int
    chance: float
    last_plant: Window | None
    orders: tuple[str, ...] = ()


@dataclass(frozen=True)
class Watch:
    """What `watch` found.

    Attributes
    ----------
    spec : WatchSpec
    spring : int
    rows : tuple of TrayWatch
        Overdue first.
    lots : tuple of LotWatch
    orders : tuple of OrderWatch
    weather : tuple of str
        Heat and cold so far, in words; empty without weather.
    plug_value : float
        As used.
    first_springs : tuple of str
        Species (lots, where species are not recorded) of which no earlier spring is on record.
    """

    spec: WatchSpec
    spring: int
    rows: tuple[TrayWatch, ...]
    lots: tuple[LotWatch, ...]
    orders: tuple[OrderWatch, ...]
    weather: tuple[str, ...]
    plug_value: float
    first_springs: tuple[str, ...]

    def __repr__(self) -> str:
        return f"<Watch on {self.spec.day:%Y-%m-%d}: {len(self.rows)} trays, {len(self.lots)} lots>"

    def to_frame(self) -> pd.DataFrame:
        """One row per tray.

        Returns
        -------
        pandas.DataFrame
            The attributes of `TrayWatch`, then ``overdue`` and ``unfinished``; days as text.
        """
        return pd.DataFrame([row.as_record() for row in self.rows])

    @property
    def over(self) -> bool:
        """Whether by the checks nothing more is to come on any tray, so that the spring is over
        before its last day.
        """
        passed = all(lot.most is None or lot.most[1] <= self.spec.day for lot in self.lots)
        return bool(self.lots) and passed and not any(row.unfinished for row in self.rows)

    @property
    def served(self) -> frozenset[tuple[str, str]]:
        """Orders (order, species) that the trays of this spring serve."""
        return frozenset((order, row.species) for row in self.orders for order in row.orders)

    def as_record(self) -> dict[str, object]:
        """What `germstats watch --json` prints; dates as text."""
        return {
            "on": f"{self.spec.day:%Y-%m-%d}",
            "spring": self.spring,
            "plug_value": self.plug_value,
            "holding_cost": self.spec.holding_cost,
            "over": self.over,
            "rows": [row.as_record() for row in self.rows],
            "lots": [_dated(asdict(row)) for row in self.lots],
            "orders": [_dated(asdict(row)) for row in self.orders],
            "weather": list(self.weather),
            "first_springs": list(self.first_springs),
        }


def _dated(record: dict[str, object]) -> dict[str, object]:
    def told(value: object) -> object:
        if isinstance(value, pd.Timestamp):
            return f"{value:%Y-%m-%d}"
        return [told(one) for one in value] if isinstance(value, tuple) else value

    return {name: told(value) for name, value in record.items()}
