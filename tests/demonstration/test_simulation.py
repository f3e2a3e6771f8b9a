"""The simulated books: their truth is true, every story and every mistake is in them, the same seed
gives the same.

Simulated shares are held to four Monte-Carlo standard errors, with fixed seeds.
"""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd
import pytest
from nurseries.trays import TraySpec, simulate_trays
from scipy.special import expit

from germstats.demonstration import Demo, simulate_demo
from germstats.demonstration.demo_growth import LAST_DAY, MOUSE_CELLS, grow_nursery, tell_rows
from germstats.demonstration.plan import DROPPED, MOUSE, SPOKEN_FOR, WASHED
from germstats.demonstration.weather import degree_days, simulate_weather
from germstats.errors import WrongUseError
from germstats.records.tables import TABLES

KINDS = {
    "above_cells",
    "blank_date",
    "day_month_swapped",
    "duplicate_different",
    "duplicate_same",
    "fall_after_thinning",
    "fall_unexplained",
    "letter_for_digit",
    "pinch",
    "pinch_without_grams",
    "range",
    "skipped_check",
    "sold_early",
    "words_in_number",
}


@pytest.fixture(scope="module")
def demo() -> Demo:
    return simulate_demo()


@pytest.fixture(scope="module")
def shares() -> pd.DataFrame:
    """Over 60 nurseries: share of each row and season, and what the truth expects, without trays
    that lost cells.
    """
    hurt = {MOUSE, WASHED, DROPPED}
    found = []
    for seed in range(60):
        nursery = grow_nursery(seed)
        _, seasons = tell_rows(nursery)
        keys = zip(seasons["lot"], seasons["cover"], seasons["season"], strict=True)
        expected = dict(zip(keys, seasons.to_dict("records"), strict=True))
        sums: dict[tuple[str, str, int], list[float]] = {}
        for tray, growth in zip(nursery.trays, nursery.growths, strict=True):
            if tray.role in hurt:
                continue
            key = (tray.sowing.lot, tray.sowing.cover, tray.sowing.season)
            judged = np.isfinite(growth.came) & (growth.second == tray.lot.species.two_winters)
            median = expected[key]["median_days"]
            early, earlier = (growth.came[judged] <= day for day in (median, median - 1))
            one = [
                float(growth.sown.sum()),
                float(judged.sum()),
                float(early.sum()),
                float(earlier.sum()),
            ]
            sums[key] = [a + b for a, b in zip(sums.get(key, [0.0] * 4), one, strict=True)]
        found += [
            {
                "seed": seed,
                "row": key,
                "expected": expected[key]["emergence"],
                "share": came / seeds,
                "came": came,
                "early": early,
                "earlier": earlier,
            }
            for key, (seeds, came, early, earlier) in sums.items()
        ]
    return pd.DataFrame(found)


def test_shares_are_what_the_truth_says(shares: pd.DataFrame) -> None:
    gap = (shares["share"] - shares["expected"]).groupby(shares["row"])
    z = gap.mean() / (gap.std() / np.sqrt(gap.size()))
    assert len(z) > 40
    assert z.abs().max() < 4


def test_half_have_emerged_on_the_median_day_and_not_the_day_before(shares: pd.DataFrame) -> None:
    sums = shares.groupby("row")[["came", "early", "earlier"]].sum()
    error = 0.5 / np.sqrt(sums["came"])
    assert ((sums["early"] / sums["came"] - 0.5) / error).min() > -4
    assert ((sums["earlier"] / sums["came"] - 0.5) / error).max() < 4


def test_tray_truth_and_row_truth_count_the_same_trays(demo: Demo) -> None:
    by_row = demo.truth.trays.groupby(["lot", "cover"]).size()
    rows = demo.truth.rows.set_index(["lot", "cover"])
    assert rows["trays"].to_dict() == by_row.to_dict()
    assert rows["trays"].sum() == len(demo.tables["trays"])
    assert demo.truth.rows["lot"].nunique() == 19
    assert demo.truth.rows["species"].nunique() == 10


def test_rows_and_seasons_tell_the_same(demo: Demo) -> None:
    for row in demo.truth.rows.to_dict("records"):
        seasons = demo.truth.seasons
        own = seasons[(seasons["lot"] == row["lot"]) & (seasons["cover"] == row["cover"])]
        assert dict(zip(own["season"], own["emergence"], strict=True)) == row["emergence_by_season"]
        assert (
            dict(zip(own["season"], own["median_days"], strict=True))
            == row["median_days_by_season"]
        )


def test_tables_are_text_in_the_columns_of_a_record_book(demo: Demo) -> None:
    assert list(demo.tables) == list(TABLES)
    for name, table in demo.tables.items():
        assert list(table.columns) == [column.name for column in TABLES[name].columns]
        assert all(isinstance(value, str) and value != "nan" for value in table.to_numpy().ravel())


def test_the_same_seed_gives_the_same_book_and_another_seed_another(demo: Demo) -> None:
    again, other = simulate_demo(), simulate_demo(seed=1)
    for name, table in demo.tables.items():
        pd.testing.assert_frame_equal(table, again.tables[name])
    pd.testing.assert_frame_equal(demo.truth.dirt, again.truth.dirt)
    assert not demo.tables["cells"].equals(other.tables["cells"])


# The planted stories
# ------------------------------------------------------------------------------------------


def trays_of(demo: Demo, story: int) -> pd.DataFrame:
    stories = demo.truth.stories
    return demo.tables["trays"].merge(
        stories[stories["story"] == story][["tray", "cells"]], on="tray"
    )


def test_every_story_is_told(demo: Demo) -> None:
    assert set(demo.truth.stories["story"]) == set(range(1, 10)) - {8}  # 8 is the dirt


def test_poor_seed_shows_in_tests_and_under_every_cover(demo: Demo) -> None:
    lot = demo.tables["lots"].set_index("lot").loc["BASA-24C"]
    assert lot[["cut_test_seeds", "cut_test_full", "tz_seeds", "tz_viable"]].tolist() == [
        "100",
        "46",
        "100",
        "31",
    ]
    trays = trays_of(demo, 1)
    assert len(trays) == 3
    assert trays["cover"].nunique() > 1
    rows = demo.truth.rows[demo.truth.rows["lot"] == "BASA-24C"]
    assert rows["emergence"].to_numpy() == pytest.approx(0.27, rel=0, abs=1e-9)


def test_poor_practice_has_its_contrast_and_a_good_test(demo: Demo) -> None:
    lot = demo.tables["lots"].set_index("lot").loc["HECY-25A"]
    assert (lot["tz_seeds"], lot["tz_viable"]) == ("100", "88")
    trays = demo.tables["trays"].query("lot == 'HECY-25A'")
    assert trays.groupby(["season", "cover", "cover_depth_mm"]).size().to_dict() == {
        ("2026", "none", ""): 2,
        ("2026", "sand", "5"): 4,
    }


def test_the_bad_season_follows_chill_need(demo: Demo) -> None:
    seasons = demo.truth.seasons.merge(
        demo.truth.rows[["lot", "cover", "emergence"]], on=["lot", "cover"]
    )
    bad = seasons[(seasons["season"] == 2024) & (seasons["species"] != "SYAL")]
    ratio = (bad["emergence_x"] / bad["emergence_y"]).groupby(bad["species"]).max()
    assert ratio[["GAAR", "MOFI", "HECY"]].min() > 0.98
    assert ratio[["PEGA", "LODI", "BASA", "IRMI"]].max() < 0.35
    kept = demo.tables["events"].query("event == 'kept_over'")["tray"]
    later = demo.truth.trays.set_index("tray").loc[kept, "later"]
    seeds = demo.truth.trays.set_index("tray").loc[kept, "seeds"]
    chilled = [tray for tray in kept if not tray_lot(demo, tray).startswith("SYAL")]
    assert (later[chilled] / seeds[chilled]).min() > 0.1
    sown = demo.tables["trays"].query("season == '2024' and not lot.str.startswith('SYAL')")[
        "sown_on"
    ]
    assert set(sown) == {"2024-01-06"}


def tray_lot(demo: Demo, tray: str) -> str:
    return str(demo.tables["trays"].set_index("tray").at[tray, "lot"])


def last_counts(demo: Demo, tray: str) -> pd.Series:
    """Seedlings ever seen per cell by the last look, one value per cell, row by row."""
    cells = demo.tables["cells"].query("tray == @tray", local_dict={"tray": tray})
    counts = pd.to_numeric(cells["emerged"], errors="coerce").groupby(cells["cell"]).max()
    return counts.reindex([f"{row}{column}" for row in "ABCDEF" for column in range(1, 13)])


def test_bad_trays(demo: Demo) -> None:
    mouse, dropped, washed = (
        demo.truth.stories.query("story == 4 and lot == @lot", local_dict={"lot": role[1]}).iloc[0]
        for role in (MOUSE, DROPPED, WASHED)
    )
    block = mouse["cells"].split()
    counts = last_counts(demo, mouse["tray"])
    assert len(block) == 24
    # F is the last row: the block touches the edge
    assert {cell[0] for cell in block} == set("CDEF")
    assert counts[block].sum() == 0
    assert (counts.drop(block) > 0).mean() > 0.5
    assert len(MOUSE_CELLS) == 24
    strip = washed["cells"].split()
    counts = last_counts(demo, washed["tray"])
    beside = [f"{row}{column}" for row in "ABCDEF" for column in (6, 9)]
    assert {cell[0] for cell in strip} == set("ABCDEF")
    assert counts[strip].sum() == 0
    assert (counts[beside] > 2).sum() >= 5
    events = demo.tables["events"].set_index("tray")
    assert events.at[dropped["tray"], "event"] == "dropped"
    assert not set(events.index) & {mouse["tray"], washed["tray"]}


def test_the_cover_trial_is_complete(demo: Demo) -> None:
    trial = demo.tables["trays"].query("trial != ''")
    sizes = trial.groupby(["season", "lot", "cover"])["block"].nunique()
    assert len(sizes) == 2 * 3 * 3
    assert set(sizes) == {4}
    assert len(trial) == 72
    assert set(trial["seeds_per_cell"]) == {"1", "pinch"}
    assert trial.groupby("block")["place"].nunique().max() == 1
    assert set(trial["tray"]) <= set(demo.tables["cells"]["tray"])
    truth = demo.truth.rows.set_index(["lot", "cover"])["emergence"]
    assert truth["MOFI-24A", "sand"] < truth["MOFI-24A", "none"] - 0.25
    assert (
        truth["HECY-22A", "sand"]
        < truth["HECY-22A", "grit"] - 0.1
        < truth["HECY-22A", "none"] - 0.2
    )
    assert abs(truth["PEAT-24A", "grit"] - truth["PEAT-24A", "none"]) < 0.09


def test_two_winters(demo: Demo) -> None:
    trays = trays_of(demo, 6)["tray"]
    checks = demo.tables["checks"].query(
        "tray in @trays and filled != ''", local_dict={"trays": set(trays)}
    )
    filled = checks["filled"].astype(int).groupby(checks["checked_on"].str[:4]).max()
    assert filled["2024"] == 0
    assert filled["2025"] > 30
    assert set(demo.tables["trays"].set_index("tray").loc[trays, "season"]) == {"2024"}


def test_rationing(demo: Demo) -> None:
    lots = demo.tables["lots"].set_index("lot")
    assert lots.at["HECY-22A", "grams_left"] == "0.06"
    assert lots.at["BASA-25A", "seeds_left"] == "600"
    orders = demo.tables["orders"]
    assert orders["plugs"].astype(int).sum() == 520
    assert orders.query("species == 'HECY'")["order"].nunique() == 3
    assert orders["client"].nunique() == 3


def test_confounded_lot(demo: Demo) -> None:
    trays = demo.tables["trays"].query("lot == 'PEAT-23B'")
    assert set(trays["tray"]) == set(trays_of(demo, 9)["tray"])
    assert set(zip(trays["cover"], trays["place"], strict=True)) == {("grit", "bench 2")}
    assert trays["season"].nunique() == 2


# The planted dirt
# ------------------------------------------------------------------------------------------


def test_every_kind_of_dirt_is_there_in_about_six_of_a_hundred_rows(demo: Demo) -> None:
    dirt = demo.truth.dirt
    assert set(dirt["kind"]) == KINDS
    rows = sum(len(demo.tables[name]) for name in ("trays", "checks", "cells", "events"))
    assert 0.05 < len(dirt) / rows < 0.07


def test_dirt_stands_where_the_truth_says(demo: Demo) -> None:
    dirt = demo.truth.dirt
    for one in dirt[dirt["row"].notna()].to_dict("records"):
        row = demo.tables[one["table"]].iloc[one["row"] - 2]
        assert row[one["column"]] == one["written"], one
        assert one["key"].split("/")[0] == row["tray"]
        if one["kind"] not in ("duplicate_same", "sold_early"):
            assert one["written"] != one["true"]


def test_skipped_looks_are_not_in_the_sheet(demo: Demo) -> None:
    dirt = demo.truth.dirt
    gone = dirt[dirt["row"].isna()]
    assert set(gone["kind"]) == {"skipped_check"}
    for table, key in (
        ("checks", ["tray", "checked_on"]),
        ("cells", ["tray", "cell", "checked_on"]),
    ):
        written = set(demo.tables[table][key].agg("/".join, axis=1))
        keys = set(gone.loc[gone["table"] == table, "key"])
        assert keys
        assert not keys & written


def test_few_trays_carry_a_stop_and_all_of_them_have_sisters(demo: Demo) -> None:
    dirt = demo.truth.dirt
    stopped = set(
        dirt.loc[dirt["kind"].isin(["above_cells", "fall_unexplained", "letter_for_digit"]), "tray"]
    )
    assert len(stopped) == 4
    trays = demo.truth.trays.set_index("tray")
    for tray in stopped:
        alike = trays.query(
            "lot == @lot and cover == @cover",
            local_dict=trays.loc[tray, ["lot", "cover"]].to_dict(),
        )
        assert len(set(alike.index) - stopped) >= 2


def test_exchanged_dates_stand_out_of_order(demo: Demo) -> None:
    for one in demo.truth.dirt.query("kind == 'day_month_swapped'").to_dict("records"):
        table = demo.tables[one["table"]]
        unit = [name for name in ("tray", "cell") if name in table.columns]
        here = table.iloc[one["row"] - 2]
        looks = table[(table[unit] == here[unit]).all(axis=1) & (table["checked_on"] != "")]
        dates = looks["checked_on"].tolist()
        assert dates != sorted(dates)
        mended = [
            one["true"] if i == one["row"] - 2 else d
            for i, d in zip(looks.index, dates, strict=True)
        ]
        assert mended == sorted(mended)


def test_dirt_keeps_off_trays_with_a_story_of_their_own(demo: Demo) -> None:
    strewn = demo.truth.dirt.query(
        "kind in ['blank_date', 'duplicate_same', 'duplicate_different', 'skipped_check']"
    )
    spoken = {tray.tray for tray in grow_nursery(0).trays if tray.role in SPOKEN_FOR}
    assert len(spoken) == len(SPOKEN_FOR)
    assert not set(strewn["tray"]) & spoken


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_other_nurseries_have_every_kind_of_dirt_too(seed: int) -> None:
    assert set(simulate_demo(seed).truth.dirt["kind"]) == KINDS


# Weather
# ------------------------------------------------------------------------------------------


def test_degree_days_agree_with_a_published_table() -> None:
    """Single sine with horizontal cut-off, 50 and 70 F, by a university pest-management programme
    (seen).

    Eight days of the degree-day challenge, UCANR-IGIS, (c) 2022 Andy Lyons, MIT licence; printed to
    .01. A horizontal cut-off is the heat above the lower limit less the heat above the upper one.
    """
    low = np.array([42, 44, 49, 60, 58, 64, 51, 39], dtype=float)
    high = np.array([67, 55, 70, 86, 96, 99, 92, 61], dtype=float)
    heat = degree_days(low, high, 50) - degree_days(low, high, 70)
    assert heat == pytest.approx(
        [6.49, 1.51, 9.59, 17.25, 17.04, 18.93, 14.21, 3.5], rel=0, abs=0.006
    )


def test_weather_is_warmer_in_the_seasons_said_to_be_warmer() -> None:
    first, last = datetime.date(2022, 12, 1), LAST_DAY
    plain = simulate_weather(first, last, {}, np.random.default_rng(5))
    warm = simulate_weather(first, last, {2024: 1.8}, np.random.default_rng(5))
    gap = warm.tmin_c - plain.tmin_c
    inside = slice(
        (datetime.date(2023, 10, 1) - first).days, (datetime.date(2024, 10, 1) - first).days
    )
    assert gap[inside] == pytest.approx(1.8, rel=0, abs=0.11)  # both are rounded to tenths
    assert np.delete(gap, np.r_[inside]) == pytest.approx(0, rel=0, abs=1e-9)
    assert (plain.tmax_c >= plain.tmin_c).all()


# Plain trays
# ------------------------------------------------------------------------------------------


def finals(book: Demo, column: str = "emerged") -> pd.Series:
    cells = book.tables["cells"]
    return cells[column].astype(int).groupby([cells["tray"], cells["cell"]]).max()


@pytest.mark.parametrize(
    ("n", "p", "rho", "variance", "none"),
    [(5, 0.6, 0.05, 1.44, 0.019107), (10, 0.3, 0.1, 3.99, 0.093133)],
)
def test_seeds_of_a_cell_share_its_fate(
    n: int, p: float, rho: float, variance: float, none: float
) -> None:
    """Beta-binomial P(0), and the variance np(1-p)(1 + (n-1) rho) (computed with general-purpose
    libraries).
    """
    spec = TraySpec(
        p=p, rho=rho, seeds_per_cell=str(n), trays=60, rows=20, columns=20, check_days=(400,)
    )
    seen = finals(simulate_trays(spec, seed=3)).to_numpy()
    size = len(seen)
    assert abs((seen == 0).mean() - none) < 4 * np.sqrt(none * (1 - none) / size)
    assert abs(seen.mean() - n * p) < 4 * np.sqrt(variance / size)
    spread = (seen - seen.mean()) ** 2
    assert abs(spread.mean() - variance) < 4 * spread.std() / np.sqrt(size)


def test_a_pinch_fills_as_worked_out() -> None:
    """Mean 5 seeds, p = .5, k = 1.5 fill 77 % of cells: (1 + 5 x .5 / 1.5)^-1.5 stay empty
    (arithmetic).
    """
    spec = TraySpec(
        p=0.5,
        seeds_per_cell="pinch",
        trays=20,
        rows=20,
        columns=20,
        check_days=(400,),
        record="occupancy",
    )
    filled = finals(simulate_trays(spec, seed=4), "occupied").to_numpy()
    expected = 1 - (1 + 5 * 0.5 / 1.5) ** -1.5
    assert expected == pytest.approx(0.77, abs=0.005)
    assert abs(filled.mean() - expected) < 4 * np.sqrt(expected * (1 - expected) / len(filled))


@pytest.mark.parametrize("timing", ["log-normal", "log-logistic"])
def test_half_of_the_seedlings_come_by_the_median_day(timing: str) -> None:
    spec = TraySpec(p=0.9, timing=timing, seeds_per_cell="1", trays=30, check_days=(60, 75, 900))  # type: ignore[arg-type]
    cells = simulate_trays(spec, seed=6).tables["cells"]
    by_day = cells["emerged"].astype(int).groupby(cells["checked_on"]).sum().to_numpy()
    z = np.log(75 / 60) / 0.25
    late = expit(z) if timing == "log-logistic" else 0.813967  # normal cdf of .892574 (computed)
    for share, expected in ((by_day[0] / by_day[2], 0.5), (by_day[1] / by_day[2], late)):
        assert abs(share - expected) < 4 * np.sqrt(expected * (1 - expected) / by_day[2])


def test_plain_trays_match_their_truth_over_many_books() -> None:
    spec = TraySpec(
        p=0.55,
        rho=0.05,
        tray_sd=0.5,
        season_sd=0.3,
        lot_sd=0.4,
        lots=3,
        seasons=2,
        check_days=(400,),
    )
    gaps = []
    for seed in range(60):
        truth = simulate_trays(spec, seed).truth
        seen = truth.trays.groupby("lot")[["emerged", "seeds"]].sum()
        gaps.append(
            (
                (seen["emerged"] / seen["seeds"]).to_numpy() - truth.rows["emergence"].to_numpy()
            ).mean()
        )
    assert abs(np.mean(gaps)) < 4 * np.std(gaps, ddof=1) / np.sqrt(len(gaps))


@pytest.mark.parametrize("record", ["counts", "occupancy", "totals", "seedlings"])
def test_record_kinds_tell_of_the_same_trays(record: str) -> None:
    spec = TraySpec(record=record)  # type: ignore[arg-type]
    book, counted = simulate_trays(spec, seed=8), finals(simulate_trays(TraySpec(), seed=8))
    filled = (counted > 0).groupby("tray").sum()
    if record in ("counts", "occupancy"):
        column = "emerged" if record == "counts" else "occupied"
        assert (finals(book, column) > 0).groupby("tray").sum().to_dict() == filled.to_dict()
        return
    checks = book.tables["checks"]
    assert checks["filled"].astype(int).groupby(checks["tray"]).max().to_dict() == filled.to_dict()
    seedlings = (
        checks["seedlings"].replace("", "0").astype(int).groupby(checks["tray"]).max().to_dict()
    )
    assert seedlings == (counted.groupby("tray").sum() * (record == "seedlings")).to_dict()


def test_plain_trays_refuse_what_cannot_be() -> None:
    with pytest.raises(WrongUseError, match=r"a share of 1\.4 is impossible"):
        simulate_trays(TraySpec(p=1.4), seed=1)
    with pytest.raises(WrongUseError, match=r"'3\+' is no number of seeds"):
        simulate_trays(TraySpec(seeds_per_cell="3+"), seed=1)
