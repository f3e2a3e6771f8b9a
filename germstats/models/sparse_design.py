"""A design of which each row touches a handful of columns: sums over its entries instead of dense products.

Many rows are alike (lots of one species under one treatment in one spring); what is quadratic in the design is summed
over them first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from germstats.models.compiled import Index, group_starts
from germstats.models.timing import Array


@dataclass(frozen=True)
class SparseDesign:
    """Entries of a (G, 3, P) design that are not 0, sorted by row, and all pairs of entries of each kind of row.

    Attributes
    ----------
    rows, columns : int
        G and P.
    row, part, column : (E,) int arrays
    value : (E,) array
    order, starts : (G,), (D,) int arrays
        Rows with those alike together, and where each of the D kinds begins.
    block, square : (M,) int arrays
        For each pair of entries of one kind of row, the entry of its flat 3 x 3 block, and of the flat P x P sum.
    product : (M,) array
        Their values multiplied.
    """

    rows: int
    columns: int
    row: Index
    part: Index
    column: Index
    value: Array
    order: Index
    starts: Index
    block: Index
    square: Index
    product: Array

    def times(self, beta: Array) -> Array:
        """(G, 3) array: the design times (P,) `beta`."""
        spread = np.bincount(self.row * 3 + self.part, self.value * beta[self.column], minlength=3 * self.rows)
        return np.asarray(spread.reshape(self.rows, 3))

    def gathered(self, rows: Array) -> Array:
        """(P,) array: the transposed design times (G, 3) `rows`."""
        return np.asarray(np.bincount(self.column, self.value * rows[self.row, self.part], minlength=self.columns))

    def sandwich(self, blocks: Array) -> Array:
        """(P, P) array: sum over rows of X' B X for (G, 3, 3) `blocks`."""
        summed = np.add.reduceat(blocks.reshape(-1, 9)[self.order], self.starts)
        flat = np.bincount(self.square, summed.ravel()[self.block] * self.product, minlength=self.columns**2)
        return np.asarray(flat.reshape(self.columns, self.columns))

    def crossed(self, blocks: Array, lot: Index) -> Array:
        """(L, 2, P) array: sum over a lot's rows of the first two rows of B X."""
        lots = int(lot[-1]) + 1
        at = (lot[self.row][None] * 2 + np.arange(2)[:, None]) * self.columns + self.column
        weight = blocks[self.row, :2, self.part].T * self.value
        summed = np.bincount(at.ravel(), weight.ravel(), minlength=lots * 2 * self.columns)
        return np.asarray(summed.reshape(lots, 2, self.columns))


def sparse_design(design: Array) -> SparseDesign:
    """Entries of a dense design."""
    row, part, column = _entries(design)
    kinds: dict[bytes, int] = {}
    kind = np.array([kinds.setdefault(one.tobytes(), len(kinds)) for one in design], dtype=np.int64)
    order = np.argsort(kind, kind="stable")
    starts = group_starts(kind[order])
    alike = design[order[starts]]
    own, own_part, own_column = _entries(alike)
    value = alike[own, own_part, own_column]
    first, second = _pairs(own, len(alike))
    return SparseDesign(
        len(design), design.shape[2], row, part, column, design[row, part, column],
        order=order, starts=starts,
        block=own[first] * 9 + own_part[first] * 3 + own_part[second],
        square=own_column[first] * design.shape[2] + own_column[second],
        product=value[first] * value[second],
    )  # fmt: skip


def _entries(design: Array) -> tuple[Index, Index, Index]:
    row, part, column = (np.asarray(at, dtype=np.int64) for at in np.nonzero(design))
    return row, part, column


def _pairs(row: Index, rows: int) -> tuple[Index, Index]:
    """All pairs of entries of one row."""
    count = np.bincount(row, minlength=rows)
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    first = np.repeat(np.arange(len(row)), count[row])
    before = np.repeat(np.concatenate([[0], np.cumsum(count[row])[:-1]]), count[row])
    return first, start[row[first]] + np.arange(len(first)) - before
