"""Covers sown with different seeds per cell, known by filled cells only: the contrast hangs on the
cell scatter.

Two identical covers, two seeds a cell under one and four under the other. With the emergence p per
seed and correlation rho of the fates of two seeds of one cell, a cell of n seeds stays empty with
probability prod_{r<n} (1 - p + r t) / (1 + r t), t = rho / (1 - rho) (Skellam 1948, J. R. Statist.
Soc. B 10:257-261, memory).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats
from scipy.special import expit, logit

import germstats
from germstats.engine.cell_scatter import CellScatter
from germstats.questions.compare.comparison import ComparisonRow
from germstats.records.formats.workbook import write_book
from tests.two_covers import judged_pair

MIDDLE, SD = logit(0.04), 1.0
PRIOR = CellScatter(0.04, float(expit(MIDDLE - 1.96 * SD)), float(expit(MIDDLE + 1.96 * SD)), 0)
"""The prior of rho, normal on the logit (the design's)."""
SEEDS = (2, 4)


def still_empty(p: float, n: int, rho: float) -> float:
    t = rho / (1 - rho)
    return float(np.prod([(1 - p + r * t) / (1 + r * t) for r in range(n)]))


def emergence_of(empty: float, n: int, rho: float) -> float:
    """The emergence that leaves so many cells empty."""
    return float(optimize.brentq(lambda p: still_empty(p, n, rho) - empty, 1e-9, 1 - 1e-9))


def points_under(p: float, true: float, assumed: float) -> float:
    """Points by which the two identical covers seem to differ under an assumed rho."""
    two, four = (emergence_of(still_empty(p, n, true), n, assumed) for n in SEEDS)
    return 100 * (four - two)


def law_about(rho: float, sd: float) -> CellScatter:
    return CellScatter(
        rho, float(expit(logit(rho) - 1.96 * sd)), float(expit(logit(rho) + 1.96 * sd)), 3
    )


def expected_fills(p: float, true: float, scatter: CellScatter) -> ComparisonRow:
    """Four trays of each cover with just as many filled cells as are expected of trays all
    alike.
    """
    cells = 2000
    two, four = ([round(cells * (1 - still_empty(p, n, true)))] * 4 for n in SEEDS)
    return judged_pair(two, four, cells=cells, seeds=SEEDS, scatter=scatter, tray_sd=0.05)


@pytest.mark.parametrize(("p", "true"), [(0.3, 0.1), (0.5, 0.0), (0.5, 0.1)])
def test_the_contrast_is_the_mean_over_the_prior_of_rho(p, true):
    """By hand: the points under each rho, over 400 quantiles of its prior; trays all alike, so
    nothing else moves.
    """
    rho = expit(MIDDLE + SD * stats.norm.ppf((np.arange(400) + 0.5) / 400))
    by_hand = np.array([points_under(p, true, assumed) for assumed in rho])
    row = expected_fills(p, true, PRIOR)
    assert row.points == pytest.approx(by_hand.mean(), abs=0.3)
    assert row.cell_scatter_points == pytest.approx(1.96 * by_hand.std(), rel=0.1)
    assert row.points_low < 0 < row.points_high  # the truth, which one rho plugged in shuts out
    assert row.verdict.split()[-1] not in ("better", "worse")
    assert any("may move the difference" in note for note in row.notes)


@pytest.mark.parametrize("p", [0.3, 0.5])
@pytest.mark.parametrize("true", [0.005, 0.1])
def test_where_the_records_speak_of_rho_the_contrast_is_right(p, true):
    """Told within a third on the logit, as some hundred counted cells do, identical covers are
    within a point.
    """
    row = expected_fills(p, true, law_about(true, 0.3))
    assert abs(row.points) < 1.0
    assert abs(row.points) < abs(points_under(p, true, 0.04))  # what a fixed .04 would say


def test_seeds_alike_do_not_hang_on_rho():
    """Four seeds under both: an error in rho moves both alike."""
    fills = [60, 62, 58, 61]
    row = judged_pair(fills, fills, seeds=(4, 4), scatter=PRIOR)
    assert row.cell_scatter_points < 0.3
    assert abs(row.points) < 0.3
    assert not any("seeds per cell differed" in note for note in row.notes)


def drawn_fills(rng: np.random.Generator, p: float, n: int, rho: float, trays: int) -> list[int]:
    """Filled cells of trays of 72: a tray's share on the logit (sd .3), a cell's from a beta, a
    seed's fate from it.
    """
    share = expit(logit(p) + 0.3 * rng.standard_normal(trays))
    size = (1 - rho) / rho
    cells = rng.beta(share[:, None] * size, (1 - share[:, None]) * size, (trays, 72))
    return (rng.binomial(n, cells) > 0).sum(axis=1).tolist()


def test_over_the_prior_of_rho_identical_covers_do_not_differ():
    """48 seeded trials with eight trays a cover, p .5, rho at even quantiles of its prior: under a
    point on average.

    The trials' points have an sd of about 5, so that the mean has a standard error of .7.
    """
    rng = np.random.default_rng(20)
    rho = expit(MIDDLE + SD * stats.norm.ppf((np.arange(48) + 0.5) / 48))
    rows = [
        judged_pair(
            drawn_fills(rng, 0.5, n=2, rho=one, trays=8),
            drawn_fills(rng, 0.5, n=4, rho=one, trays=8),
            seeds=SEEDS,
            scatter=PRIOR,
        )
        for one in rho
    ]
    points = np.array([row.points for row in rows])
    assert abs(points.mean()) < 1.0
    inside = np.mean([row.points_low <= 0 <= row.points_high for row in rows])
    assert inside >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 48)
    assert points.std() > 1.0  # they do scatter: the bar could fail


@pytest.mark.parametrize("true", [0.02, 0.1])
def test_a_book_that_tells_of_rho(tmp_path, true):
    """Another species with three counted seeds a cell says how far seeds of a cell share their
    fate; the two covers show as many filled cells as expected. Real road: written, read, fitted,
    compared.
    """
    rng = np.random.default_rng(int(1000 * true))
    trays, cells, checks = [], [], []
    names = [f"{row}{column}" for row in "ABCDEFGH" for column in range(1, 10)]
    for k in range(12):
        share = expit(0.3 * rng.standard_normal())
        size = (1 - true) / true
        seen = rng.binomial(3, rng.beta(share * size, (1 - share) * size, 72))
        trays.append({"tray": f"T{k}", "lot": "OTHER-1", "seeds_per_cell": "3", "cover": "none"})
        cells += [
            {"tray": f"T{k}", "cell": name, "checked_on": "2025-06-30", "emerged": n}
            for name, n in zip(names, seen.tolist(), strict=True)
        ]
    for k in range(8):
        n = SEEDS[k % 2]
        trays.append(
            {
                "tray": f"C{k}",
                "lot": "OURS-1",
                "seeds_per_cell": str(n),
                "cover": ("none", "grit")[k % 2],
            }
        )
        checks.append(
            {
                "tray": f"C{k}",
                "checked_on": "2025-06-30",
                "filled": round(72 * (1 - still_empty(0.5, n, true))),
            }
        )
    lots = pd.DataFrame({"lot": ["OTHER-1", "OURS-1"], "species": ["OTHER", "OURS"]})
    write_book(
        {
            "species": lots[["species"]],
            "lots": lots,
            "cells": pd.DataFrame(cells),
            "checks": pd.DataFrame(checks),
            "trays": pd.DataFrame(trays).assign(
                season=2025, sown_on="2024-12-01", rows=8, columns=9
            ),
        },
        tmp_path / "book",
    )
    [row] = germstats.compare(germstats.read_book(tmp_path / "book")).rows
    rounding = 100 * 0.5 / 72 / 0.5  # half a cell of 72 where a filled cell speaks for half a seed
    assert abs(row.points) < 1.0 + rounding
    assert row.places_noted is False
