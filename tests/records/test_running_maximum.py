"""The collapse against rows worked by hand and against pandas' own cummax, shift and groupby on
seeded rows.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from germstats.records.intervals.running_maximum import count_distinct, running_maximum


def staircase(ran):
    return list(zip(*(part.tolist() for part in (ran.unit, ran.lo, ran.hi, ran.rise)), strict=True))


def ends(ran):
    return list(zip(*(part.tolist() for part in (ran.units, ran.level, ran.last)), strict=True))


def test_three_cells_by_hand():
    unit = np.array([2, 2, 2, 5, 5, 7, 7, 7])
    day = np.array([10, 20, 30, 10, 20, 10, 20, 30])
    level = np.array([0, 2, 1, 1, 1, 0, 0, 0])  # the first lost a seedling: two were ever seen
    ran = running_maximum(unit, day, level)
    assert staircase(ran) == [(2, 10, 20, 2), (5, 0, 10, 1)]
    assert ends(ran) == [(2, 2, 30), (5, 1, 20), (7, 0, 30)]


def test_a_cell_that_lost_does_not_raise_the_next_one():
    ran = running_maximum(np.array([0, 0, 1, 1]), np.array([5, 9, 5, 9]), np.array([3, 0, 1, 2]))
    assert staircase(ran) == [(0, 0, 5, 3), (1, 0, 5, 1), (1, 5, 9, 1)]


def by_pandas(rows):
    rows = rows.sort_values(["unit", "day"])
    level = rows.groupby("unit")["level"].cummax()
    before = level.groupby(rows["unit"]).shift(fill_value=0)
    lo = rows.groupby("unit")["day"].shift(fill_value=0)
    rises = pd.DataFrame(
        {"unit": rows["unit"], "lo": lo, "hi": rows["day"], "rise": level - before}
    )
    last = (
        rows.assign(level=level)
        .groupby("unit")
        .agg(level=("level", "max"), last=("day", "max"))
        .reset_index()
    )
    return rises[rises["rise"] > 0].to_numpy().tolist(), last.to_numpy().tolist()


@pytest.mark.parametrize("falls", [False, True])
@pytest.mark.parametrize("shuffled", [False, True])
@pytest.mark.parametrize("kind", [np.int32, np.int64])
def test_agrees_with_pandas(falls, shuffled, kind):
    rng = np.random.default_rng(7)
    rows = pd.DataFrame(
        {
            "unit": np.repeat(rng.permutation(900)[:300], 8),
            "day": np.tile(np.arange(3, 11) * 9, 300),
        }
    )
    rows["level"] = rng.integers(0, 4, len(rows))
    rows = (
        rows.sort_values(["unit", "day"])
        if falls
        else rows.assign(level=rows["level"].groupby(rows["unit"]).cummax()).sort_values(
            ["unit", "day"]
        )
    )
    rows = rows[rng.random(len(rows)) < 0.8]  # some looks were missed, some cells with them
    rows = rows.sample(frac=1.0, random_state=8) if shuffled else rows
    ran = running_maximum(*(rows[name].to_numpy(kind) for name in ("unit", "day", "level")))
    rises, last = by_pandas(rows)
    assert [list(step) for step in staircase(ran)] == rises
    assert [list(end) for end in ends(ran)] == last


def test_distinct_rows_and_how_often():
    distinct, count = count_distinct(
        [np.array([1, 0, 1, 1]), np.array([4, 9, 4, 3])], np.array([2, 1, 5, 0])
    )
    assert [part.tolist() for part in distinct] == [[0, 1], [9, 4]]
    assert count.tolist() == [1, 7]
    rng = np.random.default_rng(9)
    columns = [rng.integers(0, most, 5000) for most in (40, 1, 7)]
    distinct, count = count_distinct(columns)
    sizes = pd.DataFrame(np.transpose(columns)).groupby([0, 1, 2]).size()
    assert list(zip(*(part.tolist() for part in distinct), strict=True)) == sizes.index.tolist()
    assert count.tolist() == sizes.tolist()


def test_nothing_gives_nothing():
    none = np.zeros(0, dtype=np.int64)
    ran = running_maximum(none, none, none)
    assert staircase(ran) == ends(ran) == []
    distinct, count = count_distinct([none, none], none)
    assert [part.tolist() for part in (*distinct, count)] == [[], [], []]


def test_numbers_that_cannot_be_told_apart_are_refused():
    with pytest.raises(ValueError, match="must be 0 or more"):
        running_maximum(np.array([0, 1]), np.array([3, 3]), np.array([0, -1]))
    with pytest.raises(ValueError, match="must be 0 or more"):
        count_distinct([np.array([-1])])
    with pytest.raises(ValueError, match="64 bits together; 63 are the most"):
        count_distinct([np.array([2**40]), np.array([2**22])])
