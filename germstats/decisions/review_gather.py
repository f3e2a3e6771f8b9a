"""From a book and its fit to the file of each lot of a season."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from germstats.decisions.lot_file import LotFile, SeedTest, TrayFile, Usual
from germstats.decisions.review_records import TrayRecord, tray_records, usual_of
from germstats.decisions.review_rules import Rules
from germstats.models.emergence import EmergenceFit
from germstats.models.left_out import Expected, TrayAsk, expect
from germstats.models.pooled import share_seen
from germstats.models.pooled_design import TrayKey
from germstats.models.timing import FAMILIES, Array
from germstats.models.tree import predictors
from germstats.records.book import RecordBook
from germstats.records.sown import sown_trays

_USUAL_LABEL_FEWEST = 2
_UNKNOWN_PINCH = "pinch of unknown size"


@dataclass(frozen=True)
class Gathered:
    """What reviews of one book have in common.

    Attributes
    ----------
    book : RecordBook
    fit : EmergenceFit
    rules : Rules
    """

    book: RecordBook
    fit: EmergenceFit
    rules: Rules

    @cached_property
    def trays(self) -> pd.DataFrame:
        """Trays as sown, with ``deep``; index is not the tray code."""
        trays = sown_trays(self.book, self.fit.spec.spring_ends).drop_duplicates("tray")
        depth, cover = trays["cover_depth_mm"].astype(float), trays["cover"].astype(str)
        return trays.assign(deep=(depth > self.rules.limits["deep_mm"]) | ((cover == "sand") & depth.isna()))

    @cached_property
    def records(self) -> dict[str, TrayRecord]:
        """What was seen in each tray, faults and losses with it."""
        return tray_records(self.book, self.fit.spec.spring_ends)

    @cached_property
    def usual(self) -> Usual:
        """What is usual in this book."""
        return usual_of(self.book, self.records)

    @cached_property
    def code(self) -> dict[str, int]:
        """Tray id -> code in the fit."""
        return {str(tray): k for k, tray in enumerate(self.fit.patterns.trays["tray"])}

    @cached_property
    def predictors(self) -> tuple[Array, Array]:
        """(T, 3) predictors of the fitted trays and (T,) the share out by their last check, by tray code."""
        pooled = self.fit.pooled
        assert pooled is not None
        at = predictors(pooled.design.tree, pooled.scales.found.state)
        seen = share_seen(pooled.design, at)
        values, shares = np.empty_like(at), np.empty(len(at))
        values[pooled.design.order], shares[pooled.design.order] = at, seen
        return values, shares


def lot_file(gathered: Gathered, lot: str, season: int) -> LotFile:
    """The file of one lot in one season.

    Parameters
    ----------
    gathered : Gathered
    lot : str
    season : int
        Year of the first spring of its trays.

    Returns
    -------
    LotFile
    """
    own = gathered.trays[(gathered.trays["lot"] == lot) & (gathered.trays["season"] == season)]
    rows = own.to_dict("records")
    facts = _species(gathered.book, rows[0]["species"])
    trays = tuple(_tray_file(gathered, row) for row in rows)
    file = LotFile(
        lot=lot, species=str(rows[0]["species"] or lot), season=season, trays=trays, expected=None, share_out=1.0,
        log_time=None, tests=_tests(gathered.book, lot), light=facts.get("light") == "needs",
        two_winters=bool(rows[0]["two_winters"]), waiting=_waiting(gathered, rows), usual=gathered.usual,
        apart=_apart(gathered.trays, lot),
    )  # fmt: skip
    return _with_expectation(gathered, file, rows)


def _with_expectation(gathered: Gathered, file: LotFile, rows: Sequence[dict[Hashable, Any]]) -> LotFile:
    codes = np.array([gathered.code[one.tray] for one in file.trays if one.tray in gathered.code], dtype=np.int64)
    asks = [_ask(gathered, file, rows[k]) for k in file.counting]
    expected: Expected | None = expect(gathered.fit, codes, file.lot, asks) if asks else None
    timed = [gathered.code[file.trays[k].tray] for k in file.counting if file.trays[k].tray in gathered.code]
    share, log_time = 1.0, None
    if timed:
        values, shares = gathered.predictors
        share = float(shares[timed].mean())
        came = any((file.trays[k].filled or 0) > 0 for k in file.counting)
        choice = gathered.fit.timing.get(file.species)
        if choice is not None and came:
            middle = FAMILIES[choice.family].quantile(0.5)
            log_time = float((values[timed, 1] + middle * np.exp(values[timed, 2])).mean())
    return LotFile(**{**vars(file), "expected": expected, "share_out": share, "log_time": log_time})


def _ask(gathered: Gathered, file: LotFile, row: dict[Hashable, Any]) -> TrayAsk:
    """A tray as it is to be expected; light-needing seed under a deep cover as if it had lain under the usual one."""
    label = str(row["treatment"])
    if file.light and row["deep"]:
        label = _usual_label(gathered, file.species, label) or label
    chill = float(row["chill_weeks"])
    key = TrayKey(file.species, label, file.season, str(row["place"]), chill if chill > 0 else None)
    record = gathered.records[str(row["tray"])]
    return TrayAsk(key, record.last_day, float((row["origin"] - row["sown_on"]).days))


def _usual_label(gathered: Gathered, species: str, label: str) -> str | None:
    """How the species is sown as a rule: uncovered where that was tried, else as most of its shallow trays."""
    trays = gathered.trays
    shallow = trays[(trays["species"] == species) & ~trays["deep"] & trays["tray"].isin(gathered.code)]
    alike = shallow[shallow["treatment"].str.contains(_UNKNOWN_PINCH) == (_UNKNOWN_PINCH in label)]
    bare = alike[alike["cover"] == "none"]
    counts = (bare if len(bare) >= _USUAL_LABEL_FEWEST else alike)["treatment"].value_counts()
    return str(counts.index[0]) if len(counts) and counts.iloc[0] >= _USUAL_LABEL_FEWEST else None


def _tray_file(gathered: Gathered, row: dict[Hashable, Any]) -> TrayFile:
    name = str(row["tray"])
    record = gathered.records[name]
    if name in gathered.code:
        fitted = gathered.fit.patterns.trays.iloc[gathered.code[name]]
        cells = int(fitted["cells"])
        seeds, emerged, filled = (
            None if pd.isna(fitted[c]) else float(fitted[c]) for c in ("seeds", "emerged", "filled")
        )
    else:
        cells, seeds, emerged = record.cells, None, None
        filled = None if record.filled is None else float(record.filled)
    return TrayFile(
        tray=name, label=str(row["treatment"]), place=str(row["place"]), deep=bool(row["deep"]), rate=row["rate"],
        cells=cells, seeds=seeds, emerged=None if emerged is None else int(emerged),
        filled=None if filled is None or row["rate"] is None or pd.isna(row["sown_on"]) else int(filled),
        seen_map=record.seen_map, lost=record.lost, ever=record.ever, by_cell=record.by_cell,
        falls=record.falls, sudden=record.sudden,
        happened=record.happened, cut_short=record.cut_short, mice=record.mice,
    )  # fmt: skip


def _species(book: RecordBook, species: str | None) -> dict[Hashable, Any]:
    rows = book.tables["species"]
    found = rows[rows["species"] == species].to_dict("records")
    return found[0] if found else {}


def _tests(book: RecordBook, lot: str) -> tuple[SeedTest, ...]:
    rows = book.tables["lots"]
    found = rows[rows["lot"] == lot].to_dict("records")
    return tests_of(found[0]) if found else ()


def tests_of(lot: dict[Hashable, Any]) -> tuple[SeedTest, ...]:
    """Tests written down for a lot; those that cannot be are left out (check names them)."""
    tests = []
    for kind, tested, good in (("cut test", "cut_test_seeds", "cut_test_full"),
                               ("tetrazolium test", "tz_seeds", "tz_viable")):  # fmt: skip
        if not (pd.isna(lot[tested]) or pd.isna(lot[good])) and 0 < lot[tested] >= lot[good]:
            tests.append(SeedTest(kind, int(lot[tested]), int(lot[good])))
    counts = [int(n) for n in str(lot["germination_counts"]).split() if n.isdigit()]
    if counts and max(counts) <= 100:
        tests.append(SeedTest("germination test", 100 * len(counts), sum(counts)))
    return tuple(tests)


def _waiting(gathered: Gathered, rows: Sequence[dict[Hashable, Any]]) -> bool:
    """A two-winter lot of which no tray has been looked at in its second spring."""
    return bool(rows[0]["two_winters"]) and not any(str(row["tray"]) in gathered.code for row in rows)


def _apart(trays: pd.DataFrame, lot: str) -> str:
    """A lot always under one cover, of a species that has others: what it cannot be told from."""
    own = trays[trays["lot"] == lot]
    family = trays[(trays["species"] == own["species"].iloc[0]) & (trays["lot"] != lot)]
    labels, places = set(own["cover"].astype(str)), set(own["place"].astype(str)) - {""}
    others = set(family["cover"].astype(str))
    if len(labels) != 1 or len(own) < _USUAL_LABEL_FEWEST or len(places) != 1 or others <= labels:
        return ""
    cover, place = next(iter(labels)) or "an unnamed cover", next(iter(places))
    return (f"{lot} was only ever under {cover} and only at {place}: seed, cover and place cannot be told apart; sow "
            f"two trays of it under another cover beside two under {cover}, at two places")  # fmt: skip
