"""Records of simulated trays, collapsed to patterns as they would be from a book."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from germstats.records.intervals.patterns import Patterns
from germstats.records.intervals.sowings import treatment_label
from germstats.records.seeds import SowingRate
from germstats.records.tables import LEFT_COUNTS
from nurseries.failures_trays import CELLS, TrayFacts

_ORIGIN_DAYS = 60.0  # sown on 3 December, days counted from there; 1 February is day 60
_Rows = list[tuple[float, ...]]


def as_patterns(
    facts: Sequence[TrayFacts], chill_weeks: dict[str, float], first_year: int
) -> Patterns:
    """Collapse simulated records.

    Parameters
    ----------
    facts : sequence of TrayFacts
        Trays whose records are impossible are left out, by name.
    chill_weeks : dict
        By species.
    first_year : int
        Year of season 0.

    Returns
    -------
    Patterns
    """
    kept = [one for one in facts if not one.stopped]
    times: _Rows = []
    finishes: _Rows = []
    occupied: _Rows = []
    for code, one in enumerate(kept):
        ends = np.concatenate([[0.0], _ORIGIN_DAYS + np.array(one.plan.checks)])
        if one.emerged is not None:
            new = np.diff(one.emerged.sum(axis=1), prepend=0)
            times += [(code, ends[k], ends[k + 1], n) for k, n in enumerate(new) if n > 0]
            seen, cells = np.unique(one.emerged[-1], return_counts=True)
            finishes += [(code, 0, k, ends[-1], 0, n) for k, n in zip(seen, cells, strict=True)]
        else:
            new = np.diff(np.maximum.accumulate(one.standing), prepend=0.0)
            occupied += [(code, 0, ends[k], ends[k + 1], n) for k, n in enumerate(new) if n > 0]
            if one.filled < CELLS:
                finishes.append((code, 0, 0, ends[-1], 1, CELLS - one.filled))
    table = pd.DataFrame([_tray_row(one, chill_weeks, first_year) for one in kept])
    ended = pd.DataFrame(finishes, columns=["tray", "sowing", "seen", "last", "kind", "count"])
    ended["kind"] = np.where(ended["kind"] == 0, "counts", "occupancy")
    whole = {"tray": np.int64, "sowing": np.int64}
    seeds = facts[0].plan.seeds
    return Patterns(
        trays=table,
        times=pd.DataFrame(times, columns=["tray", "lo", "hi", "count"]).astype(
            {"tray": np.int64, "count": float}
        ),
        finishes=ended.astype({**whole, "seen": np.int64, "count": float}),
        occupied=pd.DataFrame(occupied, columns=["tray", "sowing", "lo", "hi", "count"]).astype(
            {**whole, "count": float}
        ),
        sowings=(SowingRate("counted", (seeds,), float(seeds)),),
        notes={},
        left_out={one.plan.tray: "a count is impossible" for one in facts if one.stopped},
    )


def _tray_row(one: TrayFacts, chill_weeks: dict[str, float], first_year: int) -> dict[str, object]:
    plan, year = one.plan, first_year + one.plan.season
    treatment: dict[str, str | float] = {"cover": plan.cover}
    if np.isfinite(plan.depth_mm):
        treatment["cover_depth_mm"] = plan.depth_mm
    return {
        "tray": plan.tray,
        "species": plan.species,
        "lot": plan.lot,
        "season": year,
        "cover": plan.cover,
        "cover_depth_mm": plan.depth_mm,
        "pretreatment": "",
        "treatment": treatment_label(treatment),
        "place": "",
        "block": "",
        "sown_on": pd.Timestamp(year - 1, 12, 3),
        "chill_weeks": chill_weeks[plan.species],
        "origin_days": _ORIGIN_DAYS,
        "cells": float(CELLS),
        "tray_cells": CELLS,
        "seeds": float(CELLS * plan.seeds),
        "emerged": np.nan if one.emerged is None else float(one.emerged[-1].sum()),
        "filled": float(one.filled),
        "last_day": _ORIGIN_DAYS + plan.checks[-1],
        "looks": len(plan.checks),
        "record": "totals" if one.emerged is None else "counts",
        "sowing": 0,
        **dict.fromkeys(LEFT_COUNTS, np.nan),
    }
