"""The values alone of cells at their last check, and the day a season ends, by formulas written out
anew.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from germstats.engine.arrays import compile_patterns
from germstats.engine.likelihood import log_likelihood
from germstats.engine.timing import FAMILIES
from germstats.forecast.within_season import CourseSpec, _UnderWay
from germstats.records.book import read_book
from germstats.records.intervals.patterns import find_patterns
from germstats.records.seeds import SowingRate
from tests.made_patterns import made_patterns

FOUR = SowingRate("counted", (4,), 4.0)


@pytest.mark.parametrize("seen", [0, 1, 3, 4])
@pytest.mark.parametrize("rho", [0.0, 0.15])
def test_a_cell_at_its_last_check_is_the_beta_mixture(seen, rho):
    """E[P^K (1 - P F)^(n - K)], P ~ Beta((1 / rho - 1) p, (1 / rho - 1)(1 - p)), F the log-normal
    share out by day 40.

    A seed not seen by then is dead, 1 - P, or still to come, P (1 - F). The intervals of the seeds
    seen stand apart.
    """
    p, mu, sigma, n, last = 0.35, math.log(36.0), 0.45, 4, 40.0
    out = stats.lognorm.cdf(last, sigma, scale=36.0)
    cell = lambda share: share**seen * (1 - share * out) ** (n - seen)  # noqa: E731
    mixed = stats.beta((1 / rho - 1) * p, (1 / rho - 1) * (1 - p)) if rho else None
    whole = (
        integrate.quad(lambda x: mixed.pdf(x) * cell(x), 0, 1, epsabs=1e-12)[0]
        if mixed
        else cell(p)
    )
    made = made_patterns(
        [{"origin_days": 0.0}], finishes=[(0, 0, seen, last, "counts", 3)], sowings=(FOUR,)
    )
    at = np.array([math.log(p / (1 - p))]), np.array([mu]), np.array([math.log(sigma)])
    found = log_likelihood(compile_patterns(made), *at, rho, FAMILIES["log-normal"], "sowing")
    assert found == pytest.approx([3 * math.log(whole)], abs=1e-8)


def under_way(book, course=None):
    patterns = find_patterns(book)
    return _UnderWay(
        pooled=None,
        patterns=patterns,
        codes=np.arange(len(patterns.trays)),
        spring_ends=(7, 31),
        course=course,
    )


@pytest.fixture
def book(tmp_path):
    """One tray of a one-winter and one of a two-winter species, both sown on 10 December 2023,
    first spring 2024.
    """
    tables = {
        "species": ["species,two_winters", "ONE,no", "TWO,yes"],
        "lots": ["lot,species", "O-1,ONE", "T-1,TWO"],
        "trays": [
            "tray,season,lot,sown_on,rows,columns,seeds_per_cell",
            "O,2024,O-1,2023-12-10,2,5,1",
            "T,2024,T-1,2023-12-10,2,5,1",
        ],
        "checks": ["tray,checked_on,filled", "O,2024-04-01,3", "T,2025-04-01,2"],
    }
    for name, rows in tables.items():
        (tmp_path / f"{name}.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return read_book(tmp_path)


def test_a_season_ends_in_the_spring_a_tray_is_judged_in(book):
    """From 10 December 2023 to 31 July 2024 are 234 days (21 in December, 29 in February); to 31
    July 2025 another 365.

    The end of a course is told in days from 1 February of that spring instead.
    """
    trays = under_way(book)
    days = dict(zip(trays.trays["tray"], trays.end_days, strict=True))
    assert days == {"O": 234.0, "T": 599.0}
    by_course = under_way(book, CourseSpec(days=np.array([0.0, 100.0])))
    first = {
        "O": (pd.Timestamp(2024, 2, 1) - pd.Timestamp(2023, 12, 10)).days,
        "T": (pd.Timestamp(2025, 2, 1) - pd.Timestamp(2023, 12, 10)).days,
    }
    told = dict(zip(by_course.trays["tray"], by_course.end_days, strict=True))
    assert told == {tray: day + 100.0 for tray, day in first.items()}
