"""What a page is made of: sections of words, lists, tables, pictures and cards, as plain data for
one template.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

from germstats.document.tables import Table

_NUMBER = re.compile(
    r"[<>~+-]?[\d.,/%]*\d[\d.,/%]*( ?(-|to|of|v|/) ?[<>+-]?[\d.,%]+)?( \(\d+\))?|-|"
)


_MOST_OPEN = 3


@dataclass(frozen=True)
class Words:
    """A paragraph; `tone` is ``plain``, ``lead`` (what matters most), ``next`` (what to do) or
    ``care`` (a caution).
    """

    kind: ClassVar[str] = "words"
    text: str
    tone: str = "plain"


@dataclass(frozen=True)
class Items:
    """A list of sentences under a short heading."""

    kind: ClassVar[str] = "items"
    heading: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Command:
    """What is to be typed as it stands; lines break between its words only."""

    kind: ClassVar[str] = "command"
    text: str


@dataclass(frozen=True)
class Grid:
    """A table; `folded` ones open at a tap."""

    kind: ClassVar[str] = "grid"
    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    folded: bool = False

    @cached_property
    def numeric(self) -> tuple[bool, ...]:
        """Which columns hold nothing but numbers."""
        return tuple(
            all(_NUMBER.fullmatch(row[k]) for row in self.rows) for k in range(len(self.header))
        )


@dataclass(frozen=True)
class Drawing:
    """A figure as SVG made by this package, with the numbers drawn."""

    kind: ClassVar[str] = "drawing"
    svg: str
    numbers: Grid


@dataclass(frozen=True)
class Gallery:
    """Several figures side by side; many open at a tap."""

    kind: ClassVar[str] = "gallery"
    caption: str
    drawings: tuple[Drawing, ...]

    @property
    def folded(self) -> bool:
        """Whether they would make the page long."""
        return len(self.drawings) > _MOST_OPEN


@dataclass(frozen=True)
class Card:
    """Things that belong together, under a heading with a verdict."""

    kind: ClassVar[str] = "card"
    heading: str
    verdict: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class WhatIf:
    """Draws for the reader to play with; `first` is how it stands before anything is moved."""

    kind: ClassVar[str] = "whatif"
    data: Mapping[str, object]
    first: Grid
    said: str


Block = Words | Items | Command | Grid | Drawing | Gallery | Card | WhatIf


@dataclass(frozen=True)
class Section:
    """A question of the grower's and its answer.

    Attributes
    ----------
    name : str
        Anchor on the page.
    question : str
    blocks : tuple of Block
    """

    name: str
    question: str
    blocks: tuple[Block, ...]


def grid(caption: str, table: Table, folded: bool = False) -> Grid:
    """A table of a printed answer, as a block."""
    header, rows = table
    return Grid(caption, tuple(header), tuple(tuple(row) for row in rows), folded)


def items(heading: str, sentences: Iterable[str]) -> tuple[Items, ...]:
    """A list, or nothing where there is no sentence."""
    said = tuple(" ".join(words.split()) for words in sentences)
    return (Items(heading, said),) if said else ()
