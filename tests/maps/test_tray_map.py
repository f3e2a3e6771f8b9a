"""Tray maps and where their empty cells lie: by hand, by brute force, and by seeded trays with and
without a cause.
"""

from __future__ import annotations

from itertools import combinations, product
from math import comb

import numpy as np
import pytest
from nurseries.failures import FailureSpec, simulate_failures
from scipy import stats

import germstats
from germstats.demonstration import simulate_demo
from germstats.maps.tray_map import (
    TrayMap,
    cell_name,
    empty_ring,
    join_count,
    overfull_cells,
    scan_empty_block,
    tray_maps,
)
from germstats.maps.tray_scans import emptiest_block, outer_cells, ring_of_empties
from germstats.records.checking.parsing import cell_place
from tests.records.small_books import CLEAN, write
from tests.test_datasets import DATASETS

SHAPE = (6, 12)
WHOLE = np.ones(SHAPE, dtype=bool)


def made(emerged: list[list[float]], most: float = 2.0, counted: bool = True) -> TrayMap:
    grid = np.array(emerged, dtype=float)
    limit = np.full(grid.shape, most)
    return TrayMap(
        "T", *grid.shape, limit.copy(), grid, np.full(grid.shape, np.nan), counted, limit
    )


# --- from a book
# ------------------------------------------------------------------------------------------


def test_a_book_gives_maps_from_cells_and_from_one_look(tmp_path):
    maps = tray_maps(germstats.read_book(write(tmp_path)))
    assert list(maps) == ["T-0412", "T-0413"]
    cells, look = maps["T-0412"], maps["T-0413"]
    assert (cells.source, cells.counted, look.source, look.counted) == (
        "cells",
        True,
        "maps",
        False,
    )
    nan = np.nan
    np.testing.assert_array_equal(cells.emerged, [[3, nan, nan], [nan, nan, 1]])
    np.testing.assert_array_equal(cells.sown, [[3, nan, nan], [nan, nan, 3]])
    np.testing.assert_array_equal(cells.lost, [[0, nan, nan], [nan, nan, 0]])
    np.testing.assert_array_equal(look.emerged, [[0, 1, 1], [1, 1, 1]])
    np.testing.assert_array_equal(look.sown, np.full((2, 3), 2.5))
    np.testing.assert_array_equal(look.overfull_above, np.full((2, 3), 3.0))
    assert cells.corner == "A1"


def test_a_book_without_cells_or_looks_has_no_maps(tmp_path):
    assert list(tray_maps(germstats.read_book(write(tmp_path, cells=None)))) == ["T-0413"]
    bare = write(tmp_path, cells=None, maps=None, events=None, lots=None, species=None)
    assert tray_maps(germstats.read_book(bare)) == {}


def test_losses_end_where_the_grower_thins(tmp_path):
    later = "T-0412,A1,2025-06-01,3,,,1,\nT-0412,B3,2025-06-01,1,,,0,\n"
    lost = tray_maps(germstats.read_book(write(tmp_path, cells=CLEAN["cells"] + later)))[
        "T-0412"
    ].lost
    assert (lost[0, 0], lost[1, 2]) == (2, 1)
    thinned = CLEAN["events"] + "T-0412,2025-05-25,thinned,A1,\n"
    book = germstats.read_book(write(tmp_path, cells=CLEAN["cells"] + later, events=thinned))
    lost = tray_maps(book)["T-0412"].lost
    assert (lost[0, 0], lost[1, 2]) == (0, 1)


def test_second_spring_and_own_seeds_of_a_cell(tmp_path):
    rows = CLEAN["cells"].replace("T-0412,A1,2025-04-20,1,,,,", "T-0412,A1,2025-04-20,1,,5,,")
    rows += "T-0412,B3,2026-04-18,3,,,,\n"
    one = tray_maps(germstats.read_book(write(tmp_path, cells=rows)))["T-0412"]
    assert one.emerged[1, 2] == 1
    assert (one.sown[0, 0], one.overfull_above[0, 0], one.overfull_above[1, 2]) == (5, 5, 3)


def test_a_pinch_is_overfull_above_its_998_point(tmp_path):
    """Mean 13/3 of three pinches counted; the limit is the point that 2 of 1,000 such
    pinches pass.
    """
    trays = CLEAN["trays"].replace("GETR-23A,2024-12-03,2,3,2-3", "GETR-23A,2024-12-03,2,3,pinch")
    one = tray_maps(germstats.read_book(write(tmp_path, trays=trays)))["T-0413"]
    mean, variance = 13 / 3, 19 / 3
    k = mean**2 / (variance - mean)
    limit = one.overfull_above[0, 0]
    assert one.sown[0, 0] == pytest.approx(mean, rel=1e-12)
    assert (
        stats.nbinom.sf(limit, k, k / (k + mean))
        <= 0.002
        < stats.nbinom.sf(limit - 1, k, k / (k + mean))
    )


def test_no_limit_where_the_pinch_is_of_unknown_size(tmp_path):
    trays = CLEAN["trays"].replace("MOFI-24A,2024-12-03,2,3,3", "MOFI-24A,2024-12-03,2,3,pinch")
    one = tray_maps(germstats.read_book(write(tmp_path, trays=trays)))["T-0412"]
    assert overfull_cells(one) == overfull_cells(made([[1.0]]))
    assert np.isnan(one.sown).all()


def test_names_of_cells_are_read_back():
    for row, column in product([0, 1, 25, 26, 51, 52, 701, 702], [0, 11]):
        assert cell_place(cell_name(row, column)) == (row + 1, column + 1)


def test_overfull_cells_are_named_and_never_guessed_from_a_map():
    grid = [[2.0, 3.0, np.nan], [0.0, 4.0, 1.0]]
    found = overfull_cells(made(grid))
    assert (found.cells, found.count) == (("A2", "B2"), 2)
    assert overfull_cells(made(grid, counted=False)).count is None


# --- the planted trays of the demonstration
# ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def story_maps():
    stories = simulate_demo().truth.stories
    maps = tray_maps(germstats.read_book(DATASETS / "demonstration"))
    planted = stories[(stories["story"] == 4) & (stories["cells"] != "")]
    return [
        (row["what"], set(row["cells"].split()), maps[row["tray"]])
        for row in planted.to_dict("records")
    ]


def block_cells(block) -> set[str]:
    rows, columns = (range(ends[0], ends[1] + 1) for ends in (block.rows, block.columns))
    return {cell_name(row, column) for row in rows for column in columns}


def test_the_demonstration_s_block_and_strip_are_found_where_they_were_planted(story_maps):
    assert len(story_maps) == 2
    for _, cells, one in story_maps:
        block = scan_empty_block(one)
        assert block is not None
        assert block.p < 0.002
        assert block_cells(block) == cells


def test_only_the_washed_tray_has_overfull_cells(story_maps):
    found = {what.split()[0]: overfull_cells(one).count for what, _, one in story_maps}
    assert found["washed"] >= 5
    assert found["a"] == 0


# --- block
# ------------------------------------------------------------------------------------------


def test_the_emptiest_block_by_brute_force():
    """Every rectangle of a 4 x 5 tray that touches an edge and holds at most half of it, its ratio
    typed out.
    """
    rng = np.random.default_rng(3)
    for _ in range(20):
        filled = rng.random((4, 5)) < 0.8
        found = emptiest_block(filled, np.ones((4, 5), dtype=bool), permutations=1)
        came, best = int(filled.sum()), 0.0
        for (top, bottom), (left, right) in product(
            combinations(range(5), 2), combinations(range(6), 2)
        ):
            size, inside = (
                (bottom - top) * (right - left),
                int(filled[top:bottom, left:right].sum()),
            )
            touches = top == 0 or left == 0 or bottom == 4 or right == 5
            if touches and 6 <= size <= 10 and inside / size < (came - inside) / (20 - size):
                parts = ((inside, size), (came - inside, 20 - size))
                ratio = sum(
                    stats.binom.logpmf(k, n, k / n) - stats.binom.logpmf(k, n, came / 20)
                    for k, n in parts
                )
                best = max(best, float(ratio))
        if found is None:
            assert best < 1e-9 or came == 20
            continue
        size, inside = found.cells, found.filled
        parts = ((inside, size), (came - inside, 20 - size))
        ratio = sum(
            stats.binom.logpmf(k, n, k / n) - stats.binom.logpmf(k, n, came / 20) for k, n in parts
        )
        assert ratio == pytest.approx(best, abs=1e-9)
        rows, columns = (slice(ends[0], ends[1] + 1) for ends in (found.rows, found.columns))
        assert filled[rows, columns].sum() == inside


def test_nothing_to_see_gives_no_block():
    half = np.zeros(SHAPE, dtype=bool)
    half[:, ::3] = True
    assert emptiest_block(half, WHOLE) is None  # a third filled: a hole cannot be seen
    assert emptiest_block(WHOLE, WHOLE) is None
    assert emptiest_block(~WHOLE, WHOLE) is None
    assert emptiest_block(np.eye(3, dtype=bool), np.ones((3, 3), dtype=bool)) is None


def test_unknown_cells_count_for_nothing():
    filled = WHOLE.copy()
    filled[2:6, 3:9] = False
    filled[0, 0] = False
    known = WHOLE.copy()
    known[2:6, 3:6] = False
    block = emptiest_block(filled, known)
    assert (block.cells, block.filled) == (12, 0)


def test_the_same_seed_gives_the_same_chance_and_a_large_tray_is_no_trouble():
    rng = np.random.default_rng(8)
    filled = rng.random((40, 40)) < 0.8
    filled[:20, 10:20] = False
    first, again = (emptiest_block(filled, np.ones((40, 40), dtype=bool), seed=5) for _ in range(2))
    assert first == again
    assert first.p < 0.002


def test_false_alarms_of_the_block_keep_their_rate():
    """Random trays: 5 % of them below p .05, within 4 Monte-Carlo errors."""
    rng = np.random.default_rng(11)
    found = [emptiest_block(rng.random(SHAPE) < 0.8, WHOLE, seed=k) for k in range(800)]
    rate = np.mean([one is not None and one.p <= 0.05 for one in found])
    assert abs(rate - 0.05) <= 4 * np.sqrt(0.05 * 0.95 / 800)
    assert np.mean([one is not None and one.p < 0.002 for one in found]) <= 0.002 + 4 * np.sqrt(
        0.002 / 800
    )


# --- ring
# ------------------------------------------------------------------------------------------


def test_ring_by_hand():
    """A 3 x 4 tray: 10 outer cells, 2 inner; 3 empty cells, all outer: C(10,3)/C(12,3) =
    120/220.
    """
    filled = np.ones((3, 4), dtype=bool)
    filled[0, :3] = False
    ring = ring_of_empties(filled, np.ones((3, 4), dtype=bool))
    assert (ring.outer, ring.outer_empty, ring.empty, ring.cells) == (10, 3, 3, 12)
    assert ring.p == pytest.approx(120 / 220, rel=1e-12)
    assert ring.sides == 2  # top 3 of 4, left 1 of 3; right and bottom none


def test_no_ring_without_inner_cells_or_empties():
    assert ring_of_empties(np.array([[True, False]]), np.ones((1, 2), dtype=bool)) is None
    assert ring_of_empties(WHOLE, WHOLE) is None
    assert ring_of_empties(~WHOLE, WHOLE) is None


def test_false_alarms_of_the_ring_keep_the_rate_its_whole_numbers_allow():
    """Of trays with m empty cells, exactly P(p <= .05) by the hypergeometric law, within 4
    Monte-Carlo errors.
    """
    rng = np.random.default_rng(12)
    outer, hits, wanted = int(outer_cells(*SHAPE).sum()), [], []
    for _ in range(4000):
        filled = rng.random(SHAPE) < 0.75
        ring = ring_of_empties(filled, WHOLE)
        hits.append(ring.p <= 0.05)
        law = stats.hypergeom(72, ring.empty, outer)
        counts = np.arange(outer + 1)
        wanted.append(law.pmf(counts)[law.sf(counts - 1) <= 0.05].sum())
    assert abs(np.mean(hits) - np.mean(wanted)) <= 4 * np.sqrt(0.05 * 0.95 / 4000)
    assert 0.02 < np.mean(wanted) <= 0.05


# --- joins
# ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("shape", "marks", "expected", "variance"),
    [
        # 2 x 2: 4 joins among 6 pairs. Two marks: 1 join in 4 of 6 labellings, 0 in 2.
        ((2, 2), 2, 4 / 6, 4 / 6 - (4 / 6) ** 2),
        ((2, 2), 3, 2.0, 0.0),
        # 2 x 3: 7 joins among 15 pairs. Two marks: 1 join in 7 of 15 labellings.
        ((2, 3), 2, 7 / 15, 7 / 15 - (7 / 15) ** 2),
        # Three marks, 20 labellings: a row (2) or an L in one of two squares (4 each): 2 joins in
        # 10; the complement counts the same marks apart: the sum of joins is 7 x 4 = 28 = 10 x 2 +
        # 8 x 1, so 1 join in 8, none in 2.
        ((2, 3), 3, 28 / 20, (10 * 4 + 8) / 20 - (28 / 20) ** 2),
    ],
)
def test_join_moments_by_hand(shape, marks, expected, variance):
    marked = np.zeros(shape, dtype=bool)
    marked.ravel()[:marks] = True
    found = join_count(marked, np.ones(shape, dtype=bool))
    assert found.expected == pytest.approx(expected, rel=1e-12)
    assert found.variance == pytest.approx(variance, abs=1e-12)


@pytest.mark.parametrize(
    ("shape", "hidden"), [((3, 3), ()), ((3, 4), ((0, 0), (1, 2))), ((2, 5), ((1, 1),))]
)
def test_joins_against_every_labelling(shape, hidden):
    known = np.ones(shape, dtype=bool)
    for cell in hidden:
        known[cell] = False
    places = np.argwhere(known)
    for marks in range(len(places) + 1):
        counts = []
        for chosen in combinations(range(len(places)), marks):
            marked = np.zeros(shape, dtype=bool)
            marked[tuple(places[list(chosen)].T)] = True
            counts.append((marked[1:] & marked[:-1]).sum() + (marked[:, 1:] & marked[:, :-1]).sum())
        found = join_count(marked, known)  # the last labelling
        assert len(counts) == comb(len(places), marks)
        assert found.joins == counts[-1]
        assert found.expected == pytest.approx(np.mean(counts), abs=1e-12)
        assert found.variance == pytest.approx(np.var(counts), abs=1e-12)
        assert found.p == pytest.approx(np.mean(np.array(counts) >= counts[-1]), abs=1e-12)


def test_a_clump_stands_out_and_a_chessboard_does_not():
    clump, board = np.zeros(SHAPE, dtype=bool), np.indices(SHAPE).sum(axis=0) % 2 == 0
    clump[1:4, 2:6] = True
    assert join_count(clump, WHOLE).p < 0.001
    found = join_count(board, WHOLE)
    assert (found.joins, found.p) == (0, 1.0)
    assert found.z < -5


def test_false_alarms_of_joins_keep_their_rate():
    """The chance of p <= .05 is at most .05 (whole numbers), within 4 Monte-Carlo errors, and not
    far below.
    """
    rng = np.random.default_rng(13)
    p = np.array(
        [join_count(rng.random(SHAPE) < 0.3, WHOLE, seed=k, permutations=400).p for k in range(800)]
    )
    assert 0.02 <= (p <= 0.05).mean() <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 800)


# --- planted causes
# ------------------------------------------------------------------------------------------


def found_share(cause: str) -> float:
    """Share of detectable planted causes found at p < .002, over 12 nurseries of 12 lots."""
    found = []
    for seed in range(12):
        nursery = simulate_failures(
            FailureSpec(trays=1, causes=(cause,), hit=1.0, twice=0.0, short_chill=0.0, seasons=1),
            seed,
        )
        for lot in nursery.truth:
            if cause in lot.detectable:
                one = nursery.maps[lot.trays[0]]
                seen = empty_ring(one) if cause == "dry" else scan_empty_block(one)
                found.append(seen is not None and seen.p < 0.002)
    assert len(found) >= 80
    return float(np.mean(found))


@pytest.mark.parametrize(("cause", "least"), [("mouse", 0.90), ("wash", 0.84), ("dry", 0.75)])
def test_planted_causes_are_found_as_often_as_the_design_measured(cause, least):
    assert found_share(cause) >= least


def test_healthy_trays_stay_quiet():
    """No cause, decoys with an edge effect of -.3: a block, or a ring below .001, in at most 4 of
    1,000 trays.
    """
    alarms = []
    for seed in range(25):
        for one in simulate_failures(
            FailureSpec(trays=2, causes=(), seasons=1), 500 + seed
        ).maps.values():
            block, ring = scan_empty_block(one), empty_ring(one)
            alarms.append(
                (block is not None and block.p < 0.002) or (ring is not None and ring.p < 0.001)
            )
    assert len(alarms) == 600
    assert np.mean(alarms) <= 0.002 + 0.001 + 4 * np.sqrt(0.003 / 600)
