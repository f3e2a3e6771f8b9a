"""What a record book tells a review: every tray as sown, its raw records, seed tests, what is usual
in the nursery.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from germstats.engine.fit import FitSpec, Progress, silent
from germstats.forecast.cold_weeks import weeks_of_cold
from germstats.forecast.weather import DailyWeather, daily_weather
from germstats.questions.review.gather import Gathered, fit_sound
from germstats.questions.review.lot_file import SeedTest
from germstats.questions.review.maps import hit_trays
from germstats.questions.review.records import usual_of, with_records
from germstats.questions.review.rules import Rules
from germstats.questions.review.sown import LotFacts
from germstats.questions.review.tray import ReviewedTray
from germstats.records.book import RecordBook
from germstats.records.intervals.patterns import find_patterns
from germstats.records.intervals.sowings import sown_trays
from germstats.records.intervals.subsets import last_look
from germstats.records.tables import Lots, Species, Trays

_SEEDS_OF_TEST = 100
_TESTS = (
    ("cut test", "cut_test_seeds", "cut_test_full"),
    ("tetrazolium test", "tz_seeds", "tz_viable"),
)
_OF_TESTS = ("cut_test_seeds", "cut_test_full", "tz_seeds", "tz_viable", "germination_counts")


def gather(
    book: RecordBook,
    rules: Rules,
    spec: FitSpec | None = None,
    progress: Progress = silent,
) -> Gathered:
    """Lay out a book for the review of its lots, and fit it.

    Parameters
    ----------
    book : RecordBook
    rules : Rules
        Their limits say what a deep cover is, and when something has plainly happened to a tray.
    spec : FitSpec, optional
        Pooled.
    progress : callable, optional

    Returns
    -------
    Gathered

    Raises
    ------
    NotEnoughRecordsError
        No tray has a usable check.
    """
    spec = spec or FitSpec()
    table = sown_trays(book, spec.spring_ends).drop_duplicates("tray")
    every = table.to_dict("records")
    rows = [row for row in every if not pd.isna(row[Trays.season]) and row[Trays.lot]]
    weather = daily_weather(book.weather)
    sown = [_sown(row, rules.limits["deep_mm"], weather, book.left_out) for row in every]
    known = with_records(sown, book, table, spec.spring_ends)
    patterns = find_patterns(book, spec.spring_ends)
    # what trays usually lose is learned from those of unknown lot or season too
    usual = usual_of(known)
    fit = fit_sound(patterns, hit_trays(known, usual, rules.limits), spec, progress)
    lots = _facts(book, rows, set(patterns.trays[Trays.tray]))
    return Gathered(
        fit=fit,
        patterns=patterns,
        trays=tuple(one for one in known if one.season and one.lot),
        lots=lots,
        usual=usual,
        rules=rules,
    )


def _sown(
    row: dict[Hashable, Any],
    deep_mm: float,
    weather: DailyWeather | None,
    stopped: Mapping[str, str],
) -> ReviewedTray:
    """A row of `sown_trays` as a tray of a review, without its records."""
    tray, cover, sown_on = str(row[Trays.tray]), str(row[Trays.cover]), row[Trays.sown_on]
    depth, chill = row[Trays.cover_depth_mm], float(row[Species.chill_weeks])
    season = 0 if pd.isna(row[Trays.season]) else int(row[Trays.season])
    dated = season > 0 and not pd.isna(sown_on)
    cold = None
    if dated and not row[Species.two_winters]:
        cold = weeks_of_cold(weather, sown_on, season)
    return ReviewedTray(
        tray=tray,
        lot=str(row[Trays.lot]),
        species=str(row["species"] or row[Trays.lot]),
        season=season,
        label=str(row["treatment"]),
        cover=cover,
        place=str(row[Trays.place]),
        deep=cover == "sand" if pd.isna(depth) else bool(depth > deep_mm),
        rate=row["rate"],
        chill=chill if chill >= 0 else None,
        origin_days=float((row["origin"] - sown_on).days) if dated else None,
        cold=cold,
        stopped=stopped.get(tray, ""),
    )


def _facts(
    book: RecordBook, rows: list[dict[Hashable, Any]], looked_at: set[str]
) -> dict[str, LotFacts]:
    """Facts of every lot that was sown."""
    light = {
        str(row[Lots.species]): row["light"] == "needs" for row in book.species.to_dict("records")
    }
    last = last_look(book) or pd.Timestamp.min
    own: dict[str, list[dict[Hashable, Any]]] = {}
    for row in rows:
        own.setdefault(str(row[Lots.lot]), []).append(row)
    tests = {str(row[Lots.lot]): seed_tests(row) for row in book.lots.to_dict("records")}
    found, wrong = {}, _impossible(book)
    for lot, sown in own.items():
        two = bool(sown[0][Species.two_winters])
        looked = {int(row["season"]) for row in sown if str(row["tray"]) in looked_at}
        ahead = {int(row["season"]) for row in sown if two and last <= row["window_end"]} - looked
        needs_light = light.get(str(sown[0]["species"]), False)
        found[lot] = LotFacts(
            tests=tests.get(lot, ()),
            light=needs_light,
            two_winters=two,
            not_over=frozenset(ahead),
            notes=wrong.get(lot, ()),
        )
    return found


def seed_tests(lot: dict[Hashable, Any]) -> tuple[SeedTest, ...]:
    """Tests written down for a lot; those that cannot be are blank in the book."""
    tests = [
        SeedTest(kind, int(lot[tested]), int(lot[good]))
        for kind, tested, good in _TESTS
        if not (pd.isna(lot[tested]) or pd.isna(lot[good])) and lot[tested] > 0
    ]
    counts = [int(n) for n in str(lot[Lots.germination_counts]).split()]
    if counts:
        tests.append(SeedTest("germination test", _SEEDS_OF_TEST * len(counts), sum(counts)))
    return tuple(tests)


def _impossible(book: RecordBook) -> dict[str, tuple[str, ...]]:
    """What is wrong with the tests of a lot, by lot."""
    found: dict[str, tuple[str, ...]] = {}
    wrong = book.findings[
        (book.findings["table"] == "lots") & book.findings["column"].isin(_OF_TESTS)
    ]
    for key, message, remedy in wrong[["key", "message", "remedy"]].itertuples(index=False):
        lot = str(key).split("/")[0]
        found[lot] = (*found.get(lot, ()), f"{message}; {remedy}")
    for row in book.lots.to_dict("records"):
        lot = str(row[Lots.lot])
        blank = [
            f"{kind}: {int(row[good])} good, but not of how many; it is not used until {tested} is "
            "written down"
            for kind, tested, good in _TESTS
            if pd.isna(row[tested]) and not pd.isna(row[good])
        ]
        if blank and lot not in found:
            found[lot] = tuple(blank)
    return found
