"""The page's answers on covers, the next trial and trust: verdicts, past promises, raw counts, records, sources."""

from __future__ import annotations

from germstats.decisions.comparison import CANNOT_TELL, REFUSED, SAME
from germstats.decisions.poor_lots import POOR
from germstats.decisions.season_account import SeasonAccount
from germstats.records.findings import MEANING, SEVERITIES
from germstats.reports.backtest_text import next_of_backtest, overall_words, season_sentences, seasons_table
from germstats.reports.blocks import Block, Grid, Section, Words, grid, items
from germstats.reports.check_text import severity_counts
from germstats.reports.compare_text import numbers_table, numbers_words, verdict_sentences
from germstats.reports.fit_text import cell_words, fit_table, timing_words
from germstats.reports.page_plan import orders_served
from germstats.reports.plan_text import short_words, to_sow_words
from germstats.reports.sentences import CAUTION, scatter_words
from germstats.reports.watch_text import few_words, order_words, overdue_trays

_SHOWN_FINDINGS = 20

CARE = (
    CAUTION,
    "Potting mix holds germs that harm lungs: open bags away from the face, keep it damp, wash hands. Mouse droppings: "
    "wet them first, wear gloves, never sweep them dry.",
    "Acid, hot water, smoke, tetrazolium, gibberellic acid and fungicides: a trained person, the label and the safety "
    "sheet; no rate comes from here. Some seeds and plants are toxic or irritant.",
    "Collecting, protected and noxious species, plant passports and quarantine: local law and licensed advice decide.",
)

SOURCES = (
    "Counts by cell, occupied cells and tray totals go into one likelihood; a check is an interval of days. Seeds of a "
    "cell share their fate (beta-binomial: Skellam 1948); a pinch is negative binomial.",
    "Species, lots, trays, places and springs are fitted together by Laplace's method (Tierney & Kadane 1986), the "
    "uncertainty of their scatters carried on; a share without scatter has the Jeffreys range (Newcombe 1998).",
    "Laws of time: Kalbfleisch & Prentice 2002; curves without a law: Turnbull 1976; heat by single sine: Baskerville "
    "& Emin 1969.",
    "The pencil rule: Roy 1957. Several pairs of covers: Holm 1979. Errors of chances: Brier 1950. Empty blocks of "
    "cells: Kulldorff 1997; join counts: Cliff & Ord 1981.",
    "Rules of thumb are common practice without a source, and are named so where they are used.",
)


def now_section(account: SeasonAccount) -> Section:
    """What matters most, from every part of the page."""
    said: list[str] = []
    served = orders_served(account)
    if account.plan is not None:
        said.append(to_sow_words(account.plan))
        said += [f"Short order: {words}" for words in short_words(account.plan, served)] or ["No order is short."]
        said += [order_words(row, account.watch.spec.on) for row in account.watch.orders] if account.watch else []
    if account.watch is not None:
        late = [row.tray for row in overdue_trays(account.watch)]
        said.append(f"Overdue trays: {', '.join(late)}; look at them now." if late else "No tray is overdue.")
        said += [words] if (words := few_words(account.watch)) else []
    if account.review is not None:
        for one in account.review.lots:
            if one.verdict == POOR:
                why = f"{one.causes[0].standing} {one.causes[0].words}" if one.told else "cannot tell why yet"
                said.append(f"Poor lot: {one.lot}, {why}. To settle it: {one.test}.")
    if account.covers is not None:
        told = [row for row in account.covers.rows if row.species and row.verdict in ("better", "worse")]
        said += [f"{row.species}: {row.level} is {row.verdict} than {row.reference}." for row in told]
    stops = severity_counts(account.book)["stop"]
    if stops:
        entries = "1 entry" if stops == 1 else f"{stops} entries"
        left_out = ", ".join(account.book.left_out) or "no tray"
        said.append(f"{entries} in the records cannot be right; mend them (germstats check). Nothing is "
                    f"estimated from {left_out} until mended or answered.")  # fmt: skip
    if account.past is not None:
        target = f"{100 * account.past.target:.3g} % of the cells"
        promises = overall_words(account.past)
        said += [words for words in promises if words is promises[0] or words.startswith(target)]
    return Section("now", "What matters now?", items("", said) or (Words("Nothing needs doing."),))


def covers_section(account: SeasonAccount, pictures: tuple[Block, ...]) -> Section:
    """Verdicts on covers, the numbers behind them, what could not be separated."""
    found, question = account.covers, "Which cover?"
    if found is None:
        return Section("covers", question, (Words(account.missing["covers"]),))
    told = [row for row in found.rows if row.verdict != REFUSED]
    numbers: tuple[Block, ...] = ()
    if told:
        numbers = (
            *pictures,
            grid("The numbers behind the verdicts", numbers_table(told), folded=True),
            Words(numbers_words(told, found.spec.another_spring_sd)),
        )
    blocks: tuple[Block, ...] = (
        Words("Trays are the units, compared within lots, seasons and places. Points are points of emergence in a "
              "hundred seeds, level less reference, with the range that holds the truth in 95 of 100 cases. Verdicts "
              "speak of the seasons sown."),
        *items("Verdicts", verdict_sentences(found)),
        *numbers,
        *items("Cannot be separated", [f"{words}." for words in found.apart]),
        *items("Seedlings where nothing was sown", [f"{words}." for words in found.strays]),
        Words("Next: where a cover is worse, leave it off that species and look at the seeds per cell again.", "next"),
    )  # fmt: skip
    return Section("covers", question, blocks)


def trial_section(account: SeasonAccount) -> Section:
    """What to try next year: pairs that could not be told, and the trays that would."""
    found, question = account.covers, "How to set out next year's trial?"
    if found is None:
        return Section("trial", question, (Words(account.missing["covers"]),))
    open_pairs = [row for row in found.rows if row.species and row.verdict == CANNOT_TELL and row.more_trays]
    said = [
        f"{row.species}, {row.reference} and {row.level}: about {row.more_trays} more trays of each would tell "
        f"{found.spec.margin:g} points from no difference. germstats trial with --species {row.species} --treatments "
        f"{row.reference},{row.level} --difference {found.spec.margin:g} lays them out, blocked and at random."
        for row in open_pairs
    ]
    refused = [f"{row.species}, {row.level} against {row.reference}: {row.notes[0]}." for row in found.rows
               if row.verdict == REFUSED and row.notes][:_SHOWN_FINDINGS]  # fmt: skip
    settled = [row for row in found.rows if row.species and row.verdict == SAME]
    blocks: tuple[Block, ...] = (
        Words("A tray is what a cover is given to; cells of one tray are no repeats. Put every treatment on every "
              "bench, each equally often, sown on one day and looked at on the same days to the end. One seed per cell "
              "where most come, two where few do, so that filled cells do not hide the difference."),
        *(items("Worth a trial", said) or (Words("No pair that stood side by side waits for more trays."),)),
        *items("To be separated first", refused),
        *items("Settled", [f"{row.species}: {row.level} and {row.reference} are practically the same." for row in
                           settled]),
    )  # fmt: skip
    return Section("trial", question, blocks)


def trust_section(account: SeasonAccount, pictures: tuple[Block, ...]) -> Section:
    """Raw counts beside estimates, and past promises against what came."""
    past: tuple[Block, ...] = (Words(account.missing.get("past", "")),)
    if account.past is not None:
        past = (
            *(Words(words, "lead" if k == 0 else "plain") for k, words in enumerate(overall_words(account.past))),
            *pictures,
            grid("Every season after the first, foretold from those before it", seasons_table(account.past), True),
            *items("Season by season", season_sentences(account.past)),
            Words(next_of_backtest(account.past), "next"),
        )
    blocks = (
        *past,
        grid("Raw counts beside estimates: share of seeds that emerge in an average tray of an ordinary spring, days "
             f"from sowing to half of them, {100 * account.fit.spec.level:.0f} % ranges", fit_table(account.fit)),
        *items("Notes", [f"{row.lot}, {row.label}: {'; '.join(row.notes)}." for row in account.fit.rows if row.notes]),
        Words(f"Scatter: {scatter_words(account.fit.scatter)}."),
        Words(cell_words(account.fit)),
        Words(timing_words(account.fit)),
    )  # fmt: skip
    return Section("trust", "Can I trust it?", blocks)


def records_section(account: SeasonAccount) -> Section:
    """Findings in the records, worst first, and what was left out."""
    book = account.book
    counts = severity_counts(book)
    said = ", ".join(f"{count} {name}" for name, count in counts.items())
    listed: list[Block] = []
    for name in SEVERITIES[:2]:
        found = book.findings[book.findings["severity"] == name]
        told = [f"{message}; {remedy}" for message, remedy in zip(found["message"], found["remedy"], strict=True)]
        more = len(told) - _SHOWN_FINDINGS
        told = told[:_SHOWN_FINDINGS] + ([f"... and {more} more; germstats check shows all"] if more > 0 else [])
        listed += items(f"{name.capitalize()}: {MEANING[name]}", told)
    account_of_rows = tuple(tuple(str(value) for value in row) for row in book.accounting.itertuples(index=False))
    left_out = [f"{tray}: {why}" for tray, why in account.fit.patterns.left_out.items()]
    blocks: tuple[Block, ...] = (
        Words(f"{said[0].upper()}{said[1:]}.", "lead"),
        *listed,
        *items("Trays from which nothing is estimated", left_out),
        Grid("Every row of the book accounted for", ("table", "rows", "used", "merged", "set aside"), account_of_rows,
             folded=True),
    )  # fmt: skip
    return Section("records", "What is odd in the records?", blocks)


def settings_section(account: SeasonAccount) -> Section:
    """Assumptions and settings as used."""
    fit, sow, order, covers = account.fit.spec, account.spec.sowing, account.spec.orders, account.spec.covers
    rows = (
        ("cells to fill", f"{100 * sow.target:.3g} %", "set by --target"),
        ("chance wanted of that", f"{100 * sow.assurance:.3g} %", "set by --assurance"),
        ("chance wanted of an order", f"{100 * order.assurance:.3g} %", "set by --order-assurance"),
        ("kept back of every lot", f"{100 * order.reserve:.3g} %", "usual, --reserve of plan; common practice"),
        ("points within which covers are practically the same", f"{covers.margin:g}", "usual, --margin of compare"),
        (
            "scatter between springs (logit)",
            f"{fit.scatter.season:g}",
            "taken as given, --season-sd",
        ),
        ("scatter of a cover's effect between springs (logit)", f"{covers.another_spring_sd:g}", "taken as given"),
        ("end of a first spring", "{:02d}-{:02d}".format(*fit.spring_ends), "taken as given, --spring-ends"),
        ("lots fitted together", "yes" if fit.pooling else "no", "set by --no-pooling"),
    )
    blocks = (Grid("Settings of this page", ("setting", "value", "where it comes from"), rows),)
    return Section("settings", "What was assumed?", blocks)


def care_section() -> Section:
    """Cautions."""
    return Section("care", "What to be careful with", (*(Words(words, "care") for words in CARE),))


def how_section() -> Section:
    """How it is computed, with sources."""
    return Section("how", "How it is computed", items("", SOURCES))
