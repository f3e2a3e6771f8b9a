"""A season under way, against the chance that more comes: P = p (1 - F) / (1 - p F) for one
seed.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nurseries.simulated import CELLS, NurserySpec, World, simulate_nursery
from nurseries.trays import TraySpec, simulate_trays

from germstats.engine.fit import FitSpec, fit_emergence
from germstats.engine.pooled import NEARLY_ALL
from germstats.forecast.within_season import CourseSpec, finish_season
from germstats.records.book import read_book
from germstats.records.formats.workbook import write_book
from germstats.records.intervals.patterns import find_patterns

CALM = World(
    species=0.0,
    lot=0.05,
    tray=0.05,
    season=0.02,
    lot_time=0.01,
    tray_time=0.01,
    season_time=0.01,
    rho=0.0,
)


def test_one_seed_a_cell_follows_the_closed_formula():
    """Many finished trays pin p and F down; what is to come in the last season's is then known by
    arithmetic.
    """
    spec = NurserySpec(seasons=3, trays=8, species=1, lots=3, seeds=1, last_checks=4)
    made = simulate_nursery(CALM, spec, 2)
    fit = fit_emergence(made.patterns, FitSpec(to_horizon=False))
    assert fit.pooled.current == 2026
    forecast = finish_season(fit, 2026, draws=800)
    now = (made.patterns.trays["season"] == 2026).to_numpy()
    emerged = (
        made.patterns.trays.loc[~now, "emerged"].sum()
        / made.patterns.trays.loc[~now, "seeds"].sum()
    )
    # F at the last check, as it turned out
    seen = made.patterns.trays.loc[now, "emerged"].sum() / made.finals[now].sum()
    more = emerged * (1 - seen) / (1 - emerged * seen)
    expected = forecast.filled_now + (CELLS - forecast.filled_now) * more
    mean = forecast.weight @ forecast.final
    # the springs' delay is not known, so F is known to a few hundredths
    np.testing.assert_allclose(mean.sum(), expected.sum(), rtol=0.06)


def test_what_is_there_stays_and_no_tray_overflows():
    made = simulate_nursery(
        World(),
        NurserySpec(seasons=2, trays=2, species=2, lots=2, last_checks=5, record="totals"),
        4,
    )
    forecast = finish_season(fit_emergence(made.patterns, FitSpec(to_horizon=False)), 2025)
    assert (forecast.final >= forecast.filled_now).all()
    assert (forecast.final <= forecast.cells).all()
    assert forecast.weight.sum() == pytest.approx(1.0, abs=1e-12)
    assert ((forecast.seen_share >= 0) & (forecast.seen_share <= 1)).all()


def test_a_finished_season_is_not_under_way():
    to_the_end = tuple(float(day) for day in range(24, 150, 7))
    made = simulate_nursery(
        World(), NurserySpec(seasons=2, trays=2, species=2, lots=2, checks=to_the_end), 4
    )
    fit = fit_emergence(made.patterns, FitSpec(to_horizon=False))
    assert fit.pooled.current is None
    forecast = finish_season(fit, 2025)
    assert float((forecast.weight @ forecast.seen_share).mean()) > NEARLY_ALL
    np.testing.assert_allclose(forecast.weight @ forecast.final, forecast.filled_now, atol=1.5)


@pytest.fixture(scope="module")
def early():
    spec = NurserySpec(seasons=2, trays=2, species=2, lots=2, last_checks=3, record="totals")
    return fit_emergence(simulate_nursery(World(), spec, 4).patterns, FitSpec(to_horizon=False))


def test_the_end_of_the_spring_is_the_setting(early):
    """Thirty days from 1 February are 2 March: hardly a check later; the end of July is the end of
    all.
    """
    # four days after the third check
    soon = replace(early, spec=FitSpec(spring_ends=(3, 15), to_horizon=False))
    now, short, whole = (
        float((found.weight @ found.final).sum())
        for found in (
            finish_season(early, 2025, course=CourseSpec(np.array([0.0]))),
            finish_season(soon, 2025),
            finish_season(early, 2025),
        )
    )
    assert now < short < now + 0.5 * (whole - now)
    july = finish_season(
        early, 2025, course=CourseSpec(np.array([50.0, 180.0]))
    )  # 31 July is day 180
    assert (july.weight @ july.final).sum() == pytest.approx(whole, rel=1e-9)
    middle, end = (july.weight @ july.course[:, k].sum(axis=1) for k in (0, 1))
    assert now < middle < end
    spread = float(np.sqrt(july.weight @ july.final.sum(axis=1) ** 2 - whole**2))
    # four Monte-Carlo errors
    assert end == pytest.approx(whole, abs=4 * spread / np.sqrt(len(july.weight)))


def test_cells_that_something_ended_fill_no_more(early):
    tray = finish_season(early, 2025).trays[0]
    free = finish_season(early, 2025)
    empty = int(free.cells[0] - free.filled_now[0])
    days = np.array([180.0])
    shut = finish_season(early, 2025, course=CourseSpec(days, {tray: empty}))
    some = finish_season(early, 2025, course=CourseSpec(days, {tray: empty - 5}))
    assert (shut.final[:, 0] == shut.filled_now[0]).all()
    assert some.final[:, 0].max() <= some.filled_now[0] + 5
    assert (shut.final[:, 1] > shut.filled_now[1]).any()


def test_trays_whose_seedlings_are_counted_are_foretold_too(tmp_path):
    """The same trays with their seedlings counted as a whole: the forecast of the filled cells is
    about the same.
    """
    means = {}
    for record in ("totals", "seedlings"):
        tables = dict(simulate_trays(TraySpec(lots=2, trays=3, seasons=2, record=record), 5).tables)
        checks = tables["checks"]
        tables["checks"] = checks[checks["checked_on"] <= "2022-02-25"]
        write_book(tables, tmp_path / record)
        patterns = find_patterns(read_book(tmp_path / record))
        assert set(patterns.trays["record"]) == {record}
        found = finish_season(fit_emergence(patterns, FitSpec(to_horizon=False)), 2022)
        assert len(found.trays) == 6
        means[record] = (found.weight @ found.final, found.filled_now)
    np.testing.assert_array_equal(means["totals"][1], means["seedlings"][1])
    # 72 cells; counts tell a bit more
    np.testing.assert_allclose(means["totals"][0], means["seedlings"][0], atol=5.0)
