"""Which trays of a past season had finished when they were looked at last: only those can be held
against a promise.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from typing import Any

import pandas as pd

from germstats.records.intervals.patterns import Patterns

FINISHED = 0.9
"""Cells that stopped being looked at, while empty, before this share of what the tray's last look
shows was out were left too early; common practice, no source.
"""
TOO_EARLY = 0.1
"""A tray is not tested where less than this share of its seedlings was to be expected by its last
look, by earlier seasons: there is nothing to hold against a promise yet; common practice, no
source. What came in the tray itself has no say, or late and poor trays would be sifted out.
"""
_CUT_SHORT = 0.1
"""Share of cells that may have stopped being looked at early, while empty, before the whole tray is
set aside.
"""


def empty_cells(patterns: Patterns, trays: pd.DataFrame) -> dict[int, pd.DataFrame]:
    """Cells that were still empty when they were looked at last, by tray code.

    A cell that has a seedling is filled, whatever is seen of it later: it is finished though nobody
    lists it again.

    Parameters
    ----------
    patterns : Patterns
    trays : pandas.DataFrame
        Rows of its ``trays``.

    Returns
    -------
    dict of int to pandas.DataFrame
        ``last`` (day of that look) and ``count`` (cells); no entry where there is none.
    """
    # their finishes are single seeds, not cells
    whole = (trays["record"] == "seedlings").to_numpy(dtype=bool)
    by_cell = patterns.finishes
    by_cell = by_cell[(by_cell["seen"] == 0) & by_cell["tray"].isin(trays.index[~whole])]
    counted = trays[whole]
    singly = pd.DataFrame(
        {
            "tray": counted.index,
            "last": counted["last_day"].to_numpy(dtype=float),
            "count": (counted["cells"] - counted["filled"]).to_numpy(dtype=float),
        }
    )
    found = pd.concat([by_cell[["tray", "last", "count"]], singly], ignore_index=True)
    found = found[found["count"] > 0]
    return {int(str(code)): own for code, own in found[["last", "count"]].groupby(found["tray"])}


def why_not_finished(
    tray: Mapping[Hashable, Any], empty: pd.DataFrame | None, seen_by: Callable[[float], float]
) -> str:
    """Why a tray cannot be compared with what was promised; empty where it can.

    Parameters
    ----------
    tray : mapping
        Its row of `Patterns.trays`.
    empty : pandas.DataFrame or None
        Its cells still empty, of `empty_cells`; None where there is none.
    seen_by : callable
        Day -> share of the seedlings to be expected by then.
    """
    if empty is None:
        return ""
    seen = seen_by(tray["last_day"])
    if seen < TOO_EARLY:
        return (
            f"its last usable look was too early: only about {100 * seen:.0f} % of its seedlings "
            "were due by then"
        )
    early = [seen_by(day) < FINISHED * seen for day in empty["last"]]
    if empty["count"][early].sum() > _CUT_SHORT * tray["cells"]:
        return "part of it was lost, or no longer looked at, before it had finished"
    return ""
