"""Evidence from the maps of trays: blocks, rings, strips, overfull cells, and where seedlings were lost."""

from __future__ import annotations

from typing import cast

import numpy as np
from scipy import stats

from germstats.decisions.lot_file import Losses, LotFile, TrayFile, foretold
from germstats.decisions.review_row import Evidence, Limits
from germstats.models.timing import Array
from germstats.models.tray_map import TrayMap, empty_ring, join_count, overfull_cells, scan_empty_block
from germstats.models.tray_scans import outer_cells


def mapped_trays(file: LotFile) -> list[tuple[TrayFile, TrayMap]]:
    return [(one, one.seen_map) for one in file.trays if one.seen_map is not None]


def expected_fill(file: LotFile, one: TrayFile) -> float:
    """Share of the cells of a tray expected to fill in an ordinary spring; 1 where nothing tells."""
    if file.expected is None or not file.counting:
        return 1.0
    place = {file.trays[k].tray: j for j, k in enumerate(file.counting)}.get(one.tray, 0)
    return float((1 - empty(file, one, place)).mean())


def empty(file: LotFile, one: TrayFile, place: int) -> Array:
    """(N,) share of the cells of a tray expected to stay empty."""
    expected = file.expected
    assert expected is not None
    mean, _ = foretold(one, expected.share[:, place], expected.rho, by_seed=False)
    return 1 - mean / max(one.cells, 1)


def _p_graded(p: float, limits: Limits) -> str:
    return "strong" if p < limits["strong_p"] else "some" if p < limits["some_p"] else "none"


def block(file: LotFile, limits: Limits) -> Evidence:
    """An empty block from an edge, on any tray."""
    found = []
    for one, seen in mapped_trays(file):
        if expected_fill(file, one) >= limits["visible_fill"] and (box := scan_empty_block(seen)) is not None:
            found.append((box.p, one.tray, box, seen))
    if not mapped_trays(file):
        return Evidence("block", "", None, "no tray was mapped")
    if not found:
        return Evidence("block", "none", None, "no block of empty cells on the maps")
    p, name, box, seen = min(found, key=lambda one: (one[0], one[1]))
    strip = box.rows == (0, seen.rows - 1) or box.columns == (0, seen.columns - 1)
    shape = "a strip from side to side" if strip else f"{_span(box.rows)} rows by {_span(box.columns)} columns"
    return Evidence("block", _p_graded(p, limits), p,
                    f"{name}: {box.cells - box.filled} of {box.cells} cells empty in {shape} at an edge")  # fmt: skip


def _span(of: tuple[int, int]) -> int:
    return of[1] - of[0] + 1


def shape(file: LotFile, limits: Limits) -> Evidence:
    """Whether a strong block runs from side to side."""
    row = block(file, limits)
    if row.reading != "strong":
        return Evidence("shape", "", None, "")
    strip = "strip from side to side" in row.words
    return Evidence("shape", "strip" if strip else "patch", None,
                    f"the empty block {'runs' if strip else 'does not run'} from side to side")  # fmt: skip


def edge(file: LotFile, limits: Limits) -> Evidence:
    """Empty cells in the outer ring."""
    found = [(ring.p, one.tray, ring) for one, seen in mapped_trays(file) if (ring := empty_ring(seen)) is not None]
    if not found:
        return Evidence("edge", "", None, "no map tells of the edge")
    p, name, ring = min(found, key=lambda one: (one[0], one[1]))
    words = f"{name}: {ring.outer_empty} of its {ring.empty} empty cells in the outer ring of {ring.outer}"
    return Evidence("edge", _p_graded(p, limits), p, words)


def overfull(file: LotFile, limits: Limits) -> Evidence:
    """Cells with more seedlings than seeds."""
    found = [(one.tray, cells) for one, seen in mapped_trays(file) if (cells := overfull_cells(seen)).count is not None]
    if not found:
        return Evidence("overfull", "", None, "seedlings were not counted cell by cell")
    name, cells = max(found, key=lambda one: (cast("int", one[1].count), one[0]))
    count = cast("int", cells.count)
    reading = "strong" if count >= limits["overfull_strong"] else "some" if count >= limits["overfull_some"] else "none"
    listed = f" ({' '.join(cells.cells[:8])})" if cells.cells else ""
    return Evidence("overfull", reading, float(count),
                    f"{name}: {count} cells hold more seedlings than seeds were sown{listed}")  # fmt: skip


def _losing(file: LotFile) -> tuple[TrayFile, float, float] | None:
    """The tray that lost most beyond the usual: z and share."""
    found = []
    for one in file.trays:
        if one.ever and one.lost is not None:
            usual = _usual_losses(file, one)
            spread = np.sqrt(one.ever * usual.share * (1 - usual.share) * usual.spread)
            found.append((one, float((one.lost - one.ever * usual.share) / spread), one.lost / one.ever))
    return max(found, key=lambda row: row[1], default=None)


def _usual_losses(file: LotFile, one: TrayFile) -> Losses:
    return file.usual.by_cell if one.by_cell else file.usual.by_tray


def losses(file: LotFile, limits: Limits) -> Evidence:
    """Seedlings lost after they came up."""
    worst = _losing(file)
    if worst is None:
        return Evidence("losses", "", None, "losses after emergence were not counted")
    one, z, share = worst
    strong = z >= limits["door_losses_z"] and share >= limits["door_losses_share"]
    reading = "strong" if strong else "some" if z >= limits["losses_some"] else ""
    return Evidence("losses", reading, z,
                    f"{one.tray}: {one.lost} of {one.ever} lost after they came; "
                    f"{100 * _usual_losses(file, one).share:.0f} % is usual")  # fmt: skip


def loss_map(file: LotFile, limits: Limits) -> Evidence:
    """Where the cells lie that lost seedlings, on the tray that lost most."""
    worst = _losing(file)
    if worst is None or worst[1] < limits["losses_some"] or worst[0].seen_map is None:
        return Evidence("loss_map", "", None, "no map of what was lost")
    seen = worst[0].seen_map
    had = seen.filled & np.isfinite(seen.lost)
    gone = had & (np.nan_to_num(seen.lost) > 0)
    if not gone.any() or gone[had].all():
        return Evidence("loss_map", "", None, "no pattern to be seen")
    ring = outer_cells(seen.rows, seen.columns)
    p_ring = float(stats.hypergeom.sf(int((gone & ring).sum()) - 1, int(had.sum()), int(gone.sum()),
                                      int((had & ring).sum())))  # fmt: skip
    joined = join_count(gone, had)
    said = f"{worst[0].tray}: {int(gone.sum())} of {int(had.sum())} cells lost seedlings"
    if p_ring < limits["loss_map_p"]:
        return Evidence("loss_map", "edge", p_ring, f"{said}, mostly at the edge")
    if joined.p < limits["loss_map_p"]:
        return Evidence("loss_map", "clustered", joined.p, f"{said}, side by side")
    return Evidence("loss_map", "none", joined.p, f"{said}, anywhere")
