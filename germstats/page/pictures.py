"""The figures of a season's page: which are drawn, where they stand, and as files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np

from germstats.document.blocks import Block, Drawing, Gallery, Grid, Words
from germstats.document.inline_svg import inline_svg
from germstats.engine.estimates import RowEstimate
from germstats.engine.fit import EmergenceFit
from germstats.maps.tray_map import TrayMap
from germstats.page.figures import (
    Picture,
    backtest_picture,
    calendar_picture,
    covers_picture,
    figure_bytes,
    file_names,
    fill_picture,
    lot_picture,
    ready_picture,
    tray_map_picture,
)
from germstats.page.season_summary import PendingSummary, SeasonSummary
from germstats.page.workers import Begin
from germstats.questions.review.review import LotReview
from germstats.questions.watch.spec import Watch
from germstats.records.intervals.patterns import Patterns
from germstats.records.intervals.subsets import keep_trays
from germstats.records.tables import Trays

MOST = 24
"""Figures of one kind on a page; more would make it slow on a phone."""
Kind = Literal["svg", "png"]


@dataclass(frozen=True)
class Drawn:
    """A figure ready to be shown.

    Attributes
    ----------
    place, lot : str
        Part of the page it stands in; lot of a tray map, else empty.
    name : str
        What it shows, for a file name.
    block : Drawing
    files : dict of str to bytes
        Kind (svg, png) -> content of a file; empty unless asked for.
    """

    place: str
    lot: str
    name: str
    block: Drawing
    files: Mapping[str, bytes]


@dataclass(frozen=True)
class Pictures:
    """Figures by the section they stand in; tray maps by lot."""

    sow: tuple[Block, ...] = ()
    orders: tuple[Block, ...] = ()
    covers: tuple[Block, ...] = ()
    curves: tuple[Block, ...] = ()
    calendar: tuple[Block, ...] = ()
    past: tuple[Block, ...] = ()
    maps: Mapping[str, tuple[Block, ...]] = field(default_factory=dict)


_CAPTIONS = {
    "sow": "Fill against seeds per cell, lot by lot",
    "curves": "Emergence over time, lot by lot",
    "maps": "Trays from above",
}


def lots_drawn(account: PendingSummary | SeasonSummary) -> tuple[str, ...]:
    """Lots whose figures are drawn: those the orders are planned from, then those of the latest
    season.
    """
    latest = max(row.last_season for row in account.fit.rows)
    known = dict.fromkeys(row.lot for row in account.fit.rows)
    planned = [lot for row in account.plan.rows for lot in row.lots] if account.plan else []
    last = [row.lot for row in account.fit.rows if row.last_season == latest]
    return tuple(lot for lot in dict.fromkeys((*planned, *last)) if lot in known)


def _more_to_come(found: Watch) -> bool:
    return any(lot.most is not None and lot.most[1] > found.spec.on for lot in found.lots)


Awaited = Callable[[], Drawn | None]
"""What gives a figure that has been begun."""


def begin_lots(
    account: PendingSummary | SeasonSummary, kinds: Sequence[Kind] = (), begin: Begin = partial
) -> tuple[Awaited, ...]:
    """Begin the figures that rest on the fit alone: the curves and the fills of lots; parameters as
    in `draw`.
    """
    lots = lots_drawn(account)
    pairs = [
        pair
        for pair in zip(account.fit.rows, account.sowing.rows, strict=True)
        if pair[0].lot in lots
    ]
    jobs: list[Job] = [
        ("curves", "", lot_picture, _of_lot(account.fit, lot)) for lot in lots[:MOST]
    ]
    for row, advice in sorted(pairs, key=lambda pair: lots.index(pair[0].lot))[:MOST]:
        jobs.append(("sow", "", fill_picture, (row, advice, account.sowing.spec)))
    return _begun("f", jobs, kinds, begin)


def _of_lot(fit: EmergenceFit, lot: str) -> tuple[tuple[RowEstimate, ...], Patterns]:
    """The rows and records of one lot: little enough to be handed to another process."""
    own = np.flatnonzero(fit.patterns.trays[Trays.lot] == lot)
    rows = tuple(row for row in fit.rows if row.lot == lot)
    return rows, keep_trays(fit.patterns, own)


def draw(
    account: SeasonSummary,
    kinds: Sequence[Kind] = (),
    begin: Begin = partial,
    lots: Sequence[Awaited] | None = None,
) -> tuple[Drawn, ...]:
    """Draw every figure of a page; of each kind at most `MOST`.

    Parameters
    ----------
    account : SeasonSummary
    kinds : sequence of {"svg", "png"}
        Files to be made of each.
    begin : callable
        As in `germstats.page.workers.shared`.
    lots : sequence of callable, optional
        Figures of the lots, if they were begun before (`begin_lots`).
    """
    begun = lots if lots is not None else begin_lots(account, kinds, begin)
    rest = _begun("g", list(_wanted(account)), kinds, begin)
    return tuple(one for result in (*begun, *rest) if (one := result()) is not None)


def _begun(
    prefix: str, jobs: Sequence[Job], kinds: Sequence[Kind], begin: Begin
) -> tuple[Awaited, ...]:
    return tuple(
        begin(_drawn, f"{prefix}{k}", place, lot, (make, what), kinds)
        for k, (place, lot, make, what) in enumerate(jobs)
    )


Job = tuple[str, str, Callable[..., Picture | None], tuple[Any, ...]]
"""Place, lot, what makes a picture and of what."""


def _wanted(account: SeasonSummary) -> Iterator[Job]:
    if account.covers:
        yield "covers", "", covers_picture, (account.covers,)
    if account.watch and _more_to_come(account.watch):
        yield "calendar", "", calendar_picture, (account.watch,)
    if account.plan:
        yield "orders", "", ready_picture, (account.plan,)
    if account.past:
        yield "past", "", backtest_picture, (account.past,)
    for one in account.review.lots if account.review else ():
        yield from (("maps", one.lot, tray_map_picture, (seen,)) for seen in _telling_maps(one))


def _telling_maps(one: LotReview) -> list[TrayMap]:
    """Maps of the trays that show why a lot is poor."""
    maps = {tray.tray: tray.seen_map for tray in one.trays if tray.seen_map is not None}
    return [maps[tray] for tray in one.maps]


def _drawn(
    prefix: str,
    place: str,
    lot: str,
    job: tuple[Callable[..., Picture | None], tuple[Any, ...]],
    kinds: Sequence[Kind],
) -> Drawn | None:
    make, what = job
    picture = make(*what)
    if picture is None:
        return None
    words, table = picture.words, picture.table
    svg = inline_svg(picture.figure, prefix, words.title, words.description)
    rows = tuple(tuple(str(value) for value in row) for row in table.itertuples(index=False))
    block = Drawing(svg, Grid(words.title, tuple(map(str, table.columns)), rows))
    return Drawn(
        place=place,
        lot=lot,
        name=picture.name,
        block=block,
        files={kind: figure_bytes(picture.figure, kind) for kind in kinds},
    )


def on_page(account: SeasonSummary, drawn: Iterable[Drawn]) -> Pictures:
    """The figures as they stand on a page, each with the numbers drawn."""
    places: dict[str, list[Drawing]] = {}
    maps: dict[str, list[Drawing]] = {}
    for one in drawn:
        (
            maps.setdefault(one.lot, [])
            if one.place == "maps"
            else places.setdefault(one.place, [])
        ).append(one.block)
    others = len({row.lot for row in account.fit.rows}) - min(len(lots_drawn(account)), MOST)
    left = (
        f"Drawn are the lots of the plan and of the latest season; {others} others stand in the "
        "tables."
    )
    galleries: dict[str, tuple[Block, ...]] = {}
    for place, blocks in places.items():
        if place in _CAPTIONS:
            galleries[place] = (
                Gallery(_CAPTIONS[place], tuple(blocks)),
                *([Words(left)] if others > 0 else []),
            )
        else:
            galleries[place] = tuple(blocks)
    return Pictures(
        **galleries,
        maps={lot: (Gallery(_CAPTIONS["maps"], tuple(blocks)),) for lot, blocks in maps.items()},
    )


def as_files(drawn: Iterable[Drawn], folder: Path) -> dict[Path, bytes]:
    """Every file made of the figures, by the place it is to be written to."""
    every = tuple(drawn)
    names = file_names(one.name for one in every)
    return {
        folder / f"{name}.{kind}": content
        for name, one in zip(names, every, strict=True)
        for kind, content in one.files.items()
    }
