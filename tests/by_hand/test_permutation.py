"""The permutation test against distributions counted by hand.

3 v 3 trays: the 20 rank sums of Mann & Whitney 1947, Ann. Math. Statist. 18:50-60 (memory; counted
again by hand). Pairs: 2^B signs, by hand. Fisher 1935, The Design of Experiments, ch. 3: Darwin's
15 pairs of maize, in eighths of an inch; 1,726 of 32,768 arrangements reach the 314 seen, 5.267 %
(memory; the count is computed again below).
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from germstats.questions.compare.crosscheck import permutation_test

ONE_BLOCK = np.zeros(6, dtype=np.int64)
RANKS = np.arange(1.0, 7.0)
DARWIN = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48])


def levels(*chosen: int) -> np.ndarray:
    """1 for the trays with these ranks."""
    return np.isin(RANKS, chosen).astype(np.int64)


def pairs(differences) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Logits, levels and blocks of pairs whose level 1 lies above by these differences; pairs lie
    far apart.
    """
    gaps = np.asarray(differences, dtype=float)
    base = 100.0 * np.arange(len(gaps))
    return (
        np.column_stack([base, base + gaps]).ravel(),
        np.tile([0, 1], len(gaps)),
        np.repeat(np.arange(len(gaps)), 2),
    )


@pytest.mark.parametrize(
    ("chosen", "extreme"),
    [
        ((4, 5, 6), 2),  # sums 6 and 15: one arrangement each
        ((3, 5, 6), 4),  # 7 and 14: one each
        ((2, 5, 6), 8),  # 8 and 13: 1+2+5, 1+3+4 and their mirrors, two each
        ((1, 5, 6), 14),  # 9 and 12: 1+2+6, 1+3+5, 2+3+4 and their mirrors, three each
        ((1, 4, 6), 20),  # 10 and 11: the remaining three each
        ((1, 2, 3), 2),
    ],
)
def test_three_trays_against_three(chosen, extreme):
    found = permutation_test(RANKS, levels(*chosen), ONE_BLOCK)
    assert found.arrangements == 20
    assert found.exact
    assert found.p == pytest.approx(extreme / 20, abs=1e-12)
    assert found.smallest == pytest.approx(2 / 20, abs=1e-12)


def test_only_the_order_of_equal_gaps_matters():
    """Shifted and stretched trays give the same p; so do the levels exchanged."""
    told = permutation_test(RANKS, levels(2, 5, 6), ONE_BLOCK).p
    assert permutation_test(7 - 3 * RANKS, levels(2, 5, 6), ONE_BLOCK).p == pytest.approx(
        told, abs=1e-12
    )
    assert permutation_test(RANKS, 1 - levels(2, 5, 6), ONE_BLOCK).p == pytest.approx(
        told, abs=1e-12
    )


@pytest.mark.parametrize(
    ("differences", "extreme"),
    # signs of 1, 2 and 4: the sums are 7, 5, 3, 1 and their mirrors, one arrangement each
    [((1, 2, 4), 2), ((-1, 2, 4), 4), ((1, -2, 4), 6), ((1, 2, -4), 8), ((-1, -2, -4), 2)],
)
def test_three_pairs(differences, extreme):
    found = permutation_test(*pairs(differences))
    assert (found.arrangements, found.exact) == (8, True)
    assert found.p == pytest.approx(extreme / 8, abs=1e-12)
    assert found.smallest == pytest.approx(2 / 8, abs=1e-12)


def test_uneven_blocks():
    """Two trays of level 1 and one of level 0 in a block, the reverse in the next: 3 x 3
    arrangements, written out.

    Block A holds 0, 1 and 5 (mean 2): two of them give 0+1-4 = -3, 0+5-4 = 1 or 1+5-4 = 2. Block B
    holds 0, 2 and 4 (mean 2): one gives -2, 0 or 2. Nine sums: -5, -3, -1, -1, 1, 3, 0, 2, 4. Those
    seen, 1 and 5 with 4, give 4: two lie as far out (-5 and 4), and only one farthest.
    """
    logits = np.array([0.0, 1.0, 5.0, 0.0, 2.0, 4.0])
    found = permutation_test(logits, np.array([0, 1, 1, 0, 0, 1]), np.array([0, 0, 0, 1, 1, 1]))
    assert found.arrangements == 9
    assert found.p == pytest.approx(2 / 9, abs=1e-12)
    assert found.smallest == pytest.approx(1 / 9, abs=1e-12)


@pytest.mark.parametrize(
    ("trays", "smallest"),
    [(2, 2 / 6), (3, 2 / 20), (4, 2 / 70)],
)
def test_smallest_reachable_without_blocks(trays, smallest):
    """C(2n, n) arrangements: .05 cannot be reached below 4 v 4."""
    logits, level = np.arange(2.0 * trays) ** 1.5, np.repeat([0, 1], trays)
    found = permutation_test(logits, level, np.zeros(2 * trays, dtype=np.int64))
    assert found.smallest == pytest.approx(smallest, abs=1e-12)
    assert found.p == pytest.approx(smallest, abs=1e-12)  # these are the most extreme there are
    assert (smallest < 0.05) == (trays >= 4)


@pytest.mark.parametrize("count", [1, 2, 5, 6, 10])
def test_smallest_reachable_with_pairs(count):
    """2 of 2^B: .05 cannot be reached below six pairs."""
    found = permutation_test(*pairs(1.0 + np.arange(count)))
    assert found.arrangements == 2**count
    assert found.smallest == found.p == pytest.approx(2 / 2**count, abs=1e-12)
    assert (found.smallest < 0.05) == (count >= 6)


def test_darwins_maize():
    """15 pairs have 32,768 arrangements, more than are gone through: drawn, to four Monte-Carlo
    standard errors.
    """
    assert DARWIN.sum() == 314
    sums = np.zeros(1)
    for gap in DARWIN:
        sums = np.concatenate([sums + gap, sums - gap])
    reached = int((np.abs(sums) >= 314).sum())
    assert (reached, len(sums)) == (1726, 32768)
    found = permutation_test(*pairs(DARWIN))
    assert not found.exact
    assert found.arrangements == 32768
    assert found.p == pytest.approx(0.05267, abs=4 * np.sqrt(0.05267 * 0.94733 / 20_000))
    assert found.smallest == pytest.approx(2 / 32768, rel=1e-9)


def test_exact_for_the_first_twelve_pairs():
    """All 4,096 signs of twelve of those pairs, by the plain definition."""
    gaps = DARWIN[:12]
    sums = np.array([np.dot(signs, gaps) for signs in product((-1, 1), repeat=12)])
    found = permutation_test(*pairs(gaps))
    assert found.exact
    assert found.p == pytest.approx((np.abs(sums) >= abs(gaps.sum())).mean(), abs=1e-12)
