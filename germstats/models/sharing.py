"""Work shared among processes: begun now, its result asked for later."""

from __future__ import annotations

import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from multiprocessing import active_children, get_context, parent_process
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
    if parent_process() is not None:  # a script without a guard, imported anew by a process it began
        yield partial
        return
    others = set(active_children())
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_follow)

    def begin(work: Callable[..., Any], *words: Any, **named: Any) -> Callable[[], Any]:
        with _deaf():  # a process begun now is deaf to Ctrl-C from its first moment
            return pool.submit(work, *words, **named).result

    done = False
    try:
        yield begin
        done = True
    finally:
        pool.shutdown(wait=done, cancel_futures=True)
        for worker in () if done else set(active_children()) - others:
            worker.terminate()


def _follow() -> None:
    """Ctrl-C is answered by the first process, which ends this one; if the first is killed, this one ends too.
    Warnings of libraries are for those who asked Python for them."""
    if not sys.warnoptions:
        warnings.simplefilter("ignore")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    first = parent_process()
    assert first is not None, "only a process begun by another follows it"

    def wait() -> None:
        first.join()
        os._exit(1)

    threading.Thread(target=wait, daemon=True).start()


@contextmanager
def _deaf() -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
