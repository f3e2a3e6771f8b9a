"""A design whose rows touch few columns each: sums over entries instead of dense products.

Many rows are alike (lots of one species under one treatment in one spring); what is quadratic in
the design is summed over them first.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from germstats.engine.arrays import Index, summed
from germstats.engine.timing import Array


@dataclass(frozen=True)
class SparseDesign:
    """Entries of a (G, 3, P) design that are not 0, by row, and their pairs by kind of row.

    Attributes
    ----------
    rows, columns : int
        G and P.
    row, part, column : (E,) int arrays
    value : (E,) array
    kind : (G,) int array
        The same number for rows that are alike.
    kinds : int
        How many there are.
    block, square : (M,) int arrays
        For each pair of entries of one kind of row, the entry of its flat 3 x 3 block, and of the
        flat P x P sum.
    product : (M,) array
        Their values multiplied.
    """

    rows: int
    columns: int
    row: Index
    part: Index
    column: Index
    value: Array
    kind: Index
    kinds: int
    block: Index
    square: Index
    product: Array

    def times(self, beta: Array) -> Array:
        """(G, 3) array: the design times (P,) `beta`."""
        spread = np.bincount(self.place, self.value * beta[self.column], minlength=3 * self.rows)
        return np.asarray(spread.reshape(3, self.rows).T)

    def gathered(self, rows: Array) -> Array:
        """(P,) array: the transposed design times (G, 3) `rows`."""
        weight = self.value * rows.T.ravel().take(self.place)
        return np.asarray(np.bincount(self.column, weight, minlength=self.columns))

    def sandwich(self, blocks: Array) -> Array:
        """(P, P) array: sum over rows of X' B X for (G, 3, 3) `blocks`."""
        by_entry = blocks.transpose(1, 2, 0).reshape(9, -1)
        by_kind = summed([*by_entry], self.kind, self.kinds)
        flat = np.bincount(
            self.square, by_kind.T.ravel()[self.block] * self.product, minlength=self.columns**2
        )
        return np.asarray(flat.reshape(self.columns, self.columns))

    @cached_property
    def place(self) -> Index:
        """Where each entry's row and part is in a (3, G) array."""
        return self.part * self.rows + self.row


@dataclass(frozen=True)
class LotEntries:
    """The common effects that each lot's trays have part in, for what is summed over lots.

    Attributes
    ----------
    lots, columns : int
        L and P.
    lot, column : (M,) int arrays
        Each lot with each of its columns once.
    of_entry : (E,) int array
        Which of these each entry of the design belongs to.
    first, second : (N,) int arrays
        Pairs of these of one lot, each pair once.
    design : SparseDesign
    """

    lots: int
    columns: int
    lot: Index
    column: Index
    of_entry: Index
    first: Index
    second: Index
    design: SparseDesign

    @cached_property
    def _square(self) -> Index:
        return self.column[self.first] * self.columns + self.column[self.second]

    def crossed(self, blocks: Array) -> Array:
        """(2, M) sums over a lot's rows of the first two rows of B X, for blocks (G, 3, 3)."""
        entries, by_entry = self.design, blocks.transpose(1, 2, 0).reshape(3, -1)
        weights = [by_entry[k].take(entries.place) * entries.value for k in (0, 1)]
        return summed(weights, self.of_entry, len(self.lot))

    def squared(self, left: Array, right: Array) -> Array:
        """(P, P) sum over lots of left' right, (2, M) each, which is known to be symmetric."""
        weight = left[0].take(self.first) * right[0].take(self.second)
        weight += left[1].take(self.first) * right[1].take(self.second)
        half = np.bincount(self._square, weight, minlength=self.columns**2).reshape(
            self.columns, self.columns
        )
        return np.asarray(half + np.triu(half, 1).T)

    def times(self, values: Array, beta: Array) -> Array:
        """(L, 2) array: (2, M) `values` times (P,) `beta`."""
        return summed([*(values * beta[self.column])], self.lot, self.lots).T

    def gathered(self, values: Array, lots: Array) -> Array:
        """(P,) array: the transposed (2, M) `values` times (L, 2) `lots`."""
        weight = (values * lots.T[:, self.lot]).sum(axis=0)
        return np.asarray(np.bincount(self.column, weight, minlength=self.columns))

    def dense(self, values: Array) -> Array:
        """(L, 2, P) array of (2, M) `values`."""
        full = np.zeros((self.lots, 2, self.columns))
        full[self.lot, :, self.column] = values.T
        return full


def lot_entries(design: SparseDesign, lot: Index) -> LotEntries:
    """Entries of a design by lot, (G,) ascending.

    Parameters
    ----------
    design : (G, 3, P) array
    lot : (G,) int array

    Returns
    -------
    LotEntries
    """
    code = lot[design.row] * design.columns + design.column
    unique, of_entry = np.unique(code, return_inverse=True)
    lots, (of, column) = int(lot[-1]) + 1, np.divmod(unique, design.columns)
    first, second = _pairs(of, lots)
    once = first <= second
    return LotEntries(
        lots=lots,
        columns=design.columns,
        lot=of,
        column=column,
        of_entry=of_entry,
        first=first[once],
        second=second[once],
        design=design,
    )


def sparse_design(design: Array) -> SparseDesign:
    """Entries of a dense design."""
    row, part, column = _entries(design)
    kinds: dict[bytes, int] = {}
    kind = np.array([kinds.setdefault(one.tobytes(), len(kinds)) for one in design], dtype=np.int64)
    alike = design[np.unique(kind, return_index=True)[1]]
    own, own_part, own_column = _entries(alike)
    value = alike[own, own_part, own_column]
    first, second = _pairs(own, len(alike))
    return SparseDesign(
        rows=len(design),
        columns=design.shape[2],
        row=row,
        part=part,
        column=column,
        value=design[row, part, column],
        kind=kind,
        kinds=len(kinds),
        block=own[first] * 9 + own_part[first] * 3 + own_part[second],
        square=own_column[first] * design.shape[2] + own_column[second],
        product=value[first] * value[second],
    )


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
