"""Formula and simulation of a trial's power side by side, far from a half and with one tray of each
in a block too.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from scipy.special import logit

from germstats.engine.treatment_model import BLOCK_SD, LEVEL_SD, TRAY_SDS
from germstats.questions.trial.power import (
    Setting,
    _judged,
    _Plan,
    monte_carlo_error,
    power_of,
    simulated_power,
)

TWO_SEEDS = {"seeds_per_cell": 2, "rho": 0.05}


def gap_allowed(simulated: float, trials: int) -> float:
    """The bar of the design, .06, and two Monte-Carlo standard errors."""
    return 0.06 + 2 * monte_carlo_error(simulated, trials)


# Few trays, one of each in a block, shares far from a half: where normal theory is hardest put to
# it.
@pytest.mark.parametrize(
    ("shares", "trays", "setting"),
    [
        ((0.95, 0.85), 8, Setting(0.5, 0.5)),
        ((0.75, 0.9), 3, Setting(0.3, None)),
        ((0.1, 0.03), 3, Setting(0.5, None, **TWO_SEEDS)),
    ],
)
def test_one_tray_of_each_in_a_block_far_from_a_half(shares, trays, setting) -> None:
    simulated = simulated_power(shares, trays, blocks=trays, setting=setting, trials=120, seed=6)
    assert abs(simulated - power_of(shares, trays, trays, setting)) <= gap_allowed(simulated, 120)


GRID = [
    *[
        (pair, trays, trays, Setting(sd, sd))
        for pair, trays, sd in [
            ((0.5, 0.3), 4, 0.5),
            ((0.6, 0.4), 4, 0.3),
            ((0.85, 0.7), 6, 0.3),
            ((0.7, 0.85), 4, 0.3),
            ((0.9, 0.75), 4, 0.3),
            ((0.75, 0.9), 2, 0.3),
            ((0.95, 0.85), 6, 0.3),
            ((0.85, 0.95), 3, 0.5),
            ((0.2, 0.08), 3, 0.5),
            ((0.08, 0.2), 6, 0.5),
            ((0.1, 0.03), 3, 0.3),
            ((0.03, 0.1), 8, 0.3),
        ]
    ],
    *[
        (pair, trays, trays, Setting(sd, None, **TWO_SEEDS))
        for pair, trays, sd in [((0.2, 0.08), 2, 0.3), ((0.08, 0.2), 8, 0.5), ((0.9, 0.75), 8, 0.5)]
    ],
    ((0.9, 0.75), 4, 2, Setting(0.3, 0.3)),
    ((0.95, 0.85), 8, 4, Setting(0.5, 0.5)),
    ((0.85, 0.95), 4, 1, Setting(0.5, None)),
    ((0.03, 0.1), 4, 1, Setting(0.3, 0.3, **TWO_SEEDS)),
    ((0.9, 0.8), 4, 4, Setting(0.36, 0.36, seasons=2)),
    ((0.9, 0.75), 6, 6, Setting(0.36, 0.36, treatments=3)),
]


@pytest.mark.slow
@pytest.mark.parametrize(("shares", "trays", "blocks", "setting"), GRID)
def test_formula_and_simulation_agree_over_the_grid(shares, trays, blocks, setting) -> None:
    """600 trials each, a standard error of .02 at most; 150 in the reduced form."""
    trials = 150 if os.environ.get("GERMSTATS_REDUCED") == "1" else 600
    simulated = simulated_power(
        shares, trays, blocks=blocks, setting=setting, trials=trials, seed=8
    )
    assert abs(simulated - power_of(shares, trays, blocks, setting)) <= gap_allowed(
        simulated, trials
    )


def test_seeds_that_come_and_seeds_that_stay_away_are_one_question() -> None:
    """The comparison's priors lie around a half, so turning every share over changes nothing."""
    setting = Setting(0.4, 0.4)
    for shares in ((0.95, 0.85), (0.85, 0.95), (0.6, 0.3)):
        turned = (1 - shares[0], 1 - shares[1])
        assert power_of(shares, 4, 4, setting) == pytest.approx(
            power_of(turned, 4, 4, setting), abs=1e-9
        )


@pytest.mark.parametrize(("each", "blocks"), [(1, 4), (2, 3), (6, 1)])
def test_the_difference_as_judged_is_that_of_the_linear_model(each: int, blocks: int) -> None:
    """Blocks and level by their normal equations with the priors on the diagonal (computed), trays'
    logits put where the difference seen leaves them.
    """
    ends, setting = logit(np.array([0.85, 0.95])), Setting(0.3, 0.3)
    true = np.array([0.2, 0.5])
    plan = _Plan(ends=ends, true=true, each=each, blocks=blocks, setting=setting)
    at, variances = 20, np.array([0.3, 0.7])
    slope, offset, variance = _judged(plan, np.tile(variances, (len(TRAY_SDS), 1)) / each)
    level = np.tile(np.repeat([0, 1], each), blocks)
    design = np.column_stack([np.kron(np.eye(blocks), np.ones((2 * each, 1))), level])
    precision = 1 / variances[level]
    normal = (design.T * precision) @ design + np.diag([*[BLOCK_SD**-2] * blocks, LEVEL_SD**-2])
    for difference in (0.2, 1.5):
        # a deviation of the difference is shared out by the true variances
        deviation = (difference - (ends[1] - ends[0])) * np.array([-0.2, 0.5]) / 0.7
        found = np.linalg.solve(normal, design.T @ (precision * (ends + deviation)[level]))[-1]
        assert slope[at] * difference + offset[at] == pytest.approx(found, rel=1e-9)
    assert variance[at] == pytest.approx(np.linalg.inv(normal)[-1, -1], rel=1e-9)
