"""The likelihood against brute force: every record kind written out by elementary probability, and
derivatives.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from germstats.engine.arrays import compile_patterns
from germstats.engine.likelihood import evaluate
from germstats.engine.timing import FAMILIES
from germstats.records.intervals.patterns import Patterns
from germstats.records.seeds import SowingRate

DISTRIBUTIONS = {
    "log-logistic": stats.logistic,
    "log-normal": stats.norm,
    "Weibull": stats.gumbel_l,
}
TWO = SowingRate("counted", (2,), 2.0)
RANGE = SowingRate("range", (2, 3, 4), 3.0)
PINCH = SowingRate("pinch", (), 3.0, 1.5)


def patterns_of(
    times=(),
    finishes=(),
    occupied=(),
    sowings=(TWO, RANGE, PINCH),
    trays=2,
    origin=20.0,
    horizon=None,
) -> Patterns:
    frame = pd.DataFrame({"origin_days": np.full(trays, origin)})
    if horizon is not None:
        frame["horizon"] = horizon
    return Patterns(
        trays=frame,
        times=pd.DataFrame(times, columns=["tray", "lo", "hi", "count"]),
        finishes=pd.DataFrame(
            finishes, columns=["tray", "sowing", "seen", "last", "kind", "count"]
        ),
        occupied=pd.DataFrame(occupied, columns=["tray", "sowing", "lo", "hi", "count"]),
        sowings=sowings,
        notes={},
        left_out={},
    )


def value(patterns, eta, mu, log_sigma, rho, family="log-normal", origin="sowing"):
    eta, mu = np.atleast_1d(eta).astype(float), np.atleast_1d(mu).astype(float)
    return evaluate(
        compile_patterns(patterns),
        eta,
        mu=mu,
        log_sigma=log_sigma,
        rho=rho,
        family=FAMILIES[family],
        origin=origin,
    )


def beta_mixture_cell(n, seen_shares, unseen, p, rho):
    """P(labelled seeds 1..K fall in given intervals, the others are unseen), P ~ Beta integrated
    numerically.
    """
    if rho == 0:
        nodes, weights = np.array([p]), np.array([1.0])
    else:
        size = 1 / rho - 1
        grid = (np.arange(200_000) + 0.5) / 200_000
        density = stats.beta(p * size, (1 - p) * size).pdf(grid)
        nodes, weights = grid, density / density.sum()
    k = len(seen_shares)
    return float(
        np.sum(weights * np.prod(seen_shares) * nodes**k * (1 - nodes * (1 - unseen)) ** (n - k))
    )


@pytest.mark.parametrize("family", list(FAMILIES))
@pytest.mark.parametrize("rho", [0.0, 0.2])
def test_counts_match_the_beta_mixture_written_out(family, rho):
    p, mu, sigma = 0.4, math.log(30), 0.4
    cdf = lambda t: DISTRIBUTIONS[family].cdf((math.log(t) - mu) / sigma)  # noqa: E731
    patterns = patterns_of(
        times=[(0, 20, 28, 1), (0, 28, 35, 1)], finishes=[(0, 0, 2, 50, "counts", 1)], trays=1
    )
    expected = math.log(
        beta_mixture_cell(
            2, [cdf(28) - cdf(20), cdf(35) - cdf(28)], unseen=1 - cdf(50), p=p, rho=rho
        )
    )
    got = value(
        patterns, math.log(p / (1 - p)), mu=mu, log_sigma=math.log(sigma), rho=rho, family=family
    ).value[0]
    # the mixture is summed on a grid
    assert got == pytest.approx(expected, abs=2e-6 if rho else 1e-12)

    patterns = patterns_of(times=[(0, 20, 28, 1)], finishes=[(0, 0, 1, 33, "counts", 1)], trays=1)
    expected = math.log(beta_mixture_cell(2, [cdf(28) - cdf(20)], unseen=1 - cdf(33), p=p, rho=rho))
    got = value(
        patterns, math.log(p / (1 - p)), mu=mu, log_sigma=math.log(sigma), rho=rho, family=family
    ).value[0]
    assert got == pytest.approx(expected, abs=2e-6 if rho else 1e-12)


@pytest.mark.parametrize("family", list(FAMILIES))
@pytest.mark.parametrize("rho", [0.0, 0.2])
@pytest.mark.parametrize("median", [30, 70, 8, 4000])
def test_up_to_a_horizon_counts_match_the_law_cut_off_there(family, rho, median):
    """By definition: of the seeds that come by day 60 a share F(t) / F(60) has come by day t, by
    scipy's own laws; a look on day 60 itself sees them all.
    """
    p, mu, sigma, end = 0.4, math.log(median), 0.9, 60
    law = DISTRIBUTIONS[family]
    log_cdf = lambda t: law.logcdf((math.log(t) - mu) / sigma)  # noqa: E731
    share = lambda t: math.exp(log_cdf(t) - log_cdf(end))  # noqa: E731
    for last in (50, 60):
        patterns = patterns_of(
            times=[(0, 20, 28, 1), (0, 28, 35, 1)],
            finishes=[(0, 0, 2, last, "counts", 1)],
            trays=1,
            horizon=[end],
        )
        gaps = [share(28) - share(20), share(35) - share(28)]
        expected = math.log(beta_mixture_cell(2, gaps, unseen=1 - share(last), p=p, rho=rho))
        got = value(
            patterns,
            math.log(p / (1 - p)),
            mu=mu,
            log_sigma=math.log(sigma),
            rho=rho,
            family=family,
        ).value[0]
        # differences of shares near 1 lose digits
        assert got == pytest.approx(expected, abs=2e-6 if rho else 1e-8)
        assert 0 <= share(last) <= 1
    one = patterns_of(finishes=[(0, 0, 1, 50, "counts", 1)], trays=1, horizon=[end])
    expected = math.log(beta_mixture_cell(2, [1.0], unseen=1 - share(50), p=p, rho=rho))
    got = value(
        one, math.log(p / (1 - p)), mu=mu, log_sigma=math.log(sigma), rho=rho, family=family
    ).value[0]
    assert got == pytest.approx(expected, abs=2e-6 if rho else 1e-9)


@pytest.mark.parametrize("rho", [0.0, 0.1])
def test_occupancy_with_a_range_of_seeds_adds_up_to_one(rho):
    """First filled in each interval, or never by the last check: the probabilities of all outcomes
    sum to 1.
    """
    days = [0, 20, 28, 35, 60]
    for sowing in (0, 1, 2):
        outcomes = [
            value(
                patterns_of(occupied=[(0, sowing, lo, hi, 1)], trays=1),
                0.3,
                mu=math.log(30),
                log_sigma=-1.0,
                rho=rho,
            ).value[0]
            for lo, hi in itertools.pairwise(days)
        ]
        outcomes.append(
            value(
                patterns_of(finishes=[(0, sowing, 0, 60, "occupancy", 1)], trays=1),
                0.3,
                mu=math.log(30),
                log_sigma=-1.0,
                rho=rho,
            ).value[0]
        )
        assert np.exp(outcomes).sum() == pytest.approx(1.0, abs=1e-12)


def test_range_and_pinch_counts_add_up_to_one_over_the_number_seen():
    """Counts at one check: the coefficient n!/(n-K)! over K! orders makes the outcomes K = 0, 1,
    ... sum to 1.
    """
    for sowing, most in ((1, 4), (2, 400)):
        total = 0.0
        for seen in range(most + 1):
            patterns = patterns_of(
                times=[(0, 0, 40, seen)] if seen else [],
                finishes=[(0, sowing, seen, 40, "counts", 1)],
                trays=1,
            )
            total += math.exp(
                value(patterns, 0.5, mu=math.log(30), log_sigma=-1.0, rho=0.1).value[0]
                - math.lgamma(seen + 1)
            )
        assert total == pytest.approx(1.0, abs=1e-9)


def test_occupancy_at_one_seed_per_cell_equals_counts():
    one = (SowingRate("counted", (1,), 1.0),)
    counts = patterns_of(
        times=[(0, 10, 20, 7)],
        finishes=[(0, 0, 1, 50, "counts", 7), (0, 0, 0, 50, "counts", 5)],
        sowings=one,
        trays=1,
    )
    occupancy = patterns_of(
        occupied=[(0, 0, 10, 20, 7)], finishes=[(0, 0, 0, 50, "occupancy", 5)], sowings=one, trays=1
    )
    a, b = (
        value(counts, -0.3, mu=3.0, log_sigma=-0.8, rho=0.07),
        value(occupancy, -0.3, mu=3.0, log_sigma=-0.8, rho=0.07),
    )
    np.testing.assert_allclose(a.value, b.value, rtol=1e-12)
    np.testing.assert_allclose(a.gradient, b.gradient, rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(a.hessian, b.hessian, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("family", list(FAMILIES))
@pytest.mark.parametrize("origin", ["sowing", "1 February"])
@pytest.mark.parametrize("rho", [0.0, 0.08])
@pytest.mark.parametrize("horizon", [None, (62.0, 230.0), (60.0, np.inf)])
def test_derivatives_match_differences(family, origin, rho, horizon):
    patterns = patterns_of(
        times=[(0, 0, 25, 3), (0, 25, 33, 4), (1, 33, 41, 2)],
        finishes=[
            (0, 0, 2, 60, "counts", 2),
            (0, 1, 1, 47, "counts", 3),
            (0, 2, 2, 60, "counts", 3),
            (1, 0, 0, 60, "occupancy", 3),
            (1, 1, 0, 41, "occupancy", 2),
            (1, 2, 0, 60, "counts", 2),
        ],
        occupied=[(1, 0, 25, 33, 4), (1, 1, 0, 25, 2), (0, 2, 33, 41, 5), (1, 1, 60, 200, 1)],
        horizon=horizon,
    )
    eta, mu, log_sigma = np.array([0.4, -1.1]), np.array([3.1, 2.9]), -0.9
    at = value(patterns, eta, mu=mu, log_sigma=log_sigma, rho=rho, family=family, origin=origin)
    step = 1e-5
    for k in range(3):
        for tray in (0, 1):
            move = np.zeros(2)
            move[tray] = step
            sides = [
                value(
                    patterns,
                    eta + sign * move * (k == 0),
                    mu=mu + sign * move * (k == 1),
                    log_sigma=log_sigma + sign * step * (k == 2),
                    rho=rho,
                    family=family,
                    origin=origin,
                )
                for sign in (1, -1)
            ]
            slope = (sides[0].value - sides[1].value)[tray] / (2 * step)
            bend = (sides[0].gradient - sides[1].gradient)[tray] / (2 * step)
            # central differences of step 1e-5 are good to about 1e-8 relative
            assert at.gradient[tray, k] == pytest.approx(slope, rel=2e-6, abs=2e-6)
            np.testing.assert_allclose(at.hessian[tray, k], bend, rtol=2e-6, atol=2e-6)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_far_tails_stay_finite(family):
    patterns = patterns_of(
        times=[(0, 0, 1, 1), (0, 400, 401, 1)],
        finishes=[(0, 0, 1, 900, "counts", 1)],
        occupied=[(0, 1, 500, 501, 1), (0, 2, 0, 0.5, 1)],
        trays=1,
    )
    at = value(patterns, 3.0, mu=3.0, log_sigma=-2.0, rho=0.05, family=family)
    assert (
        np.isfinite(at.value).all()
        and np.isfinite(at.gradient).all()
        and np.isfinite(at.hessian).all()
    )


def test_a_seed_seen_before_the_clock_starts_is_impossible():
    patterns = patterns_of(times=[(0, 5, 15, 1)], finishes=[(0, 0, 1, 50, "counts", 1)], trays=1)
    assert (
        value(patterns, 0.0, mu=3.0, log_sigma=-1.0, rho=0.0, origin="1 February").value[0]
        == -np.inf
    )
    assert np.isfinite(value(patterns, 0.0, mu=3.0, log_sigma=-1.0, rho=0.0).value[0])
