"""Any small book a grower could have is answered or refused in words: never a traceback, never a
number that is none.

What drove the fit to a stop: dishes that sprout within days, still under way. There few and late
are nearly the same, the spring's delay in days bends everything, and the search for the scatters
started from where a straight line led.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import germstats
from germstats.engine.fit import EmergenceFit
from germstats.errors import GermstatsError
from germstats.questions.backtest.out_of_sample import pencil_share
from germstats.questions.watch.spec import WatchSpec
from germstats.records.book import RecordBook
from germstats.records.intervals.subsets import newest_day
from germstats.records.seeds import SowingRate
from tests.random_books import small_book, write_csv

REDUCED = os.environ.get("GERMSTATS_REDUCED") == "1"


def no_numbers(value: Any, path: str = "") -> Iterator[str]:
    """Where in a result a number is NaN or infinite."""
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from no_numbers(item, f"{path}.{key}")
    elif isinstance(value, list | tuple):
        for item in value:
            yield from no_numbers(item, f"{path}[]")
    elif isinstance(value, float) and not math.isfinite(value):
        yield f"{path} is {value}"


def record(found: Any) -> Any:
    """A result as plain values."""
    if hasattr(found, "as_record"):
        return found.as_record()
    return [row.as_record() if hasattr(row, "as_record") else vars(row) for row in found.rows]


def answers(book: RecordBook) -> Iterator[tuple[str, Any]]:
    """What each command says of the book, the refusals left out."""
    fits: list[EmergenceFit] = []

    def fit() -> EmergenceFit:
        fits.append(germstats.fit_emergence(book))
        return fits[0]

    asked: dict[str, Callable[[], Any]] = {
        "fit": fit,
        "sow": lambda: germstats.seeds_per_cell(fits[0]),
        "watch": lambda: germstats.watch(book, WatchSpec(on=newest_day(book))),
        "backtest": lambda: germstats.back_test(book),
        "review": lambda: germstats.review(book),
        "compare": lambda: germstats.compare(fits[0]),
    }
    for name, ask in asked.items():
        if name in ("sow", "compare") and not fits:
            continue
        try:
            yield name, ask()
        except GermstatsError as refusal:
            assert str(refusal).strip()


def check(seed: int, folder: Path) -> int:
    """Ask everything of one book; how many commands answered."""
    book = germstats.read_book(write_csv(small_book(seed), folder / str(seed)))
    answered = 0
    for name, found in answers(book):
        answered += 1
        wrong = sorted(set(no_numbers(record(found))))
        assert not wrong, (seed, name, wrong)
    return answered


QUICK = (10, 11, 34, 35, 42, 45, 49, 54, 73, 77, 93, 98, 112, 439)


@pytest.mark.parametrize("seed", QUICK)
def test_a_small_book_is_answered_or_refused(tmp_path, seed):
    check(seed, tmp_path)


@pytest.mark.slow
@pytest.mark.parametrize("first", range(0, 500, 50))
def test_five_hundred_small_books(tmp_path, first):
    seeds = range(first, first + (5 if REDUCED else 50))
    answered = sum(check(seed, tmp_path) for seed in seeds)
    # most books are answered by several commands: refusing all would be no answer
    assert answered > len(seeds)


def test_trays_without_a_seed_say_nothing_of_the_plain_share():
    """By hand: 12 of 24 cells of two seeds filled, 1 - (1 - .5)^(1/2), whatever stands in a tray
    that was not sown.
    """
    trays = pd.DataFrame(
        {
            "sowing": [0, 1],
            "cells": [24.0, 24.0],
            "seeds": [48.0, 0.0],
            "emerged": [np.nan, np.nan],
            "filled": [12.0, 0.0],
        }
    )
    rates = SowingRate("counted", (2,), 2.0), SowingRate("counted", (0,), 0.0)
    assert pencil_share(trays, rates) == pytest.approx(1 - 0.5**0.5, abs=1e-12)
    assert pencil_share(trays.iloc[1:], rates) == 0.0
