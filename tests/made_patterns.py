"""Patterns written by hand for tests: one lot, trays of one treatment."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from germstats.records.intervals.patterns import Patterns
from germstats.records.seeds import SowingRate

ONE = SowingRate("counted", (1,), 1.0)


def made_patterns(
    trays: Sequence[dict[str, object]],
    times: Sequence[tuple[object, ...]] = (),
    finishes: Sequence[tuple[object, ...]] = (),
    occupied: Sequence[tuple[object, ...]] = (),
    sowings: tuple[SowingRate, ...] = (ONE,),
) -> Patterns:
    """`trays` gives what differs from a plain tray of 72 cells with one seed each."""
    plain: dict[str, object] = {
        "species": None,
        "lot": "A",
        "season": 2025,
        "cover": "none",
        "cover_depth_mm": np.nan,
        "pretreatment": "",
        "treatment": "none",
        "chill_weeks": np.nan,
        "place": "",
        "block": "",
        "sown_on": pd.Timestamp("2024-12-01"),
        "origin_days": 62.0,
        "cells": 72.0,
        "tray_cells": 72,
        "seeds": 72.0,
        "emerged": 1.0,
        "filled": 1.0,
        "left_alive": np.nan,
        "left_dead": np.nan,
        "left_empty": np.nan,
        "last_day": 200.0,
        "looks": 2,
        "record": "counts",
        "sowing": 0,
    }
    return Patterns(
        trays=pd.DataFrame([{**plain, "tray": f"T{k}", **tray} for k, tray in enumerate(trays)]),
        times=pd.DataFrame(times, columns=["tray", "lo", "hi", "count"]),
        finishes=pd.DataFrame(
            finishes, columns=["tray", "sowing", "seen", "last", "kind", "count"]
        ),
        occupied=pd.DataFrame(occupied, columns=["tray", "sowing", "lo", "hi", "count"]),
        sowings=sowings,
        notes={},
        left_out={},
    )
