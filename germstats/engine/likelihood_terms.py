"""Log-likelihood of intervals, cells and pinches with derivatives; symbols as in `likelihood`.

Each set of patterns comes back in the ten rows of `likelihood.TrayTerms`: value, slopes on eta, mu
and log sigma, and the six second derivatives; seen seeds, which depend on time alone, in six of
them. Time is worked out once for each tray and day, at the ends of its intervals.

Patterns are differentiated on eta and on the standardized times a and b of the first and the last
end of their interval; the chain rule then leads from these to mu and log sigma. N is the number of
patterns, or of terms of their sums.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from germstats.engine.arrays import CellTerms, Index, PinchTerms, summed
from germstats.engine.clock import BENDS, Clock
from germstats.engine.timing import Array

_SMALLEST_LOG = -650.0
"""exp() of it is still a normal double, so that ratios of such shares stay finite."""
_NEAR_ONE = -0.7
"""Above this log of a share, log(1 - share) is taken from the clock instead."""

Places = tuple[Index, Index]
"""Places of the first and the last end of each interval among the times of a `Clock`."""


@dataclass(frozen=True)
class _Slopes:
    """Derivatives of log-likelihoods, (N,) each: on eta, and on the standardized ends a and b."""

    e: Array
    a: Array
    b: Array
    ee: Array
    ea: Array
    eb: Array
    aa: Array
    ab: Array
    bb: Array


@dataclass(frozen=True)
class _Chain:
    """The chain rule from the standardized ends (a, b) of intervals to mu and log sigma.

    Attributes
    ----------
    lo, hi : (5, N) arrays
        Motion of the ends, as in `Clock.motion`.
    """

    lo: Array
    hi: Array

    def alone(self, a: Array, b: Array, aa: Array, ab: Array, bb: Array) -> list[Array]:
        """Slopes on mu and log sigma, then mu mu, mu log sigma and twice log sigma."""
        rows = [a * self.lo[k] + b * self.hi[k] for k in range(5)]
        for row, (first, second) in enumerate(BENDS, start=2):
            rows[row] += self.lo[first] * (aa * self.lo[second] + ab * self.hi[second])
            rows[row] += self.hi[first] * (ab * self.lo[second] + bb * self.hi[second])
        return rows

    def with_share(self, ea: Array, eb: Array) -> list[Array]:
        """eta mu and eta log sigma."""
        return [ea * self.lo[k] + eb * self.hi[k] for k in (0, 1)]

    def ten_rows(self, value: Array, slopes: _Slopes) -> list[Array]:
        """The rows of `likelihood.TrayTerms`, from values (N,) and their derivatives."""
        mu, log_sigma, *bends = self.alone(slopes.a, slopes.b, slopes.aa, slopes.ab, slopes.bb)
        across = self.with_share(slopes.ea, slopes.eb)
        return [value, slopes.e, mu, log_sigma, slopes.ee, *across, *bends]


def _chain(clock: Clock, ends: Places) -> _Chain:
    lo, hi = ends
    return _Chain(clock.motion[:, lo], clock.motion[:, hi])


def time_sums(clock: Clock, ends: Places) -> list[Array]:
    """Seen seeds, log dF(lo, hi]: the value and the five rows of time alone.

    Parameters
    ----------
    clock : Clock
    ends : two (N,) int arrays

    Returns
    -------
    list of (N,) arrays
    """
    lo, hi = ends
    gap = clock.log_gap(lo, hi)
    safe = np.where(np.isneginf(gap), 0.0, gap)
    f_lo, f_hi = (  # f at either end over dF
        np.where(clock.started[end], np.exp(clock.log_density[end] - safe), 0.0) for end in ends
    )
    aa = -f_lo * clock.bend[lo] - f_lo**2
    bb = f_hi * clock.bend[hi] - f_hi**2
    return [gap, *_chain(clock, ends).alone(-f_lo, f_hi, aa, f_lo * f_hi, bb)]


def _in_all(cells: CellTerms, log_parts: Array) -> tuple[Array, Array]:
    """Log of each pattern's sum over its terms, and the terms' shares of it."""
    log_term = cells.log_weight + log_parts
    top = np.maximum.reduceat(log_term, cells.starts)
    weight = np.exp(log_term - top[cells.row])
    total = np.bincount(cells.row, weight)
    return top + np.log(total), weight / total[cells.row]


@dataclass(frozen=True)
class Shares:
    """Logs of the products of G over seeds, with their slopes on p, tabulated for each tray.

    Attributes
    ----------
    p, q : (T,) arrays
    up, down : (3, most + 1, T) arrays
        Sums over r < a of log(p + r t), 1 / (p + r t) and 1 / (p + r t)^2 for a = 0, 1, ...; the
        same of q.
    norm : (most + 1, T) or (most + 1, 1) array
        Sums over r < a of log(1 + r t).
    """

    p: Array
    q: Array
    up: Array
    down: Array
    norm: Array

    def of(self, cells: CellTerms) -> Array:
        """(3, N) log G(a, b) of each term and its first and second derivatives on p."""
        up, down = self._of_terms(cells)
        found = np.stack([up[0] + down[0], up[1] - down[1], -up[2] - down[2]])
        found[0] -= self._norm_of(cells)
        return found

    def value_of(self, cells: CellTerms) -> Array:
        """(N,) log G(a, b) of each term."""
        up, down = self._of_terms(cells)
        return np.asarray(up[0] + down[0] - self._norm_of(cells))

    def _of_terms(self, cells: CellTerms) -> list[Array]:
        """`up` at each term's successes and `down` at its failures: (3, N) each, or (1, N)."""
        trays = len(self.p)
        asked = ((self.up, cells.successes), (self.down, cells.failures))
        return [
            table.reshape(len(table), -1).take(seeds * trays + cells.tray_of_term, axis=1)
            for table, seeds in asked
        ]

    def _norm_of(self, cells: CellTerms) -> Array:
        together = cells.successes + cells.failures
        return np.asarray(self.norm[together, cells.tray_of_term if self.norm.shape[1] > 1 else 0])


def shares(eta: Array, rho: Array | float, most: int, slopes: bool = True) -> Shares:
    """The tables for cells of up to `most` seeds.

    Parameters
    ----------
    eta : (T,) array
    rho : (T,) array or float
    most : int
    slopes : bool
        Off, `up` and `down` have the logs alone, (1, most + 1, T).

    Returns
    -------
    Shares
    """
    p, q = expit(eta), expit(-eta)
    t = np.atleast_1d(np.asarray(rho / (1 - rho)))  # one, or one for each tray
    up, down = (np.zeros((3 if slopes else 1, most + 1, len(p))) for _ in range(2))
    norm = np.zeros((most + 1, len(t)))
    for table, base in ((up, p), (down, q)):
        for seed in range(most):
            level = base + seed * t
            table[0, seed + 1] = table[0, seed] + np.log(level)
            if slopes:
                inverse = 1 / level
                table[1, seed + 1] = table[1, seed] + inverse
                table[2, seed + 1] = table[2, seed] + inverse**2
    for seed in range(most):
        norm[seed + 1] = norm[seed] + np.log1p(seed * t)
    return Shares(p=p, q=q, up=up, down=down, norm=norm)


def _on_eta(share: Shares, tray: Index, p1: Array, p2: Array) -> tuple[Array, Array]:
    """Slopes and second derivatives on eta, from those on p, (N,) each."""
    p, q = share.p[tray], share.q[tray]
    e = p * q * p1
    return e, (p * q) ** 2 * p2 + (q - p) * e


def finish_values(cells: CellTerms, share: Shares, clock: Clock, last: Index) -> Array:
    """Cells at their last check: log A, a sum over the seeds that may still come.

    Parameters
    ----------
    cells : CellTerms
    share : Shares
    clock : Clock
    last : (N,) int array
        Place of each pattern's last day.

    Returns
    -------
    (N,) array
    """
    log_time = cells.power * clock.log_survival[last][cells.row]
    return _in_all(cells, share.value_of(cells) + log_time)[0]


def finish_sums(cells: CellTerms, share: Shares, clock: Clock, last: Index) -> list[Array]:
    """The same with derivatives: ten rows for each run of patterns with one tray and last day.

    Counts are in them. Only x^i depends on time, so that the chain rule waits until the patterns of
    one day are added up.

    Parameters
    ----------
    cells : CellTerms
    share : Shares
    clock : Clock
    last : (N,) int array
        Place of each pattern's last day.

    Returns
    -------
    list of (days,) arrays
    """
    by_pattern = _finish_derivatives(cells, share, clock.log_survival[last])
    day, starts = cells.days
    rows = summed([cells.count * row for row in by_pattern], day, len(starts))
    value, e, ee, i_mean, i_bend, e_times_i = rows

    # on the standardized last day b, then on mu and log sigma
    end = last[starts]
    hazard = clock.hazard[end]
    b = -hazard * i_mean
    bb = hazard**2 * i_bend - hazard * clock.bend[end] * i_mean
    eb = -hazard * e_times_i
    moved = clock.motion[:, end]
    bends = [
        bb * moved[first] * moved[second] + b * moved[row]
        for row, (first, second) in enumerate(BENDS, start=2)
    ]
    return [value, e, b * moved[0], b * moved[1], ee, eb * moved[0], eb * moved[1], *bends]


def _finish_derivatives(cells: CellTerms, share: Shares, log_survival: Array) -> list[Array]:
    """log A with its derivatives on eta and on log x, (N,) each; `log_survival` is log x.

    They are the value, its slope and second derivative on eta, the same two on log x (the latter
    less the slope), and the cross derivative.
    """
    i = cells.power
    log_share, p1, p2 = share.of(cells)
    value, weight = _in_all(cells, log_share + i * log_survival[cells.row])
    by_p, by_i = weight * p1, weight * i
    by_term = [by_p, weight * p2 + by_p * p1, by_i, by_i * i, by_p * i]
    p_mean, p_square, i_mean, i_square, p_times_i = summed(by_term, cells.row, len(cells.tray))
    e, ee = _on_eta(share, cells.tray, p_mean, p_square - p_mean**2)
    p, q = share.p[cells.tray], share.q[cells.tray]
    e_times_i = p * q * (p_times_i - p_mean * i_mean)
    return [value, e, ee, i_mean, i_square - i_mean - i_mean**2, e_times_i]


@dataclass(frozen=True)
class _Filling:
    """x_lo^i - x_hi^i of each term of a first filling.

    Attributes
    ----------
    log_rest : (patterns,) array
        log(x_hi / x_lo).
    log_bracket : (N,) array
        log(1 - (x_hi / x_lo)^i) of each term.
    log_time : (N,) array
        log(x_lo^i - x_hi^i).
    """

    log_rest: Array
    log_bracket: Array
    log_time: Array


def _filling(cells: CellTerms, clock: Clock, ends: Places) -> _Filling:
    lo, hi = ends
    before = clock.log_survival[lo]
    log_come = np.maximum(clock.log_gap(lo, hi) - before, _SMALLEST_LOG)
    from_gap = np.log1p(-np.exp(np.minimum(log_come, _NEAR_ONE)))
    log_rest = np.where(log_come < _NEAR_ONE, from_gap, clock.log_survival[hi] - before)
    bracket = -np.expm1(cells.power * log_rest[cells.row])
    log_bracket = np.log(np.maximum(bracket, np.exp(_SMALLEST_LOG)))
    return _Filling(log_rest, log_bracket, cells.power * before[cells.row] + log_bracket)


def filling_values(cells: CellTerms, share: Shares, clock: Clock, ends: Places) -> Array:
    """Cells known only to be first filled in an interval: log D.

    Parameters
    ----------
    cells : CellTerms
    share : Shares
    clock : Clock
    ends : two (N,) int arrays

    Returns
    -------
    (N,) array
    """
    value = _in_all(cells, share.value_of(cells) + _filling(cells, clock, ends).log_time)[0]
    return np.where(clock.started[ends[1]], value, -np.inf)


def filling_sums(cells: CellTerms, share: Shares, clock: Clock, ends: Places) -> list[Array]:
    """The same with derivatives, ten rows a pattern.

    Parameters
    ----------
    cells, share, clock, ends
        As in `filling_values`.

    Returns
    -------
    list of (N,) arrays
    """
    lo, hi = ends
    i, time = cells.power, _filling(cells, clock, ends)
    log_share, p1, p2 = share.of(cells)
    value, weight = _in_all(cells, log_share + time.log_time)

    # means over the terms of each pattern; by_lo and by_hi are slopes on log x_lo and log x_hi
    by_p, by_i = weight * p1, weight * i
    by_lo = by_i * np.exp(-time.log_bracket)
    by_hi = -by_i * np.exp(i * time.log_rest[cells.row] - time.log_bracket)
    by_term = [by_p, weight * p2 + by_p * p1]
    for by_end in (by_lo, by_hi):
        by_term += [by_end, i * by_end, p1 * by_end]
    p_mean, p_square, *at_ends = summed(by_term, cells.row, len(cells.tray))
    p, q = share.p[cells.tray], share.q[cells.tray]

    def on_end(
        place: Index, slope: Array, square: Array, p_times: Array
    ) -> tuple[Array, Array, Array]:
        """Slope, second derivative and cross derivative with eta, on one standardized end."""
        hazard = clock.hazard[place]
        bent = hazard**2 * (square - slope) - hazard * clock.bend[place] * slope
        return -hazard * slope, bent, -p * q * hazard * (p_times - p_mean * slope)

    a, aa, ea = on_end(lo, *at_ends[:3])
    b, bb, eb = on_end(hi, *at_ends[3:])
    e, ee = _on_eta(share, cells.tray, p_mean, p_square - p_mean**2)
    slopes = _Slopes(e=e, a=a, b=b, ee=ee, ea=ea, eb=eb, aa=aa - a**2, ab=-a * b, bb=bb - b**2)
    value = np.where(clock.started[hi], value, -np.inf)
    return _chain(clock, ends).ten_rows(value, slopes)


@dataclass(frozen=True)
class _PinchEnds:
    """Expected seedlings over k at both ends of the intervals, y = m p F / k, (N,) each.

    Attributes
    ----------
    p, q : arrays
    seeds : array
        m / k.
    y_lo, y_hi : arrays
    come : array
        Share of the cells empty at the first end that is filled by the last.
    is_filling : bool array
        Known only to be first filled in the interval; else at the last check.
    is_impossible : bool array
        A first filling before the clock starts.
    """

    p: Array
    q: Array
    seeds: Array
    y_lo: Array
    y_hi: Array
    come: Array
    is_filling: NDArray[np.bool_]
    is_impossible: NDArray[np.bool_]


def _pinch_ends(pinches: PinchTerms, eta: Array, clock: Clock, ends: Places) -> _PinchEnds:
    p, k, seeds = expit(eta), pinches.k, pinches.mean / pinches.k
    y_lo, y_hi = (seeds * p * -np.expm1(clock.log_survival[end]) for end in ends)
    is_filling = pinches.lo >= 0
    gap = np.where(is_filling, np.maximum(clock.log_gap(*ends), _SMALLEST_LOG), 0.0)
    come = -np.expm1(-k * np.log1p(seeds * p * np.exp(gap) / (1 + y_lo)))
    return _PinchEnds(
        p=p,
        q=expit(-eta),
        seeds=seeds,
        y_lo=y_lo,
        y_hi=y_hi,
        come=np.maximum(come, np.exp(_SMALLEST_LOG)),
        is_filling=is_filling,
        is_impossible=is_filling & ~clock.started[ends[1]],
    )


def _pinch_value(pinches: PinchTerms, at: _PinchEnds) -> Array:
    """(N,) log-likelihoods."""
    k, seen = pinches.k, pinches.seen
    first_filled = -k * np.log1p(at.y_lo) + np.log(at.come)
    first_filled = np.where(at.is_impossible, -np.inf, first_filled)
    at_last = pinches.log_constant + seen * np.log(at.p) - (k + seen) * np.log1p(at.y_hi)
    return np.where(at.is_filling, first_filled, at_last)


def pinch_values(pinches: PinchTerms, eta: Array, clock: Clock, ends: Places) -> Array:
    """Cells sown by the pinch: negative-binomial seeds, seen ones with mean m p F.

    Parameters
    ----------
    pinches : PinchTerms
    eta : (N,) array
        Of the tray of each pattern.
    clock : Clock
    ends : two (N,) int arrays

    Returns
    -------
    (N,) array
    """
    return _pinch_value(pinches, _pinch_ends(pinches, eta, clock, ends))


@dataclass(frozen=True)
class _PinchEnd:
    """What one end adds to the derivatives of the likelihood, over the likelihood, (N,) each."""

    on_eta: Array
    on_time: Array
    eta_eta: Array
    eta_time: Array
    time_time: Array


def _pinch_end(
    at: _PinchEnds, y: Array, weight: Array, k: Array, clock: Clock, place: Index
) -> _PinchEnd:
    """Derivatives of weight (1 + y)^-k, over (1 + y)^-k, through those of y on eta and time."""
    on_y = -weight * k / (1 + y)
    y_y = weight * k * (k + 1) / (1 + y) ** 2
    density = np.where(clock.started[place], np.exp(clock.log_density[place]), 0.0)
    y_eta = y * at.q
    y_time = at.seeds * at.p * density
    return _PinchEnd(
        on_eta=on_y * y_eta,
        on_time=on_y * y_time,
        eta_eta=y_y * y_eta**2 + on_y * y_eta * (at.q - at.p),
        eta_time=y_y * y_eta * y_time + on_y * y_time * at.q,
        time_time=y_y * y_time**2 + on_y * y_time * clock.bend[place],
    )


def pinch_sums(pinches: PinchTerms, eta: Array, clock: Clock, ends: Places) -> list[Array]:
    """The same with derivatives, ten rows a pattern.

    A first filling has probability (1 + y_lo)^-k - (1 + y_hi)^-k, of which the two ends have the
    weights w and 1 - w. At a last check the first end says nothing, and k + seen takes the place
    of k.

    Parameters
    ----------
    pinches, eta, clock, ends
        As in `pinch_values`.

    Returns
    -------
    list of (N,) arrays
    """
    at = _pinch_ends(pinches, eta, clock, ends)
    weight_lo = np.where(at.is_filling, 1 / at.come, 0.0)
    k = np.where(at.is_filling, pinches.k, pinches.k + pinches.seen)
    lo = _pinch_end(at, at.y_lo, weight=weight_lo, k=k, clock=clock, place=ends[0])
    hi = _pinch_end(at, at.y_hi, weight=1 - weight_lo, k=k, clock=clock, place=ends[1])

    e, a, b = lo.on_eta + hi.on_eta, lo.on_time, hi.on_time
    seen = np.where(at.is_filling, 0.0, pinches.seen)
    slopes = _Slopes(
        e=e + seen * at.q,
        a=a,
        b=b,
        ee=lo.eta_eta + hi.eta_eta - e**2 - seen * at.p * at.q,
        ea=lo.eta_time - e * a,
        eb=hi.eta_time - e * b,
        aa=lo.time_time - a**2,
        ab=-a * b,
        bb=hi.time_time - b**2,
    )
    return _chain(clock, ends).ten_rows(_pinch_value(pinches, at), slopes)
