"""Trays of which only all their seedlings were counted: each of their seeds stands as a cell of its
own.

So every answer about filled cells holds for them as well, as seedlings of so many seeds; where one
seed was sown to a cell both are the same.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from germstats.records.intervals.patterns import ONE_SEED, Patterns
from germstats.records.tables import Checks, Trays

Unit = Literal["cells", "seeds"]
"""What a tray's count is a count of."""
UNITS: tuple[Unit, ...] = ("cells", "seeds")


def told_by_seeds(patterns: Patterns) -> NDArray[np.bool_]:
    """(T,) whether a tray's filled cells are not known, but its seedlings and how many seeds they
    came of.

    A pinch whose mean is known stands for that many seeds; one of unknown size for none.
    """
    trays = patterns.trays
    known = [rate.kind != "pinch_unmeasured" for rate in patterns.sowings]
    numbered = np.array(known, dtype=bool)[trays["sowing"].to_numpy(dtype=int)]
    whole = (
        (trays["record"] == "seedlings") & trays["filled"].isna() & trays["emerged"].notna()
    ).to_numpy(dtype=bool)
    return np.asarray(whole & numbered)


def seeds_as_cells(patterns: Patterns) -> Patterns:
    """The same records with every seed of such trays as a cell of its own, sown with one seed.

    Parameters
    ----------
    patterns : Patterns

    Returns
    -------
    Patterns
        In ``trays`` of such a tray: ``cells`` and ``seeds`` are the seeds sown (a range or a pinch
        counts as its mean, rounded, as in ``finishes``), ``filled`` its seedlings, ``sowing`` one
        seed. All else is as it was.
    """
    at = told_by_seeds(patterns)
    if not at.any():
        return patterns
    sowings = patterns.sowings if ONE_SEED in patterns.sowings else (*patterns.sowings, ONE_SEED)
    trays = patterns.trays
    mean = np.array([rate.mean for rate in patterns.sowings])[trays["sowing"].to_numpy(dtype=int)]
    came = trays["emerged"].to_numpy(dtype=float)
    seeds = np.maximum(np.round(mean * trays["cells"].to_numpy(dtype=float)), came)
    return replace(
        patterns,
        trays=trays.assign(
            cells=trays["cells"].where(~at, seeds),
            seeds=trays["seeds"].where(~at, seeds),
            filled=trays["filled"].where(~at, came),
            sowing=trays["sowing"].where(~at, sowings.index(ONE_SEED)),
        ),
        sowings=sowings,
    )


def counted_by_seeds(checks: pd.DataFrame, trays: pd.DataFrame) -> NDArray[np.bool_]:
    """(T,) whether trays not looked at yet are to be counted by their seedlings: as all others of
    their lot are.

    Parameters
    ----------
    checks : pandas.DataFrame
        The ``checks`` table.
    trays : pandas.DataFrame
        All trays sown, with ``tray`` and ``lot``.

    Returns
    -------
    (T,) array
        For the rows of `trays`. A lot never looked at is taken as the whole book.
    """
    lot = checks[Checks.tray].map(
        trays.drop_duplicates(Trays.tray).set_index(Trays.tray)[Trays.lot]
    )
    only = checks[Checks.seedlings].notna() & checks[Checks.filled].isna()
    told = checks[Checks.seedlings].notna() | checks[Checks.filled].notna()
    by_lot = only[told].groupby(lot[told]).all()
    whole_book = bool(told.any() and only[told].all())
    known = {str(name): bool(by_seeds) for name, by_seeds in by_lot.items()}
    return np.array([known.get(str(name), whole_book) for name in trays[Trays.lot]], dtype=bool)
