"""Shares of trays as the second road of a comparison takes them, against sums done by hand.

A pinch of mean m and evenness k is negative binomial: a cell stays empty with chance (1 + m p /
k)^-k and holds m p seedlings on average (Anscombe 1949, Biometrics 5:165-173, memory; both follow
from the gamma mixture of Poissons).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from germstats.engine.treatment_model import RhoLaw, known_rho
from germstats.questions.compare.crosscheck import t_test, tray_logits
from germstats.records.seeds import SowingRate

ONE = SowingRate("counted", (1,), 1.0)
THREE = SowingRate("counted", (3,), 3.0)
TWO_OR_THREE = SowingRate("range", (2, 3), 2.5)
PINCH = SowingRate("pinch", (), 2.0, 1.5)
UNKNOWN_PINCH = SowingRate("pinch_unmeasured", (), 1.0)
MANY = 1e9


def trays(**columns) -> pd.DataFrame:
    """One row per tray."""
    return pd.DataFrame({"seeds": np.nan, "emerged": np.nan, **columns}, index=[7])


def test_counted_seeds():
    one = trays(cells=[72.0], seeds=[216.0], emerged=[54.0], filled=[40.0])
    assert tray_logits(one, [THREE])[0] == pytest.approx(np.log(54.5 / 162.5), rel=1e-9)


def test_seedlings_of_pinches_are_held_against_their_mean():
    one = trays(cells=[72.0], emerged=[117.0], filled=[45.0])
    assert tray_logits(one, [PINCH])[0] == pytest.approx(np.log(117.5 / 27.5), rel=1e-9)


def test_more_seedlings_than_the_mean_of_the_pinches_count_as_all():
    one = trays(cells=[72.0], emerged=[150.0], filled=[60.0])
    assert tray_logits(one, [PINCH])[0] == pytest.approx(np.log(150.5 / 0.5), rel=1e-9)


@pytest.mark.parametrize(
    ("rate", "empty"),
    [
        (ONE, 0.6),
        (THREE, 0.6**3),
        (TWO_OR_THREE, (0.6**2 + 0.6**3) / 2),
        (PINCH, (1 + 2.0 * 0.4 / 1.5) ** -1.5),
        (UNKNOWN_PINCH, 0.6),
    ],
    ids=["one", "three", "two or three", "pinch", "pinch of unknown size"],
)
def test_filled_cells_of_many_tell_the_share(rate, empty):
    one = trays(cells=[MANY], filled=[MANY * (1 - empty)])
    found = tray_logits(one, [rate])[0]
    assert found == pytest.approx(np.log(0.4 / 0.6), abs=1e-7)  # half a cell of a thousand million


@pytest.mark.parametrize(
    ("rate", "empty"),
    [
        (SowingRate("counted", (2,), 2.0), 0.5 * (0.5 + 1 / 9) / (1 + 1 / 9)),
        (
            SowingRate("counted", (4,), 4.0),
            0.5
            * (0.5 + 1 / 9)
            * (0.5 + 2 / 9)
            * (0.5 + 3 / 9)
            / ((1 + 1 / 9) * (1 + 2 / 9) * (1 + 3 / 9)),
        ),
    ],
    ids=["two", "four"],
)
def test_seeds_of_a_cell_that_share_their_fate(rate, empty):
    """rho .1, t = 1/9: prod_{r<n} (1 - p + r t) / (1 + r t) of the cells stay empty (Skellam 1948,
    memory); p is .5.
    """
    one = trays(cells=[MANY], filled=[MANY * (1 - empty)])
    assert tray_logits(one, [rate], known_rho(0.1))[0] == pytest.approx(0.0, abs=1e-7)
    assert tray_logits(one, [rate])[0] < -0.09  # as if each came by itself


def test_an_unknown_sharing_is_averaged_over():
    """Half rho 0, half .5 (t = 1): two seeds leave (.25 + .5 (.5 + 1) / 2) / 2 = .3125 empty at p
    .5.
    """
    one = trays(cells=[MANY], filled=[MANY * (1 - 0.3125)])
    law = RhoLaw(np.array([0.0, 0.5]), np.array([0.5, 0.5]))
    found = tray_logits(one, [SowingRate("counted", (2,), 2.0)], law)[0]
    assert found == pytest.approx(0.0, abs=1e-7)


def test_seedlings_stand_in_where_no_fill_was_noted():
    """Two trays tell their seedlings only, of several seeds to a cell, two their filled
    cells only.
    """
    table = pd.DataFrame(
        {
            "cells": 72.0,
            "seeds": 216.0,
            "emerged": [108.0, 54.0, np.nan, np.nan],
            "filled": [np.nan, np.nan, 63.0, 42.0],
        }
    )
    found = tray_logits(table, [THREE] * 4)
    np.testing.assert_allclose(
        found[:2], np.log(np.array([108.5, 54.5]) / [108.5, 162.5]), rtol=1e-9
    )
    share = 1 - (1 - np.array([63.5, 42.5]) / 73) ** (1 / 3)
    np.testing.assert_allclose(found[2:], np.log(share / (1 - share)), rtol=1e-9)


def test_hundreds_of_seeds_to_a_cell():
    many = SowingRate("counted", (200,), 200.0)
    found = tray_logits(trays(cells=[72.0], filled=[1.0]), [many])[0]
    share = 1 - (1 - 1.5 / 73) ** (1 / 200)
    assert found == pytest.approx(np.log(share / (1 - share)), rel=1e-9)


@pytest.mark.parametrize("rate", [ONE, THREE, TWO_OR_THREE, PINCH, UNKNOWN_PINCH])
def test_all_or_none_filled_stay_finite(rate):
    full = tray_logits(trays(cells=[72.0], filled=[72.0]), [rate])[0]
    none = tray_logits(trays(cells=[72.0], filled=[0.0]), [rate])[0]
    most = np.log(2 * 72 * rate.mean + 1)  # half a seed short of all
    assert -most <= none < -4 < 1 < full <= most


def test_seedlings_tell_what_filled_cells_of_pinches_hide():
    """Shares of .6 and .36: seedlings of pinches fall by two fifths, filled cells by a quarter."""
    k, m, blocks = PINCH.k, PINCH.mean, 8
    assert k is not None
    rng = np.random.default_rng(11)
    found = []
    for share in (0.36, 0.6):  # against .6
        level, block = np.tile([0, 1], blocks), np.repeat(np.arange(blocks), 2)
        told = []
        for _ in range(1500):
            logit = np.log([0.6 / 0.4, share / (1 - share)])[level] + rng.normal(0, 0.3, 2 * blocks)
            mean = m / (1 + np.exp(-logit[:, None]))
            seen = rng.poisson(rng.gamma(k, mean / k, (2 * blocks, 72)))
            table = pd.DataFrame(
                {
                    "cells": 72.0,
                    "seeds": np.nan,
                    "emerged": seen.sum(axis=1),
                    "filled": (seen > 0).sum(axis=1),
                }
            )
            both = (
                tray_logits(table, [PINCH] * len(table)),
                tray_logits(table.assign(emerged=np.nan), [PINCH] * len(table)),
            )
            told.append([t_test(logits, level, block)[1] <= 0.1 for logits in both])
        found.append(np.mean(told, axis=0))
    power, alarms = found
    error = np.sqrt(0.1 * 0.9 / 1500)
    # identical covers: a tenth, as the limit says
    assert np.all(np.abs(alarms - 0.1) < 4 * error), alarms
    assert power[0] > power[1] + 4 * error, power
