"""Draws put on a page, so that its reader can move target, assurance and seeds per cell; the same
numbers as here.
"""

from __future__ import annotations

from itertools import groupby

import numpy as np

from germstats.document.blocks import Grid, WhatIf
from germstats.document.sentences import percent, spread
from germstats.engine.draws import NODE_WEIGHTS, NODES
from germstats.engine.estimates import RowEstimate
from germstats.forecast.seeds_per_cell import SowingAdvice, SowingRow
from germstats.forecast.tray import GRID
from germstats.questions.sow.fill_curve import MOST_SHOWN, fill_by_seeds

HEADER = ("seeds per cell", "fill %", "range", "chance %")


def what_if(rows: tuple[RowEstimate, ...], advice: SowingAdvice) -> WhatIf:
    """The draws of every lot and treatment, and the table of the first as it stands unmoved.

    Parameters
    ----------
    rows : tuple of RowEstimate
    advice : SowingAdvice
        Of the same rows; its target and assurance are where the reader starts.
    """
    spec, first = advice.spec, advice.rows[0]
    data = {
        "target": spec.target,
        "assurance": spec.assurance,
        "most": max(spec.most_seeds or 0, MOST_SHOWN),
        "nodes": [float(f"{node:.9g}") for node in NODES],
        "node_weights": [float(f"{weight:.6g}") for weight in NODE_WEIGHTS],
        "grid": len(GRID),
        "lots": [_lot(row, one) for row, one in zip(rows, advice.rows, strict=True)],
    }
    return WhatIf(data, _first(rows[0], advice), f"{first.lot}, {first.label}")


def _lot(row: RowEstimate, one: SowingRow) -> dict[str, object]:
    """One lot's draws: logits, and runs of draws that share scatters and weight."""
    draws = row.draws
    sd = np.hypot(draws.tray_sd, draws.season_sd)
    shared = zip(draws.rho.tolist(), sd.tolist(), draws.weight.tolist(), strict=True)
    runs = [
        [len(list(run)), *(float(f"{value:.6g}") for value in key)] for key, run in groupby(shared)
    ]
    start = one.pinches_per_cell if one.seeds_per_cell is None else one.seeds_per_cell
    return {
        "name": f"{one.lot}, {one.label}",
        "unit": "pinches" if row.rate.kind == "pinch_unmeasured" else "seeds",
        "cells": one.cells,
        "seeds": max(round(start or 1), 1),
        "k": row.rate.k,
        "runs": runs,
        "logit": [round(float(theta), 4) for theta in draws.theta],
    }


def _first(row: RowEstimate, advice: SowingAdvice) -> Grid:
    curve = fill_by_seeds(row, advice.spec.target, advice.rows[0].cells)
    rows = tuple(
        (
            f"{one.seeds_per_cell:g}",
            percent(one.fill),
            spread(percent(one.low), percent(one.high)),
            percent(one.chance),
        )
        for one in curve
    )
    return Grid(f"{advice.rows[0].lot}, {advice.rows[0].label}", HEADER, rows)
