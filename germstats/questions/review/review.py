"""Why a lot did poorly, and what to do next year: `review`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

import pandas as pd

from germstats.engine.fit import EmergenceFit, FitSpec, Progress, book_of, silent, spec_of
from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.questions.review.befell import OneTray, maps_to_draw, one_tray_of
from germstats.questions.review.book import gather
from germstats.questions.review.counts import Came, came, came_words
from germstats.questions.review.evidence import evidence_of
from germstats.questions.review.gather import lot_file
from germstats.questions.review.lot_file import LotFile
from germstats.questions.review.row import Evidence
from germstats.questions.review.rules import Check, Reading, Rules, When, load_rules
from germstats.questions.review.scoring import KINDS_OF_TRAY, Scored, score
from germstats.questions.review.tray import ReviewedTray
from germstats.records.book import RecordBook
from germstats.records.suggesting import must_know
from germstats.records.tables import Lots, Trays

_PLAIN = frozenset({"tray", "block", "edge", "losses", "record", "cover"})
"""Evidence of what happened to a tray, which needs no more checks."""
_OF_THE_END = frozenset({"lot_seen", "lot_mates", "season", "to_come"})
"""Evidence that holds what came by the end of the spring against what was expected by then."""


class LotVerdict(StrEnum):
    """How a lot did in its season."""

    AS_EXPECTED = "as expected"
    NOT_OVER = "not over yet"
    POOR = "poor"
    NO_VERDICT = "cannot tell"


@dataclass(frozen=True)
class CauseFound:
    """One cause of a poor lot, with what speaks for and against it.

    Attributes
    ----------
    cause, words, standing : str
        Standing is likely, possible or unlikely.
    points, start : int
        All, and those before any evidence.
    supports, opposes : tuple of (Evidence, int)
        Rows with their points.
    capped : str
        Why it stands no higher.
    """

    cause: str
    words: str
    standing: str
    points: int
    start: int
    supports: tuple[tuple[Evidence, int], ...]
    opposes: tuple[tuple[Evidence, int], ...]
    capped: str


@dataclass(frozen=True)
class LotReview:
    """The review of one lot in one season.

    Attributes
    ----------
    lot, species, season : str, str, int
    verdict : {"as expected", "not over yet", "poor", "cannot tell"}
    one_tray : OneTray or None
        What happened to one of its trays, where it is looked into for that alone and itself came
        well enough; its verdict is poor then, too, and `shown_verdict` says which of the two it is.
    doors : tuple of str
        What opened the review: why the lot is called poor.
    opened : frozenset of str
        The evidence whose doors opened.
    seen : str
        Raw counts beside what was expected.
    causes : tuple of CauseFound
        The highest first. Of a lot that is not over yet those only that stand already, beside that;
        else empty.
    told : bool
        Whether the lot is poor and a cause is likely; of a poor lot else it cannot be told which.
    test : str
        The cheapest test between the top two.
    test_when : When or None
        When that can be made; None where there is no test.
    next_year, cautions : tuple of str
    waiting : bool
        Whether it is waiting for its second spring.
    maps : tuple of str
        Trays whose maps show why it is poor, the emptiest first.
    evidence : tuple of Evidence
    trays : tuple of ReviewedTray
    refused : str
        What cannot be told apart, because it always went together, and what to sow to find out;
        empty where nothing.
    notes : tuple of str
    """

    lot: str
    species: str
    season: int
    verdict: LotVerdict
    one_tray: OneTray | None
    doors: tuple[str, ...]
    opened: frozenset[str]
    seen: str
    causes: tuple[CauseFound, ...]
    told: bool
    test: str
    test_when: When | None
    next_year: tuple[str, ...]
    cautions: tuple[str, ...]
    waiting: bool
    maps: tuple[str, ...]
    evidence: tuple[Evidence, ...]
    trays: tuple[ReviewedTray, ...]
    refused: str
    notes: tuple[str, ...]

    @property
    def named(self) -> tuple[CauseFound, ...]:
        """Causes to be named: "something happened to one tray" is left out where it is told
        what.
        """
        return _named(self.causes)

    @property
    def shown(self) -> tuple[CauseFound, ...]:
        """Causes worth naming: those that stand, at most two where none is likely."""
        return (
            tuple(one for one in self.named if one.standing != "unlikely")
            if self.told
            else best_fits(self.named)
        )

    @property
    def shown_verdict(self) -> str:
        """The verdict as a heading has it: of a tray, where it is a tray and not the lot."""
        return self.verdict if self.one_tray is None else self.one_tray.words


@dataclass(frozen=True)
class Review:
    """Reviews of the lots of one season, poor ones first; trays of no known lot are named."""

    season: int
    lots: tuple[LotReview, ...]
    lotless: tuple[str, ...] = ()

    @property
    def poor(self) -> tuple[LotReview, ...]:
        """Lots that are poor themselves."""
        return tuple(
            one for one in self.lots if one.verdict == LotVerdict.POOR and one.one_tray is None
        )

    @property
    def of_one_tray(self) -> tuple[LotReview, ...]:
        """Lots that came well enough but for one tray."""
        return tuple(one for one in self.lots if one.one_tray is not None)

    def __repr__(self) -> str:
        return f"<Review of spring {self.season}: {len(self.poor)} of {len(self.lots)} lots poor>"

    def to_frame(self) -> pd.DataFrame:
        """One row per lot, poor ones first.

        Returns
        -------
        pandas.DataFrame
            Columns lot, species, season, verdict, shown_verdict, because (list), seen,
            likeliest_cause and its standing (None where no cause is worth naming), told (whether a
            cause is likely), test, test_when, next_year (list), maps (list of trays).
        """
        return pd.DataFrame([_summary(one) for one in self.lots], columns=_SUMMARY)

    def as_record(self) -> dict[str, object]:
        """What `germstats review --json` prints beside the settings."""
        return {
            "season": self.season,
            "lots": [_record(one) for one in self.lots],
            "trays_of_no_known_lot": list(self.lotless),
            "poor": [one.lot for one in self.poor],
            "of_one_tray": [one.lot for one in self.of_one_tray],
        }


_SUMMARY = [
    "lot",
    "species",
    "season",
    "verdict",
    "shown_verdict",
    "because",
    "seen",
    "likeliest_cause",
    "standing",
    "told",
    "test",
    "test_when",
    "next_year",
    "maps",
]


def _summary(one: LotReview) -> dict[str, object]:
    """A lot's columns of `Review.to_frame`: as in its record, with the first cause shown."""
    first = one.shown[0] if one.shown else None
    return {
        **_record(one),
        "likeliest_cause": first.cause if first else None,
        "standing": first.standing if first else None,
    }


def _record(one: LotReview) -> dict[str, object]:
    causes = [
        {
            "cause": cause.cause,
            "words": cause.words,
            "standing": cause.standing,
            "points": cause.points,
            "for": [row.words for row, _ in cause.supports],
            "against": [row.words for row, _ in cause.opposes],
            "held_down": cause.capped,
            "shown": cause in one.shown,
        }
        for cause in one.causes
    ]
    evidence = [
        {
            "evidence": row.evidence,
            "reading": row.reading,
            "statistic": row.statistic,
            "limit": row.limit,
            "words": row.words,
            "trays": list(row.trays),
        }
        for row in one.evidence
    ]
    return {
        "lot": one.lot,
        "species": one.species,
        "season": one.season,
        "verdict": one.verdict,
        "because": list(one.doors),
        "seen": one.seen,
        "causes": causes,
        "told": one.told,
        "test": one.test or None,
        "next_year": list(one.next_year),
        "cautions": list(one.cautions),
        "evidence": evidence,
        "refused": one.refused or None,
        "notes": list(one.notes),
        "shown_verdict": one.shown_verdict,
        "befell_one_tray": [] if one.one_tray is None else list(one.one_tray.befell),
        "test_when": one.test_when,
        "waiting_for_second_spring": one.waiting,
        "maps": list(one.maps),
    }


@dataclass(frozen=True)
class ReviewSpec:
    """What is reviewed.

    Attributes
    ----------
    lots : tuple of str
        Only these; empty for all.
    season : int or None
        Year of the first spring; None: the last in the book, or the lots' own last.
    rules : pathlib.Path or None
        Folder of edited rules; None: the rules that come with the package.
    fit : FitSpec
        Settings of the fit, where a book is handed over instead of one.
    """

    lots: tuple[str, ...] = ()
    season: int | None = None
    rules: Path | None = None
    fit: FitSpec = field(default_factory=FitSpec)


def review(
    book_or_fit: RecordBook | EmergenceFit,
    spec: ReviewSpec | None = None,
    *,
    progress: Progress | None = None,
) -> Review:
    """Review the lots of a season against what is expected by the rest of the records.

    Parameters
    ----------
    book_or_fit : RecordBook or EmergenceFit
        Of a fit only its book and settings are used: a review leaves some trays out of its own.
    spec : ReviewSpec, optional
    progress : callable, optional
        Called with a short text before each stage.

    Returns
    -------
    Review

    Raises
    ------
    WrongUseError
        An unknown lot or season, or rules that cannot be read.
    NotEnoughRecordsError
        No tray can be used.
    """
    spec, say = spec or ReviewSpec(), progress or silent
    book, fit_spec = book_of(book_or_fit), spec_of(book_or_fit, spec.fit)
    held = load_rules(spec.rules)
    chosen, year, lotless = _chosen(book, spec.lots, spec.season)
    gathered = gather(book, held, fit_spec, say)
    reviews = []
    for lot in chosen:
        say(f"reviewing {lot}")
        reviews.append(judge(lot_file(gathered, lot, year), held))
    order = [LotVerdict.POOR, LotVerdict.NO_VERDICT, LotVerdict.NOT_OVER, LotVerdict.AS_EXPECTED]
    return Review(
        year, tuple(sorted(reviews, key=lambda one: (order.index(one.verdict), one.lot))), lotless
    )


def _chosen(
    book: RecordBook, lots: Sequence[str], season: int | None
) -> tuple[tuple[str, ...], int, tuple[str, ...]]:
    """Lots to review, the season, and trays of it that belong to no known lot."""
    trays = book.trays.dropna(subset=[Trays.season])
    trays = trays[trays[Trays.lot] != ""]
    if trays.empty:
        raise NotEnoughRecordsError(
            "No tray is in the book yet: enter trays and their checks first."
        )
    listed = set(book.lots[Lots.lot].astype(str)) or {str(lot) for lot in trays[Trays.lot]}
    sown = trays[trays[Trays.lot].isin(listed)]
    for lot in lots:
        must_know(
            lot, {str(name) for name in sown[Trays.lot]}, f"There is no tray of the lot {lot}"
        )
    own = sown[sown[Trays.lot].isin(lots)] if lots else trays
    year = int(own[Trays.season].max()) if season is None else season
    years = sorted({int(y) for y in trays[Trays.season]})
    if year not in years:
        raise WrongUseError(
            f"No tray was sown for the season {year}; the book has {', '.join(map(str, years))}."
        )
    here = {str(lot) for lot in own.loc[own[Trays.season] == year, Trays.lot]}
    away = sorted(set(lots) - here)
    if away:
        when = ", ".join(f"{lot} in {_years(trays, lot)}" for lot in away)
        raise WrongUseError(f"Not sown for the season {year}: {when}; choose with --season.")
    every = book.trays
    lost = (
        every[(every[Trays.season] == year).fillna(False) & ~every[Trays.lot].isin(listed)]
        if not lots
        else every[:0]
    )
    return tuple(sorted(here & listed)), year, tuple(str(tray) for tray in lost[Trays.tray])


def _years(trays: pd.DataFrame, lot: str) -> str:
    own = trays[trays[Trays.lot] == lot]
    return " and ".join(str(year) for year in sorted({int(y) for y in own["season"]}))


def judge(file: LotFile, rules: Rules) -> LotReview:
    """Review one lot.

    Parameters
    ----------
    file : LotFile
    rules : Rules

    Returns
    -------
    LotReview
    """
    evidence = evidence_of(file, rules.limits)
    rows = {row.evidence: row for row in evidence}
    readings = [(row.evidence, row.reading) for row in evidence if row.reading]
    doors = _open_doors(rows, readings, rules)
    opened = frozenset(doors)

    found = came(file)
    verdict = _verdict(file, found, z=rows["lot_seen"].statistic, opened=opened, rules=rules)
    poor = verdict == LotVerdict.POOR
    scored = () if file.waiting else shown_scores(verdict, readings, rules)
    causes = tuple(_cause(one, evidence, rules) for one in scored)
    named = _named(causes)
    likely = [one for one in named if one.standing == "likely"] or list(best_fits(named))
    test = _test(verdict, named, rules, {name for name, _ in readings})

    supports = [row for one in causes for row, _ in one.supports]
    cautions = [rules.causes[one.cause].caution for one in causes if one.standing != "unlikely"]
    return LotReview(
        lot=file.lot,
        species=file.species,
        season=file.season,
        verdict=verdict,
        one_tray=one_tray_of(evidence, opened, rules.own_limit) if poor else None,
        doors=tuple(doors.values()),
        opened=opened,
        seen=came_words(found),
        causes=causes,
        told=poor and causes[0].standing == "likely",
        test="" if test is None else test.words,
        test_when=None if test is None else test.when,
        next_year=tuple(rules.causes[one.cause].next_year for one in likely) if poor else (),
        cautions=tuple(dict.fromkeys(caution for caution in cautions if caution)),
        waiting=file.waiting,
        maps=maps_to_draw(file.trays, supports) if poor else (),
        evidence=evidence,
        trays=file.trays,
        refused=file.apart,
        notes=_notes(file),
    )


def _open_doors(
    rows: Mapping[str, Evidence], readings: Sequence[Reading], rules: Rules
) -> dict[str, str]:
    """Evidence that makes a lot be looked into -> its words; of doors of one evidence, which say
    nearly the same, the last.
    """
    return {
        door.evidence: door.words
        for door in rules.doors
        if door.opens(rows[door.evidence].reading, rows[door.evidence].statistic, readings)
    }


def shown_scores(
    verdict: LotVerdict, readings: Sequence[Reading], rules: Rules
) -> tuple[Scored, ...]:
    """Causes that are told of a lot: all of a poor one; of one that is not over yet those that
    stand already, whatever is still to come: that it came low so far speaks for nothing.
    """
    if verdict == LotVerdict.NOT_OVER:
        already = [reading for reading in readings if reading[0] not in _OF_THE_END]
        return tuple(
            one
            for one in score(already, rules)
            if one.standing != "unlikely" and one.cause != "unfinished"
        )
    return score(readings, rules) if verdict == LotVerdict.POOR else ()


def best_fits(causes: Sequence[CauseFound]) -> tuple[CauseFound, ...]:
    """The two causes that fit best where none is likely; what is unlikely fits nothing."""
    return tuple(one for one in causes if one.standing != "unlikely")[:2]


def _named(causes: tuple[CauseFound, ...]) -> tuple[CauseFound, ...]:
    """Without "something happened to one tray" where it is told what."""
    kind = any(one.cause in KINDS_OF_TRAY and one.standing == "likely" for one in causes)
    return tuple(one for one in causes if not (kind and one.cause == "tray"))


def _verdict(
    file: LotFile, found: Came | None, z: float | None, opened: frozenset[str], rules: Rules
) -> LotVerdict:
    if file.waiting:
        return LotVerdict.NOT_OVER
    late = file.share_out < rules.limits["not_over_seen"]
    plain = bool(opened & _PLAIN)  # what has plainly happened is said, whatever is still to come
    if late and not plain and z is not None and z <= rules.limits["not_over_z"]:
        return LotVerdict.NOT_OVER
    if opened:
        return LotVerdict.POOR
    return (
        LotVerdict.NO_VERDICT
        if z is None or found is None or found.untold
        else LotVerdict.AS_EXPECTED
    )


def _cause(one: Scored, evidence: tuple[Evidence, ...], rules: Rules) -> CauseFound:
    by_reading: dict[Reading, Evidence] = {(row.evidence, row.reading): row for row in evidence}
    parts = [(by_reading[reading], size) for reading, size in one.parts]
    return CauseFound(
        cause=one.cause,
        words=rules.causes[one.cause].words,
        standing=one.standing,
        points=one.points,
        start=rules.causes[one.cause].start,
        supports=tuple(part for part in parts if part[1] > 0),
        opposes=tuple(part for part in parts if part[1] < 0),
        capped=one.capped,
    )


def _test(
    verdict: LotVerdict, causes: tuple[CauseFound, ...], rules: Rules, known: set[str]
) -> Check | None:
    if verdict == LotVerdict.NOT_OVER:
        return Check(
            "count again in 7 to 14 days, until two checks bring nothing new", When.IN_SPRING
        )
    if verdict != LotVerdict.POOR:
        return None
    first, others = causes[0].cause, causes[1:]
    if not others or others[0].standing == "unlikely":
        if (check := rules.check(first, known)) is not None:
            return check
        others = tuple(
            sorted(
                (one for one in others if one.cause not in KINDS_OF_TRAY),
                key=lambda one: -one.points,
            )
        )
    return (
        rules.test_between(first, others[0].cause, known) if others else rules.causes[first].check
    )


def _notes(file: LotFile) -> tuple[str, ...]:
    out: dict[str, list[str]] = {}
    for k, one in enumerate(file.trays):
        if k not in file.counting and (why := _why_not(one)):
            out.setdefault(why, []).append(one.tray)
    notes = [
        f"{', '.join(trays)} {'does' if len(trays) == 1 else 'do'} not count: {why}"
        for why, trays in out.items()
    ]
    counting = [file.trays[k] for k in file.counting]
    notes += [
        f"{one.tray} is stopped by germstats check ({one.stopped}); what is written down is read "
        "here all the same, no estimate rests on it"
        for one in counting
        if one.stopped
    ]
    if file.waiting:
        notes.append(
            "needs two winters: never called failed before its second spring; keep the trays"
        )
    elif file.two_winters:
        notes.append("needs two winters: judged in its second spring")
    if file.expected is not None and file.expected.lots == 0:
        notes.append("no other lot of the species is on record: what to expect is wide")
    if file.expected is None and file.counting:
        notes.append("nothing else on record tells what to expect of it: this is the first")
    return (*notes, *file.notes)


def _why_not(one: ReviewedTray) -> str:
    """Why a tray is not compared with what is expected of its lot."""
    if one.cut_short:
        return f"{one.cut_short}, before its emergence was over"
    if one.of_pinches:
        return "it was sown by pinches of unknown size"
    return (
        "it has no check that can be used"
        if one.rate is not None
        else "it is not known what was sown in it"
    )
