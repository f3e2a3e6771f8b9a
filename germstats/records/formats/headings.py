"""A heading as it was typed -> the column name it stands for."""

from __future__ import annotations


def mended(heading: str) -> str:
    """Return a heading without the freedoms growers take: ``Sown on`` and ``sown-on`` are
    ``sown_on``.
    """
    return "_".join(heading.strip().lower().replace("-", " ").replace("_", " ").split())
