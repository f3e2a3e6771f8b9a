"""Work shared among processes: begun now, its result asked for later."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from typing import Any

Begin = Callable[..., Callable[[], Any]]
"""(work, arguments ...) -> what gives its result; `functools.partial` does the work only then, in this process."""


@contextmanager
def shared(workers: int) -> Iterator[Begin]:
    """Begin work in further processes that start afresh; what is not asked for is dropped at the end.

    Work and arguments must be fit to be pickled, and a script that uses this needs the usual guard of its main module.

    Parameters
    ----------
    workers : int
        At least 1.
    """
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"))
    try:
        yield lambda work, *words, **named: pool.submit(work, *words, **named).result
    finally:
        pool.shutdown(cancel_futures=True)
