"""Times at the ends of intervals, standardized by a law of timing that a horizon may cut off."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from germstats.engine.arrays import Index
from germstats.engine.timing import Array, TimingFamily

_ALL_OUT = 40.0  # a standardized time by which all that counts is out, to double precision
_LOG_HALF = -float(np.log(2.0))


@dataclass(frozen=True)
class Clock:
    """Standardized times at the ends of intervals.

    Attributes
    ----------
    raw : (E,) array
        -inf before the clock starts, where no term depends on it.
    sigma : (E,) array
    family : TimingFamily
    horizon : (E,) array or None
        Standardized time of the day up to which emergence is counted, +inf where there is none.
        With one, the share of what comes by then is F(z) / F(horizon), and `z` is the time at which
        the family itself has that share.
    """

    raw: Array
    sigma: Array
    family: TimingFamily
    horizon: Array | None = None

    @cached_property
    def started(self) -> NDArray[np.bool_]:
        """Whether the clock has started."""
        return np.isfinite(self.raw)

    @cached_property
    def _plain(self) -> Array:
        """The raw times, 0 before the clock starts."""
        return np.where(self.started, self.raw, 0.0)

    @cached_property
    def z(self) -> Array:
        """The times, 0 before the clock starts."""
        return self._plain if self._horizon is None else self._horizon.moved()

    @cached_property
    def _horizon(self) -> _Horizon | None:
        """What lies beyond the horizon, cut off; None where no end has one."""
        if self.horizon is None or not np.isfinite(self.horizon).any():
            return None
        return _Horizon(self._plain, self.started, self.horizon, self.family)

    @cached_property
    def motion(self) -> Array:
        """(5, E) slopes of `z` on mu and log sigma, then its second derivatives.

        These are mu mu, mu log sigma, and twice log sigma.
        """
        own = _plain_motion(self._plain, self.sigma)
        return own if self._horizon is None else self._horizon.motion(own, self.z, self.sigma)

    @cached_property
    def log_density(self) -> Array:
        """log f(z)."""
        return self.family.log_density(self.z)

    @cached_property
    def log_survival(self) -> Array:
        """log(1 - F(z))."""
        return np.where(self.started, self.family.log_survival(self.z), 0.0)

    @cached_property
    def hazard(self) -> Array:
        """f / (1 - F)."""
        return np.where(self.started, np.exp(self.log_density - self.log_survival), 0.0)

    @cached_property
    def bend(self) -> Array:
        """f'(z) / f(z)."""
        return self.family.slope(self.z)

    def log_gap(self, lo: Index, hi: Index) -> Array:
        """log(F(hi) - F(lo)); -inf where the interval ends before the clock starts.

        Parameters
        ----------
        lo, hi : (N,) int arrays
            Places of the ends among the times.

        Returns
        -------
        (N,) array
        """
        first = np.where(self.started[lo], self.z[lo], -np.inf)
        gap = self.family.log_difference(first, self.z[hi])
        return np.where(self.started[hi], gap, -np.inf)


def _plain_motion(z: Array, sigma: Array) -> Array:
    """Slopes and bends of (log t - mu) / sigma, in the order of `Clock.motion`."""
    return np.stack([-1 / sigma, -z, np.zeros_like(z), 1 / sigma, z])


BENDS = ((0, 0), (0, 1), (1, 1))
"""Which slopes each bend of `Clock.motion` belongs to."""


@dataclass(frozen=True)
class _Horizon:
    """A law of timing cut off at c: share F(z) / F(c) by z < c, everything from c on.

    With w the time at which the family has that share, f(w) dw = F(z) / F(c) (r(z) dz - r(c) dc), r
    = f / F, so that dw = near dz - far dc.
    """

    z: Array
    started: NDArray[np.bool_]
    c: Array
    family: TimingFamily

    @cached_property
    def inside(self) -> NDArray[np.bool_]:
        """Ends before a horizon."""
        return self.started & np.isfinite(self.c) & (self.z < self.c)

    @cached_property
    def over(self) -> NDArray[np.bool_]:
        """Ends at a horizon or after it."""
        return self.started & np.isfinite(self.c) & (self.z >= self.c)

    @cached_property
    def _at(self) -> tuple[Array, Array, Array, Array]:
        """z, c, log F(z) and log F(c) of the ends inside."""
        z, c = self.z[self.inside], self.c[self.inside]
        before = np.full_like(z, -np.inf)
        return z, c, self.family.log_difference(before, z), self.family.log_difference(before, c)

    def moved(self) -> Array:
        """The times w; `_ALL_OUT` at the horizon and after it."""
        z, c, log_z, log_c = self._at
        moved = np.where(self.over, _ALL_OUT, self.z)
        log_share = np.minimum(log_z - log_c, 0.0)
        small = np.log1p(-np.exp(np.minimum(log_share, _LOG_HALF)))
        left = np.where(log_share < _LOG_HALF, small, self.family.log_difference(z, c) - log_c)
        moved[self.inside] = np.minimum(self.family.position(log_share, left), _ALL_OUT)
        return moved

    def motion(self, plain: Array, w: Array, sigma: Array) -> Array:
        """Slopes and bends of w, in the order of `Clock.motion`; 0 from the horizon on."""
        motion = np.where(self.over, 0.0, plain)
        z, c, log_z, log_c = self._at
        at = w[self.inside]
        family = self.family
        log_f = family.log_density(at)
        near = np.exp(family.log_density(z) - log_c - log_f)
        far = np.exp(log_z - 2 * log_c + family.log_density(c) - log_f)
        r_z, r_c = np.exp(family.log_density(z) - log_z), np.exp(family.log_density(c) - log_c)
        own, of_c = plain[:, self.inside], _plain_motion(c, sigma[self.inside])
        slopes = [near * own[k] - far * of_c[k] for k in (0, 1)]
        bends = []
        for row, (first, second) in enumerate(BENDS, start=2):
            turned = family.slope(at) * slopes[second]
            near_moved = near * (family.slope(z) * own[second] - r_c * of_c[second] - turned)
            far_moved = far * (
                r_z * own[second] + (family.slope(c) - 2 * r_c) * of_c[second] - turned
            )
            bends.append(
                near_moved * own[first]
                + near * own[row]
                - far_moved * of_c[first]
                - far * of_c[row]
            )
        motion[:, self.inside] = np.stack([*slopes, *bends])
        return motion
