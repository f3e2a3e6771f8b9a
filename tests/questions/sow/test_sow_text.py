"""The sowing table in words: seeds, and pinches whose size nobody knows."""

from __future__ import annotations

from pathlib import Path

import pytest

from germstats.engine.fit import fit_emergence
from germstats.forecast.seeds_per_cell import SowingSpec, seeds_per_cell
from germstats.questions.sow.sow_text import sow_table, sow_text
from tests.questions.plan.plan_books import COUNTS, small_book, tray_tables


@pytest.mark.parametrize(("target", "told"), [(0.3, "1 pinch"), (0.93, "{} pinches")])
def test_the_table_says_as_many_pinches_as_the_note(
    tmp_path: Path, target: float, told: str
) -> None:
    # nobody weighed or counted the pinches of A-1; B-1 is sown one seed a cell
    trays = tray_tables(COUNTS)["trays"].replace("6,6,2,", "6,6,pinch,")
    advice = seeds_per_cell(
        fit_emergence(small_book(tmp_path / "book", trays=trays)), SowingSpec(target=target)
    )
    pinched, counted = advice.rows
    assert (pinched.seeds_per_cell, counted.pinches_per_cell) == (None, None)
    assert pinched.pinches_per_cell is not None
    words = told.format(f"{pinched.pinches_per_cell:g}")
    header, rows = sow_table(advice)
    assert rows[0][header.index("sow")] == words
    assert pinched.notes[0].startswith(f"sow {words} per cell;")
    assert words in sow_text(advice)
    assert advice.to_frame()["pinches_per_cell"].tolist()[0] == pinched.pinches_per_cell


def test_pinches_that_do_not_reach_come_with_the_trays_to_add(tmp_path: Path) -> None:
    trays = tray_tables(COUNTS)["trays"].replace("6,6,2,", "6,6,pinch,")
    fit = fit_emergence(small_book(tmp_path / "book", trays=trays))
    advice = seeds_per_cell(fit, SowingSpec(target=1.0, assurance=0.99, most_seeds=1))
    header, rows = sow_table(advice)
    pinched = advice.rows[0]
    assert (pinched.pinches_per_cell, pinched.reaches_target) == (1, False)
    assert rows[0][header.index("sow")] == f"1 pinch +{pinched.extra_trays} in 8"
    assert f"add {pinched.extra_trays} trays to every 8" in pinched.notes[0]


def test_a_number_that_does_not_reach_says_how_many_trays_more(tmp_path: Path) -> None:
    """Two seeds a cell of B-1, of which about half of the cells sown with one filled."""
    fit = fit_emergence(small_book(tmp_path / "book"))
    advice = seeds_per_cell(fit, SowingSpec(most_seeds=2))
    header, rows = sow_table(advice)
    for row, printed in zip(advice.rows, rows, strict=True):
        assert not row.reaches_target
        said = "(too few)" if row.extra_trays is None else f"+{row.extra_trays} in 8"
        assert printed[header.index("sow")] == f"2 {said}"
    assert "add " in sow_text(advice)
