"""Where marks lie on a grid of cells: a block from an edge, the outer ring, clumps.

Plain arrays in, results out.

A permutation test here strews the same marks over the same known cells, so it holds whatever the
fill of the tray.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from germstats.engine.timing import Array

Marks = NDArray[np.bool_]
Whole = NDArray[np.integer[Any]]

SMALLEST_BLOCK = 6
"""Cells of the smallest block looked for."""
PERMUTATIONS = 2000
"""Enough to tell a p below .002: the smallest is .0005."""

# fill beside the block below which an empty block cannot be told from chance (design, measured)
_VISIBLE = 0.5
# random trays that stand out as much, after which p is known well enough (Besag and Clifford 1991,
# memory)
_ENOUGH = 40
_BATCH = 200
# lines along a side at which a block may begin or end; more cells than that are cut more coarsely
_MOST_CUTS = 31
_SIDE_POINTS = 0.2


@dataclass(frozen=True)
class EmptyBlock:
    """The rectangle touching an edge that is emptiest for its size.

    Attributes
    ----------
    rows, columns : (int, int)
        First and last, counted from 0.
    cells, filled : int
        Known cells inside, and those filled.
    expected : float
        Filled cells it would hold if it were like the rest of the tray.
    p : float
        Chance that some rectangle of a tray with as many filled cells, strewn at random, stands out
        as much.
    """

    rows: tuple[int, int]
    columns: tuple[int, int]
    cells: int
    filled: int
    expected: float
    p: float


@dataclass(frozen=True)
class EmptyRing:
    """The outer cells of a tray against the inner ones.

    Attributes
    ----------
    outer, outer_empty : int
        Known cells of the ring, and those empty.
    empty, cells : int
        Empty cells and known cells of the whole tray.
    sides : int
        Sides (0 to 4) whose share of empty cells lies 20 points or more above that of the inner
        cells.
    p : float
        Chance of so many empty cells in the ring, or more, if the tray's empty cells lay at random
        (hypergeometric).
    """

    outer: int
    outer_empty: int
    empty: int
    cells: int
    sides: int
    p: float


@dataclass(frozen=True)
class JoinCount:
    """Pairs of marked cells that share a side.

    Attributes
    ----------
    joins : int
    expected, variance : float
        Of the joins, where as many marks lie at random on the known cells.
    z : float
        0 where the joins cannot vary.
    p : float
        Chance of so many joins or more at random: counted over all labellings where they are few,
        else by permutation.
    """

    joins: int
    expected: float
    variance: float
    z: float
    p: float


def emptiest_block(
    filled: Marks, known: Marks, seed: int = 0, permutations: int = PERMUTATIONS
) -> EmptyBlock | None:
    """Find the emptiest rectangle that touches an edge and holds six cells or more, and no more
    than half of them.

    Rectangles are ranked by the likelihood ratio of one share inside and a higher one outside
    (Kulldorff 1997, Communications in Statistics: Theory and Methods 26:1481-1496, memory).
    Permutations end early where it is plain that nothing stands out.

    Parameters
    ----------
    filled, known : (R, C) bool arrays
    seed, permutations : int

    Returns
    -------
    EmptyBlock or None
        None where nothing can be seen: no empty or no filled cell, no rectangle emptier than the
        rest, or fewer than half of the cells beside it filled.
    """
    filled = filled & known
    total, came = int(known.sum()), int(filled.sum())
    if total < 2 * SMALLEST_BLOCK or came in (0, total):
        return None
    corners = _rectangles(*known.shape)
    sizes = _inside(known[None], corners)[0]
    # of more than half, the rest would be the odd patch
    fits = (sizes >= SMALLEST_BLOCK) & (sizes <= total // 2)
    corners, sizes = corners[fits], sizes[fits]
    if not sizes.size:
        return None
    inside = _inside(filled[None], corners)[0]
    ratios = _ratio(inside, sizes, came, total)
    best = int(ratios.argmax())
    beside = (came - inside[best]) / (total - sizes[best])
    if ratios[best] <= 0 or beside < _VISIBLE:
        return None
    limit = _emptier_than(float(ratios[best]), sizes, came, total)
    p = _block_p(
        filled,
        known,
        corners=corners,
        limit=limit,
        rng=np.random.default_rng(seed),
        permutations=permutations,
    )
    top, left, bottom, right = (int(x) for x in corners[best])
    size = int(sizes[best])
    return EmptyBlock(
        rows=(top, bottom - 1),
        columns=(left, right - 1),
        cells=size,
        filled=int(inside[best]),
        expected=float(beside * size),
        p=p,
    )


@lru_cache(maxsize=32)
def _rectangles(rows: int, columns: int) -> Whole:
    """(B, 4) top, left, bottom, right (the last two beyond the end) of rectangles that touch an
    edge.
    """

    def spans(length: int) -> Whole:
        cuts = np.unique(
            np.linspace(0, length, min(length + 1, _MOST_CUTS)).round().astype(np.int64)
        )
        return np.array(list(combinations(cuts.tolist(), 2)))

    down, across = spans(rows), spans(columns)
    i, j = (
        grid.ravel()
        for grid in np.meshgrid(np.arange(len(down)), np.arange(len(across)), indexing="ij")
    )
    boxes = np.column_stack([down[i, 0], across[j, 0], down[i, 1], across[j, 1]])
    touching = (
        (boxes[:, 0] == 0) | (boxes[:, 1] == 0) | (boxes[:, 2] == rows) | (boxes[:, 3] == columns)
    )
    return np.asarray(boxes[touching])


def _inside(grids: Marks, corners: Whole) -> Whole:
    """(N, B) marks of N grids inside B rectangles, by sums over all cells above and left of a
    corner.
    """
    n, rows, columns = grids.shape
    sums = np.zeros((n, rows + 1, columns + 1), dtype=np.int32)
    sums[:, 1:, 1:] = grids.cumsum(axis=1, dtype=np.int32).cumsum(axis=2, dtype=np.int32)
    flat = np.ascontiguousarray(sums.reshape(n, -1).T)
    top, left, bottom, right = corners.T
    wide = columns + 1
    held = (
        flat[bottom * wide + right]
        - flat[top * wide + right]
        - flat[bottom * wide + left]
        + flat[top * wide + left]
    )
    return np.asarray(held.T)


def _ratio(inside: Whole, sizes: Whole, came: int, total: int) -> Array:
    """Log likelihood ratio of a lower share inside against one share everywhere; 0 where not
    emptier inside.
    """
    from scipy.special import xlogy  # only here, so that a page for the phone is written without it

    outside, rest = came - inside, total - sizes

    def fit(hits: Any, of: Any) -> Any:
        return xlogy(hits, hits / of) + xlogy(of - hits, (of - hits) / of)

    ratio = fit(inside, sizes) + fit(outside, rest) - fit(came, total)
    return np.where(inside * rest < outside * sizes, ratio, 0.0)


def _emptier_than(ratio: float, sizes: Whole, came: int, total: int) -> Whole:
    """Most filled cells with which each rectangle stands out as much; -1 where none do."""
    limits = {}
    for size in np.unique(sizes).tolist():
        fills = np.arange(max(0, came - total + size), min(size, came) + 1)
        reached = _ratio(fills, np.full(fills.shape, size), came, total) >= ratio - 1e-9
        limits[size] = int(fills[reached].max()) if reached.any() else -1
    return np.array([limits[size] for size in sizes.tolist()])


def _block_p(
    filled: Marks,
    known: Marks,
    corners: Whole,
    limit: Whole,
    rng: np.random.Generator,
    permutations: int,
) -> float:
    useful = limit >= 0
    corners, limit = corners[useful], limit[useful]
    reached = done = 0
    for labels in _strewn(filled[known], rng, permutations):
        grids = np.zeros((len(labels), *known.shape), dtype=bool)
        grids[:, known] = labels
        reached += int((_inside(grids, corners) <= limit).any(axis=1).sum())
        done += len(labels)
        if reached >= _ENOUGH:
            break
    return (1 + reached) / (1 + done)


def _strewn(labels: Marks, rng: np.random.Generator, permutations: int) -> Iterator[Marks]:
    """Random orders of `labels`, in batches."""
    for start in range(0, permutations, _BATCH):
        yield rng.permuted(np.tile(labels, (min(_BATCH, permutations - start), 1)), axis=1)


def ring_of_empties(filled: Marks, known: Marks) -> EmptyRing | None:
    """Compare the outer cells with the inner ones.

    Parameters
    ----------
    filled, known : (R, C) bool arrays

    Returns
    -------
    EmptyRing or None
        None where there are no inner or no outer cells, no empty or no filled cell.
    """
    from scipy import stats

    edge = outer_cells(known.shape[0], known.shape[1])
    empty = known & ~filled
    cells, empties, outer = int(known.sum()), int(empty.sum()), int((known & edge).sum())
    if outer in (0, cells) or empties in (0, cells):
        return None
    outer_empty = int((empty & edge).sum())
    bar = (empties - outer_empty) / (cells - outer) + _SIDE_POINTS
    sides = 0
    for side in (np.s_[0, :], np.s_[-1, :], np.s_[:, 0], np.s_[:, -1]):
        seen = int(known[side].sum())
        sides += int(seen > 0 and int(empty[side].sum()) >= bar * seen)
    p = float(stats.hypergeom.sf(outer_empty - 1, cells, empties, outer))
    return EmptyRing(
        outer=outer, outer_empty=outer_empty, empty=empties, cells=cells, sides=sides, p=p
    )


def block_cells(box: EmptyBlock, rows: int, columns: int) -> Marks:
    """(R, C) bool: cells of the block."""
    inside = np.zeros((rows, columns), dtype=bool)
    inside[box.rows[0] : box.rows[1] + 1, box.columns[0] : box.columns[1] + 1] = True
    return inside


def outer_cells(rows: int, columns: int) -> Marks:
    """(R, C) bool: cells of the outer ring."""
    edge = np.zeros((rows, columns), dtype=bool)
    edge[[0, -1], :] = edge[:, [0, -1]] = True
    return edge


def join_count(
    marked: Marks, known: Marks, seed: int = 0, permutations: int = PERMUTATIONS
) -> JoinCount:
    """Count marked cells that share a side with a marked cell, against as many marks lying at
    random.

    Moments by formula for labels drawn without replacement (Cliff and Ord 1981, Spatial Processes,
    ch. 2, memory): with J joins among n cells, m of them marked, and S ordered pairs of joins
    sharing a cell, E = J (m)_2/(n)_2 and E2 = E + S (m)_3/(n)_3 + (J (J - 1) - S) (m)_4/(n)_4,
    where (m)_k = m (m - 1) ... (m - k + 1).

    Parameters
    ----------
    marked, known : (R, C) bool arrays
        Marks on unknown cells are not counted.
    seed, permutations : int

    Returns
    -------
    JoinCount
    """
    code = np.full(known.shape, -1)
    code[known] = np.arange(int(known.sum()))
    down, across = (
        (code[:-1].ravel(), code[1:].ravel()),
        (code[:, :-1].ravel(), code[:, 1:].ravel()),
    )
    a, b = np.concatenate([down, across], axis=1)
    both = (a >= 0) & (b >= 0)
    a, b, labels = a[both], b[both], (marked & known)[known]
    joins = int((labels[a] & labels[b]).sum())
    expected, variance = _join_moments(a, b, len(labels), int(labels.sum()))
    z = (joins - expected) / variance**0.5 if variance > 0 else 0.0
    return JoinCount(
        joins=joins,
        expected=expected,
        variance=variance,
        z=z,
        p=_join_p(joins, labels, pairs=(a, b), seed=seed, permutations=permutations),
    )


def _join_moments(a: Whole, b: Whole, cells: int, marks: int) -> tuple[float, float]:
    """Mean and variance of the joins between marked cells."""

    def all_marked(count: int) -> float:
        """Chance that `count` given cells are all marked."""
        return comb(marks, count) / comb(cells, count) if cells >= count else 0.0

    joins = len(a)
    beside = np.bincount(np.concatenate([a, b]), minlength=cells)
    sharing = int((beside * (beside - 1)).sum())
    expected = joins * all_marked(2)
    square = expected + sharing * all_marked(3) + (joins * (joins - 1) - sharing) * all_marked(4)
    variance = square - expected**2
    # all or none marked: rounding only
    return (expected, variance if variance > 1e-12 * square else 0.0)


def _join_p(
    joins: int, labels: Marks, pairs: tuple[Whole, Whole], seed: int, permutations: int
) -> float:
    cells, marks = len(labels), int(labels.sum())
    a, b = pairs
    if joins == 0:
        return 1.0
    if comb(cells, marks) <= permutations:
        every = np.zeros((comb(cells, marks), cells), dtype=bool)
        for row, chosen in enumerate(combinations(range(cells), marks)):
            every[row, list(chosen)] = True
        return float(((every[:, a] & every[:, b]).sum(axis=1) >= joins).mean())
    batches = _strewn(labels, np.random.default_rng(seed), permutations)
    reached = sum(
        int(((batch[:, a] & batch[:, b]).sum(axis=1) >= joins).sum()) for batch in batches
    )
    return (1 + reached) / (1 + permutations)
