"""Trays under two covers, judged as `compare` judges them, without a book around them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from germstats.engine.cell_scatter import CellScatter
from germstats.engine.fit import EmergenceFit, FitSpec
from germstats.engine.threads import one_thread
from germstats.engine.timing_choice import TimingChoice
from germstats.engine.treatment_model import borrowed, borrowed_time
from germstats.questions.compare.blocking import Pair
from germstats.questions.compare.comparison import CompareSpec, ComparisonRow
from germstats.questions.compare.contrast import SdPriors, compared
from germstats.questions.compare.verdicts import verdict_of
from germstats.records.seeds import parse_seeds
from tests.made_patterns import made_patterns

NO_SCATTER = CellScatter(0.0, 0.0, 0.0, 0)
LAW = {"S": TimingChoice("log-normal", "sowing", {})}
_LAST = 200.0


def judged_pair(
    reference: Sequence[int],
    level: Sequence[int],
    *,
    cells: int = 72,
    seeds: tuple[int, int] = (1, 1),
    scatter: CellScatter = NO_SCATTER,
    tray_sd: float = 0.3,
    spec: CompareSpec | None = None,
) -> ComparisonRow:
    """Filled cells of each tray, looked at once, all at the end; with one seed a cell they are
    seedlings.
    """
    spec = spec or CompareSpec()
    arm = np.repeat([0, 1], [len(reference), len(level)])
    seen = [*reference, *level]
    kinds = ["counts" if seeds[k] == 1 else "occupancy" for k in arm]
    trays = [
        {
            "species": "S",
            "cells": float(cells),
            "tray_cells": cells,
            "seeds": float(cells * seeds[k]),
            "emerged": float(filled) if seeds[k] == 1 else np.nan,
            "filled": float(filled),
            "looks": 1,
            "sowing": int(k),
        }
        for k, filled in zip(arm, seen, strict=True)
    ]
    empty = [
        (t, int(arm[t]), 0, _LAST, kinds[t], cells - n) for t, n in enumerate(seen) if n < cells
    ]
    single = [
        (t, int(arm[t]), 1, _LAST, kinds[t], n)
        for t, n in enumerate(seen)
        if n and kinds[t] == "counts"
    ]
    first = [
        (t, int(arm[t]), 0.0, _LAST, n) for t, n in enumerate(seen) if n and kinds[t] == "occupancy"
    ]
    sowings = tuple(parse_seeds(str(n)) for n in seeds)
    patterns = made_patterns(trays, (), finishes=[*empty, *single], occupied=first, sowings=sowings)
    fit = EmergenceFit(
        rows=(),
        spec=FitSpec(),
        timing=LAW,
        cell_scatter=scatter,
        patterns=patterns,
        pooled=None,  # a comparison whose priors are given asks nothing of it
    )
    base = ComparisonRow(
        species="S",
        treatment="cover",
        reference="none",
        level="grit",
        trays=(len(reference), len(level)),
        seeds=(None,) * 2,
        emerged=(None,) * 2,
        filled=(None,) * 2,
    )
    found = Pair(np.arange(len(seen)), arm, np.zeros(len(seen), dtype=np.int64), "lot")
    priors = SdPriors(
        tray=borrowed(tray_sd), time=borrowed_time(None), source="known", borrowed=True
    )
    with one_thread():
        row = compared(fit, base, found=found, priors=priors, spec=spec)
    # Holm over one pair changes nothing
    return verdict_of(replace(row, p_adjusted=row.p_main), spec)
