"""The page's answers on covers: verdicts, the numbers behind them, and the trial that would tell
what they cannot.
"""

from __future__ import annotations

import shlex

from germstats.document.blocks import Block, Command, Section, Words, grid, items
from germstats.page.open_trials import OpenTrial, open_trials
from germstats.page.season_summary import SeasonSummary
from germstats.questions.compare.compare_text import numbers_table, verdict_sentences
from germstats.questions.compare.comparison import CompareSpec, Comparison, ComparisonVerdict

_MOST_REFUSED = 20


def covers_section(account: SeasonSummary, pictures: tuple[Block, ...]) -> Section:
    """Verdicts on covers, the numbers behind them, what could not be separated."""
    found, question = account.covers, "Which cover?"
    if found is None:
        return Section("covers", question, (Words(account.missing["covers"]),))
    told = [row for row in found.rows if row.verdict != ComparisonVerdict.REFUSED]
    numbers: tuple[Block, ...] = ()
    if told:
        numbers = (
            *pictures,
            grid("The numbers behind the verdicts", numbers_table(told), folded=True),
            Words(
                "'times' is the range of the first cover's emergence divided by the second's. "
                "'another spring' is the range where what a cover does may change from spring to "
                "spring. The last five columns are for whoever checks the arithmetic: 'p', "
                "'adjusted', 't test' and 'permuted' are chances of seeing so much where the "
                "covers do not differ, each worked out in its own way, and 'least' the smallest "
                "the last way can give; 'How it is computed' names the ways."
            ),
        )
    blocks: tuple[Block, ...] = (
        Words(
            "Trays are the units, compared within lots, seasons and places. Points are points of "
            "emergence in a hundred seeds, the first cover less the second, with the range that "
            "holds the truth in 95 of 100 cases. Verdicts speak of the seasons sown."
        ),
        *items("Verdicts", verdict_sentences(found)),
        *numbers,
        *items("Cannot be separated", [f"{words}." for words in found.apart]),
        *items("Seedlings where nothing was sown", [f"{words}." for words in found.strays]),
        Words(
            "Next: where a cover is worse, leave it off that species and look at the seeds per "
            "cell again.",
            "next",
        ),
    )
    return Section("covers", question, blocks)


def trial_section(account: SeasonSummary) -> Section:
    """What to try next year: pairs that could not be told, the trays that would tell them, and the
    bench plan.
    """
    found, question = account.covers, "How to set out next year's trial?"
    if found is None:
        return Section("trial", question, (Words(account.missing["covers"]),))
    trials = open_trials(account.fit, account.book, found)
    refused = [
        f"{row.species}, {row.level} against {row.reference}: {row.notes[0]}."
        for row in found.rows
        if row.verdict == ComparisonVerdict.REFUSED and row.notes
    ][:_MOST_REFUSED]
    settled = [row for row in found.rows if row.species and row.verdict == ComparisonVerdict.SAME]
    blocks: tuple[Block, ...] = (
        *(
            items("Worth a trial", [trial_words(one, found.spec) for one in trials])
            or (Words(_none_worth(found)),)
        ),
        *(
            (
                Words(
                    "To be typed beside the book, for who stands where on the benches, and a file "
                    "of the plan:"
                ),
            )
            if trials
            else ()
        ),
        *(Command(command_words(one, account)) for one in trials),
        *(
            (
                Words(
                    "That command counts the new trays alone, without those on record, and judges "
                    "more strictly where there are more than two covers: so it names a lower "
                    "chance of telling. No room for so many? Sow what you have room for in each of "
                    "two springs: both count."
                ),
            )
            if trials
            else ()
        ),
        *items("To be separated first", refused),
        *items(
            "Settled",
            [
                f"{row.species}: {row.level} and {row.reference} are practically the same."
                for row in settled
            ],
        ),
        Words(
            "A tray is what a cover is given to; cells of one tray are no repeats. Put every "
            "treatment on every bench, each equally often, sown on one day and looked at on the "
            "same days to the end. One seed per cell where most come, two where few do, so that "
            "filled cells do not hide the difference."
        ),
    )
    return Section("trial", question, blocks)


def _none_worth(found: Comparison) -> str:
    """Why no trial is laid out."""
    if any(row.species and row.more_trays for row in found.rows):
        return "The pairs still open would take more trays than anybody sows."
    return "No pair that stood side by side waits for more trays."


def command_words(one: OpenTrial, account: SeasonSummary) -> str:
    """What is to be typed for the bench plan, as it stands."""
    words = [
        "germstats",
        "trial",
        account.book.source,
        "--species",
        one.species,
        "--treatments",
        ",".join(one.covers),
        "--difference",
        f"{one.difference:g}",
        "--trays",
        str(one.trays),
        *(["--lot", one.lot] if one.lot else []),
        "--plan",
        f"trial-{one.species}.csv",
    ]
    return shlex.join(words)


def trial_words(one: OpenTrial, spec: CompareSpec) -> str:
    """What a trial tells, and what to sow for it."""
    scales = {row.more_trays_scale for row in one.pairs}
    wanted = [f"{spec.margin:g} points"] if scales - {"ratio"} else []
    wanted += [f"{spec.ratio_margin:g} times as many"] if "ratio" in scales else []
    tells = "; ".join(
        f"{row.reference} or {row.level}: about {row.more_trays} more of each, beside the "
        f"{row.trays[0]} and {row.trays[1]} on record"
        for row in one.pairs
    )
    covers = f"{', '.join(one.covers[:-1])} and {one.covers[-1]}"
    lot = one.lot or f"a lot of {one.species}"
    held = "" if one.held is None else f" of the {one.held:,} in store"
    short = one.held is not None and one.held < one.seeds
    each = "1 seed" if one.seeds_per_cell == 1 else f"{one.seeds_per_cell} seeds"
    return (
        f"{one.species}. Trays that would tell {' or '.join(wanted)} from no difference: {tells}. "
        f"Sow {one.trays} "
        f"trays each of {covers}, {one.trays * len(one.covers)} in all, from {lot}, {each} a "
        f"cell: {one.seeds:,} "
        f"seeds{held}."
        f"{' That is more than there is: sow fewer, or collect first.' if short else ''}"
    )
