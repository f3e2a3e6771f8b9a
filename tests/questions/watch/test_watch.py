"""Give-up days and windows by hand; trays unseen, sold, or looked at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from nurseries.trays import TraySpec, simulate_trays
from scipy.stats import lognorm

from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.tray import empty_by
from germstats.questions.watch.course import SpringCourse, give_up_day, seen_by_date, windows
from germstats.questions.watch.spec import WatchSpec
from germstats.questions.watch.watch import watch
from germstats.records.book import read_book
from germstats.records.formats.workbook import write_book
from germstats.records.seeds import SowingRate

DATES = pd.date_range("2026-03-01", periods=11)
ON = pd.Timestamp("2026-03-01")


def course(filled, now=0):
    """One tray of 40 cells, one draw: cells filled on each date."""
    filled = np.asarray(filled, dtype=float)[None, :, None]
    return SpringCourse(
        trays=pd.DataFrame({"tray": ["T"]}),
        checked=np.array([True]),
        cells=np.array([40]),
        now=np.array([now]),
        last_day=np.array([60.0]),
        final=filled[:, -1].astype(np.int64),
        weight=np.ones(1),
        dates=DATES,
        course=filled,
        on=ON,
    )


def test_giving_up_by_hand():
    """40 cells are to come; the day on which under two of them, 5 %, are still to come."""
    assert give_up_day(course(np.arange(11) * 4.0), np.array([0]), ON) == pd.Timestamp("2026-03-11")
    fast = [0, 20, 30, 38, 39, 40, 40, 40, 40, 40, 40]  # 38 leave two: not under 5 % yet
    assert give_up_day(course(fast), np.array([0]), ON) == pd.Timestamp("2026-03-05")


def test_giving_up_by_the_closed_form():
    """P(more | none seen) = p (1 - F) / (1 - p F) per seed (the design, 6), p .6, F log-normal: of
    what is to come after the check on day 10 under 5 % is left where F > .95 + .05 F(10).
    """
    one, days = SowingRate("counted", (1,), 1.0), np.arange(10.0, 60.0)
    out = lognorm.cdf(days, 0.4, scale=20.0)
    p, rho = np.array([0.6]), np.zeros(1)
    still = np.array([empty_by(p, rho, np.array([share]), one)[0] for share in out])
    np.testing.assert_allclose(
        1 - still[-1] / still[0], 0.6 * (out[-1] - out[0]) / (1 - 0.6 * out[0]), rtol=1e-12
    )
    cells = 40 * (1 - still / still[0])
    dates = ON + pd.to_timedelta(days - 10, unit="D")
    tray = SpringCourse(
        trays=pd.DataFrame({"tray": ["T"]}),
        checked=np.array([True]),
        cells=np.array([40]),
        now=np.array([0]),
        last_day=np.array([70.0]),
        final=np.array([[20]]),
        weight=np.ones(1),
        dates=dates,
        course=cells[None, :, None],
        on=ON,
    )
    end = out[-1]
    by_hand = days[np.argmax(0.6 * (end - out) < 0.05 * 0.6 * (end - out[0]))]
    assert give_up_day(tray, np.array([0]), ON) == ON + pd.Timedelta(days=by_hand - 10)
    # whole days, end cut
    assert by_hand == pytest.approx(lognorm.ppf(0.95 + 0.05 * out[0], 0.4, scale=20.0), abs=1.5)


def test_nothing_to_wait_for():
    assert give_up_day(course([10.0] * 11, now=10), np.array([0]), ON) is None


def test_windows_of_a_course_that_comes_at_once():
    found = windows(course([0, 0, 0, 40, 40, 40, 40, 40, 40, 40, 40]), np.array([0]))
    assert found == ((pd.Timestamp("2026-03-04"),) * 2,) * 3


def test_whole_cells_scatter_about_their_expectation():
    """Four of 40 cells expected a day: the cells filled by the sixth day are binomial, 40 x .5, sd
    3.16.
    """
    draws = 4000
    many = course(np.arange(11) * 4.0)
    many = replace(
        many,
        final=np.full((draws, 1), 40),
        weight=np.full(draws, 1 / draws),
        course=np.repeat(many.course, draws, axis=0),
    )
    seen = seen_by_date(many, np.array([0]), seed=3)
    assert (np.diff(seen, axis=1) >= 0).all() and (seen[:, -1] == 40).all()
    error = 4 * np.sqrt(40 * 0.25 / draws)  # four Monte-Carlo standard errors
    assert seen[:, 5].mean() == pytest.approx(20.0, abs=error)
    assert seen[:, 5].std() == pytest.approx(np.sqrt(10.0), rel=4 / np.sqrt(2 * draws))


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    """Two lots of three trays in each of two springs (SIMU, sown on 1 January), tray totals."""
    folder = tmp_path_factory.mktemp("watch") / "book"
    write_book(
        simulate_trays(
            TraySpec(lots=2, trays=3, seasons=2, record="totals", season_sd=0.1), 5
        ).tables,
        folder,
    )
    return read_book(folder)


def with_tables(book, **tables):
    return replace(book, tables={**book.tables, **tables})


def later_events(book, **row):
    events = book.tables["events"]
    blank = {
        name: "" if pd.api.types.is_object_dtype(kind) else 0
        for name, kind in events.dtypes.items()
    }
    return pd.DataFrame([{**blank, **row}]).astype(events.dtypes)


def rows_of(found):
    return {row.tray: row for row in found.rows}


def test_trays_never_looked_at_are_foretold_with_their_mates(book):
    """T-0010 loses its checks: its forecast follows its two mates of the spring, and nothing is
    claimed as seen.
    """
    checks = book.tables["checks"]
    fewer = with_tables(book, checks=checks[checks["tray"] != "T-0010"].reset_index(drop=True))
    tray = rows_of(watch(fewer, WatchSpec("2022-03-10")))["T-0010"]
    assert (tray.filled_now, tray.status) == (None, "not looked at")
    assert 0 < tray.final_low < tray.final < tray.final_high <= tray.cells
    late = rows_of(watch(fewer, WatchSpec("2022-01-15")))["T-0010"]
    assert late.status == "not yet due"


def test_a_tray_sold_is_cut_short_and_not_forecast(book):
    sold = with_tables(
        book, events=later_events(book, tray="T-0010", on=pd.Timestamp("2022-03-05"), event="sold")
    )
    tray = rows_of(watch(sold, WatchSpec("2022-03-10")))["T-0010"]
    assert (tray.status, tray.final, tray.advice) == ("cut short", None, "nothing to decide")
    assert tray.filled_now is not None and "sold" in tray.why
    # not known yet on that day
    assert rows_of(watch(sold, WatchSpec("2022-03-04")))["T-0010"].status != "cut short"


def test_nothing_later_than_the_day_is_used(book):
    """The same answer, whatever is written down for later."""
    on, checks = pd.Timestamp("2022-02-25"), book.tables["checks"]
    other = with_tables(book, checks=checks[~(checks["checked_on"] > on)].reset_index(drop=True))
    one, two = (rows_of(watch(these, WatchSpec(on))) for these in (book, other))
    assert one == two


def test_the_first_season_is_not_taken_as_final_after_one_look(book):
    """One spring only, looked at once, on day 50 of a median of 60: more is to come."""
    trays = book.tables["trays"]
    first = with_tables(book, trays=trays[trays["season"] == 2022].reset_index(drop=True))
    checks = first.tables["checks"]
    day = checks["checked_on"] == pd.Timestamp("2022-02-20")
    once = with_tables(first, checks=checks[day].reset_index(drop=True))
    found = watch(once, WatchSpec("2022-02-20"))
    assert found.first_springs == ("SIMU",)
    assert all(row.chance_more > 0.6 and row.final_high > row.filled_now + 8 for row in found.rows)


def test_no_record_at_all_is_said(book):
    empty = with_tables(book, checks=book.tables["checks"].iloc[:0])
    with pytest.raises(NotEnoughRecordsError, match="write down what you see, zeros too"):
        watch(empty, WatchSpec("2022-03-10"))


def test_a_day_that_is_none_is_refused():
    with pytest.raises(WrongUseError, match="is no day"):
        WatchSpec("spring")
