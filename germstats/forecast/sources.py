"""Lots to sow from: the treatment that did best, seeds per cell, and what there is of each."""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from germstats.engine.draws import RowDraws
from germstats.engine.estimates import RowEstimate
from germstats.engine.fit import EmergenceFit
from germstats.forecast.demand import StoredLot
from germstats.forecast.new_lots import group_of, new_lot, unknown_species
from germstats.forecast.order import Parts
from germstats.forecast.seeds_per_cell import LEAST_PINCH, SowingSpec, age_note, seeds_per_cell
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import spelled
from germstats.records.seeds import SowingRate
from germstats.records.tables import Lots, Species, Trays

USUAL_TRAY = 72
"""Cells of a tray where the book has none of the species; common practice, no source."""
_ONE = SowingRate("counted", (1,), 1.0)


@dataclass(frozen=True, eq=False)
class Source:
    """One lot as it would be sown.

    Attributes
    ----------
    stored : StoredLot
    label, draws, rate, emergence :
        Treatment in words, forecast, how it is sown (counted or by the pinch) and share expected,
        as in `RowEstimate`.
    cells : int
        Cells of a tray.
    seeds_per_cell : float
        As `seeds_per_cell` advises.
    reached : bool
        Whether that number reaches the target fill.
    sowing_date : pandas.Timestamp
    origin_days : float
        Days from sowing to 1 February of the spring it comes up in.
    notes : tuple of str
    """

    stored: StoredLot
    label: str
    draws: RowDraws
    rate: SowingRate
    emergence: float
    cells: int
    seeds_per_cell: float
    reached: bool
    sowing_date: pd.Timestamp
    origin_days: float
    notes: tuple[str, ...]

    @property
    def by_pinch(self) -> bool:
        """Whether cells get a pinch instead of counted seeds."""
        return self.rate.k is not None

    @property
    def least(self) -> int:
        """Fewest seeds a cell can be given."""
        return LEAST_PINCH if self.by_pinch else 1

    def rate_of(self, seeds: float) -> SowingRate:
        """A cell with this many seeds; of a pinch, on the average."""
        if self.by_pinch:
            return SowingRate(
                kind="pinch", counts=(), mean=seeds, k=self.rate.k, k_measured=self.rate.k_measured
            )
        return SowingRate("counted", (int(seeds),), float(int(seeds)))

    def parts(self, cells: int | None = None) -> Parts:
        """A tray, or `cells` of one, at the recommended rate."""
        return ((self.rate_of(self.seeds_per_cell), cells or self.cells),)

    def seeds_for(self, cells: int) -> int:
        """Seeds that many cells take at the recommended rate."""
        return round(cells * self.seeds_per_cell)


@dataclass(frozen=True)
class SeedRules:
    """Settings of a source.

    Attributes
    ----------
    target : float
        Share of a tray's cells to be filled.
    most_seeds : int or None
        Most seeds per cell, as in `SowingSpec`.
    cells : int or None
        Cells of a tray; None: as the lot's latest.
    season : int or None
        First spring of the sowing; None: the one after the latest in the book.
    """

    target: float = 0.9
    most_seeds: int | None = None
    cells: int | None = None
    season: int | None = None


def next_season(book: RecordBook, rules: SeedRules) -> int:
    """First spring of the sowing that is planned."""
    return rules.season or int(book.trays[Trays.season].dropna().max()) + 1


def sources_of(
    fit: EmergenceFit, book: RecordBook, stored: Iterable[StoredLot], rules: SeedRules
) -> tuple[Source, ...]:
    """Each stored lot under the best treatment tried on it, the lot with the best expected
    emergence first.
    """
    sources = [_source(fit, book, lot, rules) for lot in stored]
    return tuple(sorted(sources, key=lambda source: -source.emergence))


def placeholder_lot(fit: EmergenceFit, book: RecordBook, species: str, rules: SeedRules) -> Source:
    """A lot not yet collected, to say what an order would take where there is no seed at all."""
    per_gram = (
        book.species.drop_duplicates(Species.species)
        .set_index(Species.species)[Species.seeds_per_gram]
        .get(species)
    )
    pure = float(per_gram) if per_gram is not None and per_gram > 0 else None
    return _source(
        fit,
        book,
        StoredLot(
            lot="", species=species, seeds=0, pure_per_gram=pure, seed_cost=0.0, why_unknown=""
        ),
        rules,
    )


def _source(fit: EmergenceFit, book: RecordBook, stored: StoredLot, rules: SeedRules) -> Source:
    row, notes = _row(fit, stored, sown=set(book.trays[Trays.lot]))
    cells = rules.cells or row.tray_cells
    wanted = SowingSpec(rules.target, cells=cells, most_seeds=rules.most_seeds)
    (advice,) = seeds_per_cell(replace(fit, rows=(row,)), wanted).rows
    assert advice.seeds_per_cell is not None, "rows of pinches of unknown size are no source"
    sown, origin, said = _calendar(book, stored, next_season(book, rules))
    return Source(
        stored=stored,
        label=row.label,
        draws=row.draws,
        rate=row.rate,
        emergence=row.emergence,
        cells=cells,
        seeds_per_cell=advice.seeds_per_cell,
        reached=advice.reaches_target,
        sowing_date=sown,
        origin_days=origin,
        notes=(*notes, said),
    )


def _row(
    fit: EmergenceFit, stored: StoredLot, sown: Container[str]
) -> tuple[RowEstimate, tuple[str, ...]]:
    """The lot's best row by expected emergence; a made-up row where no tray of it has a check yet.

    Where no species is written down for a lot, its own name stands for its species.
    """
    kin = [row for row in fit.rows if group_of(row) == stored.species]
    own = [row for row in fit.rows if row.lot == stored.lot]
    own = own or [row for row in kin if row.species is None]
    if sized := _of_known_size(own):
        return _best_tried(fit, sized)
    if sized_kin := _of_known_size(kin):
        guess = _guess_from_kin(fit, stored, sized_kin)
        unseen = "no usable check yet" if stored.lot in sown else "never sown"
        unsized = "; pinches of unknown size, all it was ever sown by, do not tell" if own else ""
        why = (
            f"{unseen}: a guess from the other lots of {stored.species} under "
            f"{guess.label}{unsized}"
        )
        return guess, (why,)
    return _guess_from_all(fit, stored), (_why_from_all(fit, stored, kin, sown),)


def _of_known_size(rows: Sequence[RowEstimate]) -> list[RowEstimate]:
    """Rows whose share is of seeds, not of pinches of unknown size."""
    return [row for row in rows if row.rate.kind != "pinch_unmeasured"]


def _best_tried(
    fit: EmergenceFit, rows: Sequence[RowEstimate]
) -> tuple[RowEstimate, tuple[str, ...]]:
    """The treatment of a lot that did best, and what it rests on."""
    best = max(rows, key=lambda row: row.emergence)
    labels = {row.label for row in rows}
    if len(labels) > 1:
        said = f"{best.label} did best of {len(labels)} treatments tried"
    else:
        said = f"only {best.label} was tried"
    # of one tray its own notes speak
    few = ("rests on 2 trays of its own",) if best.trays == 2 else ()
    latest = max(row.last_season for row in fit.rows)
    return best, (said, *few, *age_note(best, latest), *best.notes)


def _guess_from_kin(
    fit: EmergenceFit, stored: StoredLot, kin: Sequence[RowEstimate]
) -> RowEstimate:
    """A new lot of the species, under the treatment that did best on its other lots."""
    of_label: dict[str, list[RowEstimate]] = {}
    for row in kin:
        of_label.setdefault(row.label, []).append(row)
    label = max(
        sorted(of_label), key=lambda name: np.mean([row.emergence for row in of_label[name]])
    )
    model = max(of_label[label], key=lambda row: row.trays)
    draws = new_lot(fit, stored.species, label)
    return replace(model, lot=stored.lot, draws=draws, emergence=_mean(draws), trays=0, notes=())


def _guess_from_all(fit: EmergenceFit, stored: StoredLot) -> RowEstimate:
    """A lot of a species never sown, one seed a cell, by all species of the book."""
    draws = unknown_species(fit)
    model = max(fit.rows, key=lambda row: row.trays)
    return replace(
        model,
        species=stored.species,
        lot=stored.lot,
        label="any",
        draws=draws,
        emergence=_mean(draws),
        trays=0,
        rate=_ONE,
        tray_cells=model.tray_cells or USUAL_TRAY,
        notes=(),
    )


def _why_from_all(
    fit: EmergenceFit, stored: StoredLot, kin: Sequence[RowEstimate], sown: Container[str]
) -> str:
    """Why nothing better than all species can be asked, and up to when these were counted."""
    if stored.lot in sown and not kin:
        why = f"{stored.species} was sown, but none of its trays can be judged yet"
    else:
        why = unsown_words(fit, stored.species)
    unsized = " but by pinches of unknown size" if kin else ""
    said = (
        f"{why}{unsized}: a wide guess from all species of the book, for sowing a trial tray first"
    )
    if fit.horizons is None:
        return said
    day = _after_february(fit.horizons.book.day)
    return f"{said}, counted up to {day}, the usual day of their last check"


def _after_february(days: float) -> str:
    """A day of any year, so many days after 1 February."""
    return f"{pd.Timestamp(2001, 2, 1) + pd.Timedelta(days=round(days)):%-d %B}"


def unsown_words(fit: EmergenceFit, species: str) -> str:
    """Why nothing is known of a species: never sown, or sown perhaps as a lot whose species is not
    written down.
    """
    if any(row.species is None for row in fit.rows):
        return (
            f"no tray is known to hold {species} (write the species of each lot into the table "
            "lots)"
        )
    return f"{species} was never sown"


def _mean(draws: RowDraws) -> float:
    return float(draws.weight @ draws.share())


def usual_sowing_day(trays: pd.DataFrame, season: int) -> pd.Timestamp:
    """Day for a coming season: as long before its 1 February as the middle one of `trays` (dated,
    of known season).
    """
    first = pd.to_datetime(trays[Trays.season].astype(str) + "-02-01")
    before = float((first - trays[Trays.sown_on]).dt.days.median())
    return pd.Timestamp(season, 2, 1) - pd.Timedelta(days=round(before))


def _calendar(book: RecordBook, stored: StoredLot, season: int) -> tuple[pd.Timestamp, float, str]:
    """Sowing date of the coming season and days from it to 1 February of the spring the seed comes
    up in.
    """
    trays = book.trays.dropna(subset=[Trays.sown_on, Trays.season])
    of_lot = dict(zip(book.lots[Lots.lot], book.lots[Lots.species], strict=True))
    species = trays[Trays.lot].map(of_lot).fillna("")
    choices = (
        (trays[trays[Trays.lot] == stored.lot], stored.lot),
        (trays[species == stored.species], stored.species),
        (trays, "the nursery"),
    )
    chosen, whose = next(choice for choice in choices if len(choice[0]))
    sown = usual_sowing_day(chosen, season)
    known = book.species.drop_duplicates(Species.species).set_index(Species.species)[
        Species.two_winters
    ]
    waits = known.get(stored.species) == "yes"
    origin = float((pd.Timestamp(season + int(waits), 2, 1) - sown).days)
    said = f"sowing day taken as {spelled(sown)}, the middle of earlier sowings of {whose}"
    return sown, origin, said + (", coming up in its second spring" if waits else "")
