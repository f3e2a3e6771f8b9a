"""`backtest` in words and numbers: what was promised of past trays, and what came."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from germstats.document.sentences import percent, spread, wrapped
from germstats.document.tables import Table, text_table
from germstats.questions.backtest.result import WIDE_SPRINGS, BackTest, SeasonVerdict
from germstats.questions.backtest.scores import Score, TrayTest
from germstats.records.checking.parsing import so_many

_BASES = {
    "lot": "same lot, same cover",
    "species": "other lots, same cover",
    "cover": "cover new to the species",
    "unknown": "species new, or not written down",
}


def backtest_text(test: BackTest) -> str:
    """The whole printed answer of `germstats backtest`."""
    return "\n".join(
        [
            wrapped(
                f"Every season after the first ({test.first_season}) foretold from the seasons "
                "before it only, at the seeds really sown, and held against what came. 'fill %' "
                "is the mean share of cells filled, foretold and seen; 'range' is that foretold "
                f"for one tray, right for {100 * test.level:.3g} trays in a hundred: 'inside', "
                "'short' and 'better' count the trays in, below and above theirs. 'promised' adds "
                f"up the chances of filling {100 * test.target:.3g} % of the cells or more, "
                "'reached' counts the trays that did. 'pencil' is plain arithmetic from all "
                "earlier seeds, which knows no scatter of trays and springs."
            ),
            "",
            text_table(*seasons_table(test)),
            "",
            *(wrapped(words, "  ") for words in season_sentences(test)),
            "",
            text_table(_header("lot"), [_line(one, one.name) for one in test.lots]),
            "",
            *_lot_words(test),
            text_table(
                _header("what it rests on"),
                [_line(one, _BASES[one.name]) for one in _sorted(test.bases)],
            ),
            "",
            *(wrapped(words) for words in overall_words(test)),
            "",
            *_set_aside(test),
            wrapped(next_of_backtest(test)),
        ]
    )


def seasons_table(test: BackTest) -> Table:
    """One row per season forecast."""
    return _header("season"), [_line(one, one.name) for one in test.seasons]


def season_sentences(test: BackTest) -> list[str]:
    """What came of each season's promises."""
    target = f"{100 * test.target:.3g} %"
    return [_season_words(one, test) + _short_of_promise(one, target) for one in test.seasons]


def _header(first: str) -> tuple[str, ...]:
    return (
        first,
        "trays",
        "fill %",
        "range",
        "seen %",
        "inside",
        "short",
        "better",
        "promised",
        "reached",
        "pencil inside",
        "promised",
    )


def _line(one: Score, name: str) -> tuple[str, ...]:
    return (
        name,
        str(one.trays),
        percent(one.expected_fill),
        spread(percent(one.low_fill), percent(one.high_fill)),
        percent(one.seen_fill),
        str(one.inside),
        str(one.short),
        str(one.better),
        f"{one.promised:.1f}",
        str(one.reached),
        str(one.pencil_inside),
        f"{one.pencil_promised:.1f}",
    )


def _sorted(bases: Iterable[Score]) -> list[Score]:
    return sorted(bases, key=lambda one: list(_BASES).index(one.name))


def _season_words(one: Score, test: BackTest) -> str:
    own = [row for row in test.rows if str(row.season) == one.name]
    words = f"{one.name}: {one.inside} of {so_many(one.trays, 'tray')} inside their range"
    if one.inside == one.trays:
        return f"{words}, as promised."
    words += f", {one.short} fell short, {one.better} came better"
    verdict = test.verdict_of(one)
    if verdict == SeasonVerdict.AS_PROMISED:
        return f"{words}: as promised."
    if verdict == SeasonVerdict.NEW_COVERS:
        new = [row for row in own if row.basis == "cover"]
        missed = sum(not row.inside for row in new)
        return (
            f"{words}. {missed} of the misses were under covers the species had never had: look at "
            "the cover before the spring. The other trays came as promised."
        )
    known = [row for row in own if row.basis != "cover"]
    if verdict == SeasonVerdict.POORER:
        return (
            f"{words}. A poorer spring than those before it could "
            f"foretell{_mostly(known, short=True)}."
        )
    if verdict == SeasonVerdict.KINDER:
        return (
            f"{words}. A kinder spring than those before it could "
            f"foretell{_mostly(known, short=False)}."
        )
    return f"{words}. Missed on both sides: trays differed more than those before them had."


def _short_of_promise(one: Score, target: str) -> str:
    if one.chances != "too high":
        return ""
    return (
        f" {one.reached} filled {target} of their cells; about {one.promised:.0f} had been "
        "promised."
    )


def _mostly(rows: Sequence[TrayTest], short: bool) -> str:
    """The species (lots, where species are not recorded) of which half the trays or more went that
    way.
    """
    trays = Counter(row.species or row.lot for row in rows)
    went = Counter(
        row.species or row.lot
        for row in rows
        if (row.seen < row.low if short else row.seen > row.high)
    )
    named = [
        f"{name} ({went[name]} of {count})"
        for name, count in sorted(trays.items())
        if 2 * went[name] >= max(count, 2)
    ]
    return f"; above all {', '.join(named)}" if named else ""


def _lot_words(test: BackTest) -> list[str]:
    """Lots of which more trays left their range than chance would have it, and when."""
    lines = []
    for one in test.lots:
        if one.ranges == "too high":
            side = (
                "short"
                if one.short > one.better
                else "better"
                if one.better > one.short
                else "on both sides"
            )
            missed = [row for row in test.rows if row.lot == one.name and not row.inside]
            seasons = sorted(Counter(row.season for row in missed).items())
            when = ", ".join(f"{season}: {count}" for season, count in seasons)
            why = (
                "; all under covers new to it"
                if all(row.basis == "cover" for row in missed)
                else ""
            )
            lines.append(
                wrapped(
                    f"{one.name}: {len(missed)} of {one.trays} trays outside, mostly {side} "
                    f"({when}{why})",
                    "  ",
                )
            )
    return (
        ["Lots whose trays left their ranges more often than chance would have it:", *lines, ""]
        if lines
        else []
    )


_OF_RANGES = {
    "as promised": "The ranges held as promised.",
    "too high": "The ranges were too narrow for what came.",
    "too low": "The ranges were wider than your trays needed: the forecasts are cautious.",
}
_OF_CHANCES = {
    "as promised": "The chances came true as promised.",
    "too high": "More was promised than came.",
    "too low": "More came than was promised: the forecasts are cautious.",
}


def ranges_words(test: BackTest) -> str:
    """How many trays came inside their range, and what that says of the ranges."""
    one = test.overall
    return (
        f"Over all: {one.inside} of {one.trays} trays came inside their range; about "
        f"{one.inside_expected:.0f} should have ({_between(one.inside_low, one.inside_high)} by "
        f"chance alone). {_OF_RANGES[one.ranges]} A range spanned "
        f"{100 * (one.high_fill - one.low_fill):.0f} points on average; a wide one is easily "
        f"right. Of the pencil's narrow ones, meant to hold as often, {one.pencil_inside} held."
    )


def chances_words(test: BackTest) -> str:
    """Of how many trays the target was promised, how many reached it, and what that says of the
    chances.
    """
    one = test.overall
    return (
        f"{100 * test.target:.3g} % of the cells or more: promised of "
        f"{so_many(round(one.promised), 'tray')} ({_between(one.promised_low, one.promised_high)} "
        f"by chance alone), come true in {one.reached}. {_OF_CHANCES[one.chances]} The pencil "
        f"promised {one.pencil_promised:.0f}."
    )


def overall_words(test: BackTest) -> list[str]:
    """Promised and come, over all, in a few sentences."""
    one = test.overall
    known = test.without_new_covers()
    apart = (
        []
        if known is None or known.trays == one.trays
        else [
            f"Without the {so_many(one.trays - known.trays, 'tray')} under covers new to their "
            f"species, {known.inside} of {known.trays} came inside, "
            f"{_between(known.inside_low, known.inside_high)} by chance alone."
        ]
    )
    by_seeds = sum(row.counted == "seeds" for row in test.rows)
    counted = f"Only seedlings were counted in {_trays(by_seeds)}"
    singly = [f"{counted}, so each seed there counts as one cell, a pinch as its mean."]
    better = "better than" if one.chance_error < one.pencil_chance_error else "no better than"
    return [
        ranges_words(test),
        *apart,
        *(singly if by_seeds else []),
        chances_words(test),
        f"Error of the chances, 0 being perfect and 0.25 what a coin gets: {one.chance_error:.3f}, "
        f"the pencil's {one.pencil_chance_error:.3f}; {better} the pencil.",
        "Trays of one spring share its luck, so what chance alone can do is more than these "
        f"ranges say: with {_seasons(len(test.seasons))} tested, take the verdicts as "
        + ("a first hint." if test.hint_only else "a guide, not as proof."),
    ]


def _between(low: int, high: int) -> str:
    return f"{low} to {high}" if high > low else str(low)


def _trays(count: int) -> str:
    return "1 tray" if count == 1 else f"{count} trays"


def _seasons(count: int) -> str:
    return "one season" if count == 1 else f"{count} seasons"


def _set_aside(test: BackTest) -> list[str]:
    if not test.set_aside and not test.left_out:
        return []
    of = len(test.rows) + len(test.set_aside)
    lines = (
        [f"Set aside, {len(test.set_aside)} of {of} trays of the seasons tested:"]
        if test.set_aside
        else []
    )
    lines += [
        wrapped(f"{one.tray} ({one.lot}, {one.season}): {one.why}", "  ") for one in test.set_aside
    ]
    if test.left_out:
        trays = _trays(len(test.left_out))
        lines.append(
            wrapped(
                f"Another {trays} of the book could not be used, whatever the season; germstats "
                "fit says why."
            )
        )
    return [*lines, ""]


def next_of_backtest(test: BackTest) -> str:
    """What to do next with the promises."""
    if test.held:
        return (
            "Next: germstats sow. Its chances have held on your own trays so far; keep every "
            "check, zeros too, and ask again after this spring."
        )
    springs = " and ".join(str(season) for season in test.troubled_seasons())
    more = "For orders that must not fail ask for more, say germstats sow --assurance 0.9."
    if springs and test.narrow_springs:
        return (
            f"Next: springs like {springs} can come again. Run germstats backtest with --season-sd "
            f"{WIDE_SPRINGS:g} (springs that differ more): if more trays come inside and the error "
            f"of the chances does not grow, use the same in germstats sow. {more}"
        )
    if springs:
        return f"Next: springs like {springs} can come again. {more}"
    return (
        "Next: sow with something in hand, say germstats sow --assurance 0.9, and hold the "
        "seasons' lots against each other in germstats fit: seed, cover or place may have changed "
        "between them."
    )
