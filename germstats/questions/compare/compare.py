"""Covers (or any treatment) compared: `compare`."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd

from germstats.engine.estimates import FEW_SEEN
from germstats.engine.fit import EmergenceFit, Progress, book_of, fit_patterns, silent, spec_of
from germstats.engine.hierarchy import VarianceComponents
from germstats.engine.lots import groups_of
from germstats.engine.threads import one_thread
from germstats.errors import NotEnoughRecordsError
from germstats.forecast.comparing import others_of
from germstats.questions.compare.blocking import Pair, levels_of, side_by_side
from germstats.questions.compare.comparison import CompareSpec, Comparison, ComparisonRow
from germstats.questions.compare.contrast import borrow, compared
from germstats.questions.compare.verdicts import judged, over_all
from germstats.questions.compare.volunteers import volunteer_seedlings
from germstats.records.book import RecordBook
from germstats.records.intervals.patterns import Patterns, find_patterns
from germstats.records.suggesting import must_know


def compare(
    book_or_fit: RecordBook | EmergenceFit,
    spec: CompareSpec | None = None,
    *,
    progress: Progress | None = None,
) -> Comparison:
    """Compare the levels of a treatment, trays as the units, within lots, seasons and places.

    Parameters
    ----------
    book_or_fit : RecordBook or EmergenceFit
        A fit brings its book.
    spec : CompareSpec, optional
    progress : callable, optional
        Called with a short text before each stage.

    Returns
    -------
    Comparison

    Raises
    ------
    WrongUseError
        An unknown species, lot or level.
    NotEnoughRecordsError
        No tray can be used, or every tray has the same level.
    """
    spec, say = spec or CompareSpec(), progress or silent
    book, fit_spec = book_of(book_or_fit), spec_of(book_or_fit, spec.fit)
    fit = book_or_fit if isinstance(book_or_fit, EmergenceFit) else None
    patterns = find_patterns(book, fit_spec.spring_ends) if fit is None else fit.patterns
    unnamed = patterns.trays["species"].isna()
    if unnamed.any():  # a lot whose species is not written down stands for itself, as in the fit
        patterns = replace(patterns, trays=patterns.trays.assign(species=groups_of(patterns.trays)))
    trays = _chosen(patterns, spec)
    if fit is None or unnamed.any():
        fit = fit_patterns(patterns, fit_spec, progress=progress)
    rows: list[ComparisonRow] = []
    for species, own in trays.groupby("species", sort=True, dropna=False):
        own = _known_seeds(own, patterns)
        levels = levels_of(own, spec.treatment)
        names = _ordered(
            levels_of(patterns.trays[patterns.trays["species"] == species], spec.treatment)
            if isinstance(species, str)
            else levels,
            levels,
            spec,
        )
        if len(names) < 2:
            continue
        say(f"comparing {species}")
        rows += _of_species(fit, str(species), trays=own, levels=levels, names=names, spec=spec)
    if not rows:
        raise NotEnoughRecordsError(
            f"No species has trays of two levels of {spec.treatment}: there is nothing to compare."
        )
    return Comparison(
        (*rows, *over_all(rows, spec)),
        _apart(trays, spec),
        volunteer_seedlings(book, spec.treatment),
        spec,
    )


def _chosen(patterns: Patterns, spec: CompareSpec) -> pd.DataFrame:
    """Trays asked for; near misses are suggested."""
    trays = patterns.trays
    if trays.empty:
        raise NotEnoughRecordsError(
            "No tray has a check that can be used, so nothing can be compared."
        )
    for column, asked in (("species", spec.species), ("lot", spec.lots)):
        known = sorted({str(name) for name in trays[column] if isinstance(name, str)})
        for name in asked:
            must_know(name, known, f"No tray of the {column} {name} can be used")
        trays = trays[trays[column].isin(asked)] if asked else trays
    if spec.reference is not None:
        levels = sorted(set(levels_of(trays, spec.treatment)))
        must_know(spec.reference, levels, f"No tray has the {spec.treatment} {spec.reference}")
    return trays


def _known_seeds(trays: pd.DataFrame, patterns: Patterns) -> pd.DataFrame:
    """Trays whose seeds are known; those sown by a pinch of unknown size only where there are no
    others.
    """
    unknown = np.array(
        [patterns.sowings[code].kind == "pinch_unmeasured" for code in trays["sowing"]], dtype=bool
    )
    return trays if unknown.all() else trays[~unknown]


def _ordered(known: pd.Series, own: pd.Series, spec: CompareSpec) -> list[str]:
    """Levels of a species, the reference first: the one asked for, else none, else that with most
    trays.
    """
    names = sorted(set(known))
    counts = own.value_counts()
    first = (
        min(
            names,
            key=lambda name: (
                name != spec.reference,
                name not in ("none", "untreated"),
                -int(counts.get(name, 0)),
                name,
            ),
        )
        if names
        else ""
    )
    return [first, *(name for name in names if name != first)]


def _of_species(
    fit: EmergenceFit,
    species: str,
    trays: pd.DataFrame,
    levels: pd.Series,
    names: list[str],
    spec: CompareSpec,
) -> list[ComparisonRow]:
    sown = set(levels)
    pairs = {
        pair: side_by_side(trays, levels, pair, spec.treatment)
        for pair in combinations(names, 2)
        if sown & set(pair)
    }
    others = others_of(fit, species)
    scales: VarianceComponents | None = None
    rows = []
    for pair, found in pairs.items():
        base = _raw(species, spec.treatment, trays=trays, levels=levels, pair=pair, found=found)
        why = found.refusal or _cannot(
            fit, trays.loc[found.codes], found=found, pair=pair, treatment=spec.treatment
        )
        if why:
            rows.append(replace(base, notes=(why,)))
            continue
        if scales is None and others.enough:
            scales = fit.pooled.components_of(others.trays)
        with one_thread():
            rows.append(
                compared(
                    fit, base, found=found, priors=borrow(fit, others, scales, found), spec=spec
                )
            )
    return judged(rows, spec)


def _raw(
    species: str,
    treatment: str,
    trays: pd.DataFrame,
    levels: pd.Series,
    pair: tuple[str, str],
    found: Pair,
) -> ComparisonRow:
    if len(found.codes):
        parts = [trays.loc[found.codes[found.level == k]] for k in (0, 1)]
    else:
        parts = [trays[levels == name] for name in pair]

    def sums(column: str) -> tuple[int | None, int | None]:
        totals = [
            None if part[column].isna().any() or part.empty else int(part[column].sum())
            for part in parts
        ]
        return totals[0], totals[1]

    return ComparisonRow(
        species=species,
        treatment=treatment,
        reference=pair[0],
        level=pair[1],
        trays=(len(parts[0]), len(parts[1])),
        seeds=sums("seeds"),
        emerged=sums("emerged"),
        filled=sums("filled"),
    )


def _cannot(
    fit: EmergenceFit, trays: pd.DataFrame, found: Pair, pair: tuple[str, str], treatment: str
) -> str:
    """Why trays that stood side by side still cannot be compared."""
    arms = [trays[found.level == k] for k in (0, 1)]
    first, last = (np.array([limit(arm["last_day"]) for arm in arms]) for limit in (min, max))
    # looked at more often, both are told up to one day
    once = any((arm["looks"] <= 1).all() for arm in arms)
    if once and (first[0] > last[1] or first[1] > last[0]):
        return (
            f"the last checks fell on different days after sowing ({pair[0]} {first[0]:.0f} to "
            f"{last[0]:.0f}, {pair[1]} {first[1]:.0f} to {last[1]:.0f}): the days and the "
            f"{treatment} cannot be separated; next time look at both on the same day, to the end"
        )
    pinched = [
        {
            fit.patterns.sowings[code].k is not None
            or fit.patterns.sowings[code].kind == "pinch_unmeasured"
            for code in arm["sowing"]
        }
        for arm in arms
    ]
    if pinched[0].isdisjoint(pinched[1]):
        which = pair[0] if True in pinched[0] else pair[1]
        return (
            f"only {which} was sown by the pinch: the pinch and the {treatment} cannot be "
            "separated; sow both with counted seeds, or both by the pinch"
        )
    seen = {(row.lot, row.label): row.share_seen for row in fit.rows}
    for name, arm in zip(pair, arms, strict=True):
        share = float(
            np.mean(
                [seen[lot, label] for lot, label in zip(arm["lot"], arm["treatment"], strict=True)]
            )
        )
        if share < FEW_SEEN and (arm["looks"] > 1).any():
            return (
                f"only about {100 * share:.0f} % of the seedlings under {name} had come by the "
                "last checks: few and late cannot be separated; look longer"
            )
    return ""


def _apart(trays: pd.DataFrame, spec: CompareSpec) -> tuple[str, ...]:
    """Lots only ever under one level, of species that have others."""
    levels = levels_of(trays, spec.treatment)
    said = []
    for _, own in trays.groupby("species", sort=True):
        if levels[own.index].nunique() < 2:
            continue
        for lot, part in own.groupby("lot", sort=True):
            only = set(levels[part.index])
            places = set(part["place"].astype(str)) - {""}
            if len(only) == 1:
                at = (
                    f" and only at {next(iter(places))}"
                    if len(places) == 1 and spec.treatment != "place"
                    else ""
                )
                said.append(
                    f"{lot} was only ever under {next(iter(only))}{at}: refused, "
                    f"lot{', place' if at else ''} and {spec.treatment} cannot be separated"
                )
    return tuple(said)
