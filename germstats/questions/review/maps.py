"""Evidence from the maps of trays: blocks, rings, strips, overfull cells, and where seedlings were
lost.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sized
from dataclasses import dataclass
from typing import cast

import numpy as np
from scipy import stats

from germstats.maps.tray_map import (
    EmptyBlock,
    EmptyRing,
    TrayMap,
    empty_ring,
    join_count,
    overfull_cells,
    scan_empty_block,
    without_cells,
)
from germstats.maps.tray_scans import block_cells, outer_cells
from germstats.questions.review.lot_file import LotFile, Usual, UsualLosses, looked_at
from germstats.questions.review.row import Evidence, Limits
from germstats.questions.review.tray import ReviewedTray
from germstats.records.checking.parsing import so_many

_FARTHEST = 6.0
_NAMED = 8


def among(p: float, trays: Sized) -> float:
    """The p of the one that stands out most among so many trays, where they are more than the
    limits allow for.
    """
    return min(p * looked_at(trays), 1.0)


def _p_graded(p: float, limits: Limits) -> str:
    return "strong" if p < limits["strong_p"] else "some" if p < limits["some_p"] else "none"


def _unless_bare(reading: str, file: LotFile, limits: Limits) -> str:
    """No block or ring to be seen says nothing where a tray is mostly empty: it could not be seen
    there.
    """
    fill = min(float(seen.filled.sum() / max(int(seen.known.sum()), 1)) for _, seen in file.mapped)
    return "" if reading == "none" and fill < limits["map_fill"] else reading


@dataclass(frozen=True)
class _Bare:
    """What is bare on one tray's map: the emptiest block and the outer ring, each None where none
    can be seen, with the chance (p) of one as empty among all maps; `block_p` and `ring_p` are 1
    where there is none.
    """

    tray: ReviewedTray
    seen: TrayMap
    box: EmptyBlock | None
    block_p: float
    ring: EmptyRing | None
    ring_p: float


def _bare(file: LotFile, limits: Limits) -> list[_Bare]:
    """Blocks and rings of all maps, told apart where both show on one.

    A bare ring makes an empty block along an edge, and a block at an edge leaves many outer cells
    empty. Each is judged again without the cells of the other: where one alone is left, it explains
    both.
    """
    boxes = {one.tray: box for one, _, box in file.blocks}
    found = []
    for tray, seen in file.mapped:
        box, ring = boxes.get(tray.tray), empty_ring(seen)
        block_p, ring_p = _p_among(box, file), _p_among(ring, file)
        if box is not None and max(block_p, ring_p) < limits["some_p"]:
            rest = empty_ring(without_cells(seen, block_cells(box, seen.rows, seen.columns)))
            inner = next(
                (other for one, _, other in file.inner_blocks if one.tray == tray.tray), None
            )
            ring_alone, block_alone = _p_among(rest, file), _p_among(inner, file)
            if min(ring_alone, block_alone) < limits["strong_p"]:
                block_p, ring_p = block_alone, ring_alone
        found.append(
            _Bare(tray=tray, seen=seen, box=box, block_p=block_p, ring=ring, ring_p=ring_p)
        )
    return found


def _p_among(one: EmptyBlock | EmptyRing | None, file: LotFile) -> float:
    return 1.0 if one is None else among(one.p, file.mapped)


def block(file: LotFile, limits: Limits) -> Evidence:
    """An empty block from an edge, on any tray."""
    if not file.mapped:
        return Evidence("block", "", None, "no tray was mapped")
    found = _emptiest(file, limits)
    if found is None:
        return Evidence("block", "none", None, "no block of empty cells on the maps")
    one, box = found
    shape = (
        "a strip from side to side"
        if _is_strip(box, one.seen)
        else (f"{_span(box.rows, 'row')} by {_span(box.columns, 'column')}")
    )
    words = (
        f"{one.tray.tray}: {box.cells - box.filled} of {so_many(box.cells, 'cell')} empty in "
        f"{shape} at an edge"
    )
    reading = _unless_bare(_p_graded(one.block_p, limits), file, limits)
    return Evidence(
        evidence="block",
        reading=reading,
        statistic=one.block_p,
        words=words,
        trays=(one.tray.tray,),
    )


def _emptiest(file: LotFile, limits: Limits) -> tuple[_Bare, EmptyBlock] | None:
    """The block that stands out most on any map."""
    found = [(one, one.box) for one in _bare(file, limits) if one.box is not None]
    return min(found, key=lambda row: (row[0].block_p, row[0].tray.tray), default=None)


def _is_strip(box: EmptyBlock, seen: TrayMap) -> bool:
    return box.rows == (0, seen.rows - 1) or box.columns == (0, seen.columns - 1)


def _span(of: tuple[int, int], one: str) -> str:
    number = of[1] - of[0] + 1
    return f"{number} {one}{'s' if number > 1 else ''}"


def shape(file: LotFile, limits: Limits) -> Evidence:
    """Whether a strong block runs from side to side."""
    found = _emptiest(file, limits)
    if found is None or _p_graded(found[0].block_p, limits) != "strong":
        return Evidence("shape", "", None, "")
    one, box = found
    strip = _is_strip(box, one.seen)
    words = f"the empty block {'runs' if strip else 'does not run'} from side to side"
    return Evidence(
        evidence="shape",
        reading="strip" if strip else "patch",
        statistic=None,
        words=words,
        trays=(one.tray.tray,),
    )


def edge(file: LotFile, limits: Limits) -> Evidence:
    """Empty cells in the outer ring."""
    found = [(one, one.ring) for one in _bare(file, limits) if one.ring is not None]
    if not found:
        return Evidence("edge", "", None, "no map tells of the edge")
    one, ring = min(found, key=lambda row: (row[0].ring_p, row[0].tray.tray))
    words = (
        f"{one.tray.tray}: {ring.outer_empty} of its {ring.empty} empty cells in the outer ring of "
        f"{ring.outer}"
    )
    reading = _unless_bare(_p_graded(one.ring_p, limits), file, limits)
    return Evidence(
        evidence="edge", reading=reading, statistic=one.ring_p, words=words, trays=(one.tray.tray,)
    )


def overfull(file: LotFile, limits: Limits) -> Evidence:
    """Cells with more seedlings than seeds."""
    found = [
        (one.tray, cells)
        for one, seen in file.mapped
        if (cells := overfull_cells(seen)).count is not None
    ]
    if not found:
        return Evidence("overfull", "", None, "seedlings were not counted cell by cell")
    name, cells = max(found, key=lambda one: (cast("int", one[1].count), one[0]))
    count = cast("int", cells.count)
    reading = (
        "strong"
        if count >= limits["overfull_strong"]
        else "some"
        if count >= limits["overfull_some"]
        else "none"
    )
    if not count:
        words = (
            "no cell holds more seedlings than seeds were sown, by the counts of "
            f"{so_many(len(found), 'tray')}"
        )
        return Evidence("overfull", reading, 0.0, words)
    named = " ".join(cells.cells[:_NAMED]) + (" ..." if count > _NAMED else "")
    hold = "cells hold" if count > 1 else "cell holds"
    words = f"{name}: {count} {hold} more seedlings than seeds were sown ({named})"
    return Evidence(
        evidence="overfull", reading=reading, statistic=float(count), words=words, trays=(name,)
    )


def _losing(file: LotFile, limits: Limits) -> tuple[ReviewedTray, float, float] | None:
    """The tray that lost most beyond the usual: z, share.

    A record that contradicts itself shows no losses.
    """
    counted = [
        one
        for one in file.trays
        if one.ever and one.lost is not None and one.falls <= limits["record_falls"]
    ]
    found = []
    for one in counted:
        lost, ever = one.lost or 0, one.ever or 1
        p = among(_p_of_losses(lost, ever, _usual_losses(file, one)), counted)
        found.append((one, float(np.clip(stats.norm.isf(p), -_FARTHEST, _FARTHEST)), lost / ever))
    return max(found, key=lambda row: row[1], default=None)


def _p_of_losses(lost: int, ever: int, usual: UsualLosses) -> float:
    """Chance of losing so many or more (half of those just so many), where trays lose unevenly:
    beta-binomial.
    """
    alike = min(max((usual.spread - 1) / max(ever - 1, 1), 1e-6), 0.5)
    law = stats.betabinom(ever, usual.share * (1 / alike - 1), (1 - usual.share) * (1 / alike - 1))
    return float(np.clip(law.sf(lost) + 0.5 * law.pmf(lost), 1e-9, 1 - 1e-9))


def _great(one: ReviewedTray, limits: Limits) -> float:
    """The share that is many: filled cells hide most of what dies, where a second seedling or a
    late one stands.
    """
    return limits["losses_share" if one.by_cell else "losses_filled"]


def _usual_losses(file: LotFile, one: ReviewedTray) -> UsualLosses:
    return file.usual.by_cell if one.by_cell else file.usual.by_tray


def losses(file: LotFile, limits: Limits) -> Evidence:
    """Seedlings lost after they came up."""
    worst = _losing(file, limits)
    if worst is None:
        return Evidence("losses", "", None, "losses after emergence were not counted")
    one, z, share = worst
    strong = z >= limits["losses_z"] and share >= _great(one, limits)
    reading = "strong" if strong else "some" if z >= limits["losses_some"] else ""
    usual = f"{100 * _usual_losses(file, one).share:.0f} % is usual"
    words = f"{one.tray}: {one.lost} of {one.ever} lost after they came; {usual}"
    return Evidence(evidence="losses", reading=reading, statistic=z, words=words, trays=(one.tray,))


def course(file: LotFile, limits: Limits) -> Evidence:
    """Whether what was lost went between two checks, or over several, on the tray that lost
    most.
    """
    worst = _losing(file, limits)
    if worst is None or worst[1] < limits["losses_some"] or not worst[0].lost:
        return Evidence("course", "", None, "no losses to follow")
    one, share = worst[0], min(worst[0].at_once / worst[0].lost, 1.0)
    said = f"{one.tray}: {one.at_once} of the {one.lost} lost went between two checks"
    came = max(one.ever or 0, 1)
    others = (one.lost or 0) - one.at_once
    if one.at_once >= limits["jump"] * came and others >= limits["beside_jump"] * came:
        return Evidence(
            evidence="course",
            reading="jump",
            statistic=share,
            words=f"{said}, the others over several",
            trays=(one.tray,),
        )
    reading = "at_once" if share >= limits["at_once"] else "over_time"
    return Evidence(
        evidence="course", reading=reading, statistic=share, words=said, trays=(one.tray,)
    )


def loss_map(file: LotFile, limits: Limits) -> Evidence:
    """Where the cells lie that lost seedlings, on the tray that lost most."""
    worst = _losing(file, limits)
    if worst is None or worst[1] < limits["losses_some"] or worst[0].seen_map is None:
        return Evidence("loss_map", "", None, "no map of what was lost")
    seen = worst[0].seen_map
    had = seen.filled & np.isfinite(seen.lost)
    gone = had & (np.nan_to_num(seen.lost) > 0)
    if not gone.any() or gone[had].all():
        return Evidence("loss_map", "", None, "no pattern to be seen")
    ring = outer_cells(seen.rows, seen.columns)
    p_ring = float(
        stats.hypergeom.sf(
            int((gone & ring).sum()) - 1, int(had.sum()), int(gone.sum()), int((had & ring).sum())
        )
    )
    joined = join_count(gone, had)
    tray = worst[0].tray
    said = f"{tray}: {int(gone.sum())} of {so_many(int(had.sum()), 'cell')} lost seedlings"
    if p_ring < limits["loss_map_p"]:
        return Evidence(
            evidence="loss_map",
            reading="edge",
            statistic=p_ring,
            words=f"{said}, mostly at the edge",
            trays=(tray,),
        )
    if joined.p < limits["loss_map_p"]:
        return Evidence(
            evidence="loss_map",
            reading="clustered",
            statistic=joined.p,
            words=f"{said}, side by side",
            trays=(tray,),
        )
    return Evidence(
        evidence="loss_map",
        reading="none",
        statistic=joined.p,
        words=f"{said}, anywhere",
        trays=(tray,),
    )


def hit_trays(
    trays: Iterable[ReviewedTray], usual: Mapping[str, Usual], limits: Limits
) -> frozenset[str]:
    """Trays to which something has plainly happened, by their own map and record, whatever others
    brought.

    A block or the outer ring is empty, many cells hold more than was sown, many seedlings were
    lost, or counts fall.

    Parameters
    ----------
    trays : iterable of ReviewedTray
        With their records.
    usual : dict of str to Usual
        By species; the whole nursery under ``""``.
    limits : dict

    Returns
    -------
    frozenset of str
    """
    return frozenset(
        one.tray for one in trays if _hit(one, usual.get(one.species, usual[""]), limits)
    )


def _hit(one: ReviewedTray, usual: Usual, limits: Limits) -> bool:
    if one.falls > limits["record_falls"] or one.sudden:
        return True
    if one.ever and one.lost is not None and one.lost / one.ever >= _great(one, limits):
        p = _p_of_losses(one.lost, one.ever, usual.by_cell if one.by_cell else usual.by_tray)
        if p < float(stats.norm.sf(limits["losses_z"])):
            return True
    seen = one.seen_map
    if seen is None:
        return False
    found = [scan.p for scan in (scan_empty_block(seen), empty_ring(seen)) if scan is not None]
    overfull = overfull_cells(seen).count or 0
    return min(found, default=1.0) < limits["strong_p"] or overfull >= limits["overfull_strong"]
