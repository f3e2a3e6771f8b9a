"""Studies that take long: each job's rows are written as they are made, and a second run goes on
where one stopped.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import click

Job = tuple[Any, ...]
Rows = list[dict[str, object]]


def lines(where: Path) -> Iterator[dict[str, Any]]:
    """Finished jobs with their rows; a line cut short by a crash is left out."""
    for line in where.read_text(encoding="utf-8").splitlines() if where.exists() else []:
        with contextlib.suppress(json.JSONDecodeError):
            yield json.loads(line)


def run(
    make: Callable[..., Rows], jobs: Sequence[Job], where: Path, workers: int, label: str
) -> None:
    """Do what is not yet done.

    Parameters
    ----------
    make : callable
        Makes the rows of one job, ``make(*job)``; a module's own function, so that workers can find
        it.
    jobs : sequence of tuple
    where : pathlib.Path
        File of finished jobs, one JSON object a line.
    workers : int
    label : str
        Beside the progress bar.
    """
    where.parent.mkdir(parents=True, exist_ok=True)
    done = {tuple(line["job"]) for line in lines(where)}
    left = [job for job in jobs if job not in done]
    with ProcessPoolExecutor(workers) as pool, where.open("a", encoding="utf-8") as file:
        file.write("\n" if done else "")  # ends a line that was cut short
        futures = {pool.submit(make, *job): job for job in left}
        with click.progressbar(as_completed(futures), length=len(left), label=label) as bar:
            try:
                for future in bar:
                    file.write(json.dumps({"job": futures[future], "rows": future.result()}) + "\n")
                    file.flush()
            finally:
                # else a failure waits for all that is still queued
                pool.shutdown(cancel_futures=True)
