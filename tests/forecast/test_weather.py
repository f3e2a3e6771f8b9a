"""Chill weeks, gaps, and the heat clock, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from nurseries.simulated import NurserySpec, World, simulate_nursery

from germstats.forecast.weather import by_heat, cold_weeks, daily_weather, heat_clock
from tests.made_patterns import made_patterns


def table(first, low, high, scale="c"):
    days = pd.date_range(first, periods=len(low))
    frame = pd.DataFrame(
        {"date": days, "tmin_c": np.nan, "tmax_c": np.nan, "tmin_f": np.nan, "tmax_f": np.nan}
    )
    frame[f"tmin_{scale}"], frame[f"tmax_{scale}"] = low, high
    return frame


def test_weeks_of_cold_by_hand():
    """Fourteen days of mean 3 C and seven of 12 C: two weeks of cold; seven frozen days instead of
    warm ones: three.
    """
    weather = daily_weather(table("2025-12-01", [0.0] * 14 + [8.0] * 7, [6.0] * 14 + [16.0] * 7))
    assert cold_weeks(
        weather, pd.Timestamp("2025-12-01"), pd.Timestamp("2025-12-21")
    ) == pytest.approx(2.0)
    # not all known
    assert cold_weeks(weather, pd.Timestamp("2025-11-01"), pd.Timestamp("2025-12-21")) is None
    frozen = daily_weather(table("2025-12-01", [0.0] * 14 + [-12.0] * 7, [6.0] * 14 + [-2.0] * 7))
    assert cold_weeks(
        frozen, pd.Timestamp("2025-12-01"), pd.Timestamp("2025-12-21")
    ) == pytest.approx(3.0)


def test_degrees_fahrenheit_are_read():
    weather = daily_weather(table("2026-02-01", [32.0], [50.0], "f"))
    assert (weather.tmin_c[0], weather.tmax_c[0]) == pytest.approx((0.0, 10.0))


def test_short_gaps_are_bridged_and_long_ones_are_not():
    low = [0.0, np.nan, np.nan, 3.0, np.nan, np.nan, np.nan, np.nan, 8.0]
    weather = daily_weather(table("2026-02-01", low, [v + 10 for v in low]))
    assert weather.tmin_c[:4] == pytest.approx([0, 1, 2, 3])
    assert np.isnan(weather.tmin_c[4:8]).any()


def test_no_weather_no_clock():
    assert daily_weather(table("2026-02-01", [], [])) is None


@pytest.fixture
def clock():
    """2025 gives 10 degree-days a day, 2026 gives 20 to 11 April (70 days)."""
    days_2025 = pd.date_range("2025-02-01", "2025-08-01")
    days_2026 = pd.date_range("2026-02-01", "2026-04-11")
    both = pd.concat(
        [
            table(days_2025[0], [9.0] * len(days_2025), [19.0] * len(days_2025)),
            table(days_2026[0], [19.0] * len(days_2026), [29.0] * len(days_2026)),
        ]
    )
    return heat_clock(daily_weather(both), [2025, 2026], pd.Timestamp("2026-04-11"), 4.0)


def test_a_warm_spring_runs_ahead(clock):
    """Twice the heat a day: day 30 of 2026 has what day 60 of 2025 had (10 and 20 degree-days a day
    above 4 C).
    """
    assert clock.usual[9] == pytest.approx(100, rel=0.01)
    assert clock.days_early(2026, 30.0) == pytest.approx(30.0, abs=0.5)
    assert clock.heat_days(2026, np.array([30.0]))[0] == pytest.approx(60.0, abs=0.5)
    assert clock.heat_days(2025, np.array([30.0]))[0] == pytest.approx(30.0, abs=0.1)


def test_heat_never_runs_back_and_days_before_february_stay(clock):
    days = np.arange(-50.0, 200.0)
    told = clock.heat_days(2026, days)
    assert (np.diff(told) > 0).all()
    assert told[:51] == pytest.approx(days[:51])


def test_days_to_come_are_taken_as_ordinary(clock):
    """After 11 April 2026 a day brings what a day of 2025 brought."""
    steps = np.diff(clock.heat_days(2026, np.array([100.0, 101.0])))
    assert steps[0] == pytest.approx(1.0, abs=0.01)


def test_records_keep_their_counts(clock):
    patterns = simulate_nursery(World(), NurserySpec(seasons=2, trays=1), 3).patterns
    told = by_heat(patterns, clock)
    assert told.times["count"].tolist() == patterns.times["count"].tolist()
    assert (told.times["hi"] > told.times["lo"]).all()
    assert told.trays["tray"].tolist() == patterns.trays["tray"].tolist()


def flat(first, last, heat):
    """Days whose coldest and warmest hour are both 4 C + `heat`(day)."""
    days = pd.date_range(first, last)
    warmth = [4.0 + heat(day) for day in days]
    return daily_weather(table(first, warmth, warmth))


def test_weathers_to_come_are_those_of_other_springs():
    """2024 brings 1 a day, 2025 3; 2026 goes on from its own 10 days of 2 like either (a mean day
    brings 2).
    """
    warmth = {2024: 1.0, 2025: 3.0, 2026: 2.0}
    # .05 is given to every day
    weather = flat("2024-01-01", "2026-02-10", lambda day: warmth[day.year] - 0.05)
    clock = heat_clock(weather, [2024, 2025, 2026], pd.Timestamp("2026-02-10"), base_c=4.0)
    np.testing.assert_allclose(
        clock.onward(2026, np.array([5.0, 10.0, 20.0])), [[5, 10, 15], [5, 10, 25]], rtol=1e-9
    )


def test_weather_after_the_day_is_not_used():
    told = []
    for later in (0.0, 30.0):
        weather = flat(
            "2024-01-01",
            "2026-07-31",
            lambda d, h=later: h if d > pd.Timestamp("2026-03-01") else 2.0,
        )
        clock = heat_clock(weather, [2024, 2025, 2026], pd.Timestamp("2026-03-01"))
        told.append(clock.heat_days(2026, np.arange(0.0, 181.0)))
    np.testing.assert_array_equal(*told)


def test_a_tray_sown_after_the_first_of_february_starts_at_nothing(clock):
    """Its sowing is day 0 of its own clock, and heat since 1 February is the same for it as for all
    others.
    """
    made = made_patterns(
        [{"origin_days": -9.0, "sown_on": pd.Timestamp("2025-02-10")}],
        times=[(0, 0.0, 40.0, 1)],
        finishes=[(0, 0, 1, 40.0, "counts", 1)],
    )
    told = by_heat(made, clock)
    assert float(told.times["lo"].iloc[0]) == pytest.approx(0.0)
    since = float(told.times["hi"].iloc[0]) - float(told.trays["origin_days"].iloc[0])
    assert since == pytest.approx(float(clock.heat_days(2025, np.array([49.0]))[0]))
