# %% [markdown]
"""Real, openly licensed records through the toolkit: to record books, to a fit, to seeds per cell.

Run as `python analyses/real_records.py [--data DIR] [--out DIR]`. The data are read from beside the checkout and never
kept in it; the books are written outside it. Sources: Worthy et al. 2024, doi:10.5281/zenodo.12753086 (CC BY 4.0);
Quintero et al., doi:10.5061/dryad.02v6wwq6n (CC0); Rutherford & Archer (CC0).
"""

# %%
from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import seaborn as sns

import germstats
from germstats.models.curves import emergence_curve
from germstats.records.patterns import Patterns
from germstats.records.workbook import write_book

DATA = Path(__file__).parents[2] / "shared" / "data"


def days_after(sown: pd.Series, day: pd.Series) -> pd.Series:
    """ISO dates `day` days after sowing."""
    return (pd.to_datetime(sown) + pd.to_timedelta(day.astype(float), unit="D")).dt.strftime("%Y-%m-%d")


def looks(seeds: pd.DataFrame, last: pd.Series) -> pd.DataFrame:
    """Cell rows: none on the last empty check, one on the first with a seedling; none on the last check otherwise."""
    came = seeds["t_hi"].notna()
    before = seeds[came & (seeds["t_lo"] > 0)]
    parts = [
        before.assign(checked_on=days_after(before["sown_on"], before["t_lo"]), emerged=0),
        seeds[came].assign(checked_on=days_after(seeds.loc[came, "sown_on"], seeds.loc[came, "t_hi"]), emerged=1),
        seeds[~came].assign(checked_on=last[~came], emerged=0),
    ]
    return pd.concat(parts)[["tray", "cell", "checked_on", "emerged"]]


# %% [markdown]
# Wild annuals, one seed to a cell, thirteen populations in each rack: a tray row per population (rack / population),
# the rack itself as block; only the cells listed for a population count as sown. Blank cells are a tray row and a lot
# of their own, sown with no seed: under a population they would be seeds that failed, and left out they could not show
# strays. Eight cells whose seed was lost are left out. A cohort's last record is taken as its last check.


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
    trays = trays.assign(season=2021, rows=10, columns=20,
                         seeds_per_cell=np.where(trays["lot"] == "blank", "0", "1"))  # fmt: skip
    lots = seeds.drop_duplicates("lot")[["lot", "species"]]
    lots["species"] = lots["species"].fillna("no seed")
    return {
        "species": pd.DataFrame({"species": lots["species"].unique()}),
        "lots": lots,
        "trays": trays,
        "cells": looks(seeds, days_after(seeds["sown_on"], last)),
    }


# %% [markdown]
# Field stations of sixteen cells with one seed each: a station in a season is a tray, the microhabitat its place. The
# second sowing, of October 2019, has its first spring in 2020. What never came is looked at last on the last visit of
# that spring.


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
        visits["revision_date"] <= visits["season"].map({"2018-19": "2019-07-31", "2019-20": "2020-07-31"})
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
# Pots of three seeds with one count and no date: the dates below are nominal, so there is no timing to be had. A pot
# is a tray of one cell, the watering its pretreatment.


# %%
def mesquite_book(data: Path) -> dict[str, pd.DataFrame]:
    """Tables of the record book of the pots."""
    pots = pd.read_csv(data / "mesquite_pots.csv")
    names = "P" + pots["pot"].astype(str)
    trays = pd.DataFrame({"tray": names, "season": 2001, "lot": "mesquite", "sown_on": "2001-01-01",
                          "rows": 1, "columns": 1, "seeds_per_cell": "3",
                          "pretreatment": pots["tx"].str.lower()})  # fmt: skip
    cells = pd.DataFrame(
        {"tray": trays["tray"], "cell": "A1", "checked_on": "2001-06-30", "emerged": pots["seedlings"]}
    )
    return {"trays": trays, "cells": cells}


# %%
BOOKS = {"streptanthus": streptanthus_book, "lentisc": lentisc_book, "mesquite": mesquite_book}


def dispersion(trays: pd.DataFrame, by: list[str]) -> tuple[float, int]:
    """Pearson dispersion of trays within groups, degrees of freedom; groups with none or all seen are left out."""
    groups = trays.groupby(by)[["emerged", "seeds"]].transform("sum")
    p = groups["emerged"] / groups["seeds"]
    telling = (p > 0) & (p < 1)
    kept, p = trays[telling], p[telling]
    squares = (kept["emerged"] - kept["seeds"] * p) ** 2 / (kept["seeds"] * p * (1 - p))
    df = len(kept) - kept.groupby(by).ngroups
    return float(squares.sum() / df), df


# %% [markdown]
# How the seeds came, without any law of timing: the nonparametric curve of each lot and treatment. Its band takes the
# tray as the unit. Pots have no dates, so there is nothing to draw.


# %%
def draw_curves(patterns: Patterns, place: Path) -> None:
    """Figure of the curves, a panel for each lot, a line for each treatment."""
    lots = sorted(patterns.trays["lot"].unique())
    across, down = min(len(lots), 4), -(-len(lots) // 4)
    figure, axes = plt.subplots(down, across, figsize=(3 * across, 2.6 * down), sharex=True, sharey=True,
                                squeeze=False, layout="constrained")  # fmt: skip
    for axis in axes.flat[len(lots) :]:
        axis.set_visible(False)
    for axis, lot in zip(axes.flat, lots, strict=False):
        treatments = patterns.trays[patterns.trays["lot"] == lot].groupby("treatment")
        for label, trays in treatments:
            curve = emergence_curve(patterns, trays.index)
            axis.fill_between(curve.day, 100 * curve.low, 100 * curve.high, step="post", alpha=0.25)
            sns.lineplot(x=curve.day, y=100 * curve.came, drawstyle="steps-post", ax=axis,
                         label=str(label), legend=len(treatments) > 1)  # fmt: skip
        axis.set(title=lot, xlabel="days from sowing", ylabel="came, % of seeds", ylim=(0, 100))
        axis.tick_params(labelbottom=True)
    figure.savefig(place, dpi=150)
    plt.close(figure)
    print("figure:", place)


# %% [markdown]
# Each book is written, read back, fitted and answered.


# %%
def main() -> None:
    """Run all three."""
    parser = argparse.ArgumentParser(description="Real records through the toolkit.")
    parser.add_argument("--data", type=Path, default=DATA)
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "germstats_real_records")
    options = parser.parse_args()
    for name, build in BOOKS.items():
        write_book(build(options.data), options.out / name, force=True)
        book = germstats.read_book(options.out / name)
        fit = germstats.fit_emergence(book)
        advice = germstats.seeds_per_cell(fit, cells=72)
        table = fit.to_frame().merge(advice.to_frame()[["seeds_per_cell", "chance"]], left_index=True, right_index=True)
        print(f"\n{name}: book in {options.out / name}, {len(book.findings)} findings")
        print(table.drop(columns=["notes", "species"]).round(2).to_string(index=False))
        if (fit.patterns.trays["looks"] > 1).any():
            draw_curves(fit.patterns, options.out / f"{name}_curves.png")


if __name__ == "__main__":
    main()
