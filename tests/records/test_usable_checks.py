"""The spring's window: its last day counts, the day after does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from germstats.records.book import RecordBook, read_book
from germstats.records.intervals.patterns import find_patterns
from germstats.records.intervals.sowings import sown_trays
from germstats.records.intervals.usable_checks import usable_looks, within_spring
from germstats.records.seasons import SPRING_ENDS
from tests.records.small_books import write

# sown on 3 December 2024: 28 days of December are left, and January to July have 31 + 28 + 31 + 30
# + 31 + 30 + 31
ONE_WINTER, TWO_WINTERS = 28 + 212, 28 + 212 + 365
LAST = {"no": "2025-07-31", "yes": "2026-07-31"}
AFTER = {"no": "2025-08-01", "yes": "2026-08-01"}
DAY = {"no": ONE_WINTER, "yes": TWO_WINTERS}


def looked_at(folder: Path, two_winters: str, *days: str, filled: tuple[int, ...]) -> RecordBook:
    """T-0413 looked at as a whole, T-0412 by its cell A1, each on these days."""
    checks = "".join(f"T-0413,{day},{n},,\n" for day, n in zip(days, filled, strict=True))
    cells = "".join(f"T-0412,A1,{day},{n},,,,\n" for day, n in zip(days, filled, strict=True))
    maps = "".join(f"T-0413,{day},A1\n" for day in days)
    return read_book(
        write(
            folder,
            species=f"species,two_winters\nMOFI,{two_winters}\nGETR,{two_winters}\n",
            checks="tray,checked_on,filled,seedlings,note\n" + checks,
            cells="tray,cell,checked_on,emerged,occupied,seeds,alive,note\n" + cells,
            maps="tray,seen_on,empty_cells\n" + maps,
        )
    )


@pytest.mark.parametrize("two_winters", ["no", "yes"])
def test_a_check_on_the_last_day_counts_and_one_the_day_after_does_not(
    tmp_path: Path, two_winters: str
) -> None:
    book = looked_at(tmp_path, two_winters, LAST[two_winters], AFTER[two_winters], filled=(2, 3))
    assert book.findings["rule"].tolist() == ["map-idle"], (
        "only that the first of two maps is the earlier one"
    )
    trays = sown_trays(book, SPRING_ENDS)
    looks = usable_looks(book, trays)
    assert looks.totals["day"].tolist() == looks.cells["day"].tolist() == [DAY[two_winters]]
    assert looks.notes == dict.fromkeys(
        ["T-0412", "T-0413"], ("1 more came after its spring had ended; not in the share",)
    )
    for table, day in (("checks", "checked_on"), ("cells", "checked_on"), ("maps", "seen_on")):
        kept = within_spring(book.tables[table], trays, day)
        assert kept[day].dt.strftime("%Y-%m-%d").tolist() == [LAST[two_winters]]
    found = find_patterns(book).trays.set_index("tray")
    assert found.loc["T-0412", ["last_day", "emerged"]].tolist() == [DAY[two_winters], 2]
    assert found.loc["T-0413", ["last_day", "filled"]].tolist() == [DAY[two_winters], 2]


@pytest.mark.parametrize("two_winters", ["no", "yes"])
def test_a_tray_seen_only_the_day_after_says_nothing(tmp_path: Path, two_winters: str) -> None:
    patterns = find_patterns(looked_at(tmp_path, two_winters, AFTER[two_winters], filled=(3,)))
    assert patterns.trays.empty
    assert set(patterns.left_out) == {"T-0412", "T-0413"}


def test_the_last_day_can_be_set(tmp_path: Path) -> None:
    book = looked_at(tmp_path, "no", "2025-06-15", "2025-06-16", filled=(1, 2))
    # 16 days less than 30 June, which is 31 days before 31 July: day 240 - 31 - 15
    assert (
        find_patterns(book, spring_ends=(6, 15)).trays["last_day"].tolist() == [ONE_WINTER - 46] * 2
    )


def test_a_two_winter_tray_waits_until_its_second_spring_is_looked_at(tmp_path: Path) -> None:
    # 1 February opens the second spring; a look on 31 January 2026 leaves the tray waiting
    waits = "needs two winters: due in spring 2026"
    before = find_patterns(looked_at(tmp_path, "yes", "2026-01-31", filled=(0,)))
    assert before.left_out == {"T-0412": waits, "T-0413": waits}
    assert find_patterns(looked_at(tmp_path, "yes", "2026-02-01", filled=(0,))).left_out == {}
