"""Up to which day emergence is told: the rules by hand, and what is cut off.

Each case is a small book whose answer can be read off its check days; no value here comes from the
package.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import germstats
from germstats.engine.fit import FitSpec, fit_emergence
from germstats.engine.horizon import Horizons, counted_up_to, find_horizons, spring_end_days
from germstats.engine.lots import sort_lots
from germstats.errors import NotEnoughRecordsError
from germstats.records.intervals.patterns import Patterns, find_patterns, seen_by

TRAYS = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover\n"


def book(
    folder: Path, trays: list[str], checks: list[str], species: str = "MOFI,no"
) -> germstats.RecordBook:
    """A book of lots A and B of one species, trays of ten cells with one seed."""
    tables = {
        "species": f"species,two_winters\n{species}\n",
        "lots": f"lot,species\nA,{species.split(',')[0]}\nB,{species.split(',')[0]}\n",
        "trays": TRAYS + "\n".join(trays) + "\n",
        "checks": "tray,checked_on,filled\n" + "\n".join(checks) + "\n",
    }
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return germstats.read_book(folder)


def tray(name: str, season: int = 2025, lot: str = "A", sown: str = "12-03") -> str:
    return f"{name},{season},{lot},{season - 1}-{sown},2,5,1,none"


def looks(name: str, days: dict[str, int], season: int = 2025) -> list[str]:
    return [f"{name},{season}-{day},{filled}" for day, filled in days.items()]


def horizons(patterns: Patterns, origin: str = "1 February") -> Horizons:
    lots = sort_lots(patterns)
    return find_horizons(patterns, lots, {lot.group: origin for lot in lots})


def of_lot(patterns: Patterns, lot: str = "A", origin: str = "1 February"):
    return horizons(patterns, origin).lots["MOFI", lot]


def test_a_quarter_of_the_trays_and_two_at_least_set_the_day(tmp_path):
    """Last looks on 10, 20, 30 April, 1, 2, 3, 4, 5 May: of eight trays two looked on 4 May or
    later.
    """
    last = ["04-10", "04-20", "04-30", "05-01", "05-02", "05-03", "05-04", "05-05"]
    trays = [tray(f"T{k}", 2024) for k in range(8)] + [tray("N", 2025)]
    checks = [
        line for k, day in enumerate(last) for line in looks(f"T{k}", {"04-01": 0, day: 4}, 2024)
    ]
    patterns = find_patterns(book(tmp_path, trays, checks + looks("N", {"03-01": 0, "03-08": 1})))
    found = of_lot(patterns)
    assert found.basis == "looked at"
    assert found.day == (pd.Timestamp("2024-05-04") - pd.Timestamp("2024-02-01")).days


def test_complete_trays_neither_set_nor_shorten_it(tmp_path):
    trays = [tray(f"T{k}", 2024) for k in range(3)] + [tray("N", 2025)]
    checks = (
        looks("T0", {"04-01": 2, "04-20": 10}, 2024)  # all ten up: looked at no more
        + looks("T1", {"04-01": 2, "05-10": 5}, 2024)
        + looks("T2", {"04-01": 2, "05-20": 6}, 2024)
        + looks("N", {"03-01": 0, "03-08": 1})
    )
    found = of_lot(find_patterns(book(tmp_path, trays, checks)))
    assert found.day == (pd.Timestamp("2024-05-10") - pd.Timestamp("2024-02-01")).days


def test_where_all_trays_are_complete_it_is_the_end_of_the_spring(tmp_path):
    checks = looks("T0", {"04-01": 2, "04-20": 10}, 2024) + looks("N", {"03-01": 0, "03-08": 1})
    patterns = find_patterns(book(tmp_path, [tray("T0", 2024), tray("N")], checks))
    found = of_lot(patterns)
    assert found.basis == "all came"
    assert found.day == (pd.Timestamp("2024-07-31") - pd.Timestamp("2024-02-01")).days


def test_a_spring_under_way_sets_none_while_there_is_an_earlier_one(tmp_path):
    trays = [tray("OLD", 2024), tray("NEW", 2025), tray("B1", 2025, "B")]
    checks = looks("OLD", {"04-01": 2, "05-10": 5}, 2024)
    checks += looks("NEW", {"04-01": 1, "06-20": 4}) + looks("B1", {"04-01": 1, "06-20": 4})
    found = horizons(find_patterns(book(tmp_path, trays, checks))).lots
    day = (pd.Timestamp("2024-05-10") - pd.Timestamp("2024-02-01")).days
    assert (found["MOFI", "A"].day, found["MOFI", "A"].basis) == (day, "looked at")
    assert (found["MOFI", "B"].day, found["MOFI", "B"].basis) == (day, "species")


def test_the_only_spring_is_told_to_its_last_look_and_says_so(tmp_path):
    checks = looks("T0", {"04-01": 1, "05-10": 4})
    records = book(tmp_path, [tray("T0")], checks)
    (row,) = fit_emergence(records).rows
    assert (row.horizon_on, row.horizon_basis) == (pd.Timestamp("2025-05-10"), "season not over")
    assert row.horizon_days == (pd.Timestamp("2025-05-10") - pd.Timestamp("2024-12-03")).days
    assert "looked at up to 10 May 2025, and the season is not over" in row.notes


def test_looks_at_the_last_day_of_the_spring_end_it(tmp_path):
    """The latest spring looked at to 31 July is over: nothing is under way."""
    checks = looks("T0", {"04-01": 1, "07-31": 4})
    found = of_lot(find_patterns(book(tmp_path, [tray("T0")], checks)))
    assert (found.basis, found.day) == (
        "looked at",
        (pd.Timestamp("2025-07-31") - pd.Timestamp("2025-02-01")).days,
    )


def test_on_the_clock_of_sowing_days_are_counted_from_it_and_end_with_the_spring(tmp_path):
    trays = [tray("T0", 2024, sown="10-01"), tray("T1", 2024, sown="10-01"), tray("N", 2025)]
    trays[2] = "N,2025,A,2025-01-20,2,5,1,none"
    checks = looks("T0", {"04-01": 1, "06-01": 4}, 2024) + looks(
        "T1", {"04-01": 1, "06-01": 4}, 2024
    )
    patterns = find_patterns(book(tmp_path, trays, checks + looks("N", {"03-01": 0, "03-08": 1})))
    found = of_lot(patterns, origin="sowing")
    days = (pd.Timestamp("2024-06-01") - pd.Timestamp("2023-10-01")).days
    assert found.day == days
    told = counted_up_to(patterns, sort_lots(patterns), horizons(patterns, "sowing"))
    late = told.trays.set_index("tray").loc["N", "horizon"]
    assert late == (pd.Timestamp("2025-07-31") - pd.Timestamp("2025-01-20")).days < days


def test_two_winters_have_no_figure_before_their_second_spring(tmp_path):
    trays = [tray("T0", 2026)]
    records = book(tmp_path, trays, looks("T0", {"04-01": 0, "05-10": 0}, 2026), "SYAL,yes")
    patterns = find_patterns(records)
    assert patterns.due == {"A": 2027}
    assert patterns.left_out == {"T0": "needs two winters: due in spring 2027"}
    with pytest.raises(NotEnoughRecordsError, match="due in spring 2027"):
        fit_emergence(records)


def test_single_looks_weeks_apart_cannot_separate_few_from_late(tmp_path):
    checks = [*looks("T0", {"04-10": 1}), *looks("T1", {"05-20": 6})]
    apart = fit_emergence(book(tmp_path, [tray("T0"), tray("T1")], checks)).rows[0]
    assert any("cannot tell a late lot from a poor one" in note for note in apart.notes)
    checks = [*looks("T0", {"05-18": 5}), *looks("T1", {"05-20": 6})]
    near = fit_emergence(book(tmp_path, [tray("T0"), tray("T1")], checks)).rows[0]
    assert not any("cannot tell a late lot from a poor one" in note for note in near.notes)
    assert near.draws.time is None


def test_what_was_seen_after_a_day_is_taken_out_again(tmp_path):
    """Cutting the read book at 20 April is the same as reading a book without the later checks."""
    checks = looks("T0", {"04-01": 2, "04-15": 3, "04-29": 7}) + looks(
        "T1", {"04-01": 0, "04-20": 1, "05-10": 4}
    )
    whole = find_patterns(book(tmp_path, [tray("T0"), tray("T1")], checks))
    early = [line for line in checks if line.split(",")[1] <= "2025-04-20"]
    plain = find_patterns(book(tmp_path, [tray("T0"), tray("T1")], early))
    day = float((pd.Timestamp("2025-04-20") - pd.Timestamp("2024-12-03")).days)
    cut = seen_by(whole, np.full(2, day))
    for name in ("times", "finishes", "occupied"):
        pd.testing.assert_frame_equal(getattr(cut, name), getattr(plain, name), check_dtype=False)
    assert list(cut.trays["last_day"]) == list(plain.trays["last_day"])
    assert seen_by(whole, np.full(2, np.inf)) is whole


def test_the_nearer_look_stands_for_the_horizon(tmp_path):
    """Told to 10 May: a tray looked at on 1 and 15 May ends on 15 May (5 days, not 9), one of 5 and
    30 May on the 5th; one only ever found empty, on 20 May, still says that nothing had come.
    """
    last = "05-10"
    trays = [
        tray("A1", 2024),
        tray("A2", 2024),
        tray("B1", 2025),
        tray("B2", 2025),
        tray("B3", 2025),
    ]
    checks = looks("A1", {"04-01": 1, last: 4}, 2024) + looks("A2", {"04-01": 1, last: 4}, 2024)
    checks += (
        looks("B1", {"05-01": 1, "05-15": 3})
        + looks("B2", {"05-05": 2, "05-30": 6})
        + looks("B3", {"05-20": 0})
    )
    patterns = find_patterns(book(tmp_path, trays, checks))
    lots = sort_lots(patterns)
    told = counted_up_to(patterns, lots, horizons(patterns)).trays.set_index("tray")
    start = pd.Timestamp("2024-12-03")
    ends = {
        name: (start + pd.Timedelta(days=int(told.loc[name, "last_day"]))).strftime("%m-%d")
        for name in told.index
    }
    assert (ends["B1"], ends["B2"], ends["B3"]) == ("05-15", "05-05", "05-20")
    assert list(told.loc[["B1", "B2", "B3"], "filled"]) == [3, 2, 0]


def test_living_trays_that_stopped_are_not_driven_to_full_emergence(tmp_path):
    """13 of 13 living seeds came of 100 and nothing more for weeks: told as 13 of 100, not as the
    start of many.
    """
    (tmp_path / "trays.csv").write_text(
        TRAYS + "D,2025,A,2025-03-01,10,10,1,none\n", encoding="utf-8"
    )
    days = {"03-08": 2, "03-15": 8, "03-22": 12, "03-29": 13, "04-12": 13}
    lines = "\n".join(f"D,2025-{day},{filled}" for day, filled in days.items())
    (tmp_path / "checks.csv").write_text(f"tray,checked_on,filled\n{lines}\n", encoding="utf-8")
    (row,) = fit_emergence(germstats.read_book(tmp_path)).rows
    assert row.emergence == pytest.approx(0.13, abs=0.03)
    # one tray, one spring: wide, but no 94 %
    assert row.emergence_low < 0.13 < row.emergence_high < 0.6
    assert row.later_high is not None and row.later_high < 0.1


def test_the_end_of_the_spring_is_that_of_the_year_a_tray_is_judged_in():
    trays = pd.DataFrame(
        {"sown_on": pd.to_datetime(["2024-12-03", "2024-12-03"]), "origin_days": [60.0, 60.0 + 365]}
    )
    ends = [pd.Timestamp("2025-07-31"), pd.Timestamp("2026-07-31")]
    assert list(spring_end_days(trays)) == [(end - pd.Timestamp("2024-12-03")).days for end in ends]
    assert FitSpec().spring_ends == (7, 31)
