"""Plain-text tables: columns as wide as their longest entry, numbers to the right."""

from __future__ import annotations

from collections.abc import Sequence

Row = Sequence[str]
Table = tuple[Row, Sequence[Row]]
"""Header and rows, as text."""


def text_table(header: Row, rows: Sequence[Row], left: int = 1) -> str:
    """Lay out rows under a header.

    Parameters
    ----------
    header, rows : sequences of str
    left : int
        The first `left` columns are words and stand to the left; the others are numbers.
    """
    lines = [list(header), *(list(row) for row in rows)]
    widths = [max(len(line[k]) for line in lines) for k in range(len(header))]

    def laid(line: list[str]) -> str:
        parts = [
            text.ljust(w) if k < left else text.rjust(w)
            for k, (text, w) in enumerate(zip(line, widths, strict=True))
        ]
        return "  ".join(parts).rstrip()

    return "\n".join(
        [laid(lines[0]), laid(["-" * w for w in widths]), *(laid(line) for line in lines[1:])]
    )
