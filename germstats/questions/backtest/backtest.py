"""Past seasons forecast from the seasons before them, and compared with what came: `back_test`."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterator, Mapping
from dataclasses import replace
from functools import cache, partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from germstats.engine.draws import RowDraws, by_day
from germstats.engine.fit import (
    EmergenceFit,
    FitSpec,
    Progress,
    fit_patterns,
    silent,
    trays_by_reason,
)
from germstats.engine.horizon import nearest_looks
from germstats.engine.quantiles import count_range
from germstats.engine.timing import Array
from germstats.errors import NotEnoughRecordsError
from germstats.forecast.order import Parts
from germstats.forecast.tray import filled_cells, new_tray
from germstats.questions.backtest.finished_trays import empty_cells, why_not_finished
from germstats.questions.backtest.out_of_sample import OutOfSample, foreknow, share_seen
from germstats.questions.backtest.result import BackTest, BackTestSpec, Promise, SetAside
from germstats.questions.backtest.scores import Forecast, Score, TrayTest, score
from germstats.records.book import RecordBook
from germstats.records.intervals.patterns import Patterns, find_patterns, seen_by
from germstats.records.intervals.seed_totals import seeds_as_cells, told_by_seeds
from germstats.records.intervals.subsets import before_season
from germstats.records.seeds import SowingRate
from germstats.records.tables import Trays

_UNMEASURED = (
    "sown by the pinch, of unknown size, as no tray was before: weigh the seed or count ten pinches"
)
_SUREST = 1e-6  # no forecast is surer than one in a million


def back_test(
    book_or_fit: RecordBook | Patterns | EmergenceFit,
    spec: BackTestSpec | None = None,
    *,
    progress: Progress | None = None,
) -> BackTest:
    """Forecast every season after the first from the seasons before it, and compare.

    Parameters
    ----------
    book_or_fit : RecordBook, Patterns or EmergenceFit
        Of a fit only its records and settings are used: each season is fitted from those before.
    spec : BackTestSpec, optional
    progress : callable, optional
        Called with a short text before each stage.

    Returns
    -------
    BackTest

    Raises
    ------
    NotEnoughRecordsError
        No tray can be tested: one season only, or nothing finished in the later ones.
    """
    spec = spec or BackTestSpec()
    if isinstance(book_or_fit, EmergenceFit):
        patterns, spec = book_or_fit.patterns, replace(spec, fit=book_or_fit.spec)
    elif isinstance(book_or_fit, Patterns):
        patterns = book_or_fit
    else:
        patterns = find_patterns(book_or_fit, spec.fit.spring_ends)
    say = progress or silent
    promise = Promise(spec.target, spec.level)
    seasons = _seasons(patterns, spec.fit)
    results: list[TrayTest | SetAside] = []
    for season in seasons[1:]:
        say(f"{season}, from the seasons before it")
        past = before_season(patterns, season)
        fit = fit_patterns(past, spec.fit) if len(past.trays) else None
        results += held_against(
            patterns, np.flatnonzero(patterns.trays[Trays.season] == season), fit, promise
        )
    rows = [one for one in results if isinstance(one, TrayTest)]
    aside = [one for one in results if isinstance(one, SetAside)]
    if not rows:
        why = trays_by_reason(one.why for one in aside)
        raise NotEnoughRecordsError(f"No tray of a later season can be tested ({why}).")
    return BackTest(
        rows=tuple(rows),
        set_aside=tuple(aside),
        left_out=dict(patterns.left_out),
        seasons=_scores(rows, lambda row: str(row.season)),
        lots=_scores(rows, lambda row: row.lot),
        bases=_scores(rows, lambda row: row.basis),
        overall=score("all", rows),
        first_season=seasons[0],
        spec=spec.fit,
        target=spec.target,
        level=spec.level,
    )


def _seasons(patterns: Patterns, spec: FitSpec) -> list[int]:
    """Seasons on record, two or more."""
    if patterns.trays.empty:
        fit_patterns(patterns, spec)  # refuses, and says why nothing can be used
    seasons = sorted(int(season) for season in patterns.trays[Trays.season].unique())
    if len(seasons) < 2:
        raise NotEnoughRecordsError(
            f"The book has usable records of one season only ({seasons[0]}); a back-test needs "
            "two. Keep this season's checks, zeros too, and ask again after the next."
        )
    return seasons


def held_against(
    patterns: Patterns, codes: NDArray[np.intp], fit: EmergenceFit | None, promise: Promise
) -> Iterator[TrayTest | SetAside]:
    """Hold trays against what a fit that does not know them forecast of them in a spring not yet
    seen.

    Parameters
    ----------
    patterns : Patterns
    codes : (C,) int array
        Of the trays, in `patterns`.
    fit : EmergenceFit or None
        Of other trays; None: nothing was known.
    promise : Promise

    Yields
    ------
    TrayTest or SetAside
        By lot, then tray.
    """
    patterns = _up_to_horizon(patterns, codes, fit)
    by_seeds = told_by_seeds(patterns)
    patterns = seeds_as_cells(patterns)
    trays = patterns.trays.iloc[codes].sort_values([Trays.lot, Trays.tray])
    parts = _sown_parts(patterns, trays)
    empty = empty_cells(patterns, trays)
    forecasts: dict[tuple[str, Parts, float], Forecast] = {}

    @cache  # trays of one lot are sown alike and looked at together
    def known_of(species: str | None, lot: str, label: str, sowing: int) -> OutOfSample | None:
        if fit is None:
            return None
        return foreknow(fit, species, lot=lot, label=label, rate=patterns.sowings[sowing])

    out = _share_out()
    for code, tray in zip(trays.index, trays.to_dict("records"), strict=True):
        species = tray["species"] if isinstance(tray["species"], str) else None
        known = known_of(species, tray["lot"], tray["treatment"], tray["sowing"])
        if known is None:
            yield _set_aside(tray, _unknown(patterns.sowings[tray["sowing"]]))
            continue
        seen_by = partial(out, known, tray["origin_days"])
        if why := why_not_finished(tray, empty.get(code), seen_by):
            yield _set_aside(tray, why)
            continue
        # a full tray stays full
        day = np.inf if empty.get(code) is None else _on_clock(known, tray)
        key = f"{tray['lot']}, {tray['treatment']}", parts[code], day
        if key not in forecasts:
            forecasts[key] = _forecast(known, by_day(known.draws, day), parts[code], promise)
        yield TrayTest(
            tray=tray["tray"],
            season=int(tray["season"]),
            species=species,
            lot=tray["lot"],
            label=tray["treatment"],
            basis=known.basis,
            seen=round(tray["filled"]),
            counted="seeds" if by_seeds[code] else "cells",
            **vars(forecasts[key]),
        )


def _set_aside(tray: Mapping[Hashable, Any], why: str) -> SetAside:
    return SetAside(tray["tray"], int(tray["season"]), tray["lot"], why)


def _share_out() -> Callable[[OutOfSample, float, float], float]:
    """`share_seen` of what is known, the days to 1 February and the day, remembered: lots sown for
    the first time share the draws of their species.
    """
    shares: dict[tuple[tuple[int, ...], float, float], float] = {}

    def out(known: OutOfSample, origin_days: float, day: float) -> float:
        asked = tuple(id(draws) for draws in known.timed), day, origin_days
        if asked not in shares:
            shares[asked] = share_seen(known, day, origin_days)
        return shares[asked]

    return out


def _sown_parts(patterns: Patterns, trays: pd.DataFrame) -> dict[int, Parts]:
    """Tray code -> how many of its cells were sown at which rate, as far as the records show
    them.
    """
    columns = ["tray", "sowing", "count"]
    seen = pd.concat([patterns.finishes[columns], patterns.occupied[columns]])
    cells = seen[seen["tray"].isin(trays.index)].groupby(["tray", "sowing"])["count"].sum()
    parts = {}
    for code, tray in zip(trays.index, trays.to_dict("records"), strict=True):
        whole = tray["record"] == "seedlings"  # its finishes are single seeds, not cells
        counts = {tray["sowing"]: tray["cells"]} if whole else cells.loc[code].to_dict()
        parts[int(code)] = tuple(
            (patterns.sowings[sowing], round(count)) for sowing, count in counts.items()
        )
    return parts


def _unknown(rate: SowingRate) -> str:
    """Why nothing is forecast."""
    return (
        "nothing usable was known before its season"
        if rate.kind != "pinch_unmeasured"
        else _UNMEASURED
    )


def _up_to_horizon(
    patterns: Patterns, codes: NDArray[np.intp], fit: EmergenceFit | None
) -> Patterns:
    """The records of some trays up to the horizon that the fit tells their lots by: later looks
    hold no promise.
    """
    if fit is None or fit.horizons is None or patterns.units is None:
        return patterns
    days = np.full(len(patterns.trays), np.inf)
    rows = patterns.trays.iloc[codes]
    species = rows["species"].astype(object).where(rows["species"].notna(), None)
    for code, group, lot, origin in zip(
        codes, species, rows["lot"], rows["origin_days"], strict=True
    ):
        days[code] = fit.horizons.of(group, lot).from_sowing(float(origin))
    known = np.isfinite(days)
    days[known] = nearest_looks(patterns, np.where(known, days, 0.0))[known]
    once = rows.index[rows["looks"] <= 1]  # a single count is taken as final
    days[once] = np.inf
    return seen_by(patterns, days)


def _on_clock(known: OutOfSample, tray: Mapping[Hashable, Any]) -> float:
    """Day of a tray's last look on the clock of what is known of it; endless where no timing is
    known.
    """
    time = known.draws.time
    if time is None:
        return np.inf
    return float(time.on_clock(tray["last_day"], tray["origin_days"]))


def _forecast(known: OutOfSample, draws: RowDraws, parts: Parts, promise: Promise) -> Forecast:
    """What was promised of a tray; `draws` forecast it up to its last look."""
    cells = sum(count for _, count in parts)
    step = math.gcd(*(count for _, count in parts))
    # in turn, each as often as it was sown
    rates = tuple(rate for rate, count in parts for _ in range(count // step))
    filled = filled_cells(new_tray(draws), rates, cells)
    wanted = max(math.ceil(promise.target * cells - 1e-9), 1)
    if promise.assured is not None:
        wanted = _most(filled, promise.assured)
    low, high = count_range(filled, promise.level)
    fill = sum(count * pencil_fill(known.pencil, rate) for rate, count in parts) / cells
    plain = stats.binom(cells, fill)
    plain_low, plain_high = count_range(plain.pmf(np.arange(cells + 1)), promise.level)
    return Forecast(
        cells=cells,
        wanted=wanted,
        seeds_per_cell=sum(rate.mean * count for rate, count in parts) / cells,
        expected=float(filled @ np.arange(cells + 1)),
        low=low,
        high=high,
        range_chance=_never_certain(filled[low : high + 1].sum()),
        chance=_never_certain(filled[wanted:].sum()),
        pencil_expected=cells * fill,
        pencil_low=plain_low,
        pencil_high=plain_high,
        pencil_range_chance=_never_certain(plain.cdf(plain_high) - plain.cdf(plain_low - 1)),
        pencil_chance=_never_certain(plain.sf(wanted - 1)),
    )


def _most(filled: Array, assured: float) -> int:
    """The most cells that are filled with this chance or a higher one; `filled` holds P(0), P(1),
    ...
    """
    reached = filled[::-1].cumsum()[::-1]
    return int(np.flatnonzero(reached >= assured - 1e-9)[-1])


def _never_certain(chance: float) -> float:
    return float(np.clip(chance, _SUREST, 1 - _SUREST))


def pencil_fill(share: float, rate: SowingRate) -> float:
    """Share of cells with at least one seedling, seeds being independent: 1 - (1 - p)^n; a pinch
    counts as its mean.
    """
    numbers = rate.counts or (rate.mean,)
    return float(np.mean([1 - (1 - share) ** n for n in numbers]))


def _scores(rows: list[TrayTest], name: Callable[[TrayTest], str]) -> tuple[Score, ...]:
    groups: dict[str, list[TrayTest]] = {}
    for row in rows:
        groups.setdefault(name(row), []).append(row)
    return tuple(score(key, groups[key]) for key in sorted(groups))
