"""The classical germination measures of a daily count, for comparison with the literature.

Formulae from memory: Labouriau 1983; Ranal & Santana 2006 (Revista Brasil. Bot. 29:1-11); AOSA
1983; Coolbear 1984; Farooq 2005. They take the seeds that germinated as all there are and each
count's day as exact.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from germstats.engine.timing import Array


@dataclass(frozen=True)
class ClassicalMeasures:
    """Measures of one germination test.

    Attributes
    ----------
    percentage : float
        100 x germinated / sown.
    mean_time, variance : float
        sum(n t) / sum(n), days; sum(n (t - mean)^2) / (sum(n) - 1), days squared.
    variation : float
        Coefficient of variation, per cent.
    uncertainty : float
        -sum(f log2 f) over the daily shares f, bits.
    synchrony : float
        Pairs of seeds that germinated on the same day, as a share of all pairs.
    speed : float
        sum(n / t), seeds a day.
    t50_coolbear, t50_farooq : float
        Days until (N + 1) / 2, or N / 2, seeds have germinated, by straight line between counts.
    """

    percentage: float
    mean_time: float
    variance: float
    variation: float
    uncertainty: float
    synchrony: float
    speed: float
    t50_coolbear: float
    t50_farooq: float


def classical_measures(day: Array, germinated: Array, sown: int) -> ClassicalMeasures:
    """Classical measures of newly germinated seeds by day of count.

    Parameters
    ----------
    day : (N,) array
        Days of the counts, rising; counts that found none matter for the T50 and belong here.
    germinated : (N,) array
        Seeds newly germinated at each count.
    sown : int

    Returns
    -------
    ClassicalMeasures

    Raises
    ------
    ValueError
        Fewer than two seeds germinated, days do not rise from above 0, or more germinated than were
        sown.
    """
    t, n = np.asarray(day, dtype=float), np.asarray(germinated, dtype=float)
    total = float(n.sum())
    if not total >= 2:
        raise ValueError("fewer than two seeds germinated: no measure of time can be given")
    if (np.diff(t, prepend=0.0) <= 0).any() or (n < 0).any() or total > sown:
        raise ValueError(
            "days must rise from above 0, counts may not be negative nor exceed the seeds sown"
        )
    mean = float(n @ t / total)
    variance = float(n @ (t - mean) ** 2 / (total - 1))
    share = n[n > 0] / total
    return ClassicalMeasures(
        percentage=100 * total / sown,
        mean_time=mean,
        variance=variance,
        variation=100 * float(np.sqrt(variance)) / mean,
        uncertainty=float(-(share * np.log2(share)).sum()),
        synchrony=float((n * (n - 1)).sum() / (total * (total - 1))),
        speed=float((n / t).sum()),
        t50_coolbear=_crossing(t, n, (total + 1) / 2),
        t50_farooq=_crossing(t, n, total / 2),
    )


def _crossing(t: Array, n: Array, wanted: float) -> float:
    """Day on which the running total reaches `wanted`, by straight line from the count before.

    Before the first count it runs from day 0.
    """
    total = np.concatenate([[0.0], np.cumsum(n)])
    days = np.concatenate([[0.0], t])
    after = int(np.searchsorted(total, wanted))
    part = (wanted - total[after - 1]) / (total[after] - total[after - 1])
    return float(days[after - 1] + part * (days[after] - days[after - 1]))
