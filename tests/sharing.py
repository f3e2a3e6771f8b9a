"""Books and fits that several tests ask for: made once in a session, by whichever worker comes
first, and handed to each test as a copy of its own.

What is asked for is known by its content alone: the bytes of a book's files, the records and
settings of a fit.
"""

from __future__ import annotations

import dataclasses
import functools
import hashlib
import pickle
from collections.abc import Callable, Iterable, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from germstats.engine import fit as engine
from germstats.records import book as records

_shelf: Path | None = None
_at_hand: dict[str, bytes] = {}
_MOST_AT_HAND = 200_000_000  # bytes in the memory of one worker


def share(shelf: Path) -> None:
    """Have books and fits shared by way of a folder; before anything imports them by name."""
    global _shelf
    _shelf = shelf
    records.read_book = _shared_book(records.read_book)
    engine.fit_patterns = _shared_fit(engine.fit_patterns)


@contextmanager
def apart():
    """Nothing is shared in here: for tests of how a fit comes about."""
    global _shelf
    kept, _shelf = _shelf, None
    try:
        yield
    finally:
        _shelf = kept


def _shared_book(read_book: Callable[..., Any]) -> Callable[..., Any]:
    @functools.wraps(read_book)
    def read(path: str | Path, dates: str | None = None) -> Any:
        files = _files_of(Path(path))
        if _shelf is None or files is None:
            return read_book(path, dates)
        return _once(("book", Path(path).name, dates, files), lambda: read_book(path, dates))

    return read


def _files_of(path: Path) -> list[tuple[str, bytes]] | None:
    """Names and bytes of the files of a book; None where there is no such book."""
    if path.is_file():
        return [(path.name, path.read_bytes())]
    if not path.is_dir() or path.is_symlink():
        return None
    return [
        (file.name, file.read_bytes() if file.is_file() else b"") for file in sorted(path.iterdir())
    ]


def _shared_fit(fit_patterns: Callable[..., Any]) -> Callable[..., Any]:
    @functools.wraps(fit_patterns)
    def fit(
        patterns: Any, spec: Any, *, progress: Any = None, near: Any = None, **known: Any
    ) -> Any:
        def made() -> tuple[Any, list[str]]:
            said: list[str] = []

            def say(text: str) -> None:
                said.append(text)
                if progress is not None:
                    progress(text)

            return fit_patterns(patterns, spec, progress=say, near=near, **known), said

        if _shelf is None:
            return made()[0]
        start = None if near is None else (near.component_fit.mode, near.choices)
        found, _ = _once(("fit", patterns, spec, start, known), made, heard=progress)
        # a fit holds the very records it was made from
        return dataclasses.replace(found, patterns=patterns)

    return fit


def _once(
    asked: object, make: Callable[[], Any], heard: Callable[[str], None] | None = None
) -> Any:
    """What was asked for, from the shelf if it lies there."""
    assert _shelf is not None
    digest = hashlib.sha256()
    for part in _bytes_of(asked):
        digest.update(part)
    name = digest.hexdigest()
    kept = _at_hand.get(name)
    place = _shelf / name
    if kept is None and place.exists():
        kept = place.read_bytes()
    if kept is not None:
        _keep(name, kept)
        found = pickle.loads(kept)
        if heard is not None:
            for text in found[1]:
                heard(text)
        return found
    made = make()
    written = pickle.dumps(made, protocol=pickle.HIGHEST_PROTOCOL)
    _keep(name, written)
    part = place.with_suffix(f".{id(made)}")
    part.write_bytes(written)
    part.replace(place)
    return made


def _keep(name: str, written: bytes) -> None:
    if sum(map(len, _at_hand.values())) + len(written) < _MOST_AT_HAND:
        _at_hand[name] = written


@functools.singledispatch
def _bytes_of(thing: Any) -> Iterable[bytes]:
    """The content of a thing, whatever object holds it."""
    if dataclasses.is_dataclass(thing):
        for one in dataclasses.fields(thing):
            yield one.name.encode()
            yield from _bytes_of(getattr(thing, one.name))
    else:
        yield repr(thing).encode()


@_bytes_of.register
def _(thing: bytes) -> Iterable[bytes]:
    yield thing


@_bytes_of.register
def _(thing: np.ndarray) -> Iterable[bytes]:
    yield repr((thing.shape, thing.dtype)).encode() + thing.tobytes()


@_bytes_of.register
def _(thing: pd.DataFrame) -> Iterable[bytes]:
    yield from _bytes_of([(name, thing[name].tolist()) for name in thing.columns])
    yield from _bytes_of(thing.index.tolist())


@_bytes_of.register
def _(thing: Mapping) -> Iterable[bytes]:
    for name in sorted(thing, key=repr):
        yield from _bytes_of((name, thing[name]))


@_bytes_of.register(list)
@_bytes_of.register(tuple)
def _(thing: Iterable[Any]) -> Iterable[bytes]:
    if all(isinstance(one, (str, int, float, type(None))) for one in thing):
        yield repr(thing).encode()
        return
    for one in thing:
        yield from _bytes_of(one)


@_bytes_of.register(set)
@_bytes_of.register(frozenset)
def _(thing: Iterable[Any]) -> Iterable[bytes]:
    yield from _bytes_of(sorted(thing, key=repr))
