"""Which trays of which lots an order gets: whole trays while there is seed, else the packet shared
out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from germstats.engine.draws import RowDraws, by_day, nothing_up
from germstats.engine.timing import Array
from germstats.forecast.demand import OrderLine
from germstats.forecast.order import (
    Parts,
    SpringLaw,
    chance_of_plugs,
    expected_delivered,
    plugs_by_spring,
    plugs_of_trays,
    tray_in_a_spring,
)
from germstats.forecast.order_plan import MOST_TRAYS, TWO_PLACES
from germstats.forecast.sources import Source
from germstats.forecast.springs import COARSE_ROWS, ROWS, Luck
from germstats.questions.plan.scarce_seed import Claim, even_cells, spread_seeds

_MOST_IN_TIME = 0.5  # of the seedlings; common practice, no source
_STEPS = 40
_EVEN_CHANCE = 0.5
_HANDFUL = 10
_FULL_CELL = 60
_ENDLESS = 100_000


@dataclass(frozen=True)
class Batch:
    """Trays of one source, sown alike."""

    source: Source
    parts: Parts
    trays: int

    @property
    def cells(self) -> int:
        """Cells of one tray that are sown."""
        return sum(cells for _, cells in self.parts)

    @property
    def seeds_per_tray(self) -> float:
        """Seeds to count or weigh out for one tray."""
        return sum(rate.mean * cells for rate, cells in self.parts)

    @property
    def seeds(self) -> int:
        """Seeds of all its trays."""
        return math.ceil(self.seeds_per_tray * self.trays - 1e-9)


Batches = tuple[Batch, ...]


@dataclass(frozen=True, eq=False)
class PlugsOutlook:
    """Plugs to be expected of batches; laws already worked out are kept.

    Attributes
    ----------
    luck : Luck
        What the trays of the species share: springs, losses and benches.
    prick_out : bool
    first : int
        Bench of the first tray; the others stand on the next ones in turn.
    grow_weeks : float
        Weeks from a seedling to a plug that can go.
    until : pandas.Timestamp or None
        Seedlings that come later are too late; None: as late as shares are told.
    """

    luck: Luck
    prick_out: bool = False
    first: int = 0
    grow_weeks: float = 0.0
    until: pd.Timestamp | None = None
    known: dict[tuple[int, Parts, int, int, bool, pd.Timestamp | None], SpringLaw] = field(
        default_factory=dict, repr=False
    )

    def by(self, due: pd.Timestamp | None) -> PlugsOutlook:
        """The same for plugs that must be ready on a day."""
        return (
            self if due is None else replace(self, until=due - pd.Timedelta(weeks=self.grow_weeks))
        )

    def to_lay_out(self, due: pd.Timestamp | None, source: Source) -> PlugsOutlook:
        """The outlook by which trays are laid out: by the due date, unless most seedlings come
        after it anyway.

        Then no number of trays would do, and the trays are those of plants that come late.
        """
        by_due = self.by(due)
        early, all_told = by_due.draws(source), source.draws
        share = float(early.weight @ early.share())
        return (
            by_due if share >= _MOST_IN_TIME * float(all_told.weight @ all_told.share()) else self
        )

    def draws(self, source: Source) -> RowDraws:
        """The forecast of a source, by the day that is wanted.

        Where no timing is known, nothing is up before the February of the spring the seed comes up
        in.
        """
        if self.until is None:
            return source.draws
        days = float((self.until - source.sowing_date).days)
        time = source.draws.time
        if time is None:
            return source.draws if days >= source.origin_days else nothing_up(source.draws)
        return by_day(source.draws, float(time.on_clock(days, source.origin_days)))

    def after(self, trays: int) -> PlugsOutlook:
        """The same once so many more trays stand on the benches."""
        return replace(self, first=self.first + trays)

    def plugs(self, batches: Batches, rows: int = ROWS, worst: bool = False) -> Array:
        """Distribution of the plugs of all trays together, in springs to come or in one no better
        than the worst.
        """
        if not batches:
            return np.ones(1)  # no plug for certain
        return plugs_of_trays(self._laws(batches, rows, worst))

    def chance_by_spring(self, batches: Batches, wanted: int) -> Array:
        """(M,) chance of at least `wanted` plugs in each spring of `luck`; their mean is the chance
        of the order.
        """
        if not batches:
            return np.zeros(len(self.luck.spring))
        return np.asarray(plugs_by_spring(self._laws(batches, ROWS, False))[:, wanted:].sum(axis=1))

    def _laws(self, batches: Batches, rows: int, worst: bool) -> list[tuple[SpringLaw, int]]:
        trays: dict[int, tuple[SpringLaw, int]] = {}
        for batch, benches in zip(
            batches, benches_of(batches, self.luck.benches.shape[1], self.first), strict=True
        ):
            for bench in benches:
                law = self._law(
                    batch, rows, bench if batch.source.draws.shared_sd.any() else 0, worst
                )
                trays[id(law)] = (law, trays.get(id(law), (law, 0))[1] + 1)
        return list(trays.values())

    def _law(self, batch: Batch, rows: int, bench: int, worst: bool) -> SpringLaw:
        key = (id(batch.source), batch.parts, rows, bench, worst, self.until)
        if key not in self.known:
            luck = self.luck.first(rows)
            self.known[key] = tray_in_a_spring(
                self.draws(batch.source),
                batch.parts,
                luck=luck,
                prick_out=self.prick_out,
                bench=bench,
                worst=worst,
            )
        return self.known[key]


def benches_of(batches: Batches, benches: int, first: int = 0) -> list[tuple[int, ...]]:
    """Where each tray of each batch stands: tray after tray on the next bench, beginning with
    `first`.
    """
    placed, found = first, []
    for batch in batches:
        found.append(tuple((placed + k) % benches for k in range(batch.trays)))
        placed += batch.trays
    return found


@dataclass(frozen=True)
class Allotment:
    """Trays of every line of one species.

    Attributes
    ----------
    batches : tuple of Batches
        In the order of the lines.
    rationed : bool
        Whether the seed did not suffice for whole trays at the recommended rate, so that it was
        shared out.
    """

    batches: tuple[Batches, ...]
    rationed: bool


@dataclass(frozen=True)
class AllotRules:
    """Settings: chance wanted, share of each lot kept back, most trays of a line, sharing by value
    alone.
    """

    assurance: float = 0.9
    reserve: float = 0.1
    most_trays: int = MOST_TRAYS
    by_value: bool = False


Left = dict[int, float]


def allot(
    lines: Sequence[OrderLine], sources: Sequence[Source], outlook: PlugsOutlook, rules: AllotRules
) -> Allotment:
    """Trays for each line, those served first at the head; all of one species.

    Lots whose seed left is not written down are used only where no lot of the species has it
    written.
    """
    known = [source for source in sources if source.stored.seeds]
    used = known or [source for source in sources if source.stored.seeds is None]
    left: Left = {
        id(source): math.inf
        if source.stored.seeds is None
        else float(int((1 - rules.reserve) * source.stored.seeds))
        for source in used
    }
    start = dict(left)
    given: list[Batches] = []
    for line in lines:
        outlook_here = outlook.after(sum(batch.trays for before in given for batch in before))
        outlook_here = outlook_here.to_lay_out(line.due, sources[0])
        batches, enough_seed = whole_trays(line, used, left=left, outlook=outlook_here, rules=rules)
        if not enough_seed:
            return Allotment(
                _shared_out(lines, used, left=start, outlook=outlook, rules=rules), rationed=True
            )
        given.append(batches)
        for batch in batches:
            left[id(batch.source)] -= batch.seeds
    return Allotment(tuple(given), rationed=False)


def whole_trays(
    line: OrderLine, sources: Sequence[Source], left: Left, outlook: PlugsOutlook, rules: AllotRules
) -> tuple[Batches, bool]:
    """Fewest whole trays at the recommended rate that reach the assurance, best lots first; two
    trays at least.

    Where one tray's cells would do, two half-sown trays stand for it, in two places.

    Returns
    -------
    batches, enough_seed
    """
    for source in sources[:1]:
        half = Batch(source, source.parts((source.cells + 1) // 2), TWO_PLACES)
        if half.seeds <= left[id(source)] and _reached(line, (half,), outlook, rules):
            return (half,), True
    trays: dict[int, int] = {}
    batches: Batches = ()
    while sum(trays.values()) < max(rules.most_trays, TWO_PLACES):
        for source in sources:
            if source.seeds_for(source.cells) * (trays.get(id(source), 0) + 1) <= left[id(source)]:
                trays[id(source)] = trays.get(id(source), 0) + 1
                break
        else:
            return batches, False
        batches = tuple(
            Batch(source, source.parts(), trays[id(source)])
            for source in sources
            if id(source) in trays
        )
        if sum(trays.values()) >= TWO_PLACES and _reached(line, batches, outlook, rules):
            break
    return batches, True


def _reached(line: OrderLine, batches: Batches, outlook: PlugsOutlook, rules: AllotRules) -> bool:
    if sum(batch.cells * batch.trays for batch in batches) < line.plugs:
        return False
    return chance_of_plugs(outlook.plugs(batches), line.plugs) >= rules.assurance


def _shared_out(
    lines: Sequence[OrderLine],
    sources: Sequence[Source],
    left: Left,
    outlook: PlugsOutlook,
    rules: AllotRules,
) -> tuple[Batches, ...]:
    """The seed of each lot, best first, shared among the lines by gain per seed.

    Orders are first brought to an even chance in the order of their priorities; what is left then
    goes where it gains most, whatever the priority, until a line has the chance wanted. A strict
    order of service would oversow the first against bad springs before the second had a seed.
    """
    given: list[Batches] = [() for _ in lines]
    for source in sources:
        packet = _Packet(source, outlook, rules.most_trays)
        seeds = int(min(left[id(source)], _ENDLESS))
        step = max(1, seeds // _STEPS)
        first = (0,) * len(lines)
        if not rules.by_value:
            even = min(_EVEN_CHANCE, rules.assurance)
            first = spread_seeds(
                seeds, [packet.claim(*pair, even) for pair in zip(lines, given, strict=True)], step
            )
        claims = [
            replace(packet.claim(line, before, rules.assurance, had), rank=1)
            for line, before, had in zip(lines, given, first, strict=True)
        ]
        more = spread_seeds(seeds - sum(first), claims, step)
        given = [
            before + packet.trays(before, had + added)
            for before, had, added in zip(given, first, more, strict=True)
        ]
    return tuple(given)


@dataclass(frozen=True)
class _Packet:
    """Seed of one source to be shared out."""

    source: Source
    outlook: PlugsOutlook
    most_trays: int

    def room(self, before: Batches) -> int:
        """Cells there is still bench for."""
        return max(self.most_trays - sum(batch.trays for batch in before), 0) * self.source.cells

    def claim(self, line: OrderLine, before: Batches, level: float, had: int = 0) -> Claim:
        """What seeds beyond those a line `had` bring it; once it has the chance `level`, more is
        worth nothing.
        """
        full: list[tuple[int, float]] = []
        room = self.room(before)
        outlook = self.outlook.to_lay_out(line.due, self.source)

        def worth(seeds: int) -> float:
            if full and seeds >= full[0][0]:
                return full[0][1]
            plugs = outlook.plugs(
                before + spread_trays(self.source, had + seeds, room), COARSE_ROWS
            )
            value = line.value * expected_delivered(plugs, line.plugs)
            if chance_of_plugs(plugs, line.plugs) >= level:
                full[:] = [(seeds, value)]
            return value

        return Claim(worth, room * _FULL_CELL - had, line.rank)

    def trays(self, before: Batches, seeds: int) -> Batches:
        """The trays those seeds sow; a handful fewer, so that all are sown alike."""
        room, cells = self.room(before), seeds // self.source.least
        if _HANDFUL <= cells <= room:
            trays = max(math.ceil(cells / self.source.cells), TWO_PLACES)
            seeds = cells // trays * trays * self.source.least
        return spread_trays(self.source, seeds, room)


def spread_trays(source: Source, seeds: int, room: int) -> Batches:
    """Trays for a given number of seeds: spread evenly over as many cells as there are seeds for,
    two trays or more.

    Returns
    -------
    tuple of Batch
        Whole trays, then one or two with the rest of the cells; empty where the seed fills no cell.
    """
    levels = even_cells(seeds, room, source.least)
    cells = sum(number for _, number in levels)
    if not cells:
        return ()
    trays = max(
        math.ceil(cells / source.cells), min(TWO_PLACES, cells, max(room // source.cells, 1))
    )
    size, more = divmod(cells, trays)
    sizes = [size + 1] * more + [size] * (trays - more)
    richer = levels[0][1] if len(levels) > 1 else cells
    plans: dict[Parts, int] = {}
    for k, tray in enumerate(sizes):
        rich = richer * (k + 1) // trays - richer * k // trays if len(levels) > 1 else tray
        rich = min(rich, tray)
        split = (
            ((levels[0][0], rich), (levels[-1][0], tray - rich))
            if len(levels) > 1
            else ((levels[0][0], tray),)
        )
        parts = tuple((source.rate_of(float(n)), number) for n, number in split if number)
        plans[parts] = plans.get(parts, 0) + 1
    return tuple(Batch(source, parts, number) for parts, number in plans.items())
