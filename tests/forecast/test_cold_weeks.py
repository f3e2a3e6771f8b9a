"""Weeks of cold in a review: counted by hand, read against need and other winters, and what they do
to a lot.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from germstats.forecast.cold_weeks import weeks_of_cold
from germstats.forecast.weather import DailyWeather
from germstats.questions.review.book import gather
from germstats.questions.review.gather import lot_file
from germstats.questions.review.lot_file import Cold
from germstats.questions.review.review import LotVerdict, judge
from germstats.questions.review.rules import load_rules
from tests.questions.review.test_review_books import read, row_of, tables

RULES = load_rules()


def weather(first, temperatures):
    """One mean temperature a day, the night and the day two degrees to either side."""
    mean = np.array(temperatures, dtype=float)
    return DailyWeather(pd.date_range(first, periods=len(mean)), mean - 2, mean + 2)


def test_weeks_of_cold_by_hand():
    """From 18 March to 1 April 2025, both in, are 15 days: 7 at 3 C, 3 frozen, 4 at 8 C, 1 at 7 C:
    11 are cold.
    """
    days = weather("2025-03-18", [3.0] * 7 + [-9.0] * 3 + [8.0] * 4 + [7.0])
    assert weeks_of_cold(days, pd.Timestamp("2025-03-18"), 2025) == pytest.approx(11 / 7, abs=1e-12)
    assert weeks_of_cold(days, pd.Timestamp("2025-03-17"), 2025) is None  # a day of it is not known
    # sown when the cold was over
    assert weeks_of_cold(days, pd.Timestamp("2025-04-02"), 2025) is None
    assert weeks_of_cold(None, pd.Timestamp("2025-03-18"), 2025) is None


@pytest.mark.parametrize(
    ("got", "need", "usual", "reading"),
    [
        (8.0, 11.0, 15.0, "short"),
        (11.0, 10.5, 15.5, "short"),  # more than the need, hardly, and far below other winters
        (7.0, 4.0, 15.0, "enough"),  # short for others, three weeks to spare for this one
        (6.9, 4.0, 15.0, "short"),
        (
            14.0,
            11.0,
            15.0,
            "enough",
        ),  # no spare weeks, but as cold as other winters, in which it came
        (13.0, 11.0, 15.0, ""),  # neither
        (10.0, 11.0, None, "short"),
        (12.0, 11.0, None, ""),
        (15.0, 11.0, None, "enough"),
        (None, 11.0, None, ""),
        (None, 4.0, None, "little"),
        (None, 0.0, None, "enough"),
        (8.0, None, 15.0, ""),
    ],
)
def test_cold_read_by_hand(got, need, usual, reading):
    """Limits: short 3 weeks below other winters and under 3 beyond the need; little is 5 weeks or
    fewer.
    """
    assert Cold(got, need, usual).reading(RULES.limits) == reading


def wintry(told, mild=()):
    """Weather of both winters: 3 C from December to the end of March, in a mild one 12 C from New
    Year on.
    """
    told["weather"] = ["date,tmin_c,tmax_c"]
    for year in (2024, 2025):
        for day in pd.date_range(f"{year - 1}-12-01", f"{year}-04-30"):
            warm = year in mild and day.year == year
            told["weather"].append(f"{day.date()},{10 if warm else 1},{14 if warm else 5}")
    return told


def needing(told, weeks, share, season=2025):
    """Species A needs so many weeks; of it only so much comes up in a season."""
    told["species"][1] = f"A,either,no,{weeks}"
    for k, row in enumerate(told["checks"]):
        tray, day, filled, note = row.split(",")
        if tray.startswith(f"T-{season}-A"):
            told["checks"][k] = f"{tray},{day},{round(share * int(filled))},{note}"
    return told


def test_a_short_winter_is_read_against_the_species_need_and_other_winters(tmp_path):
    """Sown on 5 December: 27 days to the end of the year are 3.9 weeks, to 1 April 2024 they are
    119, 17 weeks.
    """
    book = read(wintry(needing(tables(), 9, 0.2), mild=(2025,)), tmp_path)
    gathered = gather(book, RULES)
    file = lot_file(gathered, "A-1", 2025)
    assert file.cold == Cold(pytest.approx(27 / 7), 9.0, pytest.approx(119 / 7))
    found = judge(file, RULES)
    row = row_of(found, "cold")
    assert row.reading == "short" and row.statistic == pytest.approx(27 / 7 - 9)
    assert (
        row.words
        == "4 weeks of cold from sowing to the end of March, 9 needed; other winters brought 17"
    )
    assert (
        found.verdict == LotVerdict.POOR
        and found.causes[0].cause == "chill"
        and found.causes[0].standing == "likely"
    )
    assert [door for door in found.doors if "lower" in door] == [
        "the lot is lower than an ordinary spring lets expect, after too short a winter"
    ]  # said once, though it is low enough without the winter too
    # its need is not written down
    assert row_of(judge(lot_file(gathered, "B-1", 2025), RULES), "cold").reading == ""


def test_sisters_of_the_same_short_winter_do_not_say_what_is_ordinary(tmp_path):
    """All of the species failed: by the other winter far fewer came than is ordinary, by its
    sisters as expected.
    """
    book = read(wintry(needing(tables(), 9, 0.2), mild=(2025,)), tmp_path)
    file = lot_file(gather(book, RULES), "A-1", 2025)
    blind = replace(file, cold=replace(file.cold, got=None, usual=None), other_winters=None)
    told, untold = (row_of(judge(one, RULES), "lot_seen").statistic for one in (file, blind))
    assert told < -1.96 and told < untold - 0.5


def test_a_winter_as_cold_as_others_is_not_blamed(tmp_path):
    book = read(wintry(needing(tables(), 9, 0.2)), tmp_path)
    found = judge(lot_file(gather(book, RULES), "A-1", 2025), RULES)
    assert row_of(found, "cold").reading == "enough"
    assert (
        next((one.standing for one in found.causes if one.cause == "chill"), "unlikely") != "likely"
    )


def test_few_after_a_short_winter_with_no_other_to_go_by(tmp_path):
    told = wintry(needing(tables(), 9, 0.2), mild=(2025,))
    told["trays"] = [row for row in told["trays"] if not row.startswith("T-2024-A")]
    told["checks"] = [row for row in told["checks"] if not row.startswith("T-2024-A")]
    found = judge(lot_file(gather(read(told, tmp_path), RULES), "A-1", 2025), RULES)
    assert row_of(found, "cold").reading == "short_few"
    assert found.verdict == LotVerdict.POOR and any(
        "no other winter" in door for door in found.doors
    )
    assert {one.cause: one.standing for one in found.causes}["chill"] in ("likely", "possible")


def test_without_weather_nothing_is_said_of_the_winter(tmp_path):
    found = judge(
        lot_file(gather(read(needing(tables(), 9, 0.2), tmp_path), RULES), "A-1", 2025), RULES
    )
    row = row_of(found, "cold")
    assert row.reading == "" and "no weather says" in row.words
