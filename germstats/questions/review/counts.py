"""Evidence from counts: a lot against what was expected, a tray against its sisters, a cover
against another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats
from scipy.special import expit, logit, ndtr

from germstats.engine.timing import Array
from germstats.questions.review.lot_file import LotFile
from germstats.questions.review.row import Evidence, Limits
from germstats.questions.review.tray import (
    ReviewedTray,
    counted,
    expected_count,
    own_logit,
    seen_of,
)
from germstats.questions.review.undamaged_part import Part, SoundPart, sound_part, whole
from germstats.records.checking.parsing import so_many

_FARTHEST = 6.0
_LEAST_SHARE = 1e-3  # of seeds out by a look: fewer make no difference to a count of some hundreds
_NEARLY_EMPTY, _HALF = 0.1, 0.5  # shares of what was sown; common practice, no source


def z_of_lot(file: LotFile, logits: Array, part: Part | None = None) -> float | None:
    """Where the trays' joint count lies among what was expected, as a standard normal z.

    Parameters
    ----------
    file : LotFile
    logits : (N, T) array
        Of the counting trays.
    part : sequence of (int, ReviewedTray), optional
        Only these of the counting trays, by their place among them.
    """
    expected, chosen = file.expected, whole(file) if part is None else part
    if expected is None or not chosen:
        return None
    by_seed = all(counted(tray) for _, tray in chosen)
    shares = expit(logits)
    told = [expected_count(tray, shares[:, k], expected.rho, by_seed) for k, tray in chosen]
    mean, variance = (np.sum([one[at] for one in told], axis=0) for at in (0, 1))
    came = sum(seen_of(tray, by_seed)[0] for _, tray in chosen)
    below = float(ndtr((came - mean) / np.sqrt(variance + 0.25)).mean())
    return float(np.clip(stats.norm.ppf(np.clip(below, 1e-9, 1 - 1e-9)), -_FARTHEST, _FARTHEST))


@dataclass(frozen=True)
class Came:
    """What came in the counting trays of a lot beside what is expected of an ordinary spring.

    Attributes
    ----------
    trays : int
        How many counted.
    unit, of_what : str
        Seedlings and seeds, or filled and cells.
    seen, of : float
    expected, low, high : float or None
        Mean and ends of a range that holds nine lots of ten; None where nothing tells.
    """

    trays: int
    unit: str
    of_what: str
    seen: float
    of: float
    expected: float | None = None
    low: float | None = None
    high: float | None = None

    @property
    def untold(self) -> bool:
        """Less than half came, and nobody can say whether that is few: a lot nearly empty would be
        within the range, and so would one half full.
        """
        if self.low is None or self.high is None:
            return True
        half = _HALF * self.of
        return self.low <= _NEARLY_EMPTY * self.of and self.seen < half < self.high


def came(file: LotFile) -> Came | None:
    """Counts of the counting trays with what is expected of an ordinary spring; None where none
    counts.
    """
    trays, expected, ordinary = [file.trays[k] for k in file.counting], file.expected, file.ordinary
    if not trays:
        return None
    by_seed = all(counted(tray) for tray in trays)
    seen, of = (sum(seen_of(tray, by_seed)[part] for tray in trays) for part in (0, 1))
    unit, of_what = ("seedlings", "seeds") if by_seed else ("filled", "cells")
    if expected is None or ordinary is None:
        return Came(trays=len(trays), unit=unit, of_what=of_what, seen=seen, of=of)
    share = expit(ordinary)
    means = [
        expected_count(tray, share[:, k], expected.rho, by_seed)[0] for k, tray in enumerate(trays)
    ]
    total = np.sum(means, axis=0)
    low, high = np.quantile(total, [0.05, 0.95])
    return Came(
        trays=len(trays),
        unit=unit,
        of_what=of_what,
        seen=seen,
        of=of,
        expected=float(np.mean(total)),
        low=float(low),
        high=float(high),
    )


def came_words(found: Came | None) -> str:
    """The same in words."""
    if found is None:
        return "nothing that can be used was counted"
    unit, of_what = (
        _one_of(number, words)
        for number, words in ((found.seen, found.unit), (found.of, found.of_what))
    )
    said = f"{found.seen:.0f} {unit} of {found.of:.0f} {of_what} in {trays_words(found.trays)}"
    if found.expected is None:
        return f"{said}; nothing else on record tells what to expect"
    low, high = f"{found.low:.0f}", f"{found.high:.0f}"
    said += f"; an ordinary spring lets expect {found.expected:.0f}"
    said += f" ({low} to {high})" if low != high else ""
    return f"{said}, which leaves room for nearly anything" if found.untold else said


def _one_of(number: float, words: str) -> str:
    """Words for several things without their s where there is one."""
    return words.removesuffix("s") if round(number) == 1 else words


def trays_words(number: int) -> str:
    """So many trays."""
    return so_many(number, "tray")


def _graded(z: float | None, limits: Limits) -> str:
    if z is None or z > limits["lot_lowish"]:
        return ""
    return "low" if z < limits["lot_low"] else "lowish"


def _under(z: float | None, limits: Limits) -> str:
    """The same with a grade below: under the middle, which says something beside a poor seed test
    only.
    """
    return _graded(z, limits) or ("under" if z is not None and z <= limits["lot_under"] else "")


def _sound(file: LotFile, limits: Limits) -> SoundPart:
    found = lowest_tray(file)
    low = (
        found[0] if found is not None and found[2] < limits["tray_p"] / len(file.counting) else None
    )
    return sound_part(file, limits, low)


def lot_seen(file: LotFile, limits: Limits) -> Evidence:
    """The lot against an ordinary spring."""
    sound = _sound(file, limits)
    z = None if file.ordinary is None else z_of_lot(file, file.ordinary, sound.trays)
    left_out = f"; judged without {' and '.join(sound.without)}" if sound.without else ""
    return Evidence("lot_seen", _under(z, limits), z, came_words(came(file)) + left_out)


def lot_mates(file: LotFile, limits: Limits) -> Evidence:
    """The lot against what this spring did to the others."""
    z = (
        None
        if file.expected is None
        else z_of_lot(file, file.expected.mates, _sound(file, limits).trays)
    )
    said = (
        "by the other trays of this spring"
        if file.expected and file.expected.sister
        else "by this spring's others"
    )
    return Evidence("lot_mates", _graded(z, limits), z, f"{said}: {_z_words(z)}")


def _z_words(z: float | None) -> str:
    if z is None:
        return "cannot tell"
    below = 100 * float(ndtr(z))
    if below < 0.5:
        return "fewer than 1 lot in 200 comes so low"
    lots = max(round(below), 1)
    return (
        f"{lots} lot{'s' if lots > 1 else ''} in 100 come{'' if lots > 1 else 's'} so low"
        if z < 0
        else "not low"
    )


def season(file: LotFile, limits: Limits) -> Evidence:
    """The spring: shortfalls of all species against their need of cold."""
    expected = file.expected
    if expected is None or expected.slope is None:
        return Evidence(
            "season", "", None, "no other species with a chill need tells of this spring"
        )
    z = expected.slope[0] / expected.slope[1]
    down = expected.spring <= limits["season_down"]
    if down and z <= limits["season_slope"]:
        words = "the other trays say: the more cold a species needs, the worse it did this spring"
        return Evidence("season", "slope", z, words)
    if down:
        return Evidence("season", "down", z, "the species' other trays did badly this spring too")
    return Evidence(
        "season", "", z, "the others did about as usual this spring, whatever cold they need"
    )


def cold(file: LotFile, limits: Limits) -> Evidence:
    """The winter's weeks of cold against those the species needs, and against those of other
    winters.
    """
    found, reading = file.cold, file.cold.reading(limits)
    if found.need == 0:
        return Evidence("cold", reading, None, "the species needs no weeks of cold")
    if found.need is None:
        return Evidence(
            "cold", reading, None, "it is not written down how many weeks of cold the species needs"
        )
    if found.got is None:
        little = ", which nearly every winter brings" if reading else ""
        words = (
            f"{so_many(round(found.need), 'week')} of cold needed{little}; no weather says how "
            "many there were"
        )
        return Evidence("cold", reading, None, words)
    said = (
        f"{so_many(round(found.got), 'week')} of cold from sowing to the end of March, "
        f"{found.need:.0f} needed; "
    )
    said += (
        "no other winter is on record"
        if found.usual is None
        else f"other winters brought {found.usual:.0f}"
    )
    if (
        reading == "short"
        and file.expected is not None
        and not file.expected.earlier
        and _few(file, limits)
    ):
        return Evidence(
            "cold", "short_few", found.over, f"{said}; few came, and it was sown in no other winter"
        )
    return Evidence("cold", reading, found.over, said)


def _few(file: LotFile, limits: Limits) -> bool:
    """Whether few of the seeds came, by the lot's own trays."""
    rho = float(file.expected.rho.mean()) if file.expected is not None else 0.0
    logits = [own_logit(file.trays[k], rho)[0] for k in file.counting]
    return bool(logits) and float(expit(np.mean(logits))) < limits["cold_few"]


def lowest_tray(file: LotFile) -> tuple[int, tuple[int, ...], float] | None:
    """The tray that lies lowest among its sisters, those sisters, and its p, the scatter of trays
    integrated.

    Sisters lie under a cover as deep as its own. Each tray is held to what should be out by its own
    last look: one looked at in February only is not low beside those looked at in May. None where
    no tray has a sister.
    """
    expected, counting = file.expected, file.counting
    if expected is None:
        return None
    rho = float(expected.rho.mean())
    found = [own_logit(file.trays[k], rho) for k in counting]
    by_last_look = np.clip(
        expit(expected.middle) * expected.out.mean(axis=0), _LEAST_SHARE, 1 - _LEAST_SHARE
    )
    gap = np.array([own for own, _ in found]) - logit(by_last_look)
    spread = np.array([variance for _, variance in found]) + expected.tray_sd[:, None] ** 2
    deep = np.array([file.trays[k].deep for k in counting])
    tried = []
    for k in range(len(counting)):
        rest = np.flatnonzero((deep == deep[k]) & (np.arange(len(counting)) != k))
        if rest.size:
            weight = 1 / spread[:, rest]
            total = weight.sum(axis=1)
            middle = (weight * gap[rest]).sum(axis=1) / total
            below = float(ndtr((gap[k] - middle) / np.sqrt(spread[:, k] + 1 / total)).mean())
            tried.append((below, k, tuple(int(j) for j in rest)))
    if not tried:
        return None
    below, k, rest_of = min(tried)
    return k, rest_of, below


def _of(file: LotFile, places: Sequence[int]) -> Part:
    return tuple(one for one in whole(file) if one[0] in places)


def tray(file: LotFile, limits: Limits) -> Evidence:
    """One tray against its sisters."""
    found = lowest_tray(file)
    if found is None:
        return Evidence("tray", "", None, "no sister trays to hold against each other")
    k, rest, p = found
    counting = file.counting
    one = file.trays[counting[k]]
    others = [file.trays[j].filled or 0 for j in (counting[i] for i in rest)]
    between = f"{min(others)} to {max(others)}" if min(others) < max(others) else f"{others[0]}"
    limit = limits["tray_p"] / len(counting)
    if p >= limit:
        words = f"no tray is out of line: {one.tray} has {_has(one)}, the others {between}"
        return Evidence(evidence="tray", reading="alike", statistic=p, words=words, limit=limit)
    z = z_of_lot(file, file.ordinary, _of(file, rest)) if file.ordinary is not None else None
    low = z is not None and z <= limits["lot_lowish"]
    words = f"{one.tray} has {_has(one)}, its sisters {between}"
    if p >= limits["tray_far_p"] / len(counting):
        return Evidence(
            evidence="tray",
            reading="one_lower",
            statistic=p,
            words=words,
            limit=limit,
            trays=(one.tray,),
        )
    return Evidence(
        evidence="tray",
        reading="one_low_rest_low" if low else "one_low_rest_fine",
        statistic=p,
        words=words,
        limit=limit,
        trays=(one.tray,),
    )


def _has(one: ReviewedTray) -> str:
    if one.counted == "seeds":
        return f"{so_many(one.filled or 0, 'seedling')} of {so_many(one.cells, 'seed')}"
    return f"{one.filled} of {so_many(one.cells, 'cell')} filled"


def cover(file: LotFile, limits: Limits) -> Evidence:
    """Deep against other covers inside the lot."""
    expected, counting = file.expected, file.counting
    deep = [k for k, at in enumerate(counting) if file.trays[at].deep]
    other = [k for k, at in enumerate(counting) if not file.trays[at].deep]
    if expected is None or not deep or not other:
        return Evidence("cover", "", None, "no deep cover beside another in this lot")

    found = [own_logit(file.trays[at], float(expected.rho.mean())) for at in counting]
    logits = np.array([logit for logit, _ in found])  # (T,)
    noise = np.array([variance for _, variance in found])
    variance = noise[None] + expected.tray_sd[:, None] ** 2  # (N, T)
    of_mean = {
        "deep": variance[:, deep].sum(axis=1) / len(deep) ** 2,
        "other": variance[:, other].sum(axis=1) / len(other) ** 2,
    }
    apart = logits[deep].mean() - logits[other].mean()
    below = float(ndtr(apart / np.sqrt(of_mean["deep"] + of_mean["other"])).mean())
    z = float(stats.norm.ppf(np.clip(below, 1e-9, 1 - 1e-9)))

    by_seeds = all(file.trays[at].counted == "seeds" for at in counting)
    counted = "seedlings" if by_seeds else "filled cells"
    said = (
        f"{counted} in deep-covered trays {_fills(file, deep)}, in the others {_fills(file, other)}"
    )
    if z > limits["cover_z"]:
        return Evidence("cover", "alike", z, said)
    rest = None if file.ordinary is None else z_of_lot(file, file.ordinary, _of(file, other))
    rest_is_fine = rest is None or rest > limits["lot_lowish"]
    reading = "deep_low_bare_fine" if rest_is_fine else "deep_lower_both_low"
    return Evidence("cover", reading, z, said)


def _fills(file: LotFile, places: list[int]) -> str:
    trays = [file.trays[file.counting[k]] for k in places]
    return f"{', '.join(str(one.filled) for one in trays)} of {trays[0].cells}"
