"""When the lots of a spring came, as seen at the checks: what to expect of the next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from germstats.document.sentences import number
from germstats.document.tables import Table
from germstats.engine.fit import EmergenceFit
from germstats.engine.quantiles import weighted_values
from germstats.records.intervals.seed_totals import Unit, seeds_as_cells, told_by_seeds
from germstats.records.tables import Trays


@dataclass(frozen=True)
class LotCame:
    """What was seen of a lot in one spring.

    Attributes
    ----------
    lot : str
    trays, filled, cells : int, int or None, int
        Trays looked at, and cells filled by the end, of how many; None where that is not known.
        Where only seedlings were counted each seed stands as a cell of its own.
    first, half, last : pandas.Timestamp or None
        Checks by which the first was up, half were, and the last was; None where nothing came.
        Seedlings where they were counted, else cells.
    counted : {"cells", "seeds"}
        Seeds where only seedlings were counted in all its trays.
    """

    lot: str
    trays: int
    filled: int | None
    cells: int
    first: pd.Timestamp | None
    half: pd.Timestamp | None
    last: pd.Timestamp | None
    counted: Unit = "cells"


def lots_came(fit: EmergenceFit, season: int) -> tuple[LotCame, ...]:
    """The lots sown for a spring, the earliest first; trays from which nothing is estimated are not
    in it.

    Parameters
    ----------
    fit : EmergenceFit
    season : int
    """
    counts = seeds_as_cells(fit.patterns).trays.assign(by_seeds=told_by_seeds(fit.patterns))
    trays = counts[counts["season"] == season]
    rises = pd.concat([fit.patterns.times, fit.patterns.occupied])
    rises = rises[rises["tray"].isin(trays.index)]
    sown = trays[Trays.sown_on].reindex(rises["tray"]).to_numpy()
    rises = rises.assign(
        lot=trays[Trays.lot].reindex(rises["tray"]).to_numpy(),
        day=sown + pd.to_timedelta(rises["hi"], unit="D").to_numpy(),
    )
    found = [
        _came(str(lot), own, rises[rises["lot"] == lot])
        for lot, own in trays.groupby(Trays.lot, sort=True)
    ]
    return tuple(sorted(found, key=lambda one: (one.half is None, one.half, one.lot)))


def _came(lot: str, trays: pd.DataFrame, rises: pd.DataFrame) -> LotCame:
    filled = None if trays["filled"].isna().any() else round(float(trays["filled"].sum()))
    counts = len(trays), filled, round(float(trays["cells"].sum()))
    by_day = rises[rises["count"] > 0].groupby("day")["count"].sum().sort_index()
    counted: Unit = "seeds" if trays["by_seeds"].all() else "cells"
    if by_day.empty:
        return LotCame(lot, *counts, None, None, None, counted)
    seedlings = by_day.to_numpy(dtype=float)
    half = pd.Timestamp(weighted_values(by_day.index.to_numpy(), seedlings, np.array([0.5]))[0])
    return LotCame(lot, *counts, by_day.index[0], half, by_day.index[-1], counted)


def came_table(rows: tuple[LotCame, ...]) -> Table:
    """One row per lot: what came and by which check."""

    def day(one: pd.Timestamp | None) -> str:
        return "-" if one is None else f"{one:%m-%d}"

    header = ("lot", "trays", "filled", "first seen", "half by", "last new")

    def came(one: LotCame) -> str:
        return f"{number(one.filled)} of {one.cells}{' seeds' if one.counted == 'seeds' else ''}"

    body = [
        (one.lot, str(one.trays), came(one), day(one.first), day(one.half), day(one.last))
        for one in rows
    ]
    return header, body
