"""Names in sentences: long lists cut short, and a name that is not in the book refused with those
that are near.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from difflib import get_close_matches

from germstats.errors import WrongUseError

_NEAR = 0.6
_LISTED = 12
_STEERING = {code: "?" for code in (*range(32), *range(127, 160))}


def some_of(names: Sequence[str], most: int = _LISTED, joint: str = ", ") -> str:
    """The first names of a list, and how many more there are: ``A, B, C and 41 more``."""
    more = len(names) - most
    return joint.join(names[:most]) + (f" and {more} more" if more > 0 else "")


def shorten(text: str, most: int = 60) -> str:
    """A text as a sentence can hold it: its beginning, where it is long, and ``?`` for a sign that
    steers a screen.
    """
    text = text.translate(_STEERING)
    return text if len(text) <= most else f"{text[: most - 3]}..."


def near_names(name: str, known: Collection[str]) -> tuple[str, ...]:
    """Up to two of the known names that look like `name`, capitals or not, the nearest first."""
    folded = {one.casefold(): one for one in known}
    return tuple(folded[one] for one in get_close_matches(name.casefold(), folded, 2, _NEAR))


def must_know(name: str, known: Collection[str], sentence: str) -> None:
    """Refuse a name that is not known.

    Parameters
    ----------
    name : str
    known : collection of str
    sentence : str
        What is wrong, without its full stop.

    Raises
    ------
    WrongUseError
        `name` is not in `known`: the sentence, and which names are near or which there are.
    """
    if name in known:
        return
    if near := near_names(name, known):
        raise WrongUseError(f"{sentence}; did you mean {' or '.join(near)}?")
    raise WrongUseError(f"{sentence}; there are {some_of(sorted(known)) or 'none'}.")
