"""The evidence of a review: one small function a row, each with its statistic, how it reads, and
words.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from germstats.forecast.seed_tests import judge_test
from germstats.questions.review.counts import (
    cold,
    cover,
    lot_mates,
    lot_seen,
    season,
    tray,
    trays_words,
)
from germstats.questions.review.lot_file import LotFile
from germstats.questions.review.maps import block, course, edge, loss_map, losses, overfull, shape
from germstats.questions.review.row import Evidence, Limits
from germstats.questions.review.rules import Rules
from germstats.questions.review.tray import own_logit
from germstats.records.checking.parsing import so_many


def to_come(file: LotFile, limits: Limits) -> Evidence:
    """What had not come by the last checks."""
    reading = "much" if file.share_out < limits["much_to_come"] else ""
    reading = reading or ("some" if file.share_out < limits["some_to_come"] else "")
    return Evidence(
        "to_come",
        reading,
        file.share_out,
        f"about {100 * file.share_out:.0f} % of what comes had come by the last checks",
    )


def record(file: LotFile, limits: Limits) -> Evidence:
    """Faults of the record itself."""
    falls = max(file.trays, key=lambda one: one.falls)
    if falls.falls > limits["record_falls"]:
        words = (
            f"{falls.tray}: seedlings ever seen fall in {so_many(falls.falls, 'cell')} with "
            "nothing noted"
        )
        return Evidence(
            evidence="record",
            reading="falls",
            statistic=float(falls.falls),
            words=words,
            trays=(falls.tray,),
        )
    sudden = tuple(one.tray for one in file.trays if one.sudden)
    if sudden:
        words = f"{', '.join(sudden)}: a fifth or more gone between two checks"
        return Evidence(
            evidence="record", reading="sudden", statistic=None, words=words, trays=sudden
        )
    return Evidence("record", "", None, "the counts hang together")


def timing(file: LotFile, limits: Limits) -> Evidence:
    """Days to the middle seed against the species this spring."""
    expected = file.expected
    if expected is None or file.log_time is None or not np.isfinite(expected.log_time).all():
        return Evidence("timing", "", None, "no timing to compare")
    mean = expected.log_time.mean(axis=1)
    z = float((file.log_time - mean.mean()) / mean.std())
    days = np.exp(file.log_time) - np.exp(mean.mean())
    reading = "late" if z >= limits["timing"] else "early" if z <= -limits["timing"] else ""
    way = "later" if days > 0 else "earlier"
    apart = so_many(round(abs(days)), "day")
    return Evidence(
        "timing", reading, z, f"half had come about {apart} {way} than expected this spring"
    )


def cover_use(file: LotFile, limits: Limits) -> Evidence:
    """Light-needing seed under a deep cover."""
    deep = [one for one in file.trays if one.deep]
    if not (file.light and deep):
        return Evidence("cover_use", "", None, "no light-needing seed lay deep")
    words = f"{trays_words(len(deep))} of light-needing seed under {deep[0].label}"
    return Evidence(
        evidence="cover_use",
        reading="deep_light",
        statistic=float(len(deep)),
        words=words,
        trays=tuple(one.tray for one in deep),
    )


def test(file: LotFile, limits: Limits) -> Evidence:
    """Tests of the seed against what came up."""
    if not file.tests:
        return Evidence("test", "", None, "no seed test is written down")
    worst = min(file.tests, key=lambda one: (one.good + 0.5) / (one.tested + 1))
    share = (worst.good + 0.5) / (worst.tested + 1)
    logit, noise = np.log(share / (1 - share)), 1 / ((worst.tested + 1) * share * (1 - share))
    z = float((logit - file.usual.viable) / np.sqrt(noise + file.usual.viable_sd**2))
    low = z <= limits["test_z"] or worst.good < limits["test_half"] * worst.tested
    exact = judge_test(worst.tested, worst.good, worst.kind)
    said = (
        f"{worst.kind}: {worst.good} of {worst.tested} good (true share {100 * exact.low:.0f} to "
        f"{100 * exact.high:.0f} %)"
    )
    # else few may have come up so far of the best seed
    over = file.share_out >= limits["much_to_come"]
    wide = over and _gap(file, share, noise) >= limits["gap_z"]
    fewer = "; far fewer came up" if wide else ""
    good = z >= limits["good_z"] and (
        file.ordinary is None or share >= float(expit(file.ordinary).mean())
    )
    if not low and not good:
        return Evidence(
            "test", "middling", z, f"{said}; neither poor nor good for its species{fewer}"
        )
    reading = ("low_gap" if wide else "low") if low else ("good_gap" if wide else "good")
    return Evidence("test", reading, z, said + fewer)


def _gap(file: LotFile, viable: float, noise: float) -> float:
    """How far emergence lies below what is expected of the tested seed, over its sd; 0 where it
    cannot be told.
    """
    expected, ordinary_logits, counting = file.expected, file.ordinary, file.counting
    if expected is None or ordinary_logits is None or not counting:
        return 0.0
    usual = float(expit(file.usual.viable))
    ordinary = float(expit(ordinary_logits).mean())
    lets = min(viable * min(ordinary / usual, 1.0), 0.99)
    found = [own_logit(file.trays[k], float(expected.rho.mean())) for k in counting]
    came = float(np.mean([logit for logit, _ in found]))
    chance = sum(variance for _, variance in found) / len(found) ** 2
    spread = np.sqrt(noise + chance + float((expected.tray_sd**2).mean()) / len(found) + 0.35**2)
    return float((np.log(lets / (1 - lets)) - came) / spread)


def note(file: LotFile, limits: Limits) -> Evidence:
    """Mice in the notes or events."""
    mice = tuple(one.tray for one in file.trays if one.mice)
    if not mice:
        return Evidence("note", "", None, "no mice were noted")
    return Evidence(
        evidence="note",
        reading="mouse",
        statistic=None,
        words=f"{', '.join(mice)}: mice were noted",
        trays=mice,
    )


def trays(file: LotFile, limits: Limits) -> Evidence:
    """How many trays there are."""
    return Evidence(
        "trays",
        "one" if len(file.trays) == 1 else "several",
        float(len(file.trays)),
        trays_words(len(file.trays)),
    )


def mapped(file: LotFile, limits: Limits) -> Evidence:
    """Whether a tray was mapped."""
    maps = len(file.mapped)
    return Evidence(
        "map",
        "some" if maps else "none",
        float(maps),
        f"{maps} of {trays_words(len(file.trays))} mapped",
    )


def company(file: LotFile, limits: Limits) -> Evidence:
    """Whether anything close tells what to expect."""
    if file.expected is not None and (file.expected.sister or file.expected.earlier):
        return Evidence(
            "company",
            "some",
            None,
            "another lot of the species this season, or an earlier season of it",
        )
    return Evidence(
        "company",
        "none",
        None,
        "no other lot of the species this season, and no earlier season of it",
    )


def apart(file: LotFile, limits: Limits) -> Evidence:
    """Whether the lot was always sown the same way."""
    return Evidence("apart", "together" if file.apart else "", None, file.apart)


@dataclass(frozen=True)
class Row:
    """One kind of evidence: how it is judged, how it can read, and the limit beyond which it
    speaks.
    """

    judge: Callable[[LotFile, Limits], Evidence]
    readings: tuple[str, ...]
    limit: str = ""


ROWS: dict[str, Row] = {
    "lot_seen": Row(lot_seen, ("under", "lowish", "low"), "lot_lowish"),
    "lot_mates": Row(lot_mates, ("lowish", "low"), "lot_lowish"),
    "season": Row(season, ("slope", "down"), "season_slope"),
    "cold": Row(cold, ("short", "short_few", "enough", "little"), "cold_spare"),
    "to_come": Row(to_come, ("some", "much"), "some_to_come"),
    "tray": Row(tray, ("alike", "one_lower", "one_low_rest_fine", "one_low_rest_low")),
    "block": Row(block, ("none", "some", "strong"), "some_p"),
    "shape": Row(shape, ("strip", "patch")),
    "edge": Row(edge, ("none", "some", "strong"), "some_p"),
    "overfull": Row(overfull, ("none", "some", "strong"), "overfull_some"),
    "losses": Row(losses, ("some", "strong"), "losses_some"),
    "course": Row(course, ("at_once", "over_time", "jump"), "at_once"),
    "loss_map": Row(loss_map, ("none", "clustered", "edge"), "loss_map_p"),
    "record": Row(record, ("falls", "sudden"), "record_falls"),
    "timing": Row(timing, ("late", "early"), "timing"),
    "cover": Row(cover, ("alike", "deep_low_bare_fine", "deep_lower_both_low"), "cover_z"),
    "cover_use": Row(cover_use, ("deep_light",)),
    "test": Row(test, ("low", "low_gap", "middling", "good", "good_gap"), "test_z"),
    "note": Row(note, ("mouse",)),
    "trays": Row(trays, ("one", "several")),
    "map": Row(mapped, ("none", "some")),
    "company": Row(company, ("some", "none")),
    "apart": Row(apart, ("together",)),
}
"""All rows by name, in the order they are told."""


def evidence_of(file: LotFile, limits: Limits) -> tuple[Evidence, ...]:
    """All rows of a lot, each with its limit."""
    rows = []
    for name, row in ROWS.items():
        found = row.judge(file, limits)
        assert found.evidence == name and found.reading in ("", *row.readings), found
        told = found.limit is None and found.statistic is not None and row.limit
        rows.append(replace(found, limit=limits[row.limit]) if told else found)
    return tuple(rows)


def called_poor(file: LotFile, rules: Rules) -> bool:
    """Whether anything opens the review of a lot; seed tests do not."""
    asked = {door.evidence for door in rules.doors} | {
        door.beside[0] for door in rules.doors if door.beside
    }
    rows = {name: row.judge(file, rules.limits) for name, row in ROWS.items() if name in asked}
    readings = [(name, row.reading) for name, row in rows.items() if row.reading]
    return any(
        door.opens(rows[door.evidence].reading, rows[door.evidence].statistic, readings)
        for door in rules.doors
    )
