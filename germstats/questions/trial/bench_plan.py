"""A bench plan: every treatment equally often in every block, in an order drawn by lot, under names
not yet taken.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, fields
from itertools import count, product

import numpy as np
import pandas as pd

_DIGITS = "23456789"
"""What tray names are made of: nothing that can be read as a letter, or a letter as it."""
_SHORTEST = 3
_LOOKS = str.maketrans("oil", "011")


@dataclass(frozen=True)
class PlannedTray:
    """One tray to be sown: a row of the table trays.

    Attributes
    ----------
    tray, season, lot, sown_on, rows, columns, seeds_per_cell, cover, place, block, trial :
        As in that table; ``sown_on`` is the planned day.
    """

    tray: str
    season: int
    lot: str
    sown_on: pd.Timestamp
    rows: int
    columns: int
    seeds_per_cell: int
    cover: str
    place: str
    block: str
    trial: str


@dataclass(frozen=True)
class TrialSowing:
    """What all trays of a trial share.

    Attributes
    ----------
    season, lot, sown_on, rows, columns, seeds_per_cell :
        As in `PlannedTray`.
    trial : str
    """

    season: int
    lot: str
    sown_on: pd.Timestamp
    rows: int
    columns: int
    seeds_per_cell: int
    trial: str

    @property
    def cells(self) -> int:
        """Cells of a tray."""
        return self.rows * self.columns


def bench_plan(
    sowing: TrialSowing,
    treatments: tuple[str, ...],
    places: tuple[str, ...],
    trays: int,
    taken: Iterable[str],
    seed: int,
) -> tuple[PlannedTray, ...]:
    """Lay out a trial.

    Parameters
    ----------
    sowing : TrialSowing
    treatments : tuple of str
    places : tuple of str
        One block stands at each.
    trays : int
        Of each treatment; a multiple of the number of places.
    taken : iterable of str
        Names of trays that exist.
    seed : int
        Draws the order within blocks.

    Returns
    -------
    tuple of PlannedTray
        Block by block, in the order in which the trays stand.
    """
    rng = np.random.default_rng(seed)
    names = free_names(taken)
    each = trays // len(places)
    return tuple(
        PlannedTray(
            tray=next(names),
            season=sowing.season,
            lot=sowing.lot,
            sown_on=sowing.sown_on,
            rows=sowing.rows,
            columns=sowing.columns,
            seeds_per_cell=sowing.seeds_per_cell,
            cover=str(cover),
            place=place,
            block=f"{sowing.trial} {k}",
            trial=sowing.trial,
        )
        for k, place in enumerate(places, 1)
        for cover in rng.permutation(np.repeat(treatments, each))
    )


def free_names(taken: Iterable[str]) -> Iterator[str]:
    """Names for trays, ``X-222`` onwards, that nobody can take for one that exists."""
    known = {_look(name) for name in taken}
    for length in count(_SHORTEST):
        for digits in product(_DIGITS, repeat=length):
            name = "X-" + "".join(digits)
            if _look(name) not in known:
                yield name


def _look(name: str) -> str:
    return " ".join(name.split()).casefold().translate(_LOOKS)


def plan_frame(plan: Iterable[PlannedTray]) -> pd.DataFrame:
    """The plan as rows of the table trays, the day in ISO."""
    rows = [asdict(tray) | {"sown_on": f"{tray.sown_on:%Y-%m-%d}"} for tray in plan]
    return pd.DataFrame(rows, columns=[field.name for field in fields(PlannedTray)])
