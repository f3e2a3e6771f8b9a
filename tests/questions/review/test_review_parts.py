"""What a review leaves out, follows and cannot see: bare blocks, falls of tray totals, maps of
half-empty trays.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from germstats.maps.tray_map import TrayMap
from germstats.questions.review.book import gather
from germstats.questions.review.counts import lot_seen, z_of_lot
from germstats.questions.review.gather import lot_file
from germstats.questions.review.lot_file import SeedTest
from germstats.questions.review.maps import block, course, edge, losses, shape
from germstats.questions.review.records import fallen
from germstats.questions.review.review import LotVerdict, Review, judge
from germstats.questions.review.review_text import review_text
from germstats.questions.review.rules import load_rules
from germstats.questions.review.undamaged_part import sound_part, whole
from tests.questions.review.test_review_books import (
    COLUMNS,
    DAYS,
    ROWS,
    by_cell,
    read,
    row_of,
    tables,
)

RULES = load_rules()
LIMITS = RULES.limits
TRAY = "T-2025-A-1-0"


def course_of(told, tray, counts):
    """Filled cells of the tray at each of its checks."""
    told["checks"] = [row for row in told["checks"] if not row.startswith(f"{tray},")]
    told["checks"] += [f"{tray},2025-{day},{n}," for day, n in zip(DAYS, counts, strict=True)]
    return told


def file_of(told, folder):
    return lot_file(gather(read(told, folder), RULES), "A-1", 2025)


def bare(rows):
    """The first rows of the tray are empty, one seedling stands in every other cell."""
    return [((DAYS[5], 0 if place < rows * COLUMNS else 1),) for place in range(ROWS * COLUMNS)]


@pytest.mark.parametrize(
    ("standing", "lost", "at_once"),
    [
        (
            (1, 4, 10, 14, 17, 12, 9, 13),
            8,
            5,
        ),  # late comers filled gaps: the last check alone shows 4 lost
        ((1, 4, 10, 14, 17, 17, 17, 17), 0, 0),
        ((9, 7, 12, 8), 4, 4),  # the furthest below the most before, not the sum of falls
        ((5,), 0, 0),
    ],
)
def test_how_far_a_tray_fell_by_hand(standing, lost, at_once):
    days = pd.date_range("2025-04-01", periods=len(standing), freq="7D")
    assert fallen(pd.Series(standing, index=days, dtype=float)) == (lost, at_once)


def test_slow_falls_of_filled_cells_are_losses_and_go_over_time(tmp_path):
    """17 of 24 cells filled, then 3, 2 and 2 gone again: seven, three of them at most at once."""
    file = file_of(course_of(tables(), TRAY, (1, 6, 12, 17, 14, 12, 10, 10)), tmp_path)
    assert (file.trays[0].lost, file.trays[0].ever, file.trays[0].at_once) == (7, 17, 3)
    assert losses(file, LIMITS).reading == "strong"
    followed = course(file, LIMITS)
    assert followed.reading == "over_time" and followed.statistic == pytest.approx(3 / 7, abs=1e-12)
    found = judge(file, RULES)
    assert found.verdict == LotVerdict.POOR and found.named[0].cause == "damp"


def test_a_fall_between_two_checks_points_at_the_count(tmp_path):
    file = file_of(course_of(tables(), TRAY, (1, 6, 12, 17, 17, 17, 17, 10)), tmp_path)
    assert course(file, LIMITS).reading == "at_once"
    assert judge(file, RULES).named[0].cause == "miscount"


def test_a_bare_block_is_left_out_of_what_the_lot_is_judged_by(tmp_path):
    """Two rows of four are bare: 12 of the tray's 24 cells stay, all full, beside the sister's 18
    of 24.
    """
    file = file_of(by_cell(tables(), TRAY, bare(2)), tmp_path)
    sound = sound_part(file, LIMITS, None)
    assert [(tray.cells, tray.filled, tray.seeds, tray.emerged) for _, tray in sound.trays] == [
        (12, 12, 12.0, 12),
        (24, 18, 24.0, None if file.trays[1].emerged is None else file.trays[1].emerged),
    ]
    assert sound.without == (f"the empty block of {TRAY}",)
    row = lot_seen(file, LIMITS)
    assert row.statistic > z_of_lot(file, file.ordinary, whole(file))
    assert row.words.endswith(f"judged without the empty block of {TRAY}")
    assert row.words.startswith("30 seedlings of 48 seeds")  # the raw counts are those of all cells


def test_a_tray_left_out_is_the_low_one_and_never_the_only_one(tmp_path):
    file = file_of(tables(), tmp_path)
    assert [k for k, _ in sound_part(file, LIMITS, 0).trays] == [1]
    alone = replace(file, trays=file.trays[:1])
    assert (
        sound_part(alone, LIMITS, 0).trays == whole(alone)
        and sound_part(alone, LIMITS, 0).without == ()
    )


def test_no_block_to_be_seen_says_nothing_of_a_tray_mostly_empty(tmp_path):
    """Eight of 24 cells filled here and there: neither block nor ring stands out, nor could it."""
    few = [((DAYS[5], int(place % 3 == 1)),) for place in range(ROWS * COLUMNS)]
    half = [((DAYS[5], int(place % 3 > 0)),) for place in range(ROWS * COLUMNS)]
    (tmp_path / "half").mkdir()
    sparse = file_of(by_cell(tables(), TRAY, few), tmp_path)
    full = file_of(by_cell(tables(), TRAY, half), tmp_path / "half")
    assert [one(sparse, LIMITS).reading for one in (block, edge)] == ["", ""]
    assert [one(full, LIMITS).reading for one in (block, edge)] == ["none", "none"]


def test_what_plainly_happened_is_said_though_more_is_to_come(tmp_path):
    """The same lot with a third still to come: not over yet, but for a tray that lost half of its
    seedlings.
    """
    healthy = file_of(tables(), tmp_path)
    low = np.full_like(healthy.ordinary, 5.0)
    late = replace(healthy, share_out=0.66, expected=replace(healthy.expected, ordinary=low))
    assert judge(late, RULES).verdict == LotVerdict.NOT_OVER
    hit = replace(late.trays[0], lost=9, ever=17, at_once=4)
    found = judge(replace(late, trays=(hit, late.trays[1])), RULES)
    assert (
        found.verdict == LotVerdict.POOR
        and "many seedlings were lost after they came up" in found.doors
    )
    assert row_of(found, "to_come").reading == "much"
    assert {one.cause: one.standing for one in found.causes}["unfinished"] == "likely"


def test_what_speaks_already_is_named_beside_not_over_yet(tmp_path):
    """A third still to come and a seed test that found next to nothing: wait, but the seed is poor
    already.
    """
    healthy = file_of(tables(), tmp_path)
    low = np.full_like(healthy.ordinary, 5.0)
    bad = SeedTest("cut test", 50, 4)
    late = replace(
        healthy,
        share_out=0.66,
        expected=replace(healthy.expected, ordinary=low, mates=low),
        tests=(bad,),
    )
    found = judge(late, RULES)
    assert found.verdict == LotVerdict.NOT_OVER and not found.told and found.next_year == ()
    standing = {one.cause: one.standing for one in found.causes}
    assert (
        standing["seed"] == "possible"
        and "unfinished" not in standing
        and "unlikely" not in standing.values()
    )
    said = " ".join(review_text(Review(found.season, (found,))).split())
    told = said[said.index("already possible: poor seed: empty, unripe, old or eaten by insects") :]
    assert "for: " in told and "cut test: 4 of 50 good" in told and "far fewer came up" not in told
    assert "lot_seen" not in [row.evidence for one in found.causes for row, _ in one.supports]
    assert "Not over yet: 1." in said
    # before its second spring nothing is held against it
    assert judge(replace(late, waiting=True), RULES).causes == ()


def told_of(file, filled):
    """Readings of block, shape and edge where the lot's one tray has this map (R, C) of filled
    cells.
    """
    grid = np.array(filled, dtype=float)
    rows, columns = grid.shape
    seen = TrayMap(
        tray=TRAY,
        rows=rows,
        columns=columns,
        sown=np.full_like(grid, 2.0),
        emerged=grid,
        lost=np.full_like(grid, np.nan),
        counted=False,
        overfull_above=np.full_like(grid, np.inf),
    )
    one = replace(file, trays=(replace(file.trays[0], seen_map=seen),))
    return tuple(row(one, LIMITS).reading for row in (block, shape, edge))


def test_a_bare_ring_is_no_block_and_a_bare_corner_no_ring(tmp_path):
    """A tray of 6 by 12: one explains what the other shows; where both are there, both are told."""
    file = file_of(tables(), tmp_path)
    ring, corner = np.ones((6, 12)), np.ones((6, 12))
    ring[[0, -1], :] = ring[:, [0, -1]] = 0
    corner[:4, :5] = 0
    assert told_of(file, ring) == ("none", "", "strong")
    assert told_of(file, corner)[:2] == ("strong", "patch") and told_of(file, corner)[2] != "strong"
    assert told_of(file, ring * corner) == ("strong", "patch", "strong")
    assert told_of(file, np.ones((6, 12)) - np.eye(6, 12)) == ("none", "", "none")


@pytest.mark.parametrize(
    ("lost", "at_once", "reading"),
    [
        (20, 18, "at_once"),
        (20, 9, "over_time"),
        (34, 22, "jump"),
        (24, 18, "jump"),
        (30, 10, "over_time"),
    ],
)
def test_losses_over_time_with_one_jump_are_two_things(tmp_path, lost, at_once, reading):
    """Of 60 that came: a jump is .22 of them (14) or more between two checks, with .08 (5) or more
    at others.
    """
    file = file_of(tables(), tmp_path)
    hit = replace(file.trays[0], lost=lost, ever=60, at_once=at_once, by_cell=False)
    found = course(replace(file, trays=(hit,)), LIMITS)
    assert found.reading == reading
    assert found.words.endswith("the others over several") == (reading == "jump")


@pytest.mark.parametrize(
    ("good", "usual", "reading"),
    [
        (45, 0.85, "good"),
        (36, 0.85, "middling"),  # 1.2 sds below the usual: not poor, and no seed to be cleared
        (12, 0.85, "low"),
        (
            30,
            0.50,
            "middling",
        ),  # more than its species' tests find, but fewer than come up in an ordinary spring
    ],
)
def test_a_middling_seed_test_speaks_neither_way(tmp_path, good, usual, reading):
    """Lots of the species lie .6 apart on the logit; 35 of 48 seeds came, about as many as
    expected.
    """
    file = file_of(tables(), tmp_path)
    of_species = replace(file.usual, viable=float(np.log(usual / (1 - usual))), viable_sd=0.6)
    found = judge(replace(file, tests=(SeedTest("cut test", 50, good),), usual=of_species), RULES)
    assert row_of(found, "test").reading.removesuffix("_gap") == reading
    assert ("neither poor nor good" in row_of(found, "test").words) == (reading == "middling")
