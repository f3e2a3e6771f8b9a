"""The page's answers on trust: past promises, raw counts beside estimates, records, settings,
cautions, sources.
"""

from __future__ import annotations

import pandas as pd

from germstats.document.blocks import Block, Grid, Section, Words, grid, items
from germstats.document.check_text import severity_counts
from germstats.document.sentences import CAUTION, points_at_60, scatter_words
from germstats.engine.fit import EmergenceFit
from germstats.page.season_summary import SeasonSummary
from germstats.questions.backtest.backtest_text import (
    next_of_backtest,
    overall_words,
    season_sentences,
    seasons_table,
)
from germstats.questions.compare.compare_text import numbers_words
from germstats.questions.compare.comparison import ComparisonVerdict
from germstats.questions.fit.fit_text import cell_source, cell_words, fit_table, timing_words
from germstats.records.checking.findings import MEANING, SEVERITIES
from germstats.records.checking.parsing import spelled

_SHOWN_FINDINGS = 20

CARE = (
    CAUTION,
    "Potting mix holds germs that harm lungs: open bags away from the face, keep it damp, wash "
    "hands. Mouse droppings: wet them first, wear gloves, never sweep them dry.",
    "Acid, hot water, smoke, tetrazolium, gibberellic acid and fungicides: a trained person, the "
    "label and the safety sheet; no rate comes from here. Some seeds and plants are toxic or "
    "irritant.",
    "Collecting, protected and noxious species, plant passports and quarantine: local law and "
    "licensed advice decide.",
)

SOURCES = (
    "Everything seen of a cell or a tray counts at once: seedlings, filled cells, totals, and "
    "between which two checks they came (one likelihood, interval-censored). Seeds of a cell share "
    "their fate (beta-binomial: Skellam 1948); a pinch is uneven (negative binomial).",
    "Species, lots, trays, places and springs are weighed together, so that a lot with few trays "
    "leans on the others (a joint fit of logits by Laplace's method: Tierney & Kadane 1986; the "
    "uncertainty of their scatters is carried on); a share without scatter has a range of its own "
    "(Jeffreys: Newcombe 1998).",
    "How emergence spreads over the days: a curve for each species (laws of time: Kalbfleisch & "
    "Prentice 2002; curves without a law: Turnbull 1976). Heat of a day from its lowest and "
    "highest temperature (single sine: Baskerville & Emin 1969).",
    "Seeds by pencil: the rule that knows no scatter (Roy 1957). Chances that came true (Brier "
    "1950). Cells empty together (scan for a block: Kulldorff 1997; join counts: Cliff & Ord "
    "1981).",
    "Rules of thumb are common practice without a source, and are named so where they are used.",
)


def trust_section(account: SeasonSummary, pictures: tuple[Block, ...]) -> Section:
    """Raw counts beside estimates, and past promises against what came."""
    past: tuple[Block, ...] = (Words(account.missing.get("past", "")),)
    if account.past is not None:
        past = (
            *(
                Words(words, "lead" if k == 0 else "plain")
                for k, words in enumerate(overall_words(account.past))
            ),
            *pictures,
            grid(
                "Every season after the first, foretold from those before it",
                seasons_table(account.past),
                True,
            ),
            *items("Season by season", season_sentences(account.past)),
            Words(next_of_backtest(account.past), "next"),
        )
    blocks = (
        *past,
        grid(
            "Raw counts beside estimates: share of seeds that emerge in an average tray of an "
            "ordinary spring, days from sowing to half of them, "
            f"{100 * account.fit.spec.level:.0f} % ranges",
            fit_table(account.fit),
        ),
        Words(
            "What must be known of single lots stands in the notes under 'How many seeds per "
            "cell?'."
        ),
        Words(f"Scatter: {scatter_words(account.fit.scatter)}."),
        Words(together_words(account.fit)),
    )
    return Section("trust", "Can I trust it?", blocks)


def records_section(account: SeasonSummary) -> Section:
    """Findings in the records, worst first, and what was left out."""
    book = account.book
    counts = severity_counts(book)
    said = ", ".join(f"{count} {name}" for name, count in counts.items())
    listed: list[Block] = []
    for name in SEVERITIES[:2]:
        found = book.findings[book.findings["severity"] == name]
        told = findings_words(found)
        more = len(told) - _SHOWN_FINDINGS
        told = told[:_SHOWN_FINDINGS] + (
            [f"... and {more} more; germstats check shows all"] if more > 0 else []
        )
        listed += items(f"{name.capitalize()}: {MEANING[name]}", told)
    account_of_rows = tuple(
        tuple(str(value) for value in row) for row in book.accounting.itertuples(index=False)
    )
    left_out = [f"{tray}: {why}" for tray, why in account.fit.patterns.left_out.items()]
    blocks: tuple[Block, ...] = (
        Words(f"{said[0].upper()}{said[1:]}.", "lead"),
        *listed,
        *items("Trays from which nothing is estimated", left_out),
        Grid(
            "Every row of the book accounted for",
            ("table", "rows", "used", "merged", "set aside"),
            account_of_rows,
            folded=True,
        ),
    )
    return Section("records", "What is odd in the records?", blocks)


def together_words(fit: EmergenceFit) -> str:
    """How far the seeds of one cell share their fate, without a word of statistics."""
    rho = fit.cell_scatter

    def of_100(share: float) -> str:
        return f"{max(100 * share, 1):.0f}"

    cells = (
        f"{of_100(rho.rho)} cells of 100 ({of_100(rho.low)} to {of_100(rho.high)}; "
        f"{cell_source(rho)})"
    )
    return (
        f"Seeds of one cell share their fate: in about {cells} a second seed does as the first "
        "did, whatever its own worth."
    )


def findings_words(found: pd.DataFrame) -> list[str]:
    """One sentence for each finding; those of one rule in one tray together, the first of them
    told.
    """
    said: dict[tuple[str, str], list[str]] = {}
    for k, row in enumerate(found[["rule", "tray", "message", "remedy"]].to_dict("records")):
        key = (str(row["rule"]), str(row["tray"]) if row["tray"] else f"row {k}")
        said.setdefault(key, []).append(f"{row['message']}; {row['remedy']}")
    return [
        words[0] + (f" (and {len(words) - 1} more like it in {tray})" if len(words) > 1 else "")
        for (_, tray), words in said.items()
    ]


def settings_section(account: SeasonSummary) -> Section:
    """Assumptions and settings as used."""
    fit, sow, order, covers = (
        account.fit.spec,
        account.spec.sowing,
        account.spec.orders,
        account.spec.covers,
    )
    springs, another = points_at_60(fit.scatter.season), points_at_60(covers.another_spring_sd)
    rows = (
        ("cells to fill", f"{100 * sow.target:.3g} %", "set by --target"),
        ("chance wanted of that", f"{100 * sow.assurance:.3g} %", "set by --assurance"),
        ("chance wanted of an order", f"{100 * order.assurance:.3g} %", "set by --order-assurance"),
        (
            "kept back of every lot",
            f"{100 * order.reserve:.3g} %",
            "usual, --reserve of plan; common practice",
        ),
        (
            "points within which covers are practically the same",
            f"{covers.margin:g}",
            "usual, --margin of compare",
        ),
        (
            "and at most this many times as many seedlings",
            f"{covers.ratio_margin:g}",
            "usual, --ratio-margin of compare; common practice",
        ),
        (
            "how far springs differ, where 60 in 100 seeds come",
            f"give or take {springs} points",
            f"taken as given, --season-sd {fit.scatter.season:g}",
        ),
        (
            "how far what a cover does differs from spring to spring, there",
            f"give or take {another} points",
            f"taken as given, --another-spring-sd {covers.another_spring_sd:g} of compare",
        ),
        (
            "last day of a first spring",
            spelled_day(fit.spring_ends),
            "taken as given, --spring-ends",
        ),
        (
            "lots weighed together, so that few trays lean on others",
            "yes" if fit.pooling else "no",
            "no with --no-pooling: lots are then taken as far apart",
        ),
    )
    blocks = (
        Words(
            "The page rests on these. Change one with the option named and make the page again, to "
            "see what hangs on it."
        ),
        Grid("Settings of this page", ("setting", "value", "where it comes from"), rows),
    )
    return Section("settings", "What was assumed?", blocks)


def spelled_day(day: tuple[int, int]) -> str:
    """A day of every year, such as 31 July."""
    return spelled(pd.Timestamp(2000, *day)).removesuffix(" 2000")


def care_section() -> Section:
    """Cautions."""
    return Section("care", "What to be careful with", (*(Words(words, "care") for words in CARE),))


def how_section(account: SeasonSummary) -> Section:
    """How it is computed, in a grower's words first, the statistician's in parentheses, with
    sources.
    """
    covers, own = account.covers, [timing_words(account.fit), cell_words(account.fit)]
    told = (
        [row for row in covers.rows if row.verdict != ComparisonVerdict.REFUSED]
        if covers is not None
        else []
    )
    if covers is not None and told:
        own.append(
            "Several pairs of covers of one species are judged together, so that chance does not "
            f"pass for a difference (Holm 1979). {numbers_words(told, covers.spec)}"
        )
    return Section(
        "how", "How it is computed", (*items("", SOURCES), *items("For the statistician", own))
    )
