# %% [markdown]
"""Real, openly licensed records through the toolkit: to record books, to a fit, to seeds per cell,
to promises kept.

Run as `python analyses/real_records.py [--sets NAME ...] [--data DIR] [--out DIR] [--seed N]`. The
data are read from beside the checkout and never kept in it; the books are written outside it.
Sources: Worthy et al. 2024, doi:10.5281/zenodo.12753086 (CC BY 4.0); Quintero et al.,
doi:10.5061/dryad.02v6wwq6n (CC0); Benitez et al. 2022, doi:10.1002/ecs2.3907, data EDI edi.1019 (CC
BY 4.0); Rutherford & Archer (CC0); Siegmund et al., clarkia-bet-hedging (MIT).
"""

# %%
from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import matplotlib

from germstats.forecast.seeds_per_cell import SowingSpec

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import seaborn as sns

import germstats
from germstats.document.tables import text_table
from germstats.engine.curves import emergence_curve
from germstats.engine.fit import fit_emergence, trays_by_reason
from germstats.questions.backtest.backtest import held_against
from germstats.questions.backtest.result import Promise, SetAside
from germstats.questions.backtest.scores import Score, TrayTest, score
from germstats.records.formats.workbook import write_book
from germstats.records.intervals.patterns import Patterns
from germstats.records.intervals.subsets import before_season, keep_trays

DATA = Path(__file__).parents[2] / "shared" / "data"


def days_after(sown: pd.Series, day: pd.Series) -> pd.Series:
    """ISO dates `day` days after sowing."""
    return (pd.to_datetime(sown) + pd.to_timedelta(day.astype(float), unit="D")).dt.strftime(
        "%Y-%m-%d"
    )


def looks(seeds: pd.DataFrame, last: pd.Series) -> pd.DataFrame:
    """Cell rows: none on the last empty check, one on the first with a seedling; none on the last
    check otherwise.
    """
    came = seeds["t_hi"].notna()
    before = seeds[came & (seeds["t_lo"] > 0)]
    parts = [
        before.assign(checked_on=days_after(before["sown_on"], before["t_lo"]), emerged=0),
        seeds[came].assign(
            checked_on=days_after(seeds.loc[came, "sown_on"], seeds.loc[came, "t_hi"]), emerged=1
        ),
        seeds[~came].assign(checked_on=last[~came], emerged=0),
    ]
    return pd.concat(parts)[["tray", "cell", "checked_on", "emerged"]]


# %% [markdown]
# Wild annuals, one seed to a cell, thirteen populations in each rack: a tray row per population
# (rack / population), the rack itself as block; only the cells listed for a population count as
# sown. Blank cells are a tray row and a lot of their own, sown with no seed: under a population
# they would be seeds that failed, and left out they could not show strays. Eight cells whose seed
# was lost are left out. A cohort's last record is taken as its last check.


# %%
def streptanthus_book(data: Path) -> dict[str, pd.DataFrame]:
    """Tables of the record book of the rack experiment."""
    seeds = pd.read_csv(data / "streptanthus_cells_season1.csv")
    seeds = seeds[seeds["flag"].fillna("") != "seed_lost_or_not_sown"]
    rack = "C" + seeds["cohort"].astype(str) + "R" + seeds["rack"].astype(str)
    seeds = seeds.assign(
        tray=rack + "/" + seeds["population"],
        block=rack,
        lot=seeds["population"],
        sown_on=seeds["sow_date"],
        cell=[f"{name[0]}{int(name[2:])}" for name in seeds["cell"]],
    )
    last = seeds.groupby("cohort")["t_hi"].transform("max")
    trays = seeds.drop_duplicates("tray")[["tray", "lot", "sown_on", "block"]]
    trays = trays.assign(
        season=2021, rows=10, columns=20, seeds_per_cell=np.where(trays["lot"] == "blank", "0", "1")
    )
    lots = seeds.drop_duplicates("lot")[["lot", "species"]]
    lots["species"] = lots["species"].fillna("no seed")
    return {
        "species": pd.DataFrame({"species": lots["species"].unique()}),
        "lots": lots,
        "trays": trays,
        "cells": looks(seeds, days_after(seeds["sown_on"], last)),
    }


# %% [markdown]
# Field stations of sixteen cells with one seed each: a station in a season is a tray, the
# microhabitat its place. The second sowing, of October 2019, has its first spring in 2020. What
# never came is looked at last on the last visit of that spring.


# %%
def lentisc_book(data: Path) -> dict[str, pd.DataFrame]:
    """Tables of the record book of the field stations."""
    seeds = pd.read_csv(data / "lentisc_field_cells.csv")
    visits = pd.read_csv(data / "lentisc_field_visits.csv")
    spring = seeds["season"].map({"2018-19": 2019, "2019-20": 2020})
    seeds = seeds.assign(
        tray=seeds["season"].str[:4] + "/" + seeds["station"],
        lot="seed of " + seeds["season"],
        place=seeds["microhabitat"],
        spring=spring,
        sown_on=seeds["sow_date"],
        cell=seeds["cell"].str[-1] + seeds["cell"].str[:-1],
    )
    in_spring = visits[
        visits["revision_date"]
        <= visits["season"].map({"2018-19": "2019-07-31", "2019-20": "2020-07-31"})
    ]
    last_visit = seeds["season"].map(in_spring.groupby("season")["revision_date"].max())
    last = np.minimum(last_visit, days_after(seeds["sown_on"], seeds["t_lo"]))
    trays = seeds.drop_duplicates("tray")[["tray", "lot", "sown_on", "place", "spring"]].rename(
        columns={"spring": "season"}
    )
    return {
        "species": pd.DataFrame({"species": ["lentisc"]}),
        "lots": pd.DataFrame({"lot": seeds["lot"].unique(), "species": "lentisc"}),
        "trays": trays.assign(rows=2, columns=8, seeds_per_cell="1"),
        "cells": looks(seeds, pd.Series(last, index=seeds.index)),
    }


# %% [markdown]
# Pots of fifty seeds of wild rye under four amounts of litter, alone or with a second grass, looked
# at six times. What was counted is plants standing, so that some fall; what had stood once has
# come: the most so far is written down. A pot is a flat of one cell.


# %%
def litter_book(data: Path) -> dict[str, pd.DataFrame]:
    """Tables of the record book of the litter pots; the level `None` is a word, no missing
    value.
    """
    pots = pd.read_csv(data / "litter_cover_pots.csv", keep_default_na=False)
    pots = pots[(pots["elymus_sown"] == 50) & (pots["exclude_from_germination"] == 0)]
    pots = pots.assign(elymus_count=pots["elymus_count"].astype(float)).sort_values(["pot", "day"])
    first = pots.drop_duplicates("pot")
    trays = pd.DataFrame(
        {
            "tray": first["pot"],
            "season": 2018,
            "lot": "rye",
            "sown_on": days_after(first["date"], -first["day"]),
            "rows": 1,
            "columns": 1,
            "seeds_per_cell": "50",
            "cover": first["cover"].str.lower(),
        }
    )
    ever = pots.groupby("pot")["elymus_count"].cummax().astype(int)
    checks = pd.DataFrame({"tray": pots["pot"], "checked_on": pots["date"], "seedlings": ever})
    lots = pd.DataFrame({"lot": ["rye"], "species": ["rye"]})
    return {"species": lots[["species"]], "lots": lots, "trays": trays, "checks": checks}


# %% [markdown]
# Pots of three seeds with one count and no date: the dates below are nominal, so there is no timing
# to be had. A pot is a flat of one cell, the watering its pretreatment.


# %%
def mesquite_book(data: Path) -> dict[str, pd.DataFrame]:
    """Tables of the record book of the pots."""
    pots = pd.read_csv(data / "mesquite_pots.csv")
    names = "P" + pots["pot"].astype(str)
    trays = pd.DataFrame(
        {
            "tray": names,
            "season": 2001,
            "lot": "mesquite",
            "sown_on": "2001-01-01",
            "rows": 1,
            "columns": 1,
            "seeds_per_cell": "3",
            "pretreatment": pots["tx"].str.lower(),
        }
    )
    checks = pd.DataFrame(
        {"tray": trays["tray"], "checked_on": "2001-06-30", "seedlings": pots["seedlings"]}
    )
    return {"trays": trays, "checks": checks}


# %% [markdown]
# Bags of a hundred seeds of one annual, buried at twenty sites in each of three autumns, their
# seedlings counted once in January: the bags of the first year. A bag is a flat of one cell. Seed
# was gathered and buried site by site, so that a site is a lot. The days are not in the file:
# sowing in mid October and a count in mid January are assumed. With one look a bag nothing is said
# of timing, and no answer rests on these days.

ASSUMED_SOWING, ASSUMED_COUNT = "10-15", "01-15"


# %%
def clarkia_book(data: Path) -> dict[str, pd.DataFrame]:
    """Tables of the record book of the seed bags; days are assumed."""
    bags = pd.read_csv(data / "clarkia_seed_bags.csv")
    bags = bags[bags["age_years"] == 1]
    where = bags["transect"] + "-" + bags["position"].astype(str) + "-" + bags["bag"].astype(str)
    seen = bags["year_seen"].astype(str)
    trays = pd.DataFrame(
        {
            "tray": bags["site"] + "/" + seen + "/" + where,
            "season": bags["year_seen"],
            "lot": bags["site"],
            "sown_on": bags["year_sown"].astype(str) + "-" + ASSUMED_SOWING,
            "rows": 1,
            "columns": 1,
            "seeds_per_cell": bags["seeds_sown"].astype(str),
        }
    )
    checks = pd.DataFrame(
        {
            "tray": trays["tray"],
            "checked_on": seen + "-" + ASSUMED_COUNT,
            "seedlings": bags["seedlings_january"],
        }
    )
    lots = pd.DataFrame({"lot": sorted(bags["site"].unique()), "species": "clarkia"})
    return {
        "species": pd.DataFrame({"species": ["clarkia"]}),
        "lots": lots,
        "trays": trays,
        "checks": checks,
    }


# %%
BOOKS = {
    "streptanthus": streptanthus_book,
    "lentisc": lentisc_book,
    "litter": litter_book,
    "mesquite": mesquite_book,
    "clarkia": clarkia_book,
}
FILES = {
    "streptanthus": ("streptanthus_cells_season1.csv",),
    "lentisc": ("lentisc_field_cells.csv", "lentisc_field_visits.csv"),
    "litter": ("litter_cover_pots.csv",),
    "mesquite": ("mesquite_pots.csv",),
    "clarkia": ("clarkia_seed_bags.csv",),
}


def dispersion(trays: pd.DataFrame, by: list[str]) -> tuple[float, int]:
    """Pearson dispersion of trays within groups, degrees of freedom; groups with none or all seen
    are left out.
    """
    groups = trays.groupby(by)[["emerged", "seeds"]].transform("sum")
    p = groups["emerged"] / groups["seeds"]
    telling = (p > 0) & (p < 1)
    kept, p = trays[telling], p[telling]
    squares = (kept["emerged"] - kept["seeds"] * p) ** 2 / (kept["seeds"] * p * (1 - p))
    df = len(kept) - kept.groupby(by).ngroups
    return float(squares.sum() / df), df


# %% [markdown]
# How the seeds came, without any law of timing: the nonparametric curve of each lot and treatment.
# Its band takes the tray as the unit. Pots have no dates, so there is nothing to draw.


# %%
def draw_curves(patterns: Patterns, place: Path) -> None:
    """Figure of the curves, a panel for each lot, a line for each treatment."""
    lots = sorted(patterns.trays["lot"].unique())
    across, down = min(len(lots), 4), -(-len(lots) // 4)
    figure, axes = plt.subplots(
        down,
        across,
        figsize=(3 * across, 2.6 * down),
        sharex=True,
        sharey=True,
        squeeze=False,
        layout="constrained",
    )
    for axis in axes.flat[len(lots) :]:
        axis.set_visible(False)
    for axis, lot in zip(axes.flat, lots, strict=False):
        treatments = patterns.trays[patterns.trays["lot"] == lot].groupby("treatment")
        for label, trays in treatments:
            curve = emergence_curve(patterns, trays.index)
            axis.fill_between(curve.day, 100 * curve.low, 100 * curve.high, step="post", alpha=0.25)
            sns.lineplot(
                x=curve.day,
                y=100 * curve.came,
                drawstyle="steps-post",
                ax=axis,
                label=str(label),
                legend=len(treatments) > 1,
            )
        axis.set(title=lot, xlabel="days from sowing", ylabel="came, % of seeds", ylim=(0, 100))
        axis.tick_params(labelbottom=True)
    figure.savefig(place, dpi=150)
    plt.close(figure)
    print("figure:", place)


# %% [markdown]
# Whether promises are kept: the trays of each lot, season and treatment are parted at random into
# two halves, and each half is foretold from the other, as trays in a spring not yet seen. They
# share lots and springs, so that ranges should hold more often than they say; a season foretold
# from the seasons before it is the harder test, where there are two. Beside the range, two chances:
# what a tray is promised to reach with 80 % or more, and with 50 % or more, where it is promised
# anything. Where only seedlings were counted each seed stands as a cell of its own.

ASSURED = (0.8, 0.5)
Tested = tuple[Patterns, np.ndarray]  # what was known, and the codes of the trays foretold


# %%
def halves(patterns: Patterns, seed: int) -> Iterator[Tested]:
    """The trays of each lot, season and treatment parted in two; each half from the other."""
    rng = np.random.default_rng(seed)
    first = np.zeros(len(patterns.trays), dtype=bool)
    for _, alike in sorted(patterns.trays.groupby(["lot", "season", "treatment"]).indices.items()):
        first[rng.permutation(alike)[::2]] = True
    for known in (first, ~first):
        yield keep_trays(patterns, np.flatnonzero(known)), np.flatnonzero(~known)


def seasons(patterns: Patterns) -> Iterator[Tested]:
    """Each season but the first from those before it."""
    season = patterns.trays["season"].to_numpy(dtype=int)
    for year in np.unique(season)[1:]:
        yield before_season(patterns, int(year)), np.flatnonzero(season == year)


@dataclass(frozen=True)
class Kept:
    """What came of the ranges, of each assured chance where it promised anything, and why trays
    were set aside.
    """

    ranges: Score | None
    chances: tuple[Score | None, ...]
    aside: tuple[str, ...]


def scored(patterns: Patterns, tests: Iterator[Tested]) -> Kept:
    """Score every tray; a fit that fails sets its trays aside, and says so."""
    rows: dict[float, list[TrayTest]] = {assured: [] for assured in ASSURED}
    aside: list[str] = []
    for known, asked in tests:
        try:
            fit = fit_emergence(known)
        except FloatingPointError as failed:
            aside += [f"the fit failed, {failed}"] * len(asked)
            continue
        for assured in ASSURED:
            found = list(
                held_against(patterns, asked, fit, Promise(target=0.9, level=0.9, assured=assured))
            )
            rows[assured] += [one for one in found if isinstance(one, TrayTest)]
        aside += [one.why for one in found if isinstance(one, SetAside)]
    promised = [[one for one in own if one.wanted > 0] for own in rows.values()]
    chances = tuple(
        score(f"{assured:.0%}", own) if own else None
        for assured, own in zip(ASSURED, promised, strict=True)
    )
    return Kept(score("all", rows[ASSURED[0]]) if rows[ASSURED[0]] else None, chances, tuple(aside))


HEADER = (
    "set",
    "foretold from",
    "trays",
    "inside 90 %",
    "should be",
    "short",
    "better",
    "promised at 80 %",
    "reached",
    "promised at 50 %",
    "reached",
    "set aside",
)


def line(name: str, how: str, found: Kept) -> tuple[str, ...]:
    """One row of the table; beside each number promised the range that chance alone would have."""
    one, aside = found.ranges, str(len(found.aside))
    if one is None:
        return name, how, "0", *("-" for _ in HEADER[4:]), aside
    inside = f"{one.inside} ({one.inside / one.trays:.3f})"
    should = f"{one.inside_expected:.0f} ({one.inside_low} to {one.inside_high})"
    chances = [words for each in found.chances for words in _chance(each)]
    return (
        name,
        how,
        str(one.trays),
        inside,
        should,
        str(one.short),
        str(one.better),
        *chances,
        aside,
    )


def _chance(one: Score | None) -> tuple[str, str]:
    if one is None:
        return "-", "-"
    return f"{one.promised:.0f} of {one.trays} ({one.promised_low} to {one.promised_high})", str(
        one.reached
    )


def promises_kept(name: str, patterns: Patterns, seed: int) -> list[tuple[str, ...]]:
    """Rows of the table for one set; why trays were set aside is printed."""
    ways = {"the other half": halves(patterns, seed)}
    if patterns.trays["season"].nunique() > 1:
        ways["seasons before"] = seasons(patterns)
    rows = []
    for how, tests in ways.items():
        found = scored(patterns, tests)
        rows.append(line(name, how, found))
        if found.aside:
            print(f"set aside, foretold from {how}: {trays_by_reason(found.aside)}")
    return rows


# %% [markdown]
# Each book is written, read back, fitted and answered.


# %%
def must_be_there(names: list[str], data: Path) -> None:
    """Refuse at once where a file of a set is missing."""
    missing = [file for name in names for file in FILES[name] if not (data / file).is_file()]
    if missing:
        raise SystemExit(
            f"Not in {data}: {', '.join(missing)}. Say with --data where they are, or leave the "
            "set out."
        )


def main() -> None:
    """Run the sets asked for, all by default."""
    parser = argparse.ArgumentParser(description="Real records through the toolkit.")
    parser.add_argument("--sets", nargs="+", choices=list(BOOKS), default=list(BOOKS))
    parser.add_argument("--data", type=Path, default=DATA)
    parser.add_argument(
        "--out", type=Path, default=Path(tempfile.gettempdir()) / "germstats_real_records"
    )
    parser.add_argument("--seed", type=int, default=1, help="of the halves")
    options = parser.parse_args()
    must_be_there(options.sets, options.data)
    promises = []
    for name in options.sets:
        place = options.out / "books" / name
        write_book(BOOKS[name](options.data), place, force=True)
        book = germstats.read_book(place)
        fit = germstats.fit_emergence(book)
        advice = germstats.seeds_per_cell(fit, SowingSpec(cells=72))
        table = fit.to_frame().merge(
            advice.to_frame()[["seeds_per_cell", "chance"]], left_index=True, right_index=True
        )
        print(f"\n{name}: book in {place}, {len(book.findings)} findings")
        print(table.drop(columns=["notes", "species"]).round(2).to_string(index=False))
        if (fit.patterns.trays["looks"] > 1).any():
            draw_curves(fit.patterns, options.out / f"{name}_curves.png")
        promises += promises_kept(name, fit.patterns, options.seed)
    print(
        "\nTrays inside their 90 % range, and those that reached what was promised at 80 and at 50 "
        "% or more"
    )
    print("(in brackets: by chance alone, nine times in ten):")
    print(text_table(HEADER, promises, left=2))


if __name__ == "__main__":
    main()
