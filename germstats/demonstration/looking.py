"""What the grower writes down of a growth: the days on which a tray is looked at, and the rows that
come of it.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from germstats.demonstration.sprouting import Generator, Growth

Row = dict[str, object]

SHORTEST_GAP, LONGEST_GAP = 4, 14


@dataclass(frozen=True)
class Watched:
    """One tray and the days on which it is looked at.

    Attributes
    ----------
    tray, by : str
        Tray id, and who looks.
    sown_on : datetime.date
    growth : Growth
    days : tuple of datetime.date
    """

    tray: str
    by: str
    sown_on: datetime.date
    growth: Growth
    days: tuple[datetime.date, ...]


def walk_days(
    first: datetime.date, last: datetime.date, rng: Generator
) -> tuple[datetime.date, ...]:
    """Days on which the grower walks the benches, 4 to 14 days apart."""
    days = [first]
    while (last - days[-1]).days >= SHORTEST_GAP:
        gap = int(rng.integers(SHORTEST_GAP, LONGEST_GAP + 1))
        if (last - days[-1]).days <= LONGEST_GAP:
            gap = (last - days[-1]).days
        days.append(days[-1] + datetime.timedelta(days=gap))
    return tuple(days)


def cell_names(shape: tuple[int, int]) -> list[str]:
    """``A1`` to the last cell, row by row."""
    return [f"{chr(ord('A') + r)}{c + 1}" for r in range(shape[0]) for c in range(shape[1])]


def cell_rows(watched: Watched, *, counts: bool = True) -> list[Row]:
    """Rows of the table `cells`: one per cell and look."""
    names = cell_names(watched.growth.shape)
    rows: list[Row] = []
    for day, age in _ages(watched):
        ever, alive = watched.growth.ever(age), watched.growth.alive(age)
        for name, seen, standing in zip(names, ever.tolist(), alive.tolist(), strict=True):
            row: Row = {
                "tray": watched.tray,
                "cell": name,
                "checked_on": day.isoformat(),
                "checked_by": watched.by,
            }
            row |= (
                {"emerged": seen, "alive": standing if seen else ""}
                if counts
                else {"occupied": int(seen > 0)}
            )
            rows.append(row)
    return rows


def total_rows(watched: Watched, *, seedlings: bool = False) -> list[Row]:
    """Rows of the table `checks`: one per look; the seedlings are those ever seen."""
    rows: list[Row] = []
    for day, age in _ages(watched):
        filled = int((watched.growth.alive(age) > 0).sum())
        row: Row = {
            "tray": watched.tray,
            "checked_on": day.isoformat(),
            "filled": filled,
            "checked_by": watched.by,
        }
        rows.append(row | ({"seedlings": int(watched.growth.ever(age).sum())} if seedlings else {}))
    return rows


def empty_cells(watched: Watched, day: datetime.date) -> str:
    """Cells without a living seedling on `day`, as the table `maps` holds them."""
    bare = watched.growth.alive((day - watched.sown_on).days) == 0
    return " ".join(
        name
        for name, empty in zip(cell_names(watched.growth.shape), bare.tolist(), strict=True)
        if empty
    )


def pick_days(
    days: Sequence[datetime.date], begins: datetime.date, ends: datetime.date, looks: int
) -> tuple[datetime.date, ...]:
    """A few of the days: from the last one before things begin to the first one after they end, and
    the last of all.
    """
    first = max((i for i, day in enumerate(days) if day <= begins), default=0)
    last = min((i for i, day in enumerate(days) if day >= ends), default=len(days) - 1)
    inside = np.unique(np.round(np.linspace(first, last, looks - 1)).astype(int)).tolist()
    return tuple(days[i] for i in dict.fromkeys([*inside, len(days) - 1]))


def _ages(watched: Watched) -> list[tuple[datetime.date, int]]:
    return [(day, (day - watched.sown_on).days) for day in watched.days]
