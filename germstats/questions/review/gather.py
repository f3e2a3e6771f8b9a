"""From a nursery and its fit to the file of each lot of a season; nothing here knows where the
records came from.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from germstats.engine.design import TrayKey, share_seen
from germstats.engine.fit import EmergenceFit, FitSpec, Progress, fit_patterns, silent
from germstats.engine.hierarchy import predictors
from germstats.engine.pooled import likeliest
from germstats.engine.timing import FAMILIES, Array
from germstats.forecast.expectation import TrayAsk, expect
from germstats.forecast.leave_out import LeaveOut
from germstats.questions.review.evidence import called_poor
from germstats.questions.review.lot_file import LotFile, Usual
from germstats.questions.review.rules import Rules, load_rules
from germstats.questions.review.sown import USUAL_FEWEST, LotFacts, always_together, cold_of
from germstats.questions.review.tray import ReviewedTray
from germstats.records.intervals.patterns import ONE_SEED, Patterns
from germstats.records.intervals.seed_totals import seeds_as_cells, told_by_seeds
from germstats.records.intervals.subsets import keep_trays
from germstats.records.tables import Trays

_FEWEST_TESTS = 5
_TO_SD = 1.4826  # of a normal law, from the median distance to the middle
_LEAST_APART = 0.4
# tests that the stated distance between lots counts for beside the nursery's own
_STATED_WEIGHT = 5.0
# on the logit of the viable share, beside lots of one species; common practice, no source
_SPECIES_APART = 0.7
_FAR_BELOW = 2.0  # sds of trays or lots, by their estimated effects


@dataclass(frozen=True)
class Gathered:
    """What reviews of one nursery rest on: made by `germstats.questions.review.book.gather`, or by
    a simulation.

    Attributes
    ----------
    fit : EmergenceFit
        Pooled, of the trays to which nothing plain has happened
        (`germstats.questions.review.maps.hit_trays`): an eaten tray says nothing of how far trays
        lie apart, nor of what to expect.
    patterns : Patterns
        Of all trays whose counts can be used.
    trays : tuple of ReviewedTray
        Of all seasons with their records, those kept out of the fit with them.
    lots : dict of str to LotFacts
    usual : dict of str to Usual
        Usual losses by species; of the whole nursery under ``""``. What seed tests find as a rule
        is as stated: `lot_file` learns it for the season it is asked for.
    rules : Rules
        They say when a winter was short, and which lots are poor.
    """

    fit: EmergenceFit
    patterns: Patterns
    trays: tuple[ReviewedTray, ...]
    lots: Mapping[str, LotFacts]
    usual: Mapping[str, Usual]
    rules: Rules = field(default_factory=load_rules)

    @cached_property
    def code(self) -> dict[str, int]:
        """Tray id -> code in the fit."""
        return {str(tray): k for k, tray in enumerate(self.fit.patterns.trays[Trays.tray])}

    @cached_property
    def place(self) -> dict[str, int]:
        """Tray id -> code in the patterns."""
        return {str(tray): k for k, tray in enumerate(self.patterns.trays[Trays.tray])}

    @cached_property
    def by_seeds(self) -> NDArray[np.bool_]:
        """(T,) whether only all seedlings of a tray were counted, by place in the patterns."""
        return told_by_seeds(self.patterns)

    @cached_property
    def counts(self) -> Patterns:
        """The patterns with the seeds of such trays as cells."""
        return seeds_as_cells(self.patterns)

    @cached_property
    def typical(self) -> EmergenceFit:
        """The fit made again without trays and lots far below the rest: what is usual is not
        learned from failures.

        A dead lot would widen the scatter that excuses it, and pull down what its sisters let
        expect.
        """
        pooled = self.fit.pooled
        scales, state, design = (
            pooled.component_set.at(pooled.component_fit.mode),
            pooled.component_fit.found.state,
            pooled.design,
        )
        low_trays = design.order[state.trays[:, 0] < -_FAR_BELOW * scales.tray]
        low_lots = [
            lot.codes
            for lot, effect in zip(design.lots, state.lots[:, 0], strict=True)
            if effect < -_FAR_BELOW * scales.lot
        ]
        low = np.unique(np.concatenate([low_trays, *low_lots]))
        kept = np.setdiff1d(np.arange(len(self.fit.patterns.trays)), low)
        if not low.size or not kept.size:
            return self.fit
        return fit_patterns(keep_trays(self.fit.patterns, kept), self.fit.spec, near=pooled)

    @cached_property
    def files(self) -> dict[tuple[str, int], LotFile]:
        """Files laid out so far, by lot and season, what seed tests find still as stated."""
        return {}

    @cached_property
    def usual_in(self) -> dict[int, Mapping[str, Usual]]:
        """What is usual by species, with what seed tests find, by the seasons asked for so far."""
        return {}

    @cached_property
    def known(self) -> LeaveOut:
        """The same, ready for a lot's trays to be left out."""
        return LeaveOut(self.typical)

    @cached_property
    def predictors(self) -> tuple[Array, Array]:
        """(T, 3) predictors of the trays and (T,) the share out by their last check, by place in
        the patterns.

        Of trays kept out of the fit too: whatever happened to them, their seedlings came when they
        came.
        """
        pooled = self.fit.pooled
        if len(self.fit.patterns.trays) < len(self.patterns.trays):
            values, shares = likeliest(pooled, self.patterns)
        else:
            values, shares = (
                np.empty((len(self.patterns.trays), 3)),
                np.empty(len(self.patterns.trays)),
            )
        at = predictors(pooled.design.hierarchy, pooled.component_fit.found.state)
        trays = self.fit.patterns.trays[Trays.tray].astype(str).iloc[pooled.design.order]
        places = np.array([self.place[tray] for tray in trays], dtype=np.int64)
        values[places], shares[places] = at, share_seen(pooled.design, at)
        return values, shares


def fit_sound(
    patterns: Patterns,
    hit: Collection[str],
    spec: FitSpec,
    progress: Progress = silent,
) -> EmergenceFit:
    """Fit the trays to which nothing plain has happened; all of them where none is left."""
    sound = np.flatnonzero(~patterns.trays[Trays.tray].isin(hit).to_numpy(dtype=bool))
    kept = keep_trays(patterns, sound) if sound.size else patterns
    return fit_patterns(kept, replace(spec, to_horizon=False), progress=progress)


def usual_tests(gathered: Gathered, without: Collection[str]) -> dict[str, Usual]:
    """What seed tests find as a rule, by species.

    Seed that does not emerge may be alive, so that tests find more than comes up: by how much on
    the logit, the middle of the nursery's tests beside what their species bring says, and how far
    they lie apart, the stated distance weighed in. With few tests the stated values hold, and so
    they do for a species of which no lot is left, with species' own distance on top.

    Parameters
    ----------
    gathered : Gathered
    without : collection of str
        Lots under review: what failed says nothing of what is usual, neither by its tests nor by
        what came of it.
    """
    usual = dict(gathered.usual)
    shares: dict[str, list[float]] = {}
    for row in gathered.fit.rows:
        if row.lot not in without:
            shares.setdefault(row.species or row.lot, []).append(row.emergence)
    level = {
        species: float(np.log(np.median(own) / (1 - np.median(own))))
        for species, own in shares.items()
    }
    of_lot = {one.lot: one.species for one in gathered.trays}
    told = [
        (level[of_lot[lot]], one)
        for lot, facts in gathered.lots.items()
        if lot not in without and of_lot.get(lot) in level
        for one in facts.tests
    ]
    usual = {one: own if one in level else _of_any_species(own) for one, own in usual.items()}
    if len(told) < _FEWEST_TESTS:
        return usual
    above = np.array(
        [np.log((one.good + 0.5) / (one.tested - one.good + 0.5)) - base for base, one in told]
    )
    middle = float(np.median(above))
    seen = max(float(_TO_SD * np.median(np.abs(above - middle))), _LEAST_APART)
    apart = float(
        np.sqrt(
            (len(told) * seen**2 + _STATED_WEIGHT * Usual().viable_sd ** 2)
            / (len(told) + _STATED_WEIGHT)
        )
    )
    found = {
        species: replace(one, viable=level[species] + middle, viable_sd=apart)
        for species, one in usual.items()
        if species in level
    }
    return {**usual, **found}


def _of_any_species(usual: Usual) -> Usual:
    """What tests find where no lot of the species is on record."""
    return replace(usual, viable_sd=float(np.hypot(usual.viable_sd, _SPECIES_APART)))


def under_review(gathered: Gathered, season: int) -> frozenset[str]:
    """Lots with a seed test that are called poor in a season, whatever their tests say."""
    here = {one.lot for one in gathered.trays if one.season == season}
    tested = sorted(lot for lot in here if lot in gathered.lots and gathered.lots[lot].tests)
    return frozenset(
        lot for lot in tested if called_poor(_file_as_stated(gathered, lot, season), gathered.rules)
    )


def lot_file(gathered: Gathered, lot: str, season: int) -> LotFile:
    """The file of one lot in one season.

    What seed tests find as a rule is learned without the lots that are poor in that season.

    Parameters
    ----------
    gathered : Gathered
    lot : str
    season : int
        Year of the first spring of its trays, of which there is at least one.

    Returns
    -------
    LotFile
    """
    if season not in gathered.usual_in:
        gathered.usual_in[season] = usual_tests(gathered, under_review(gathered, season))
    file, usual = _file_as_stated(gathered, lot, season), gathered.usual_in[season]
    return file.judged_by(usual.get(file.species, usual[""]))


def _file_as_stated(gathered: Gathered, lot: str, season: int) -> LotFile:
    """The file, what seed tests find as a rule as stated; laid out once."""
    if (lot, season) not in gathered.files:
        gathered.files[lot, season] = _laid_out(gathered, lot, season)
    return gathered.files[lot, season]


def _laid_out(gathered: Gathered, lot: str, season: int) -> LotFile:
    own = [one for one in gathered.trays if one.lot == lot and one.season == season]
    species, facts = own[0].species, gathered.lots.get(lot, LotFacts())
    file = LotFile(
        lot=lot,
        species=species,
        season=season,
        trays=tuple(_as_counted(gathered, one) for one in own),
        expected=None,
        share_out=1.0,
        log_time=None,
        tests=facts.tests,
        light=facts.light,
        two_winters=facts.two_winters,
        waiting=season in facts.not_over,
        usual=gathered.usual.get(species, gathered.usual[""]),
        cold=cold_of(gathered.trays, own),
        apart=always_together(gathered.trays, lot),
        notes=facts.notes,
    )
    return _with_expectation(gathered, file, own)


def _with_expectation(gathered: Gathered, file: LotFile, own: list[ReviewedTray]) -> LotFile:
    typical = gathered.typical
    own_trays = typical.patterns.trays[Trays.tray].isin([one.tray for one in file.trays])
    codes = np.flatnonzero(own_trays.to_numpy(dtype=bool))
    asks = [_ask(gathered, file, own[k]) for k in file.counting]
    expected = expect(gathered.known, codes, file.lot, asks)
    other_winters = (
        _by_other_winters(gathered, file, asks)
        if expected is not None and expected.earlier
        else None
    )
    timed = [
        gathered.place[file.trays[k].tray]
        for k in file.counting
        if file.trays[k].tray in gathered.place
    ]
    values, shares = gathered.predictors
    timed = [place for place in timed if np.isfinite(values[place]).all()]
    share, log_time = 1.0, None
    if timed:
        share = float(shares[timed].mean())
        came = any((file.trays[k].filled or 0) > 0 for k in file.counting)
        choice = gathered.fit.timing.get(file.species)
        if choice is not None and came:
            middle = FAMILIES[choice.family].quantile(0.5)
            log_time = float((values[timed, 1] + middle * np.exp(values[timed, 2])).mean())
    return replace(
        file, expected=expected, other_winters=other_winters, share_out=share, log_time=log_time
    )


def _by_other_winters(gathered: Gathered, file: LotFile, asks: Sequence[TrayAsk]) -> Array | None:
    """What is expected of an ordinary spring, where this winter was too short: by other winters
    alone, since the species' other trays of this one show short winters only.
    """
    if file.cold.reading(gathered.rules.limits) != "short":
        return None
    here = [
        one.tray
        for one in gathered.trays
        if one.species == file.species and one.season == file.season
    ]
    alike = gathered.typical.patterns.trays[Trays.tray].isin(here).to_numpy(dtype=bool)
    found = expect(gathered.known, np.flatnonzero(alike), file.lot, asks)
    return found.ordinary if found is not None and found.earlier else None


def _ask(gathered: Gathered, file: LotFile, one: ReviewedTray) -> TrayAsk:
    """A tray as it is to be expected; light-needing seed under a deep cover as if it had lain under
    the usual one.
    """
    label = (_usual_label(gathered, one) if file.light and one.deep else None) or one.label
    key = TrayKey(
        group=file.species,
        label=label,
        season=file.season,
        place=one.place,
        chill=one.chill or None,
    )
    return TrayAsk(key, one.last_day, one.origin_days or 0.0)


def _usual_label(gathered: Gathered, one: ReviewedTray) -> str | None:
    """How the species is sown as a rule: uncovered where that was tried, else as most of its
    shallow trays.
    """
    alike = [
        other
        for other in gathered.trays
        if other.species == one.species
        and not other.deep
        and other.tray in gathered.code
        and other.of_pinches == one.of_pinches
    ]
    bare = [other for other in alike if other.cover == "none"]
    counts = Counter(
        other.label for other in (bare if len(bare) >= USUAL_FEWEST else alike)
    ).most_common(1)
    return counts[0][0] if counts and counts[0][1] >= USUAL_FEWEST else None


def _as_counted(gathered: Gathered, one: ReviewedTray) -> ReviewedTray:
    """A tray with the counts its lot is judged by: those of the patterns where it has any."""
    if one.tray not in gathered.place:
        return one if _counts(one) else replace(one, filled=None)
    place = gathered.place[one.tray]
    counts = gathered.counts.trays.iloc[place]
    by_seeds = bool(gathered.by_seeds[place])
    return replace(
        one,
        rate=ONE_SEED if by_seeds else one.rate,
        counted="seeds" if by_seeds else "cells",
        cells=int(counts["cells"]),
        filled=_whole(counts["filled"]) if _counts(one) else None,
        seeds=_number(counts["seeds"]),
        emerged=_whole(counts["emerged"]),
    )


def _counts(one: ReviewedTray) -> bool:
    """Whether it is known what was sown, and when."""
    return one.rate is not None and one.origin_days is not None


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _whole(value: float) -> int | None:
    return None if np.isnan(value) else int(value)
