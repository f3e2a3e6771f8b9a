"""Quantiles of weighted values and ranges of counts."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from germstats.engine.timing import Array


def weighted_quantiles(values: Array, weight: Array, at: Array) -> Array:
    """Quantiles of weighted draws, interpolated between the middles of their steps.

    Parameters
    ----------
    values, weight : (N,) arrays
    at : (Q,) array
        Shares, 0-1.

    Returns
    -------
    (Q,) array
    """
    order = np.argsort(values, kind="stable")
    steps = np.cumsum(weight[order])  # (N,)
    return np.asarray(np.interp(at, (steps - weight[order] / 2) / steps[-1], values[order]))


def weighted_values(values: NDArray[Any], weight: Array, at: Array) -> NDArray[Any]:
    """The smallest values that have the shares `at` of the weight at or below them.

    For whole numbers and days, where a value between two that occur would mean nothing.

    Parameters
    ----------
    values, weight : (N,) arrays
    at : (Q,) array
        Shares, 0-1.

    Returns
    -------
    (Q,) array
    """
    order = np.argsort(values, kind="stable")
    steps = np.cumsum(weight[order])  # (N,)
    place = np.minimum(np.searchsorted(steps / steps[-1], at), len(steps) - 1)
    return np.asarray(values[order][place])


def count_range(chances: Array, level: float) -> tuple[int, int]:
    """The range of a count that leaves (1 - level) / 2 on each side, or less.

    Parameters
    ----------
    chances : (N + 1,) array
        P(0), ..., P(N).
    level : float
        Coverage, such as .9.

    Returns
    -------
    low, high : int
    """
    tails = np.array([(1 - level) / 2, (1 + level) / 2])
    low, high = np.searchsorted(np.cumsum(chances), tails)
    most = len(chances) - 1
    return int(min(low, most)), int(min(high, most))
