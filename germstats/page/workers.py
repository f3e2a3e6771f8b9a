"""Work shared among processes: begun now, its result asked for later."""

from __future__ import annotations

import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from itertools import count
from multiprocessing import active_children, get_context, parent_process
from typing import Any

from germstats.errors import GermstatsError

Begin = Callable[..., Callable[[], Any]]
"""(work, arguments ...) -> what gives its result; `functools.partial` does the work only then, in
this process.
"""


def usable_cores() -> int:
    """Cores this process may use, which a container or a batch system may hold below those of the
    machine.
    """
    # Python 3.13 and newer; the user can set it from outside
    count = getattr(os, "process_cpu_count", None)
    if count is not None:
        return count() or 1
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def shared(workers: int) -> Iterator[Begin]:
    """Begin work in further processes that start new; what is not asked for is dropped at the
    end.

    A process takes one piece of work after another, in the order in which they were begun. Who asks
    for a result does the work itself if none has taken it up yet, and other work meanwhile if one
    has: nobody waits while there is work.

    Work and arguments must be fit to be pickled, and a script that uses this needs the usual guard
    of its main module.

    Parameters
    ----------
    workers : int
        With 0 all work is done by who asks.
    """
    if workers < 1:
        yield partial
        return
    others = set(active_children())
    pool = ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_follow)
    line = _Line(pool, workers)
    done = False
    try:
        yield line.begin
        done = True
    finally:
        line.close()
        pool.shutdown(wait=done, cancel_futures=True)
        for worker in () if done else set(active_children()) - others:
            worker.terminate()


class _Line:
    """Work that waits for a process; one is handed out only when one is free, so that the rest may
    still be taken.
    """

    def __init__(self, pool: ProcessPoolExecutor, workers: int) -> None:
        self.pool, self.free, self.lock = pool, workers, threading.RLock()
        self.waiting: dict[int, Callable[[], Any]] = {}
        self.begun: dict[int, Future[Any]] = {}
        self.numbers = count()

    def begin(self, work: Callable[..., Any], *words: Any, **named: Any) -> Callable[[], Any]:
        number = next(self.numbers)
        with self.lock:
            self.waiting[number] = partial(work, *words, **named)
        self._hand_out()
        return lambda: self._result(number)

    def close(self) -> None:
        """Hand nothing out any more."""
        with self.lock:
            self.waiting.clear()

    def _hand_out(self, done: Future[Any] | None = None) -> None:
        with self.lock, _deaf():  # a process begun now is deaf to Ctrl-C from its first moment
            self.free += done is not None
            while self.free and self.waiting:
                number = next(iter(self.waiting))
                self.begun[number] = self.pool.submit(self.waiting.pop(number))
                self.free -= 1
                self.begun[number].add_done_callback(self._hand_out)

    def _result(self, number: int) -> Any:
        """The work's result; until it is there, whoever asks does it, or else other work that
        waits.
        """
        self._do(number)
        while not self.begun[number].done() and self.waiting:
            self._do(next(iter(tuple(self.waiting)), None))  # the longest are begun first
        return self.begun.pop(number).result()

    def _do(self, number: int | None) -> None:
        with self.lock:
            work = self.waiting.pop(number, None) if number is not None else None
            if work is None or number is None:
                return
            self.begun[number] = Future()
        try:
            self.begun[number].set_result(work())
        except GermstatsError as refused:  # for who asks for this
            self.begun[number].set_exception(refused)


def _follow() -> None:
    """Ctrl-C is answered by the first process, which ends this one; if the first is killed, this
    one ends too. Warnings of libraries are for those who asked Python for them.
    """
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
