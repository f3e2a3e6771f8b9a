"""Millions of cell x date rows to patterns, against pandas on the same whole-number codes; ratios
within one run.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from big_set import (
    FULL_TRAYS,
    REDUCED,
    REDUCED_TRAYS,
    as_frames,
    as_patterns,
    big_set,
    collapsed,
    collapsed_by_pandas,
    median_seconds,
    merged,
)
from fixed_fit import FixedFit, fit_fixed, usual_start

from germstats.engine.arrays import compile_patterns
from germstats.engine.likelihood import evaluate
from germstats.engine.timing import LOG_LOGISTIC

pytestmark = pytest.mark.slow

SORTED_BAR = 5.0 if REDUCED else 7.0  # half a million rows fit the cache, where pandas loses less
SHUFFLED_BAR = 2.0
MEMORY_BAR = 500e6 * (REDUCED_TRAYS / FULL_TRAYS if REDUCED else 1.0)  # bytes; grows with the rows
# the fit does not shrink with the rows, and pandas' collapse does
FIT_BAR = 0.7 if REDUCED else 3.0


@pytest.fixture(scope="module")
def rows():
    return big_set(REDUCED_TRAYS if REDUCED else FULL_TRAYS)


def compared(rows, said: str) -> tuple[float, float]:
    """Median seconds of both roads, after checking that they give the same patterns."""
    cells, trays = as_frames(rows)
    for ours, theirs in zip(collapsed(rows), collapsed_by_pandas(cells, trays), strict=True):
        assert np.array_equal(np.transpose(ours), theirs.to_numpy())
    own, other = (
        median_seconds(lambda: collapsed(rows)),
        median_seconds(lambda: collapsed_by_pandas(cells, trays), 3),
    )
    print(
        f"\n{len(rows.unit):,} rows {said}: {own:.3f} s, pandas {other:.3f} s: {other / own:.1f}x"
    )
    return own, other


def test_sorted_rows(rows):
    own, other = compared(rows, "sorted")
    assert other / own >= SORTED_BAR


def test_shuffled_rows(rows):
    own, other = compared(rows.shuffled(), "shuffled")
    assert other / own >= SHUFFLED_BAR


def test_extra_memory(rows):
    """Shuffled rows take most: one key of 64 bits and the rows drawn from it."""
    mixed = rows.shuffled()
    tracemalloc.start()
    try:
        collapsed(mixed)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    print(f"\n{len(rows.unit):,} rows shuffled: {most / 1e6:.0f} MB beside the rows")
    assert most <= MEMORY_BAR


def collapse_and_fit(rows) -> FixedFit:
    times, finishes, design = merged(rows)
    data = compile_patterns(as_patterns(len(design), times, finishes))
    return fit_fixed(data, design, design, usual_start(data, design, design), LOG_LOGISTIC)


def test_collapse_and_fit(rows):
    """Collapse, then 91 parameters, in a third of what pandas takes to collapse alone."""
    fit = collapse_and_fit(rows)
    columns = rows.design.shape[1]
    assert len(fit.coefficients) == 2 * columns + 1 == 91
    assert fit.score < 1e-3  # of a log-likelihood in the hundred thousands: at its top

    # nothing is lost where trays alike add up: the patterns of every tray and cell give the same
    # log-likelihood
    by_tray = compile_patterns(as_patterns(len(rows.sowing), *collapsed(rows)))
    share, time = (
        rows.design @ fit.coefficients[:columns],
        rows.design @ fit.coefficients[columns:-1],
    )
    terms = evaluate(
        by_tray,
        share,
        mu=time,
        log_sigma=fit.coefficients[-1],
        rho=0.0,
        family=LOG_LOGISTIC,
        origin="sowing",
    )
    # sums in another order
    assert fit.log_likelihood == pytest.approx(terms.value.sum(), rel=1e-10, abs=0)

    frames = as_frames(rows)
    own, other = (
        median_seconds(lambda: collapse_and_fit(rows)),
        median_seconds(lambda: collapsed_by_pandas(*frames), 3),
    )
    print(
        f"\n{len(rows.unit):,} rows, collapse + fit of 91 parameters: {own:.3f} s, pandas' "
        f"collapse alone {other:.3f} s: {other / own:.1f}x"
    )
    assert other / own >= FIT_BAR
