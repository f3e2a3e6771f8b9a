"""A design of which each row touches a handful of columns: sums over its entries instead of dense products."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from germstats.models.compiled import Index
from germstats.models.timing import Array


@dataclass(frozen=True)
class SparseDesign:
    """Entries of a (G, 3, P) design that are not 0, sorted by row, and all pairs of entries of one row.

    Attributes
    ----------
    rows, columns : int
        G and P.
    row, part, column : (E,) int arrays
    value : (E,) array
    first, second : (M,) int arrays
        Pairs of entries of one row.
    """

    rows: int
    columns: int
    row: Index
    part: Index
    column: Index
    value: Array
    first: Index
    second: Index

    def times(self, beta: Array) -> Array:
        """(G, 3) array: the design times (P,) `beta`."""
        spread = np.bincount(self.row * 3 + self.part, self.value * beta[self.column], minlength=3 * self.rows)
        return np.asarray(spread.reshape(self.rows, 3))

    def gathered(self, rows: Array) -> Array:
        """(P,) array: the transposed design times (G, 3) `rows`."""
        return np.asarray(np.bincount(self.column, self.value * rows[self.row, self.part], minlength=self.columns))

    def sandwich(self, blocks: Array) -> Array:
        """(P, P) array: sum over rows of X' B X for (G, 3, 3) `blocks`."""
        a, b = self.first, self.second
        weight = blocks[self.row[a], self.part[a], self.part[b]] * self.value[a] * self.value[b]
        at = self.column[a] * self.columns + self.column[b]
        summed = np.bincount(at, weight, minlength=self.columns**2)
        return np.asarray(summed.reshape(self.columns, self.columns))

    def crossed(self, blocks: Array, lot: Index) -> Array:
        """(L, 2, P) array: sum over a lot's rows of the first two rows of B X."""
        lots = int(lot[-1]) + 1
        at = (lot[self.row][None] * 2 + np.arange(2)[:, None]) * self.columns + self.column
        weight = blocks[self.row, :2, self.part].T * self.value
        summed = np.bincount(at.ravel(), weight.ravel(), minlength=lots * 2 * self.columns)
        return np.asarray(summed.reshape(lots, 2, self.columns))


def sparse_design(design: Array) -> SparseDesign:
    """Entries of a dense design."""
    row, part, column = (np.asarray(at, dtype=np.int64) for at in np.nonzero(design))
    count = np.bincount(row, minlength=len(design))
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    first = np.repeat(np.arange(len(row)), count[row])
    before = np.repeat(np.concatenate([[0], np.cumsum(count[row])[:-1]]), count[row])
    second = start[row[first]] + np.arange(len(first)) - before
    return SparseDesign(len(design), design.shape[2], row, part, column, design[row, part, column], first, second)
