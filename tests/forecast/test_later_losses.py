"""Losses after emergence: moments of the beta laws, the posterior against plain sampling, and known
scatters found.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import expit, logit

from germstats.forecast.later_losses import (
    TrayLosses,
    beta_quantile,
    fixed_losses,
    loss_laws,
    with_mean,
)


def test_the_beta_law_has_its_mean_and_sd() -> None:
    """sd^2 = r m (1 - m), by quantiles at 20,000 even steps."""
    at = (np.arange(20_000) + 0.5) / 20_000
    for mean, correlation in ((0.1, 0.11), (0.05, 0.02), (0.3, 0.3)):
        drawn = beta_quantile(at, np.full(len(at), mean), np.full(len(at), correlation))
        assert drawn.mean() == pytest.approx(mean, abs=1e-4)  # steps
        # steps, at the tails
        assert drawn.std() == pytest.approx(np.sqrt(correlation * mean * (1 - mean)), rel=0.01)
    assert beta_quantile(at[:2], np.array([0.1, 0.0]), np.array([0.0, 0.2])).tolist() == [0.1, 0.0]


def sampled(counts: list[tuple[int, int, int]], number: int = 200_000) -> tuple[float, float]:
    """Posterior mean of m, and its Monte-Carlo error: springs and laws drawn from the stated
    priors, weighted by the chance of the counts (season, came, lost).
    """
    rng = np.random.default_rng(5)
    m = expit(logit(0.05) + np.hypot(1.0, 0.7) * rng.standard_normal(number))
    r, s = (np.exp(np.log(0.08) + rng.standard_normal(number)).clip(0.004, 0.5) for _ in range(2))
    weight = np.ones(number)
    for season in sorted({one[0] for one in counts}):
        q = rng.beta(m * (1 - r) / r, (1 - m) * (1 - r) / r).clip(1e-12, 1 - 1e-12)
        for _, came, lost in (one for one in counts if one[0] == season):
            weight *= stats.betabinom.pmf(lost, came, q * (1 - s) / s, (1 - q) * (1 - s) / s)
    mean = float(weight @ m / weight.sum())
    return mean, float(np.sqrt(weight**2 @ (m - mean) ** 2) / weight.sum())


@pytest.mark.parametrize(
    "counts", [[(1, 40, 0)], [(1, 60, 9), (1, 55, 2)], [(1, 60, 3), (2, 60, 20), (2, 50, 12)]]
)
def test_the_posterior_is_that_of_plain_sampling(counts: list[tuple[int, int, int]]) -> None:
    season, came, lost = np.array(counts, dtype=float).T
    found = loss_laws({"A": TrayLosses(season, came, lost)}, ["A"])["A"].share
    mean, error = sampled(counts)
    # Monte Carlo; priors end at the grid's ends
    assert found == pytest.approx(mean, abs=4 * error + 0.004)


def grown(rng: np.random.Generator, mean: float, springs: int, trays: int) -> TrayLosses:
    """Trays of 60 plants with an sd of .1 between springs and of .1 between the trays of a spring
    (plain numpy).
    """
    r = 0.01 / (mean * (1 - mean))
    s = r / (1 - r)
    q = rng.beta(mean * (1 - r) / r, (1 - mean) * (1 - r) / r, springs).clip(1e-6, 1 - 1e-6)
    own = rng.beta(q * (1 - s) / s, (1 - q) * (1 - s) / s, (trays, springs))
    lost = rng.binomial(60, own)
    return TrayLosses(
        np.tile(np.arange(springs), trays).astype(float),
        np.full(lost.size, 60.0),
        lost.ravel() * 1.0,
    )


@pytest.mark.parametrize("mean", [0.1, 0.2])
def test_scatters_of_a_tenth_are_found(mean: float) -> None:
    """Twenty records of six springs with four trays each; before, losses were one number without
    scatter.
    """
    rng = np.random.default_rng(6)
    laws = [loss_laws({"A": grown(rng, mean, 6, 4)}, ["A"])["A"] for _ in range(20)]
    assert np.mean([law.share for law in laws]) == pytest.approx(mean, abs=0.025)
    assert np.mean([law.tray_sd for law in laws]) == pytest.approx(0.1, abs=0.02)
    assert np.mean([law.spring_sd for law in laws]) == pytest.approx(0.1, abs=0.03)


def test_a_species_not_counted_lies_about_the_others() -> None:
    rng = np.random.default_rng(7)
    laws = loss_laws({"A": grown(rng, 0.2, 6, 4), "B": grown(rng, 0.2, 6, 4)}, ["A", "C"])
    alone = loss_laws({}, ["C"])["C"]
    assert alone.share < laws["C"].share
    spread = [np.sqrt(law.weight @ (law.mean - law.share) ** 2) for law in (laws["A"], laws["C"])]
    assert spread[0] < spread[1], "its own mean is known less well"


def test_a_given_mean_keeps_the_scatter() -> None:
    law = with_mean(loss_laws({}, ["A"])["A"], 0.15)
    assert law.share == pytest.approx(0.15, abs=1e-12)
    assert law.spring_sd > 0.05
    assert law.tray_range(0.9)[1] > 0.3
    assert with_mean(law, 0.0).tray_range(0.9) == (0.0, 0.0)
    assert fixed_losses(0.2).tray_range(0.9) == pytest.approx((0.2, 0.2))


POTS = Path(__file__).parents[3] / "shared" / "data" / "litter_cover_pots.csv"


@pytest.mark.skipif(not POTS.is_file(), reason="the real records of ../shared/data are not here")
def test_real_pots_of_standing_plants_differ_as_the_law_says() -> None:
    """Two grasses in pots of 50 seeds, one spring (doi:10.1002/ecs2.3907): plants gone at the last
    count.

    The sd between pots by maximum likelihood of a beta-binomial is .042 and .043 (computed, scipy).
    """
    table = pd.read_csv(POTS, keep_default_na=False, na_values=[""])
    counted = {}
    for grass in ("elymus", "microstegium"):
        looks = (
            table[table[f"{grass}_sown"] == 50].dropna(subset=[f"{grass}_count"]).sort_values("day")
        )
        before = looks[looks.duplicated("pot", keep="last")].groupby("pot")[f"{grass}_count"].max()
        last = looks.groupby("pot")[f"{grass}_count"].last().reindex(before.index)
        lost = (before - last).clip(lower=0)
        counted[grass] = TrayLosses(np.zeros(len(lost)), before.to_numpy(), lost.to_numpy())
    assert [(one.lost.sum(), one.came.sum()) for one in counted.values()] == [
        (34, 1668),
        (138, 2257),
    ]
    for grass, law in loss_laws(counted, list(counted)).items():
        assert 0.03 < law.tray_sd < 0.07
        share = counted[grass].lost / counted[grass].came
        low, high = law.tray_range(0.9)
        assert low < 0.005
        assert np.mean(share <= high) >= 0.95
        assert high < 0.35
