"""What is known of one lot in one season, laid out for its review; made from a book, or by a
simulation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Sized
from dataclasses import dataclass, replace
from functools import cached_property

from germstats.engine.timing import Array
from germstats.forecast.expectation import Expected
from germstats.maps.tray_map import EmptyBlock, TrayMap, scan_empty_block, without_cells
from germstats.maps.tray_scans import PERMUTATIONS, outer_cells
from germstats.questions.review.tray import ReviewedTray

_MEASURED_TRAYS = 4
_OF_THE_MAPS = ("mapped", "blocks", "inner_blocks")


@dataclass(frozen=True)
class SeedTest:
    """A test of the seed itself: kind in words, seeds tested and those found good."""

    kind: str
    tested: int
    good: int


@dataclass(frozen=True)
class Cold:
    """Weeks of cold that the trays of a lot got in their winter, those their species needs, and
    those that trays of other winters on record got; None where not known.
    """

    got: float | None
    need: float | None
    usual: float | None

    @property
    def over(self) -> float | None:
        """Weeks beyond the need; below 0 where there were fewer."""
        return None if self.got is None or self.need is None else self.got - self.need

    def reading(self, limits: Mapping[str, float]) -> str:
        """Short, enough, "little" where only a little is needed and no weather tells, or neither.

        Weeks needed are those after which about half of the seed is ready, and a thermometer in the
        open tells a tray's own cold only roughly: short is a winter well below the others on record
        that brought less than the need and a few weeks; without another winter, less than the need
        alone. None needed are always enough.
        """
        if self.need is None or self.need == 0:
            return "" if self.need is None else "enough"
        if self.got is None:
            return "little" if self.need <= limits["cold_little"] else ""
        over = self.got - self.need
        spare = over >= limits["cold_spare"]
        if self.usual is None:
            return "enough" if spare else "short" if over < 0 else ""
        below = self.usual - self.got
        if below >= limits["cold_below"] and not spare:
            return "short"
        return "enough" if spare or below < limits["cold_below"] / 2 else ""


@dataclass(frozen=True)
class UsualLosses:
    """Share usually lost after coming up, and how much more unevenly than by chance (a factor on
    the variance).
    """

    share: float
    spread: float


@dataclass(frozen=True)
class Usual:
    """What is usual in the book; its values here hold where it tells too little (common practice,
    no source).

    Attributes
    ----------
    by_cell, by_tray : UsualLosses
        Of seedlings counted cell by cell; of filled cells.
    viable, viable_sd : float
        Logit of the viable share of tested seed, and how far lots lie apart.
    """

    by_cell: UsualLosses = UsualLosses(0.06, 2.0)
    by_tray: UsualLosses = UsualLosses(0.03, 2.0)
    viable: float = 1.73
    viable_sd: float = 0.6


@dataclass(frozen=True)
class LotFile:
    """One lot in one season.

    Attributes
    ----------
    lot, species, season : str, str, int
    trays : tuple of ReviewedTray
    expected : Expected or None
        For the trays that count, in the order of `counting`; None where nothing tells.
    share_out : float
        Share of its emerging seeds expected out by the last checks, from its own records too.
    log_time : float or None
        Log days to its middle seed, by its own records.
    tests : tuple of SeedTest
    light, two_winters : bool
        The species needs light; it is judged in its second spring.
    waiting : bool
        A two-winter species whose second spring has not come.
    usual : Usual
    cold : Cold
    other_winters : (N, T) array or None
        Logit of the share that emerges in an ordinary spring by other winters alone, where this one
        was too short.
    apart : str
        What the lot was always sown with, and cannot be told from; empty where trays differ.
    notes : tuple of str
        What is to be said of it in any case.
    """

    lot: str
    species: str
    season: int
    trays: tuple[ReviewedTray, ...]
    expected: Expected | None
    share_out: float
    log_time: float | None
    tests: tuple[SeedTest, ...]
    light: bool
    two_winters: bool
    waiting: bool
    usual: Usual
    cold: Cold = Cold(None, None, None)
    other_winters: Array | None = None
    apart: str = ""
    notes: tuple[str, ...] = ()

    def judged_by(self, usual: Usual) -> LotFile:
        """The same file beside another notion of what is usual; its maps, once scanned, are not
        scanned again.
        """
        file = replace(self, usual=usual)
        vars(file).update(
            {name: found for name, found in vars(self).items() if name in _OF_THE_MAPS}
        )
        return file

    @property
    def ordinary(self) -> Array | None:
        """(N, T) logit of the share of seeds that emerges in an ordinary spring; None where nothing
        tells.
        """
        if self.other_winters is not None:
            return self.other_winters
        return None if self.expected is None else self.expected.ordinary

    @cached_property
    def mapped(self) -> tuple[tuple[ReviewedTray, TrayMap], ...]:
        """Trays with a map."""
        return tuple((one, one.seen_map) for one in self.trays if one.seen_map is not None)

    @cached_property
    def blocks(self) -> tuple[tuple[ReviewedTray, TrayMap, EmptyBlock], ...]:
        """The emptiest block of each map that shows one; a costly scan, which several rows of
        evidence ask for.
        """
        return self._scanned(self.mapped)

    @cached_property
    def inner_blocks(self) -> tuple[tuple[ReviewedTray, TrayMap, EmptyBlock], ...]:
        """The same without the outer rings: asked for where one of them stands out as well."""
        return self._scanned(
            [
                (one, without_cells(seen, outer_cells(seen.rows, seen.columns)))
                for one, seen in self.mapped
            ]
        )

    def _scanned(
        self, maps: Sequence[tuple[ReviewedTray, TrayMap]]
    ) -> tuple[tuple[ReviewedTray, TrayMap, EmptyBlock], ...]:
        permutations = int(PERMUTATIONS * looked_at(self.mapped))
        found = (
            (one, seen, scan_empty_block(seen, permutations=permutations)) for one, seen in maps
        )
        return tuple((one, seen, box) for one, seen, box in found if box is not None)

    @property
    def counting(self) -> tuple[int, ...]:
        """Places of the trays whose counts are compared with the lot's expectation.

        Trays sown by a pinch of unknown size count only where there are no others: their share is
        of pinches.
        """
        able = [
            k for k, tray in enumerate(self.trays) if tray.filled is not None and not tray.cut_short
        ]
        known = [k for k in able if not self.trays[k].of_pinches]
        return tuple(known or able)


def looked_at(trays: Sized) -> float:
    """How many times more trays than the limits were measured for."""
    return max(len(trays) / _MEASURED_TRAYS, 1.0)
