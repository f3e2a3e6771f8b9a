"""Names for trays not yet sown, made so that one slip of the pencil or the keyboard never names
another tray.

A name such as ``N-P24X`` is the letter N, a dash, a symbol for the spring, a running number and a
check symbol. The 19 symbols leave out what hand or eye takes for another: of 0 O Q D and of 1 I J L
none stays; of 2 Z, 5 S, 6 G and 8 B the digit does; of M N the M; U and V look like Y. With the
vowels gone no spreadsheet reads a name as a month or a number.

Notes
-----
The symbols count 0 to 18 in the order of `SYMBOLS`. With a_0 the check symbol, a_1 the symbol
before it and so on,

    sum of a_k 2^k = 1 (mod 19)

the form of the pure check-character systems of ISO/IEC 7064 (radix 2, a prime modulus; theory by
Verhoeff 1969, Error Detecting Decimal Codes; both memory). A wrong symbol at place k changes the
sum by (a - b) 2^k, two neighbours swapped by (a - b) 2^k, and neither is a multiple of 19 unless a
= b: every single wrong symbol and every swap of neighbours breaks the sum. Whoever types such a
slip therefore names no tray at all, and `germstats check` says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import count, product

SYMBOLS = "23456789CFHKMPRTWXY"
"""Symbols of a name, the first counting 0."""
PREFIX = "N-"
_SHORTEST = 2  # running numbers of two symbols: 361 trays a spring; a third follows
_BASE = len(SYMBOLS)


def check_symbol(body: str) -> str:
    """The symbol that completes a name.

    Parameters
    ----------
    body : str
        Symbols before it, without the prefix.

    Returns
    -------
    str

    Examples
    --------
    >>> check_symbol("X22")
    'X'
    """
    rest = sum(SYMBOLS.index(symbol) * 2**k for k, symbol in enumerate(reversed(body), 1))
    return SYMBOLS[(1 - rest) % _BASE]


def well_formed(name: str) -> bool:
    """Whether a name could be one of `new_names`, capitals or not: the prefix, the symbols, and a
    sum that fits.
    """
    typed = name.strip().upper()
    body = typed.removeprefix(PREFIX)
    if body == typed or len(body) < _SHORTEST + 2 or set(body) - set(SYMBOLS):
        return False
    return check_symbol(body[:-1]) == body[-1]


def new_names(season: int, taken: Iterable[str]) -> Iterator[str]:
    """Names for the trays of a spring, always the same ones for the same book.

    Parameters
    ----------
    season : int
        Year of the spring; its symbol comes round again after 19 years.
    taken : iterable of str
        Names in the book. None of them is given out again, nor any name one wrong symbol or one
        swap of neighbours away from one of them.

    Yields
    ------
    str
    """
    known = {" ".join(name.split()).upper() for name in taken}
    masked = {form for name in known for form in _masked(name)}
    for length in count(_SHORTEST):
        for serial in product(SYMBOLS, repeat=length):
            body = SYMBOLS[season % _BASE] + "".join(serial)
            name = PREFIX + body + check_symbol(body)
            if not any(form in masked for form in _masked(name)) and not any(
                form in known for form in swaps(name)
            ):
                yield name


def _masked(name: str) -> Iterator[str]:
    """The name with each symbol in turn hidden: two names share one where they differ in that
    symbol at most.
    """
    return (f"{name[:k]}\0{name[k + 1 :]}" for k in range(len(name)))


def swaps(name: str) -> Iterator[str]:
    """The name with each two neighbours in turn swapped."""
    return (name[:k] + name[k + 1] + name[k] + name[k + 2 :] for k in range(len(name) - 1))
