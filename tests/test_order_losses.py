"""Do orders keep their chance where losses differ by tray and spring?
`analyses/studies/order_losses.py` in small.

Bar: losses with an sd of .1 between springs and again between trays, means of .1 to .2, orders of
two to four trays: promised less reached within .05. With one number for the losses and a bench of
its own for each tray it was .10.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.studies import load_study

BOOKS = 3


@pytest.fixture(scope="module")
def study():
    return load_study("order_losses")


def test_the_simulator_loses_what_it_says(study) -> None:
    """Mean and sd of its beta draws; 4 standard errors of 100,000."""
    rng = np.random.default_rng(1)
    springs = study.beta_of(np.full(100_000, 0.15), study.LOSS_SD, rng)
    assert springs.mean() == pytest.approx(0.15, abs=0.0013)
    assert springs.std() == pytest.approx(0.1, abs=0.002)


@pytest.mark.slow
def test_orders_keep_their_chance(study) -> None:
    rows = pd.DataFrame(
        [line for mean in study.MEANS for k in range(BOOKS) for line in study.trial(mean, k)]
    )
    some = rows[rows["trays"] <= 4]
    assert len(some) > 60
    assert abs(float((some["promised"] - some["reached"]).mean())) <= 0.05
    assert some["promised"].mean() > study.ASSURANCE
