"""One tray of a review: as it was sown, what its records say, and how it is counted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from germstats.engine.timing import Array
from germstats.forecast.tray import empty_share
from germstats.maps.tray_map import TrayMap
from germstats.records.intervals.seed_totals import Unit
from germstats.records.seeds import SowingRate


@dataclass(frozen=True)
class ReviewedTray:
    """One tray.

    `germstats.questions.review.book.gather` makes it as it was sown, adds what the raw records say
    (`germstats.questions.review.records.with_records`), and for a lot's review how it is counted.

    Attributes
    ----------
    tray, lot, species : str
        Lot and species blank where not known.
    season : int
        Year of its first spring; 0 where not known.
    label, cover, place : str
        Treatment in words; its cover and place, empty where not noted.
    deep : bool
        Under a deep cover.
    rate : SowingRate or None
        None where it is not known what was sown; such a tray does not count.
    chill : float or None
        Weeks of cold the species needs, where given; 0 where it needs none.
    origin_days : float or None
        Days from sowing to 1 February of the spring it is judged in; None where undated.
    cold : float or None
        Weeks of cold it got before that spring; None where no weather tells.
    stopped : str
        The finding for which nothing is estimated from it, empty where there is none.
    cells : int
        Sown and seen.
    filled : int or None
        Cells ever filled; None where never looked at.
    last_day : float
        Days from sowing to its last check in its spring.
    seen_map : TrayMap or None
    lost, ever : int or None
        Seedlings (or filled cells) lost after they came, and those they were lost from; None where
        not counted.
    by_cell : bool
        Lost seedlings were counted cell by cell, not as a fall of the filled cells.
    at_once : int
        The most that went between two checks of the whole tray.
    falls : int
        Cells whose seedlings ever seen fall, with nothing noted.
    sudden : bool
        A fifth or more vanished between two checks, with nothing lost before.
    happened : tuple of str
        Events noted.
    cut_short : str
        The event that ended its records before emergence was over; it then does not count against
        the lot.
    mice : bool
        A note or an event names mice.
    seeds, emerged : float or None
        None where not counted.
    counted : {"cells", "seeds"}
        Seeds where only all seedlings of the tray were counted: `cells` are then its seeds and
        `filled` its seedlings, each seed standing as a cell of its own, sown with one.
    """

    tray: str
    lot: str
    species: str
    season: int
    label: str
    cover: str
    place: str
    deep: bool
    rate: SowingRate | None
    chill: float | None = None
    origin_days: float | None = None
    cold: float | None = None
    stopped: str = ""
    cells: int = 0
    filled: int | None = None
    last_day: float = 0.0
    seen_map: TrayMap | None = None
    lost: int | None = None
    ever: int | None = None
    by_cell: bool = False
    at_once: int = 0
    falls: int = 0
    sudden: bool = False
    happened: tuple[str, ...] = ()
    cut_short: str = ""
    mice: bool = False
    seeds: float | None = None
    emerged: int | None = None
    counted: Unit = "cells"

    @property
    def of_pinches(self) -> bool:
        """Sown by pinches of unknown size, so that its share is of pinches."""
        return self.rate is not None and self.rate.kind == "pinch_unmeasured"

    @property
    def sowing(self) -> SowingRate:
        """What was sown in a cell of a tray that counts."""
        assert self.rate is not None, "a tray of unknown sowing does not count"
        return self.rate


def counted(tray: ReviewedTray) -> bool:
    """Whether seedlings of known seeds were counted, not filled cells only."""
    return tray.emerged is not None and tray.seeds is not None and not tray.of_pinches


def seen_of(tray: ReviewedTray, by_seed: bool) -> tuple[float, float]:
    """What came and what could have: seedlings of seeds, or filled of sown cells."""
    if by_seed:
        return float(tray.emerged or 0), float(tray.seeds or 0)
    return float(tray.filled or 0), float(tray.cells)


def expected_count(
    tray: ReviewedTray, share: Array, rho: Array, by_seed: bool
) -> tuple[Array, Array]:
    """Mean and variance (N,) of what comes at shares (N,): seedlings, or filled cells."""
    if by_seed:
        n, seeds = tray.sowing.mean, float(tray.seeds or 0)
        uneven = 1 + (n - 1) * rho
        extra = n * share / tray.sowing.k if tray.sowing.k is not None else 0.0
        return seeds * share, seeds * (share * (1 - share) * uneven + share * extra)
    fill = 1 - empty_share(share, rho, tray.sowing)
    return tray.cells * fill, tray.cells * fill * (1 - fill)


def own_logit(tray: ReviewedTray, rho: float) -> tuple[float, float]:
    """Logit of the share of seeds of a tray, and its variance by chance between cells."""
    by_seed = counted(tray)
    came, of = seen_of(tray, by_seed)
    share = (came + 0.5) / (of + 1)
    if by_seed:
        n = tray.sowing.mean
        uneven = (
            1
            + (n - 1) * rho
            + (n * share / tray.sowing.k / (1 - share) if tray.sowing.k is not None else 0.0)
        )
        return float(np.log(share / (1 - share))), float(uneven / ((of + 1) * share * (1 - share)))
    grid = np.linspace(-9.0, 9.0, 721)
    fill = 1 - empty_share(1 / (1 + np.exp(-grid)), np.full(grid.size, rho), tray.sowing)
    logit = float(np.interp(share, fill, grid))
    slope = max(float(np.interp(logit, grid, np.gradient(fill, grid))), 1e-3)
    return logit, float(share * (1 - share) / (of + 1) / slope**2)
