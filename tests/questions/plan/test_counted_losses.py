"""What of a book says how many plants are lost after they came up: counted by hand."""

from __future__ import annotations

import pytest

from germstats.forecast.demand import later_losses
from tests.questions.plan.plan_books import small_book

TRAYS = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover\n" + "".join(
    f"T-{k},2026,{lot},2025-12-10,10,15,1,grit\n"
    for k, lot in enumerate(("A-1", "A-1", "B-1", "B-1", "B-1"))
)
LOOKS = "tray,checked_on,filled\n"
CELLS = "tray,cell,checked_on,emerged,alive\n"


def source(tmp_path, species: str, checks: str, cells: str = "") -> str:
    book = small_book(tmp_path, trays=TRAYS, checks=LOOKS + checks, cells=CELLS + cells)
    return later_losses(book, [species], None)[species].source


@pytest.mark.parametrize(
    ("checks", "counted"),
    [
        ("T-2,2026-05-20,136\n", "nothing counted"),
        ("T-2,2026-04-01,10\nT-2,2026-04-20,30\nT-2,2026-05-20,26\n", "4 of 30"),
        ("T-2,2026-04-01,8\nT-2,2026-04-20,25\nT-2,2026-05-20,33\n", "0 of 25"),
        ("T-2,2026-05-20,136\nT-3,2026-04-20,50\nT-3,2026-05-20,45\n", "5 of 50"),
        ("T-2,2026-04-20,0\nT-2,2026-05-20,0\n", "nothing counted"),
    ],
    ids=[
        "one look",
        "a fall",
        "still rising at the last look",
        "one look beside two",
        "nothing came",
    ],
)
def test_totals_say_what_fell_from_before_the_last_look(
    tmp_path, checks: str, counted: str
) -> None:
    """Before, a tray looked at once counted as "0 of 136 seedlings"."""
    assert counted in source(tmp_path, "BBBB", checks)


def test_cells_say_what_was_gone_at_a_second_look(tmp_path) -> None:
    """A1 lost its one, A2 kept it, A3 was seen once; the total of the other tray hides losses and
    stays out.
    """
    looks = (
        "A1,2026-04-01,1,1",
        "A1,2026-05-01,1,0",
        "A2,2026-04-01,1,1",
        "A2,2026-05-01,1,1",
        "A3,2026-05-01,1,1",
    )
    cells = "".join(f"T-0,{look}\n" for look in looks)
    checks = "T-1,2026-04-20,50\nT-1,2026-05-20,50\n"
    assert "counted in AAAA: 1 of 2 seedlings" in source(tmp_path, "AAAA", checks, cells)
    assert "counted in all species: 1 of 2 seedlings" in source(tmp_path, "CCCC", checks, cells)
