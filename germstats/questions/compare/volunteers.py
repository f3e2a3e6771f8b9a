"""Seedlings where nothing was sown: what a cover brings with it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from germstats.engine.timing import Array
from germstats.questions.compare.blocking import levels_of
from germstats.records.book import RecordBook
from germstats.records.tables import Cells, Trays


def volunteer_seedlings(book: RecordBook, treatment: str) -> tuple[str, ...]:
    """Blank cells (sown with 0 seeds) in which a seedling came, by level, in words; empty without
    blank cells.
    """
    cells = book.cells
    blank = cells[cells[Cells.seeds].fillna(-1) == 0]
    if blank.empty:
        return ()
    trays = book.trays.drop_duplicates(Trays.tray).set_index(Trays.tray)
    levels = levels_of(trays, treatment)
    came = np.maximum(_number(blank[Cells.emerged]), _number(blank[Cells.occupied]))
    by_cell = pd.DataFrame({"tray": blank[Cells.tray], "cell": blank[Cells.cell], "came": came > 0})
    by_cell = by_cell.groupby(["tray", "cell"])["came"].any().reset_index()
    by_cell["level"] = by_cell["tray"].map(levels)
    said = []
    for level, part in by_cell.groupby("level", sort=True):
        came_in, of = int(part["came"].sum()), len(part)
        said.append(
            f"{level}: strays in {came_in} of {of} blank cells"
            + (" - some seedlings counted there may not be yours" if came_in else "")
        )
    return tuple(said)


def _number(column: pd.Series) -> Array:
    return np.asarray(column.astype("Float64").fillna(0.0), dtype=float)
