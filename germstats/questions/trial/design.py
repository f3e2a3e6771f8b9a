"""Next year's trial: trays of each treatment, seeds per cell, the lot, and a bench plan:
`design_trial`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from germstats.engine.fit import EmergenceFit, Progress, book_of, fit_of, silent
from germstats.errors import NotEnoughRecordsError, NotEnoughSeedError, WrongUseError
from germstats.forecast.comparing import others_of
from germstats.forecast.demand import StoredLot, lots_in_store
from germstats.forecast.new_lots import new_lot, unknown_species
from germstats.forecast.sources import unsown_words, usual_sowing_day
from germstats.questions.trial.bench_plan import TrialSowing, bench_plan
from germstats.questions.trial.power import (
    Setting,
    blocks_for,
    monte_carlo_error,
    points_told,
    simulated_power,
    trays_needed,
    worse_direction,
)
from germstats.questions.trial.spec import TrialDesign, TrialSpec
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import so_many
from germstats.records.suggesting import must_know, near_names
from germstats.records.tables import TABLES, Lots, Species, Trays

AT_HAND = (4, 6, 8)
ONE_SEED_ABOVE, TWO_SEEDS_BELOW = 0.6, 0.4
"""Shares at which one seed per cell, or two, tell more (the design's measurements)."""
_USUAL_TRAY = (6, 12)
# from sowing to 1 February where no sowing is dated; common practice, no source
_USUAL_LEAD = pd.Timedelta(days=60)
# a lot whose day of collection is not written is taken as the oldest
_LONG_AGO = pd.Timestamp(1900, 1, 1)


@dataclass(frozen=True)
class _Lot:
    """One lot as it would serve: its share, seeds per cell, setting and the trays it takes."""

    stored: StoredLot
    share: float
    source: str
    setting: Setting
    needed: int | None
    notes: tuple[str, ...]


def design_trial(
    book_or_fit: RecordBook | EmergenceFit,
    spec: TrialSpec | None = None,
    *,
    progress: Progress | None = None,
) -> TrialDesign:
    """Say how many trays tell a difference, check that by simulation, and lay them out.

    Parameters
    ----------
    book_or_fit : RecordBook or EmergenceFit
        A fit brings its book, of which seed in store, benches and names of trays are read.
    spec : TrialSpec
        Needed: a trial has a species and treatments.
    progress : callable, optional
        Called with a short text before each stage.

    Returns
    -------
    TrialDesign

    Raises
    ------
    WrongUseError
        No spec; an unknown species, treatment or lot; or a difference no share can have.
    NotEnoughSeedError
        There is too little seed in store.
    NotEnoughRecordsError
        No number of trays would tell the difference, or the species has no lot.
    """
    if spec is None:
        raise WrongUseError(
            "A trial needs a species and treatments, such as TrialSpec('PEAT', ('none', 'grit'))."
        )
    book, say = book_of(book_or_fit), progress or silent
    said = must_be_known(book, spec)  # refuses names before the work begins
    fit = fit_of(book_or_fit, spec.fit, progress)
    places, place_note = _places(book, spec)
    sowing = _sowing(book, spec)

    say("counting the trays a trial needs")
    chosen, left = _choose(fit, book, spec=spec, places=len(places), cells=sowing.cells)
    trays, blocks = _trays_and_blocks(chosen, spec, len(places))
    sowing = replace(sowing, lot=chosen.stored.lot, seeds_per_cell=chosen.setting.seeds_per_cell)
    _refuse_short(chosen, spec, trays, sowing)
    other, power = worse_direction(
        chosen.share, spec.difference, trays=trays, blocks=blocks, setting=chosen.setting
    )

    say(f"simulating {spec.simulations} trials of {trays} trays of each")
    simulated = simulated_power(
        (chosen.share, other),
        trays,
        blocks=blocks,
        setting=chosen.setting,
        trials=spec.simulations,
        seed=spec.seed,
    )
    scatter = {one.name: one for one in fit.scatter}
    tray_sd_high = scatter["tray"].high
    place_sd = scatter["place"].sd if "place" in scatter else None
    needed_high, power_high = _at_high_end(
        chosen, spec, trays=trays, blocks=blocks, high=tray_sd_high
    )
    plan = bench_plan(
        sowing,
        spec.treatments,
        places=places[:blocks],
        trays=trays,
        taken=book.trays[Trays.tray],
        seed=spec.seed,
    )
    return TrialDesign(
        spec=spec,
        season=sowing.season,
        lot=sowing.lot,
        share=chosen.share,
        share_source=chosen.source,
        other_share=other,
        tray_sd=chosen.setting.tray_sd,
        tray_sd_high=tray_sd_high,
        place_sd=place_sd,
        trays=trays,
        blocks=blocks,
        needed=chosen.needed,
        needed_high=needed_high,
        needed_strewn=_strewn(chosen, spec, place_sd),
        power_high=power_high,
        power=power,
        power_simulated=simulated,
        simulation_error=monte_carlo_error(simulated, spec.simulations),
        told=_told(chosen, spec, {*AT_HAND, trays}),
        seeds_per_cell=sowing.seeds_per_cell,
        seeds=_seeds(spec, trays, sowing),
        seeds_left=chosen.stored.seeds,
        plan=plan,
        notes=(*said, *chosen.notes, *left, *place_note),
    )


def _trays_and_blocks(chosen: _Lot, spec: TrialSpec, places: int) -> tuple[int, int]:
    """Trays of each treatment, asked for or needed, and the places they are shared over.

    Raises
    ------
    NotEnoughRecordsError
        No number of trays would tell the difference.
    WrongUseError
        They cannot be shared evenly.
    """
    trays = spec.trays or chosen.needed
    if trays is None:
        raise NotEnoughRecordsError(_hopeless(chosen, spec))
    blocks = blocks_for(trays, places)
    if not blocks:
        raise WrongUseError(
            f"{trays} trays of each cannot be shared evenly over 2 to {places} places; take "
            f"{trays + 1}, or name more places."
        )
    return trays, blocks


def must_be_known(book: RecordBook, spec: TrialSpec) -> tuple[str, ...]:
    """Refuse names that look like known ones; say which covers are new."""
    lots = book.lots
    species = sorted(
        {str(code) for code in [*book.species[Species.species], *lots[Lots.species]] if code}
    )
    must_know(spec.species, species, f"There is no species {spec.species} in the book")
    own = sorted(str(lot) for lot in lots.loc[lots[Lots.species] == spec.species, Lots.lot])
    if not own:
        raise NotEnoughRecordsError(
            f"The book has no lot of {spec.species}: write its seed into the table lots first."
        )
    if spec.lot is not None:
        must_know(spec.lot, own, f"{spec.species} has no lot {spec.lot}")
    covers = {str(cover) for cover in book.trays[Trays.cover] if cover} | set(
        TABLES["trays"].column("cover").levels
    )
    new = [name for name in spec.treatments if name not in covers]
    for name in new:
        if near_names(name, covers):
            must_know(name, covers, f"No tray was ever covered with {name}")
    return tuple(
        f"{name} was never used as a cover in this book: write it the same way every time"
        for name in new
    )


def _places(book: RecordBook, spec: TrialSpec) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Places to stand blocks at: those named, else the book's, the most used of late first."""
    if spec.places is not None:
        return spec.places, ()
    trays = book.trays
    used = trays[(trays[Trays.place] != "") & trays[Trays.season].notna()]
    counts = (
        used.groupby(Trays.place).agg(latest=("season", "max"), trays=("tray", "size")).sort_index()
    )
    ordered = counts.sort_values(["latest", "trays"], ascending=False, kind="stable").index
    if len(ordered) >= 2:
        return tuple(str(place) for place in ordered), ()
    return ("place 1", "place 2"), (
        "the book names fewer than two benches: put your own names for place 1 and place 2 "
        "(--place, once for each), and write the place of every tray",
    )


def _sowing(book: RecordBook, spec: TrialSpec) -> TrialSowing:
    """What the trays share, as the species was sown before; lot and seeds per cell are
    still open.
    """
    trays = book.trays.dropna(subset=[Trays.season])
    season = spec.season or int(trays[Trays.season].max()) + 1
    of_lot = dict(zip(book.lots[Lots.lot], book.lots[Lots.species], strict=True))
    own = trays[trays[Trays.lot].map(of_lot) == spec.species]
    sized = next(
        (part for part in (own, trays) if len(part.dropna(subset=["rows", "columns"]))), None
    )
    rows, columns = _USUAL_TRAY
    if sized is not None:
        latest = (
            sized.dropna(subset=["rows", "columns"]).sort_values("season", kind="stable").iloc[-1]
        )
        rows, columns = int(latest["rows"]), int(latest["columns"])
    dated = next((part for part in (own, trays) if part[Trays.sown_on].notna().any()), None)
    sown = pd.Timestamp(season, 2, 1) - _USUAL_LEAD
    if dated is not None:
        sown = usual_sowing_day(dated.dropna(subset=[Trays.sown_on]), season)
    return TrialSowing(
        season=season,
        lot="",
        sown_on=sown,
        rows=rows,
        columns=columns,
        seeds_per_cell=1,
        trial=f"{spec.species} {' v '.join(spec.treatments)} {season}",
    )


def _choose(
    fit: EmergenceFit, book: RecordBook, spec: TrialSpec, places: int, cells: int
) -> tuple[_Lot, tuple[str, ...]]:
    """The newest lot that holds seed enough, else the one with most; a lot of unknown seed where
    none is known.
    """
    collected = dict(
        zip(
            book.lots[Lots.lot],
            book.lots[Lots.collected_on].fillna(_LONG_AGO),
            strict=True,
        )
    )
    own = [
        lot
        for lot in lots_in_store(book)
        if lot.species == spec.species and spec.lot in (None, lot.lot)
    ]
    own.sort(key=lambda lot: (collected[lot.lot], lot.lot), reverse=True)
    told = [lot for lot in own if lot.seeds is not None]
    candidates = [
        _served(fit, spec, stored=lot, places=places, cells=cells) for lot in told or own[:1]
    ]
    if not told:
        return candidates[0], (
            f"{candidates[0].stored.why_unknown} for {candidates[0].stored.lot}: make sure that it "
            "holds enough",
        )
    per_tray = len(spec.treatments) * cells
    for lot in candidates:
        trays = spec.trays or lot.needed
        if (
            trays is not None
            and (lot.stored.seeds or 0) >= trays * per_tray * lot.setting.seeds_per_cell
        ):
            return lot, ()
    return max(candidates, key=lambda lot: lot.stored.seeds or 0), ()


def _served(fit: EmergenceFit, spec: TrialSpec, stored: StoredLot, places: int, cells: int) -> _Lot:
    share, source, notes = known_share(fit, spec, stored.lot)
    seeds, why = seeds_advised(share)
    tray = next(one for one in fit.scatter if one.name == "tray")
    others = others_of(fit, spec.species)
    setting = Setting(
        tray_sd=tray.sd,
        borrowed_sd=tray.sd if others.enough else None,
        cells=cells,
        seeds_per_cell=seeds,
        rho=fit.cell_scatter.rho,
        seasons=spec.seasons,
        treatments=len(spec.treatments),
        places=places,
        sisters=others.sisters,
    )
    if np.isnan(worse_direction(share, spec.difference, trays=2, blocks=1, setting=setting)[0]):
        raise WrongUseError(
            f"About {100 * share:.0f} of a hundred seeds of {stored.lot} come up: neither "
            f"{spec.difference:g} points more nor fewer are possible. Ask for a smaller difference."
        )
    return _Lot(
        stored=stored,
        share=share,
        source=source,
        setting=setting,
        needed=trays_needed(share, spec.difference, spec.power, setting),
        notes=(*notes, why),
    )


def known_share(fit: EmergenceFit, spec: TrialSpec, lot: str) -> tuple[float, str, tuple[str, ...]]:
    """Share of seeds that the trial starts from: of the lot, else of the species, else of all
    species.

    Under the treatment of the trial with most trays, else under whatever has most.
    """
    sized = [
        row
        for row in fit.rows
        if row.species == spec.species and row.rate.kind != "pinch_unmeasured"
    ]
    pinched = (
        "usually sown by the pinch: count the seeds of this trial, or weigh the same pinch for "
        "every tray",
    )
    for rows, whose in (
        ([row for row in sized if row.lot == lot], lot),
        (sized, f"other lots of {spec.species}"),
    ):
        asked = [
            row for row in rows if row.treatment.get("cover", "none") in spec.treatments
        ] or rows
        if not asked:
            continue
        order = {name: k for k, name in enumerate(spec.treatments)}
        model = max(
            asked,
            key=lambda row: (row.trays, -order.get(str(row.treatment.get("cover")), len(order))),
        )
        notes = pinched if model.rate.k is not None else ()
        if rows[0].lot == lot:
            return model.emergence, f"{whose} under {model.label}, {model.trays} trays", notes
        draws = new_lot(fit, spec.species, model.label)
        return (
            float(draws.weight @ draws.share()),
            f"{lot} was never sown: {whose} under {model.label}",
            notes,
        )
    draws = unknown_species(fit)
    wide = (
        f"{unsown_words(fit, spec.species)}: its share is a wide guess, so sow two trays first and "
        "ask again"
    )
    return float(draws.weight @ draws.share()), "a wide guess from all species of the book", (wide,)


def seeds_advised(share: float) -> tuple[int, str]:
    """Seeds per cell of a trial, and why."""
    percent = f"about {100 * share:.0f} of a hundred seeds come"
    if share >= ONE_SEED_ABOVE:
        return 1, f"one seed per cell: {percent}, and a second would only hide empty cells"
    if share < TWO_SEEDS_BELOW:
        return (
            2,
            f"two seeds per cell, each counted: {percent}, and one would leave most cells empty",
        )
    return 1, f"one seed per cell: {percent}; two would do as well if you count every seedling"


def _seeds(spec: TrialSpec, trays: int, sowing: TrialSowing) -> int:
    return trays * len(spec.treatments) * sowing.cells * sowing.seeds_per_cell


def _refuse_short(lot: _Lot, spec: TrialSpec, trays: int, sowing: TrialSowing) -> None:
    """Too little seed: how many trays it would make, and what those would tell."""
    held, wanted = lot.stored.seeds, _seeds(spec, trays, sowing)
    if held is None or held >= wanted:
        return
    makes = held // (len(spec.treatments) * sowing.cells * sowing.seeds_per_cell)
    even = next(
        (fewer for fewer in range(makes, 1, -1) if blocks_for(fewer, lot.setting.places)), 0
    )
    points = points_told(lot.share, even, spec.power, lot.setting) if even else None
    if points is None:
        rest = f"It would make {makes} of each, too few for a trial."
    else:
        made = so_many(makes, "tray")
        rest = (
            f"It would make {made} of each; --trays {even} lays out {even}, which tell {points} "
            "points."
        )
    each = so_many(trays, "tray")
    asked = (
        "" if spec.trays else f"Telling {spec.difference:g} points takes {each} of each treatment. "
    )
    raise NotEnoughSeedError(
        f"{asked}{each} of each with {so_many(sowing.cells, 'cell')} take {wanted} seeds; "
        f"{lot.stored.lot} holds {held}. {rest}"
    )


def _hopeless(lot: _Lot, spec: TrialSpec) -> str:
    can = [
        f"{trays} tell {points}"
        for trays, points in _told(lot, spec, set(AT_HAND))
        if points is not None
    ]
    return (
        f"No number of trays anybody sows tells {spec.difference:g} points in {spec.seasons} "
        f"{'season' if spec.seasons == 1 else 'seasons'}. Trays of each treatment: "
        f"{', '.join(can) or 'none do'} points; ask for more points, or lay out what you have with "
        "--trays."
    )


def _told(lot: _Lot, spec: TrialSpec, numbers: set[int]) -> tuple[tuple[int, int | None], ...]:
    return tuple(
        (trays, points_told(lot.share, trays, spec.power, lot.setting)) for trays in sorted(numbers)
    )


def _at_high_end(
    lot: _Lot, spec: TrialSpec, trays: int, blocks: int, high: float | None
) -> tuple[int | None, float | None]:
    """Trays needed, and the power of those laid out, if trays scatter as much as they well may."""
    if high is None:
        return None, None
    worse = replace(lot.setting, tray_sd=high)
    return (
        trays_needed(lot.share, spec.difference, spec.power, worse),
        worse_direction(lot.share, spec.difference, trays=trays, blocks=blocks, setting=worse)[1],
    )


def _strewn(lot: _Lot, spec: TrialSpec, place_sd: float | None) -> int | None:
    """Trays needed if they stand anyhow on the benches: the scatter of places comes on top."""
    if place_sd is None:
        return None
    strewn = replace(lot.setting, tray_sd=float(np.hypot(lot.setting.tray_sd, place_sd)))
    return trays_needed(
        lot.share, spec.difference, wanted=spec.power, setting=strewn, blocked=False
    )
