"""Trials worth sowing: covers that stood side by side and could not be told apart, the trays that
would tell them.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from germstats.engine.fit import EmergenceFit
from germstats.forecast.comparing import MOST_TRAYS
from germstats.forecast.demand import StoredLot, lots_in_store
from germstats.forecast.sources import USUAL_TRAY
from germstats.questions.compare.comparison import CompareSpec, Comparison, ComparisonRow
from germstats.questions.trial.design import known_share, seeds_advised
from germstats.questions.trial.power import blocks_for
from germstats.questions.trial.spec import TrialSpec
from germstats.records.book import RecordBook
from germstats.records.tables import Lots, Trays

# a lot whose day of collection is not written is taken as the oldest
_LONG_AGO = pd.Timestamp(1900, 1, 1)


@dataclass(frozen=True)
class OpenTrial:
    """A trial of the covers of one species that could not be told apart.

    Attributes
    ----------
    species : str
    covers : tuple of str
    pairs : tuple of ComparisonRow
        Those it would tell.
    difference : float
        Points to be told: the margin, or what the ratio margin comes to at the emergence of a pair
        that needs it.
    trays : int
        Of each cover: as many as the pair that needs most, made up so that every bench holds as
        many.
    lot : str
        Newest lot of the species with seed enough, else the one with most; empty where the book has
        none.
    seeds_per_cell, seeds : int
        Seeds in a cell, and in all trays.
    held : int or None
        Seeds of the lot in store; None where not known.
    """

    species: str
    covers: tuple[str, ...]
    pairs: tuple[ComparisonRow, ...]
    difference: float
    trays: int
    lot: str
    seeds_per_cell: int
    seeds: int
    held: int | None


def open_trials(fit: EmergenceFit, book: RecordBook, found: Comparison) -> tuple[OpenTrial, ...]:
    """One trial for each species with pairs of covers that more trays would tell apart; nothing is
    fitted again.

    Parameters
    ----------
    fit : EmergenceFit
    book : RecordBook
        The one it was fitted from.
    found : Comparison
        Of covers.
    """
    pairs: dict[str, list[ComparisonRow]] = {}
    for row in found.rows:
        if row.species and row.treatment == "cover" and row.worth_a_trial:
            pairs.setdefault(row.species, []).append(row)
    return tuple(
        _trial(fit, book, species=species, pairs=tuple(own), spec=found.spec)
        for species, own in pairs.items()
    )


def _points_told(row: ComparisonRow, spec: CompareSpec) -> float:
    """Points that a pair waits for: the margin, or what the ratio margin comes to at its lower
    emergence.
    """
    if row.more_trays_scale != "ratio":
        return spec.margin
    lower = 100 * min(share or 0.0 for share in row.emergence)
    times = max(round((spec.ratio_margin - 1) * lower, 1), 0.1)
    return float(min(spec.margin, times))


def _trial(
    fit: EmergenceFit,
    book: RecordBook,
    species: str,
    pairs: tuple[ComparisonRow, ...],
    spec: CompareSpec,
) -> OpenTrial:
    covers = tuple(dict.fromkeys(name for row in pairs for name in (row.reference, row.level)))
    places = book.trays[Trays.place]
    difference = min(_points_told(row, spec) for row in pairs)
    trays = even_trays(
        max(row.more_trays or 2 for row in pairs), int(places[places != ""].nunique())
    )
    own, cells = _newest_first(book, species), trays * len(covers) * _cells_of_a_tray(fit, species)
    own = [lot for lot in own if lot.seeds is not None] or own[:1]
    if not own:
        return OpenTrial(
            species=species,
            covers=covers,
            pairs=pairs,
            difference=difference,
            trays=trays,
            lot="",
            seeds_per_cell=1,
            seeds=cells,
            held=None,
        )
    trial = TrialSpec(species, covers)
    each_of = [seeds_advised(known_share(fit, trial, lot.lot)[0])[0] for lot in own]
    wanted = [(lot, each, cells * each) for lot, each in zip(own, each_of, strict=True)]
    enough = [one for one in wanted if (one[0].seeds or 0) >= one[2]]
    lot, each, seeds = enough[0] if enough else max(wanted, key=lambda one: one[0].seeds or 0)
    return OpenTrial(
        species=species,
        covers=covers,
        pairs=pairs,
        difference=difference,
        trays=trays,
        lot=lot.lot,
        seeds_per_cell=each,
        seeds=seeds,
        held=lot.seeds,
    )


def even_trays(trays: int, benches: int) -> int:
    """The smallest number, not below `trays`, that can be shared evenly over two benches or more.

    Examples
    --------
    >>> even_trays(11, 6), even_trays(9, 2), even_trays(1, 0)
    (12, 10, 2)
    """
    least = min(max(trays, 2), MOST_TRAYS)
    return next(
        (n for n in range(least, MOST_TRAYS + 1) if blocks_for(n, max(benches, 2))), MOST_TRAYS
    )


def _newest_first(book: RecordBook, species: str) -> list[StoredLot]:
    table = book.lots
    collected = dict(zip(table[Lots.lot], table[Lots.collected_on].fillna(_LONG_AGO), strict=True))
    own = [lot for lot in lots_in_store(book) if lot.species == species]
    return sorted(own, key=lambda lot: (collected[lot.lot], lot.lot), reverse=True)


def _cells_of_a_tray(fit: EmergenceFit, species: str) -> int:
    """Cells of the species' latest tray."""
    trays = fit.patterns.trays[fit.patterns.trays["species"] == species].sort_values(
        Trays.season, kind="stable"
    )
    cells = trays["tray_cells"].dropna()
    return int(cells.iloc[-1]) if len(cells) else USUAL_TRAY
