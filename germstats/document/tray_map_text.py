"""A tray map in plain text: a number in every cell, as the tray lies before you with its label at
the top left.
"""

from __future__ import annotations

import numpy as np

from germstats.document.sentences import wrapped
from germstats.maps.tray_map import EmptyBlock, EmptyRing, TrayMap, cell_name, overfull_cells
from germstats.records.checking.parsing import cell_place


def map_text(one: TrayMap, block: EmptyBlock | None = None, ring: EmptyRing | None = None) -> str:
    """Draw a tray with letters and numbers.

    Parameters
    ----------
    one : TrayMap
    block : EmptyBlock, optional
        Its cells are drawn in brackets, and it is told below.
    ring : EmptyRing, optional
        Told below.

    Returns
    -------
    str
        Lines without an end of line after the last.
    """
    rows, columns = _from_label(one)
    over = set(overfull_cells(one).cells)
    marks = [[_mark(one, row, column, over) for column in columns] for row in rows]
    heads = [str(column + 1) for column in columns]
    names = [cell_name(row, 0)[:-1] for row in rows]
    wide = max(len(text) for line in [heads, *marks] for text in line)
    side = max(len(name) for name in names)
    lines = [f"Tray {one.tray}, label at {one.corner} (top left)"]
    lines.append(" " * (side + 1) + "".join(f" {head.rjust(wide)} " for head in heads).rstrip())
    for row, name, line in zip(rows, names, marks, strict=True):
        cells = [
            _framed(text.rjust(wide), block, row, column)
            for text, column in zip(line, columns, strict=True)
        ]
        lines.append(f"{name.rjust(side)} " + "".join(cells).rstrip())
    return "\n".join([*lines, wrapped(_legend(one, block, bool(over))), *_told(block, ring)])


def _from_label(one: TrayMap) -> tuple[list[int], list[int]]:
    """Rows and columns in the order in which they lie, seen with the label at the top left."""
    row, column = cell_place(one.corner)
    rows, columns = list(range(one.rows)), list(range(one.columns))
    return rows[::-1] if row == one.rows > 1 else rows, columns[
        ::-1
    ] if column == one.columns > 1 else columns


def _mark(one: TrayMap, row: int, column: int, over: set[str]) -> str:
    seen = one.emerged[row, column]
    if not np.isfinite(seen):
        return "? " if over else "?"
    number = "." if seen == 0 else f"{seen:.0f}"
    return number + ("!" if cell_name(row, column) in over else " " if over else "")


def _framed(text: str, block: EmptyBlock | None, row: int, column: int) -> str:
    inside = (
        block is not None
        and block.rows[0] <= row <= block.rows[1]
        and block.columns[0] <= column <= block.columns[1]
    )
    return f"[{text}]" if inside else f" {text} "


def _legend(one: TrayMap, block: EmptyBlock | None, over: bool) -> str:
    parts = [
        "number = seedlings ever seen" if one.counted else "1 = filled",
        ". = empty",
        "? = not known or not sown",
    ]
    if over:
        parts.append("! = more than was sown")
    if block is not None:
        parts.append("[ ] = emptiest block from an edge")
    return ", ".join(parts)


def _told(block: EmptyBlock | None, ring: EmptyRing | None) -> list[str]:
    said = []
    if block is not None:
        first, last = (
            cell_name(block.rows[0], block.columns[0]),
            cell_name(block.rows[1], block.columns[1]),
        )
        said.append(
            f"Block {first} to {last}: {block.filled} of {block.cells} cells filled, "
            f"{block.expected:.0f} expected "
            "from the rest of the tray; chance alone makes such a block in "
            f"{chance_words(block.p)}."
        )
    if ring is not None:
        said.append(
            f"Outer ring: {ring.outer_empty} of {ring.outer} cells empty, inside "
            f"{ring.empty - ring.outer_empty} of "
            f"{ring.cells - ring.outer}; chance alone empties as many outer cells in "
            f"{chance_words(ring.p)}."
        )
    return [wrapped(line) for line in said]


def chance_words(p: float) -> str:
    """A p value as trays out of a number: ``1 tray in 20``, never none and never all."""
    if p >= 0.095:
        return f"{min(max(round(10 * p), 1), 9)} trays in 10" if p >= 0.15 else "1 tray in 10"
    if p < 0.001:
        return "fewer than 1 tray in 1000"
    return f"1 tray in {float(f'{1 / p:.2g}'):.0f}"
