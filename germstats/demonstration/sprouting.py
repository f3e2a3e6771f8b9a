"""What really grows in a tray: seeds per cell, the day each seed emerges, the day its seedling
dies.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from germstats.records.seeds import SowingRate

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Generator = np.random.Generator

CELL_RHO = 0.05
MISSED, FALSE = 0.01, 0.003
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(31)  # for means over normal effects
# days a seedling that is lost stands at least, and how many more on average
_SHORTEST_LIFE, _LIVES_ON = (20.0, 25.0)


@dataclass(frozen=True)
class Growth:
    """Everything that happened in one tray; days are counted from sowing, infinite where a thing
    never happens.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns of cells.
    sown : numpy.ndarray, shape (cells,)
        Seeds sown in each cell, row by row.
    cell : numpy.ndarray, shape (seeds,)
        Cell in which each seed lies (washing moves seeds).
    came, died : numpy.ndarray, shape (seeds,)
        Day on which the seedling came up, and was gone.
    second : numpy.ndarray of bool, shape (seeds,)
        It came in the second spring.
    seen : numpy.ndarray of bool, shape (seeds,)
        The grower noticed it.
    mistaken : numpy.ndarray, shape (cells,)
        Day from which a weed is taken for a seedling in a cell where none of the seed comes up.
    """

    shape: tuple[int, int]
    sown: Whole
    cell: Whole
    came: Array
    died: Array
    second: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    mistaken: Array

    def ever(self, day: float) -> Whole:
        """Seedlings ever noticed in each cell up to `day`."""
        return self._count((self.came <= day) & self.seen) + (self.mistaken <= day)

    def alive(self, day: float) -> Whole:
        """Seedlings noticed that stand on `day`, per cell."""
        return self._count((self.came <= day) & (self.died > day) & self.seen) + (
            self.mistaken <= day
        )

    def _count(self, which: NDArray[np.bool_]) -> Whole:
        return np.bincount(self.cell[which], minlength=len(self.sown)).astype(np.int64)


@dataclass(frozen=True)
class Chances:
    """How likely the seeds of a tray are to come up.

    Attributes
    ----------
    first : numpy.ndarray, shape (cells,)
        Share that comes in the first spring.
    alive : numpy.ndarray, shape (cells,)
        Share that is alive and would come with chill enough; never below `first`.
    second : float
        Of the difference, the share that comes in the second spring.
    loss : float
        Share of seedlings lost after they came up.
    rho : float
        How far seeds of one cell share its fate.
    missed, false : float
        Share of seedlings never noticed; share of cells where a weed would be taken for a seedling.
    """

    first: Array
    alive: Array
    second: float = 0.0
    loss: float = 0.0
    rho: float = CELL_RHO
    missed: float = field(default=MISSED)
    false: float = field(default=FALSE)


def mean_share(base: float, sd: float, offsets: Array) -> float:
    """Mean of a share over normal effects on its logit and over fixed offsets of cells.

    Parameters
    ----------
    base : float
        The share without any effect.
    sd : float
        Standard deviation of the effects together.
    offsets : numpy.ndarray
        Offsets on the logit, equally likely.
    """
    shares = expit(logit(base) + sd * _NODES[:, None] + offsets[None, :])
    return float(_WEIGHTS / _WEIGHTS.sum() @ shares.mean(axis=1))


def edge_of(rows: int, columns: int) -> NDArray[np.bool_]:
    """Which cells, row by row, lie in the outer ring of a tray."""
    inner = np.zeros((rows, columns), dtype=bool)
    inner[1:-1, 1:-1] = True
    return ~inner.ravel()


def draw_sown(rate: SowingRate, cells: int, rng: Generator) -> Whole:
    """Seeds that went into each cell: as counted, drawn from a range, or a pinch (negative
    binomial).
    """
    if rate.k is not None:
        return rng.negative_binomial(rate.k, rate.k / (rate.k + rate.mean), cells).astype(np.int64)
    return rng.choice(np.array(rate.counts, dtype=np.int64), cells)


def grow(
    shape: tuple[int, int], sown: Whole, chances: Chances, days: tuple[Array, Array], rng: Generator
) -> Growth:
    """Let the seeds of a tray come up.

    Parameters
    ----------
    shape : (int, int)
        Rows and columns.
    sown : numpy.ndarray, shape (cells,)
    chances : Chances
    days : (numpy.ndarray, numpy.ndarray), each of shape (seeds,)
        Day after sowing on which each seed would emerge in the first and in the second spring.
    rng : numpy.random.Generator
    """
    cell = np.repeat(np.arange(len(sown)), sown)
    luck = _shared_luck(chances, cell, len(sown), rng)
    first = luck < chances.first[cell]
    # the seeds held back are those next in line: alive, but not yet chilled enough
    held = ~first & (luck < chances.alive[cell]) & (rng.random(len(cell)) < chances.second)
    came = np.where(first, days[0], np.where(held, days[1], np.inf))
    life = _SHORTEST_LIFE + rng.exponential(_LIVES_ON, len(cell))
    died = np.where(rng.random(len(cell)) < chances.loss, came + life, np.inf)
    seen = rng.random(len(cell)) >= chances.missed
    nothing = (np.bincount(cell[came < np.inf], minlength=len(sown)) == 0) & (sown > 0)
    weeds = nothing & (rng.random(len(sown)) < chances.false)
    mistaken = np.where(weeds, rng.uniform(70, 160, len(sown)), np.inf)
    return Growth(
        shape=shape,
        sown=sown,
        cell=cell,
        came=came,
        died=died,
        second=held,
        seen=seen,
        mistaken=mistaken,
    )


def _shared_luck(chances: Chances, cell: Whole, cells: int, rng: Generator) -> Array:
    """A number in 0-1 per seed; a seed comes up in the first spring where it is below its cell's
    `first`.

    Seeds of a cell come up beta-binomially with correlation rho: a cell draws its own share from a
    beta distribution with mean `first`, and its seeds' luck is stretched so that falling below
    `first` has that share as its chance.
    """
    plain = rng.random(len(cell))
    if chances.rho <= 0:
        return plain
    spread = (1 - chances.rho) / chances.rho
    mean = np.clip(chances.first, 1e-9, 1 - 1e-9)
    own = np.clip(rng.beta(mean * spread, (1 - mean) * spread, cells), 1e-12, 1 - 1e-12)[cell]
    mean = mean[cell]
    return np.where(plain < own, plain / own * mean, mean + (plain - own) / (1 - own) * (1 - mean))
