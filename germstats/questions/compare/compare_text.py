"""`compare` in words: verdicts first, the numbers they rest on, then what could not be
separated.
"""

from __future__ import annotations

from germstats.document.sentences import CAUTION, day_and_month, number, wrapped
from germstats.document.tables import Table, text_table
from germstats.questions.compare.comparison import (
    CompareSpec,
    Comparison,
    ComparisonRow,
    ComparisonVerdict,
)
from germstats.records.checking.parsing import so_many

_MOST_REFUSED = 3


def _signed(value: float | None, unit: str = "") -> str:
    return "-" if value is None else f"{round(value):+d}{unit}"


def _range(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return "-"
    ends = f"{round(low):+d}", f"{round(high):+d}"
    finer = f"{low:+.1f}", f"{high:+.1f}"  # where whole numbers would make a range of one
    ends = ends if ends[0] != ends[1] else finer
    return " to ".join(ends) if ends[0] != ends[1] else ends[0]


def _p(value: float | None) -> str:
    """Two figures, and never 0."""
    if value is None:
        return "-"
    return "<.001" if value < 0.001 else f"{value:.2g}".lstrip("0")


def _counts(row: ComparisonRow, arm: int) -> str:
    if row.emerged[arm] is not None and row.seeds[arm] is not None:
        return f"{row.emerged[arm]}/{row.seeds[arm]}"
    return f"{number(row.filled[arm])} cells"


def _times(value: float | None) -> str:
    """A ratio with two figures behind the point, and only whole from ten up."""
    if value is None:
        return "-"
    return f"{value:.2f}" if value < 10 else f"{value:.0f}"


def _times_range(row: ComparisonRow) -> str:
    return "-" if row.ratio_low is None else f"{_times(row.ratio_low)} to {_times(row.ratio_high)}"


def _sentence(row: ComparisonRow, spec: CompareSpec) -> str:
    """One verdict in a grower's words."""
    who = row.species or "Over all species"
    pair = f"{row.level} against {row.reference}"
    if row.verdict == ComparisonVerdict.REFUSED:
        return f"{who}, {pair}: cannot be separated. {row.notes[0][:1].upper()}{row.notes[0][1:]}."
    told = f"{_signed(row.points)} points of emergence ({_range(row.points_low, row.points_high)})"
    if spec.needs_ratio(row.points, row.ratio):
        told += f", {_times(row.ratio)} times as many seedlings ({_times_range(row)})"
    if row.cells_per_tray is not None:
        told += f", {_signed(row.cells_per_tray)} filled cells a tray"
    if row.timing in ("later", "earlier"):
        told += (
            f", {so_many(round(abs(row.days or 0)), 'day')} {row.timing} "
            f"({_range(row.days_low, row.days_high)})"
        )
    words = f"{who}, {pair}{_by_day(row)}: {_said(row, spec)}; {told}."
    if row.more_trays is not None:
        words += f" {_more_words(row, spec)}"
    if row.probably and row.species is not None:
        words += (
            " It rests on the usual scatter of your trays: sow more trays of both before you "
            "change your ways."
        )
    elif row.probably:
        words += " It comes from the species known best. Other species may differ."
    return words


def _by_day(row: ComparisonRow) -> str:
    """The day a verdict holds for, where much may still come after it."""
    return f", by {day_and_month(row.horizon_on)}" if row.by_horizon_only else ""


def _said(row: ComparisonRow, spec: CompareSpec) -> str:
    """The verdict, and what benches could do to it where no place is noted."""
    if row.verdict == ComparisonVerdict.CANNOT_TELL:
        return ComparisonVerdict.CANNOT_TELL
    if row.verdict == ComparisonVerdict.SAME:
        said = (
            f"practically the same, within {spec.margin:g} points and {spec.ratio_margin:g} times"
        )
        benches = "benches could hide a difference"
    else:
        said = f"{row.level} is {row.verdict}"
        benches = f"it could also be a {row.way} bench"
    if row.places_noted is False:
        said += f" (no place is noted, so {benches})"
    return said


def _more_words(row: ComparisonRow, spec: CompareSpec) -> str:
    told = (
        f"{spec.margin:g} points"
        if row.more_trays_scale != "ratio"
        else f"{spec.ratio_margin:g} times as many"
    )
    if row.takes_too_many:
        return f"It would take more trays than anybody sows to tell {told} from no difference."
    return f"About {row.more_trays} more trays of each would tell {told} from no difference."


def verdict_sentences(comparison: Comparison) -> list[str]:
    """Every verdict; where a species has many pairs that cannot be separated, those in one
    sentence.
    """
    words: list[str] = []
    for species in dict.fromkeys(row.species for row in comparison.rows):
        own = [row for row in comparison.rows if row.species == species]
        refused = [row for row in own if row.verdict == ComparisonVerdict.REFUSED]
        together = len(refused) > _MOST_REFUSED
        shown = [row for row in own if not (together and row in refused)]
        words += [_sentence(row, comparison.spec) for row in shown]
        if together:
            pairs = ", ".join(f"{row.level} and {row.reference}" for row in refused)
            said = (
                f"{species}: {len(refused)} pairs cannot be separated: {pairs}. To find out about "
                "one of them, sow at least two trays of each of one lot on the same day, and "
                "check both to the same day."
            )
            words.append(said)
    return words


def compare_text(comparison: Comparison) -> str:
    """The whole printed answer of `germstats compare`."""
    spec = comparison.spec
    told = [row for row in comparison.rows if row.verdict != ComparisonVerdict.REFUSED]
    lines = [
        wrapped(
            f"{spec.treatment.capitalize()} compared, trays as the units, within lots, seasons and "
            "places. Points are points of emergence in a hundred seeds, level less reference, "
            "with the range that holds the truth in 95 of 100 cases. Verdicts speak of the "
            "seasons sown."
        ),
        "",
        *(wrapped(words, "  ") for words in verdict_sentences(comparison)),
        "",
    ]
    if told:
        lines += [
            text_table(*numbers_table(told), left=3),
            "",
            wrapped(numbers_words(told, spec)),
            "",
        ]
    if comparison.apart:
        lines += [
            "Cannot be separated:",
            *(wrapped(f"{said}.", "  ") for said in comparison.apart),
            "",
        ]
    if comparison.strays:
        lines += [
            "Seedlings where nothing was sown:",
            *(wrapped(f"{said}.", "  ") for said in comparison.strays),
            "",
        ]
    notes = [
        wrapped(
            f"{row.species or 'over all'}, {row.level} v. {row.reference}: {'; '.join(row.notes)}.",
            "  ",
        )
        for row in told
        if row.notes
    ]
    lines += ["Notes:", *notes, ""] if notes else []
    lines += [
        wrapped(
            "Next: where it says cannot tell, germstats trial lays out the trays that would; where "
            "a cover is worse, leave it off that species and look at germstats sow again."
        ),
        wrapped(CAUTION),
    ]
    return "\n".join(lines)


def numbers_table(rows: list[ComparisonRow]) -> Table:
    """The numbers behind the verdicts, one row per pair."""
    header = (
        "species",
        "level",
        "reference",
        "trays",
        "came",
        "reference came",
        "points",
        "range",
        "times",
        "another spring",
        "p",
        "adjusted",
        "t test",
        "permuted",
        "least",
    )
    body = [
        (
            row.species or "over all",
            row.level,
            row.reference,
            f"{row.trays[1]} v {row.trays[0]}",
            _counts(row, 1),
            _counts(row, 0),
            _signed(row.points),
            _range(row.points_low, row.points_high),
            _times_range(row),
            _range(row.another_low, row.another_high),
            _p(row.p_main),
            _p(row.p_adjusted),
            _p(row.p_second),
            _p(row.p_permutation),
            _p(row.p_permutation_smallest),
        )
        for row in rows
    ]
    return header, body


def numbers_words(rows: list[ComparisonRow], spec: CompareSpec) -> str:
    """What the columns of `numbers_table` are."""
    own = any(row.tray_sd_borrowed for row in rows)
    source = (
        "borrowed from your trays of other species"
        if own
        else "what is usual; you have too few other trays"
    )
    return (
        "'times' is the range of the level's emergence divided by the reference's. Two are "
        f"practically the same where the 90 % ranges lie within {spec.margin:g} points (--margin) "
        f"and within {1 / spec.ratio_margin:.2g} to {spec.ratio_margin:g} times (--ratio-margin), "
        "and the adjusted p shows no difference. 'another spring' is the range where the effect "
        f"may change from spring to spring (--another-spring-sd {spec.another_spring_sd:g}, a "
        "setting, not from your records). 'p' is the main road: the scatter of trays is "
        f"integrated over a range ({source}); 'adjusted' is Holm's, over the pairs of a species; "
        "'t test' is on tray logits with blocks; 'permuted' gives out the covers within blocks in "
        "every way, and 'least' is the smallest p that can reach. A verdict is firm when the "
        "adjusted p is under .05 and the t test's at most .10. Over all species the t test counts "
        "each species the same."
    )
