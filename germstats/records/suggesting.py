"""A name that is not in the book: refused with the near one, else with those there are."""

from __future__ import annotations

from collections.abc import Collection
from difflib import get_close_matches

from germstats.errors import WrongUseError

_NEAR = 0.6
_LISTED = 12


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
    some = sorted(known)[:_LISTED]
    rest = f" and {len(known) - _LISTED} more" if len(known) > _LISTED else ""
    raise WrongUseError(f"{sentence}; there are {', '.join(some) or 'none'}{rest}.")
