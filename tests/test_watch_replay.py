"""Seasons replayed day by day: do the ranges of `watch` hold what came?

The randomised PIT of a final count lies in .05-.95 for nine trays of ten if the forecasts are
honest. Trays that are expected to fill at least one more cell are judged: where nearly all has
come, ranges have no width.
"""

from __future__ import annotations

import os
import runpy
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from germstats.demonstration import simulate_demo
from germstats.questions.watch.watch import course_on
from germstats.records.book import read_book
from germstats.records.formats.workbook import write_book
from germstats.records.intervals.patterns import find_patterns

REDUCED = os.environ.get("GERMSTATS_REDUCED") == "1"
NURSERIES = 3 if REDUCED else 50
DATES = ("2026-03-15", "2026-04-15", "2026-05-15")
LOW, HIGH = 0.85, 0.95


def judged(book, on, rng):
    """Whether the PIT of each tray with at least one more cell expected lies in .05-.95."""
    course = course_on(book, pd.Timestamp(on))
    finals = find_patterns(book).trays.set_index("tray")
    inside = []
    for k, tray in enumerate(course.trays["tray"]):
        final = course.final[:, k]
        if tray not in finals.index or float(course.weight @ final) - course.now[k] < 1:
            continue
        row = finals.loc[tray]
        if row["cells"] != course.cells[k] or np.isnan(row["filled"]):
            continue  # a cell lost to an event since: another tray than the one forecast
        true = int(row["filled"])
        below, at = (float(course.weight @ (final < true)), float(course.weight @ (final == true)))
        inside.append(0.05 < below + at * rng.random() < 0.95)
    return inside


def replayed(seed, folder):
    """Share of trays inside, per date, of one nursery."""
    write_book(simulate_demo(seed=seed).tables, folder / str(seed))
    book, rng = read_book(folder / str(seed)), np.random.default_rng(seed)
    return {on: judged(book, on, rng) for on in DATES}


@pytest.mark.slow
def test_the_demonstration_redrawn(tmp_path):
    """Trays of one nursery share their spring: nurseries are the units of the Monte-Carlo error."""
    by_nursery = [replayed(seed, tmp_path) for seed in range(200, 200 + NURSERIES)]
    inside = [hit for one in by_nursery for hits in one.values() for hit in hits]
    share = float(np.mean(inside))
    shares = [np.mean([hit for hits in one.values() for hit in hits]) for one in by_nursery]
    error = float(np.std(shares, ddof=1) / np.sqrt(NURSERIES))
    for on in DATES:
        of_date = [hit for one in by_nursery for hit in one[on]]
        print(f"{on}: {np.mean(of_date):.3f} of {len(of_date)} trays inside")
    print(f"all: {share:.3f} +- {error:.3f} of {len(inside)} trays, {NURSERIES} nurseries")
    slack = 3 * error if REDUCED else 0.0  # the reduced form allows three of its own errors
    assert LOW - slack <= share <= HIGH + slack


ROOT = Path(__file__).parents[1]
DATA = ROOT.parent / "shared" / "data"


@pytest.fixture(scope="module")
def story():
    if not DATA.is_dir():
        pytest.skip("the real records of ../shared/data are not here")
    return runpy.run_path(str(ROOT / "analyses" / "real_records.py"))


def known_by(cells, sown, on):
    """The intervals as they stood on a day: what came later is not yet seen."""
    cells = cells[pd.to_datetime(cells[sown]) < pd.Timestamp(on)].copy()
    day = (pd.Timestamp(on) - pd.to_datetime(cells[sown])).dt.days
    later = ~(cells["t_hi"] <= day)
    cells.loc[later, "t_lo"] = np.minimum(cells.loc[later, "t_lo"], day[later])
    cells.loc[later, "t_hi"] = np.nan
    return cells


def replay(story, name, file, sown, dates, unit, tmp_path):
    """Of every unit at every date: whether a tenth was still to come, the chance that its
    randomised PIT lies in .05-.95 (its expectation: one draw of each would move the share by .03),
    and whether its range held.
    """
    whole = pd.read_csv(DATA / file)
    write_book(story["BOOKS"][name](DATA), tmp_path / "whole")
    finals = find_patterns(read_book(tmp_path / "whole")).trays
    final_of = finals.groupby(unit(finals))["filled"].sum()
    found = []
    for on in dates:
        folder = tmp_path / str(on)
        folder.mkdir()
        for other in DATA.glob("*.csv"):
            (folder / other.name).symlink_to(other)
        (folder / file).unlink()
        known_by(whole, sown, on).to_csv(folder / file, index=False)
        write_book(story["BOOKS"][name](folder), folder / "book")
        course = course_on(read_book(folder / "book"), pd.Timestamp(on))
        checked = course.trays[course.checked]
        for key, at in checked.groupby(unit(checked)).groups.items():
            draws, now = course.final[:, at].sum(axis=1), int(course.now[at].sum())
            mean, true = float(course.weight @ draws), int(final_of[key])
            below, same = (
                float(course.weight @ (draws < true)),
                float(course.weight @ (draws == true)),
            )
            low, high = course.quantiles(draws)
            within = max(min(below + same, 0.95) - max(below, 0.05), 0.0)
            inside = within / same if same > 0 else float(0.05 < below < 0.95)
            found.append((mean - now >= 0.1 * max(mean, 1e-9), inside, low <= true <= high))
    return np.array(found, dtype=float)


@pytest.fixture(scope="module")
def lentisc(story, tmp_path_factory):
    """Field stations of ../shared/data (CC0, Quintero et al., doi:10.5061/dryad.02v6wwq6n), visit
    by visit.
    """
    visits = pd.read_csv(DATA / "lentisc_field_visits.csv")
    dates = sorted(set(visits.loc[visits["emerged_so_far"] > 0, "revision_date"]))
    dates = [day for day in dates if day[5:] <= "07-31" or day[5:] >= "11-01"]

    @cache
    def of(spring):
        here = [day for day in dates if (int(day[:4]) + (day[5:] > "07-31")) == spring]
        folder = tmp_path_factory.mktemp(f"lentisc{spring}")
        return replay(
            story,
            "lentisc",
            file="lentisc_field_cells.csv",
            sown="sow_date",
            dates=here,
            unit=lambda t: t["tray"],
            tmp_path=folder,
        )

    return of


def held_to_the_bar(found, name, report_missed):
    """Bars: .85 to .95 inside where more was to come, .90 elsewhere.

    One missed by less than two standard errors of so many trays is reported with its figures.
    """
    to_come, (inside, held) = found[:, 0] > 0, found[:, 1:].T
    most, rest = inside[to_come].mean(), held[~to_come].mean()
    said = (
        f"{name}: {most:.3f} of {to_come.sum()} inside; elsewhere {rest:.3f} of {(~to_come).sum()}"
    )
    print(said)
    error, rest_error = (np.sqrt(0.9 * 0.1 / max(part.sum(), 1)) for part in (to_come, ~to_come))
    assert LOW - 2 * error <= most <= HIGH + 2 * error
    assert rest >= 0.90 - 2 * rest_error
    if not LOW <= most <= HIGH or rest < 0.90:
        report_missed(f"by less than two standard errors: {said}")


@pytest.mark.slow
def test_lentisc_visits_replayed(lentisc, report_missed):
    held_to_the_bar(
        np.concatenate([lentisc(2019), lentisc(2020)]), "lentisc, both seasons", report_missed
    )


@pytest.mark.slow
def test_lentisc_visits_of_the_first_season(lentisc, report_missed):
    held_to_the_bar(lentisc(2019), "lentisc, first season", report_missed)


@pytest.mark.slow
def test_lentisc_visits_with_a_season_to_learn_from(lentisc, report_missed):
    """Its seedlings came weeks before those of the only other season, and the first look foretells
    too few.
    """
    held_to_the_bar(lentisc(2020), "lentisc, second season", report_missed)


@pytest.mark.slow
def test_few_from_unlike_stations_are_not_taken_for_many_late_ones(story, tmp_path):
    """After 11 seedlings, 7 of them at one station, many and widely scattered in time explain the
    counts too, but worse; the search from the priors' middle ends there: 151 to 466 of 480 were
    foretold once, and 52 came. Both have their part in the forecast, the likelier the larger.
    """
    for other in DATA.glob("*.csv"):
        (tmp_path / other.name).symlink_to(other)
    file = tmp_path / "lentisc_field_cells.csv"
    file.unlink()
    known_by(pd.read_csv(DATA / file.name), "sow_date", "2019-02-21").to_csv(file, index=False)
    write_book(story["BOOKS"]["lentisc"](tmp_path), tmp_path / "book")
    course = course_on(read_book(tmp_path / "book"), pd.Timestamp("2019-02-21"))
    final = course.final.sum(axis=1)
    low, high = course.quantiles(final)
    assert low <= 52 <= high
    assert 0.05 < course.weight @ (final > 150) < 0.3


@pytest.mark.slow
@pytest.mark.xfail(
    reason="one season, seven sowing dates of three racks: what a "
    "sowing date does to a whole cohort is "
    "not modelled; measured .55 of 38"
)
def test_streptanthus_cohorts_replayed(story, tmp_path, report_missed):
    """Racks of ../shared/data (CC BY 4.0, Worthy et al. 2024, doi:10.5281/zenodo.12753086), every
    few days.
    """
    days = pd.date_range("2020-09-24", "2021-01-31", freq="21D" if REDUCED else "7D").strftime(
        "%Y-%m-%d"
    )
    found = replay(
        story,
        "streptanthus",
        file="streptanthus_cells_season1.csv",
        sown="sow_date",
        dates=list(days),
        unit=lambda trays: trays["block"],
        tmp_path=tmp_path,
    )
    held_to_the_bar(found, "streptanthus", report_missed)
