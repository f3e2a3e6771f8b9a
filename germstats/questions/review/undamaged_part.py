"""The part of a lot to which nothing plain has happened: an accident to one tray says nothing of
the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from germstats.engine.timing import Array
from germstats.maps.tray_map import TrayMap, empty_ring
from germstats.maps.tray_scans import Marks, block_cells, outer_cells
from germstats.questions.review.lot_file import LotFile, looked_at
from germstats.questions.review.row import Limits
from germstats.questions.review.tray import ReviewedTray

# left of a tray, below which it tells too little of its lot (common practice, no source)
_FEWEST_CELLS = 12

Part = tuple[tuple[int, ReviewedTray], ...]
"""Places among a lot's counting trays, each with the tray as it is to be counted."""


@dataclass(frozen=True)
class SoundPart:
    """What of a lot counts, and in words what was left out of it."""

    trays: Part
    without: tuple[str, ...]


def whole(file: LotFile) -> Part:
    """All counting trays as they are."""
    return tuple((k, file.trays[at]) for k, at in enumerate(file.counting))


def sound_part(file: LotFile, limits: Limits, low: int | None) -> SoundPart:
    """A lot without a tray far below its sisters, without an empty block at an edge, and without a
    bare ring.

    Parameters
    ----------
    file : LotFile
    limits : dict of str to float
    low : int or None
        Place among the counting trays of one that lies far below its sisters.
    """
    left, without = [], []
    for k, tray in whole(file):
        if k == low:
            without.append(tray.tray)
            continue
        spared = _spared(file, tray, limits)
        if spared is None:
            left.append((k, tray))
            continue
        cells, what = spared
        without.append(f"the {what} of {tray.tray}")
        if cells is not None:
            left.append((k, cells))
    return SoundPart(tuple(left), tuple(without)) if left else SoundPart(whole(file), ())


def _spared(
    file: LotFile, tray: ReviewedTray, limits: Limits
) -> tuple[ReviewedTray | None, str] | None:
    """The tray by its cells outside a bare block or ring, None where too few are left; None where
    it has neither.
    """
    seen = tray.seen_map
    if seen is None:
        return None
    share = looked_at(file.mapped)
    away = np.zeros((seen.rows, seen.columns), dtype=bool)
    named = []
    for one, _, box in file.blocks:
        if one.tray == tray.tray and box.p * share < limits["strong_p"]:
            away |= block_cells(box, seen.rows, seen.columns)
            named.append("empty block")
    ring = empty_ring(seen)
    if ring is not None and ring.p * share < limits["strong_p"]:
        away |= outer_cells(seen.rows, seen.columns)
        named.append("outer ring")
    if not named:
        return None
    rest = _cut(tray, seen, seen.known & ~away)
    return (rest if rest.cells >= _FEWEST_CELLS else None), " and the ".join(named)


def _cut(tray: ReviewedTray, seen: TrayMap, kept: Marks) -> ReviewedTray:
    """The tray by some of its cells only."""
    counts = tray.emerged is not None and seen.counted
    return replace(
        tray,
        cells=int(kept.sum()),
        filled=int((seen.filled & kept).sum()),
        seeds=_sum(seen.sown, kept) if counts else None,
        emerged=int(np.nan_to_num(seen.emerged)[kept].sum()) if counts else None,
    )


def _sum(grid: Array, kept: Marks) -> float | None:
    total = float(grid[kept].sum())
    return total if np.isfinite(total) else None
