"""A packet too small for all that is wanted: seeds go where the next ones gain most."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Claim:
    """One order that asks for seed.

    Attributes
    ----------
    worth : callable
        seeds -> what the order is worth with that many, spread evenly over its cells. Concave, as
        it is for evenly spread seed: each further seed in a cell, and each further plant towards
        the number ordered, gains less.
    most : int
        Most seeds it can take.
    rank : int
        Lower ranks are served first; equal ranks share by gain.
    """

    worth: Callable[[int], float]
    most: int
    rank: int = 1


def spread_seeds(seeds: int, claims: Sequence[Claim], step: int = 1) -> tuple[int, ...]:
    """Share out a packet: within a rank the next `step` seeds always go where they gain most per
    seed.

    Because every worth is concave this greedy rule is exact at a step of one (Gross 1956, A class
    of discrete-type minimization problems, memory); a larger step saves time and may misplace at
    most one step an order.

    Parameters
    ----------
    seeds : int
        Seeds to share out, the reserve already taken off.
    claims : sequence of Claim
    step : int, default 1

    Returns
    -------
    tuple of int
        Seeds of each claim. Seeds that gain nothing stay in the packet.
    """
    given = [0] * len(claims)
    for rank in sorted({claim.rank for claim in claims}):
        members = [k for k, claim in enumerate(claims) if claim.rank == rank]
        now = {k: claims[k].worth(0) for k in members}
        queue: list[tuple[float, int, int, float]] = []

        def offer(
            k: int, now: dict[int, float] = now, queue: list[tuple[float, int, int, float]] = queue
        ) -> None:
            size = min(step, claims[k].most - given[k], seeds - sum(given))
            if size > 0:
                after = claims[k].worth(given[k] + size)
                heapq.heappush(queue, ((now[k] - after) / size, k, size, after))

        for k in members:
            offer(k)
        while queue:
            gain, k, size, after = heapq.heappop(queue)
            if size > seeds - sum(given):  # a smaller rest than when it was offered
                offer(k)
            elif gain < -1e-12:
                given[k], now[k] = given[k] + size, after
                offer(k)
    return tuple(given)


def even_cells(seeds: int, cells: int, least: int = 1) -> tuple[tuple[int, int], ...]:
    """Spread seeds evenly over at most `cells` cells, no cell with fewer than `least`.

    Returns
    -------
    tuple of (seeds in a cell, cells)
        Empty where there are fewer seeds than one cell needs; a rest too small for a cell of its
        own goes on top.

    Examples
    --------
    >>> even_cells(8, 6), even_cells(5, 6), even_cells(9, 6, least=2)
    (((2, 2), (1, 4)), ((1, 5),), ((3, 1), (2, 3)))
    """
    used = min(cells, seeds // least)
    if used == 0:
        return ()
    each, more = divmod(seeds, used)
    return tuple((n, number) for n, number in ((each + 1, more), (each, used - more)) if number)
