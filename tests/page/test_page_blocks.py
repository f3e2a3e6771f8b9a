"""What the season's page says, block by block: a spring over, orders, packets, trials, one tray
lost, plain words.
"""

from __future__ import annotations

import datetime
import re
import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from germstats.cli.trial import trial
from germstats.document.blocks import Card, Command, Gallery, Grid, Items, Section, WhatIf, Words
from germstats.document.sentences import spread
from germstats.page.ending import spring_over
from germstats.page.open_trials import even_trays, open_trials
from germstats.page.page import sections_of
from germstats.page.pictures import Pictures
from germstats.page.season_end import next_when_over, unfinished_words
from germstats.page.season_summary import SeasonSummary
from germstats.page.trust import findings_words
from germstats.page.when_came import came_table, lots_came
from germstats.questions.review.befell import one_tray_of
from germstats.questions.review.review import LotReview, LotVerdict, Review
from germstats.questions.review.review_text import poor_words, review_text, settle_words
from germstats.questions.review.row import Evidence
from germstats.questions.review.rules import Check, load_rules
from germstats.questions.trial.power import blocks_for
from germstats.questions.watch.spec import TrayStatus
from tests.page_books import ended_account, few_seeds, hostile_account, undecided

NOVEMBER = datetime.date(2026, 11, 26)


def sections(
    account: SeasonSummary, made_on: datetime.date | None = NOVEMBER
) -> dict[str, Section]:
    return {one.name: one for one in sections_of(account, Pictures(), made_on)}


def words_of(block) -> list[str]:
    """Every text of a block, without tables of numbers."""
    if isinstance(block, Section):
        return [block.question, *(text for one in block.blocks for text in words_of(one))]
    if isinstance(block, Words | Command):
        return [block.text]
    if isinstance(block, Items):
        return [block.heading, *block.sentences]
    if isinstance(block, Card):
        return [
            f"{block.heading}: {block.verdict}",
            *(text for one in block.blocks for text in words_of(one)),
        ]
    if isinstance(block, Grid):
        return [block.caption, *block.header, *(text for row in block.rows for text in row)]
    if isinstance(block, Gallery):
        return [block.caption]
    assert isinstance(block, WhatIf)
    return [*words_of(block.first), block.said]


def said(section: Section) -> str:
    return " | ".join(words_of(section))


def grids(section: Section) -> list[Grid]:
    return [block for block in section.blocks if isinstance(block, Grid)]


# --- a spring that is over


def test_a_spring_is_over_by_its_last_day_or_when_nothing_more_is_to_come():
    account = ended_account()
    newest = account.watch.spec.on
    assert f"{newest:%Y-%m-%d}" == "2026-07-16"
    by_day = spring_over(account, NOVEMBER)
    assert by_day.spring == 2026
    assert by_day.words == (
        "Spring 2026 is over: it ended on 31 July 2026, and the newest record is of 16 July 2026."
    )
    coming = replace(
        account.watch,
        rows=tuple(replace(row, status=TrayStatus.COMING) for row in account.watch.rows),
    )
    assert spring_over(replace(account, watch=coming), datetime.date(2026, 7, 31)) is None
    assert spring_over(replace(account, watch=coming), datetime.date(2026, 8, 1)) is not None
    assert spring_over(replace(account, watch=None, review=None), NOVEMBER) is None


def test_a_page_as_it_stood_on_a_day_knows_nothing_of_the_day_it_is_made():
    assert spring_over(hostile_account(), NOVEMBER) is None
    assert "Spring 2026 as of 26 April 2026" in said(sections(hostile_account())["watch"])


def test_when_a_spring_is_over_the_page_says_when_they_came():
    account = ended_account()
    section = sections(account)["calendar"]
    assert section.blocks[0] == Words(spring_over(account, NOVEMBER).words, "lead")
    [table] = grids(section)
    assert table.header == ("lot", "trays", "filled", "first seen", "half by", "last new")
    assert "passed" not in said(section) and "next spring" in table.caption
    for row in table.rows:
        first, half, last = row[3:]
        assert first <= half <= last
        filled, cells = row[2].split(" of ")
        assert int(filled) <= int(cells)


def test_days_seen_are_those_of_the_checks():
    """By the records themselves: what every cell's highest count so far rose by, day after day."""
    account = ended_account()
    cells = account.book.tables["cells"].dropna(subset=["checked_on", "emerged"])
    trays = account.fit.patterns.trays
    tested = 0
    for one in lots_came(account.fit, 2026):
        own = trays[(trays["lot"] == one.lot) & (trays["season"] == 2026)]
        assert (one.trays, one.filled) == (len(own), int(own["filled"].sum()))
        if set(own["record"]) != {"counts"}:
            continue
        looks = cells[cells["tray"].isin(own["tray"])].sort_values("checked_on")
        highest = looks.groupby(["tray", "cell"])["emerged"].cummax()
        new = highest - highest.groupby([looks["tray"], looks["cell"]]).shift(fill_value=0)
        by_day = new.groupby(looks["checked_on"]).sum()
        came = by_day[by_day > 0]
        assert (one.first, one.last) == (came.index[0], came.index[-1])
        assert one.half == came.index[np.argmax(came.cumsum().to_numpy() >= came.sum() / 2)]
        tested += 1
    assert tested


def test_lots_of_which_nothing_came_or_only_seedlings_are_known_have_no_day_and_no_cells():
    account = ended_account()
    patterns = account.fit.patterns
    none = replace(
        patterns,
        times=patterns.times.head(0),
        occupied=patterns.occupied.head(0),
        trays=patterns.trays.assign(filled=np.nan),
    )
    rows = lots_came(replace(account.fit, patterns=none), 2026)
    assert rows
    assert {(row[2][:4], *row[3:]) for row in came_table(rows)[1]} == {("- of", "-", "-", "-")}


LATE_ADVICE = re.compile(
    "scratch the cover off|check the others again|In August|to come|look at them now|count again in"
)


def test_advice_of_a_spring_that_is_over_can_still_be_followed():
    account = ended_account()
    assert any("scratch" in one.test for one in account.review.lots)
    told = sections(account)
    for name in ("now", "watch", "poor", "calendar"):
        for text in words_of(told[name]):
            if "next spring" not in text.casefold() and "is over" not in text:
                assert not LATE_ADVICE.search(text), text
    assert "write down the last counts" in said(told["watch"])
    assert "It can be settled next spring: scratch the cover off" in said(told["poor"])


def test_trays_not_finished_at_the_last_look_are_named_with_what_can_be_done():
    found = replace(
        ended_account().watch,
        rows=(replace(ended_account().watch.rows[0], status=TrayStatus.COMING),),
    )
    [words] = unfinished_words(found)
    assert words.startswith(f"{found.rows[0].tray} (") and "second winter" in words
    assert unfinished_words(ended_account().watch) == []
    assert next_when_over(None).startswith("Next: write down")


def test_every_test_of_the_rules_says_from_when_it_can_be_made():
    """A test that needs living seedlings, or weeks of a spring, is never asked for in autumn."""
    rules = load_rules(None)
    needs = {one.check for one in rules.causes.values()} | {
        Check(one.test, one.when) for one in rules.tests
    }
    assert len(needs) > 15
    one = ended_account().review.lots[0]
    for check in needs:
        test = check.words
        words = settle_words(replace(one, test=test, test_when=check.when), over=True)
        growing = re.search(
            "wait three weeks|in 7|7 to 14 days|once more|seedling stands|stem|at noon|36 cells",
            test,
        )
        counted = test.startswith(("count again", "count the tray again"))
        if growing or counted or "scratch" in test:
            assert words.startswith("It can be settled next spring"), test
        else:
            assert words.startswith("To settle it"), test
        assert (
            settle_words(replace(one, test=test, test_when=check.when), over=False)
            == f"To settle it: {test}."
        )


# --- one tray lost


def of_one_tray(z: float | None = 0.5, **reads: str) -> LotReview:
    """A lot looked into for the block of one of its trays, its own count at `z`."""
    one = next(lot for lot in ended_account().review.lots if lot.verdict == LotVerdict.POOR)
    read = {"lot_seen": "", "block": "strong", **reads}
    evidence = tuple(
        Evidence(name, how, z if name == "lot_seen" else None, "") for name, how in read.items()
    )
    return replace(
        one,
        verdict=LotVerdict.POOR,
        one_tray=one_tray_of(evidence, {"block"}, load_rules(None).own_limit),
        doors=("a block of cells at an edge is empty",),
        opened=frozenset({"block"}),
        evidence=evidence,
    )


@pytest.mark.parametrize(
    ("z", "reads", "heading"),
    [
        (0.5, {}, "part of one tray lost; the lot came as expected"),
        (-1.4, {"lot_seen": "lowish"}, "part of one tray lost; the lot came within its range"),
        (
            0.5,
            {"block": "none", "edge": "strong"},
            "part of one tray lost; the lot came as expected",
        ),
        (
            0.5,
            {"block": "none", "tray": "one_low_rest_fine"},
            "one tray lost; the lot came as expected",
        ),
        (
            0.5,
            {"block": "", "losses": "strong"},
            "one tray lost seedlings after they came up; the lot came as expected",
        ),
        (
            0.5,
            {"block": "", "record": "falls"},
            "counts of one tray contradict each other; the lot came as expected",
        ),
        (-2.5, {"lot_seen": "low"}, LotVerdict.POOR),
        (
            -1.7,
            {"lot_seen": "lowish"},
            LotVerdict.POOR,
        ),  # below the range that holds nine lots of ten
        (0.5, {"block": "none"}, LotVerdict.POOR),
        (None, {}, LotVerdict.POOR),
    ],
)
def test_the_heading_names_the_tray_and_not_the_lot(z, reads, heading):
    one = of_one_tray(z, **reads)
    assert one.shown_verdict == heading
    assert (one.one_tray is not None) == (heading != LotVerdict.POOR)


def test_a_lot_that_opened_a_door_of_its_own_is_poor_whatever_befell_its_trays():
    """By the doors as the rules have them: of the lot, its cover or its winter."""
    doors = [
        door for door in load_rules(None).doors if door.evidence in ("lot_seen", "cover", "cold")
    ]
    assert len(doors) >= 3
    for door in doors:
        one = of_one_tray()
        assert one.one_tray is not None
        assert (
            one_tray_of(one.evidence, one.opened | {door.evidence}, load_rules(None).own_limit)
            is None
        )


def test_a_lot_with_one_tray_lost_is_not_counted_as_poor():
    low, tray = of_one_tray(-2.5, lot_seen="low"), replace(of_one_tray(), lot="TRAY-24A")
    assert poor_words(Review(2026, (low,))) == "Poor: 1 of 1 lot."  # one lot has no s
    assert (
        poor_words(Review(2026, (low, tray)))
        == "Poor: 1 of 2 lots. Well enough but for one tray: TRAY-24A."
    )
    account = ended_account()
    both = replace(account, review=replace(account.review, lots=(tray, low)))
    section = sections(both)["poor"]
    cards = [block for block in section.blocks if isinstance(block, Card)]
    assert [card.verdict for card in cards] == [
        LotVerdict.POOR,
        "part of one tray lost; the lot came as expected",
    ]
    assert (
        cards[1]
        .blocks[0]
        .text.startswith("Looked into since a block of cells at an edge is empty.")
    )
    assert cards[0].blocks[0].text.startswith("Poor, since")
    assert "TRAY-24A: part of one tray lost; the lot came as expected, " in said(
        sections(both)["now"]
    )
    printed = " ".join(review_text(both.review).split())
    assert (
        "TRAY-24A: part of one tray lost; the lot came as expected, looked into since a block"
        in printed
    )


def test_poor_lots_of_one_cause_stand_in_one_line_at_the_top():
    account = ended_account()
    one = of_one_tray(-2.5, lot_seen="low")
    lots = tuple(replace(one, lot=name) for name in ("A-1", "A-2")) + (
        replace(one, lot="A-3", test="cut 50 seeds"),
    )
    text = words_of(sections(replace(account, review=replace(account.review, lots=lots)))["now"])
    assert len([line for line in text if line.startswith("Poor lots: A-1, A-2, ")]) == 1
    assert len([line for line in text if line.startswith("Poor lot")]) == 2
    assert any(line.startswith("Poor lot: A-3, ") for line in text)


# --- orders, packets, trials


def test_the_orders_tell_of_a_spring_like_the_worst():
    account = ended_account()
    rows = [replace(row, worst_season=2024, worst_chance=0.02) for row in account.plan.rows]
    bad = replace(account, plan=replace(account.plan, rows=tuple(rows)))
    words = said(sections(bad)["orders"])
    assert "2 (2024)" in words
    assert "less than an even chance then" in words
    assert "In a spring like 2024 these would still run short" in said(sections(bad)["now"])
    unknown = replace(
        account,
        plan=replace(
            account.plan, rows=tuple(replace(r, worst_season=None, worst_chance=None) for r in rows)
        ),
    )
    assert "worst on record" not in said(sections(unknown)["orders"])


def test_a_packet_too_small_has_a_section_that_adds_up():
    account = few_seeds(ended_account(), 200)
    section = sections(account)["packet"]
    [card] = [block for block in section.blocks if isinstance(block, Card)]
    assert (card.heading, card.verdict) == ("HECY", "too little seed")
    [packets, table, *_] = card.blocks
    lots = [row for row in account.plan.store if row.species == "HECY"]
    assert packets.sentences == tuple(
        f"{row.lot}: 200 seeds; {row.planned} are sown, {row.left} stay in the packet (10 % of it "
        "is kept back as a reserve)."
        for row in lots
    )
    assert all(row.left >= 20 for row in lots)
    for row in lots:
        sown = sum(
            int(line[3]) * int(line[4]) // int(line[4]) for line in table.rows if line[2] == row.lot
        )
        assert sown == pytest.approx(row.planned, abs=len(table.rows))
    assert {line[0] for line in table.rows} <= {
        row.order for row in account.plan.rows if row.species == "HECY"
    }
    assert "kept back, since seed of a lot cannot be bought again" in said(section)
    names = list(sections(account))
    assert names.index("packet") == names.index("orders") + 1


def test_no_section_for_packets_where_there_is_seed_enough():
    assert "packet" not in sections(ended_account())
    assert "packet" not in sections(
        replace(ended_account(), plan=None, missing={"plan": "No orders."})
    )


def test_the_next_trial_is_laid_out_with_its_command():
    account = undecided(ended_account())
    [one] = open_trials(account.fit, account.book, account.covers)
    assert one.species == "MOFI" and set(one.covers) == {"none", "grit", "sand"}
    assert one.trays == 12 and blocks_for(one.trays, 6)
    assert one.seeds == one.trays * len(one.covers) * 72 * one.seeds_per_cell
    section = sections(account)["trial"]
    text = said(section)
    assert (
        f"Sow 12 trays each of {one.covers[0]}, {one.covers[1]} and {one.covers[2]}, 36 in all, "
        f"from {one.lot}" in text
    )
    assert "about 11 more of each, beside the 8 and 8 on record" in text
    [command] = [block.text for block in section.blocks if isinstance(block, Command)]
    typed = shlex.split(command)
    assert typed[2] == account.book.source
    told = trial.make_context("trial", [str(Path.cwd()), *typed[3:]]).params
    assert (told["species"], told["lot"], told["trays"], told["difference"]) == (
        "MOFI",
        one.lot,
        12,
        10.0,
    )
    assert told["treatments"] == ",".join(one.covers)


def test_no_trial_is_worth_sowing_where_every_pair_was_told():
    account = ended_account()
    assert open_trials(account.fit, account.book, account.covers) == ()
    assert "No pair that stood side by side waits for more trays." in said(
        sections(account)["trial"]
    )


def test_a_trial_for_the_ratio_asks_for_what_it_comes_to_in_points():
    """A quarter more of 12 seedlings of a hundred are three points, of 8 two: the lower of the
    pair's, by hand.
    """
    account = undecided(ended_account())
    rows = tuple(
        replace(row, more_trays_scale="ratio", emergence=(0.12, 0.08))
        if row.species == "MOFI"
        else row
        for row in account.covers.rows
    )
    account = replace(account, covers=replace(account.covers, rows=rows))
    [one] = open_trials(account.fit, account.book, account.covers)
    assert one.difference == pytest.approx(2.0)
    section = sections(account)["trial"]
    assert "Trays that would tell 1.25 times as many from no difference" in said(section)
    [command] = [block.text for block in section.blocks if isinstance(block, Command)]
    assert "--difference 2" in command


def test_trays_that_nobody_sows_are_no_trial():
    account = undecided(ended_account(), more=900)
    assert open_trials(account.fit, account.book, account.covers) == ()
    assert "would take more trays than anybody sows" in said(sections(account)["trial"])


def test_a_trial_that_takes_more_seed_than_there_is_says_so():
    account = undecided(ended_account(), "HECY", 300)
    assert "That is more than there is: sow fewer, or collect first." in said(
        sections(account)["trial"]
    )


@pytest.mark.parametrize(("trays", "benches"), [(1, 0), (7, 2), (11, 6), (9, 3), (13, 4)])
def test_trays_are_made_up_to_stand_evenly(trays, benches):
    made = even_trays(trays, benches)
    assert made >= max(trays, 2) and blocks_for(made, max(benches, 2))
    assert made - trays <= 1


# --- plain words

JARGON = re.compile(
    r"logit|\bAIC\b|Laplace|likelihood|beta-binomial|Holm|Jeffreys|posterior|log-normal|log-logistic|Weibull|correlation"
)


def test_statisticians_words_stand_only_where_it_is_told_how_it_is_computed():
    for account in (ended_account(), hostile_account()):
        told = sections(account)
        for name, section in told.items():
            if name != "how":
                assert not JARGON.search(said(section)), (name, JARGON.search(said(section)))
        sources = next(block for block in told["how"].blocks if isinstance(block, Items))
        for words in sources.sentences:
            plain = re.sub(r"\([^()]*\)", "", words)
            assert not JARGON.search(plain), plain
        assert "by AIC" in said(told["how"]) and "tray logits" in said(told["how"])


def test_notes_on_a_lot_stand_once_under_the_seeds_per_cell():
    account = ended_account()
    told = sections(account)
    notes = {note for row in account.fit.rows for note in row.notes}
    assert notes
    for note in notes:
        assert note in said(told["sow"]) and note not in said(told["trust"])


def test_settings_tell_points_and_the_option():
    settings = dict(
        (row[0], row[1:]) for row in grids(sections(ended_account())["settings"])[0].rows
    )
    # slope of the logistic curve at 60 %: .6 x .4 = .24 per unit; .24 x .35 = 8.4 points
    value, source = settings["how far springs differ, where 60 in 100 seeds come"]
    assert value == "give or take 8 points" and source.endswith("--season-sd 0.35")
    assert settings["last day of a first spring"][0] == "31 July"


def test_a_range_never_reads_as_an_arrow():
    assert (spread("79", ">99"), spread("<1", "12"), spread("43", "72")) == (
        "79-99",
        "1-12",
        "43-72",
    )
    for account in (ended_account(), hostile_account()):
        for section in sections(account).values():
            assert "->" not in said(section) and "-<" not in said(section)


def test_findings_of_one_rule_in_one_tray_stand_together():
    found = pd.DataFrame(
        [
            ("over", "T-1", "first", "mend"),
            ("over", "T-1", "second", "mend"),
            ("date", "", "third", "write"),
            ("date", "", "fourth", "write"),
            ("over", "T-2", "fifth", "mend"),
        ],
        columns=["rule", "tray", "message", "remedy"],
    )
    assert findings_words(found) == [
        "first; mend (and 1 more like it in T-1)",
        "third; write",
        "fourth; write",
        "fifth; mend",
    ]
