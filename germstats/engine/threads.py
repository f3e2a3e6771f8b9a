"""One thread for small matrices: several cost more than they save.

Five times as much was measured on two busy cores.
"""

from __future__ import annotations

from contextlib import AbstractContextManager

from threadpoolctl import threadpool_limits


def one_thread() -> AbstractContextManager[object]:
    """A context in which the linear algebra libraries use one thread."""
    limits: AbstractContextManager[object] = threadpool_limits(limits=1)
    return limits
