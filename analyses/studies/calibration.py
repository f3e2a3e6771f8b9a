# %% [markdown]
"""Do the promised chances come true? Fresh invented nurseries, forecast as `sow` would, against
their known truth.

    python analyses/studies/calibration.py sowing --nurseries 63      # six set-ups in several
    worlds, 9 and 30 lots python analyses/studies/calibration.py halfway --nurseries 60     # a
    season under way python analyses/studies/calibration.py told --nurseries 63        # a nursery
    that knows its scatters

Rows go to `output/studies/*.jsonl` as they are made; a second run goes on where the first stopped.
`--table` writes the committed table and figure from what is there, and lists the bars missed. Every
number is invented; draws are seeded by nursery. In one world every nursery draws its own scatters
from the priors of the fit: there promises must come true on average, while a fit that learns its
scatters from a few trays may be too careful in one world and too bold in another.

For every lot of a nursery (and one lot per species never sown) the next spring's tray is forecast,
and the chance that the chosen number of seeds really has is worked out from the truth: the lot's
own share with fresh tray and spring effects. Nothing is left to the luck of single trays. Nobody
can know how a lot never sown differs from its species: there the perfectly informed rule, and the
true chance, take a fresh lot effect too.
"""

# %%
from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from nurseries.simulated import CELLS, Nursery, NurserySpec, World, simulate_nursery
from resumable import lines, run
from scipy import stats

from germstats.engine.fit import EmergenceFit, FitSpec, fit_emergence
from germstats.engine.variance_components import COORDINATES
from germstats.forecast.new_lots import new_lot
from germstats.forecast.seeds_per_cell import pencil_rule
from germstats.forecast.tray import NewTray, chance_of_filling, filled_cells, new_tray
from germstats.forecast.within_season import finish_season
from germstats.records.seeds import SowingRate

TARGET, ASSURANCE, MOST = 0.9, 0.8, 8
WANTED = int(np.ceil(TARGET * CELLS - 1e-9))
RESULTS = Path(__file__).parent / "results"

MIDDLE, DRAWN = World(), "scatters drawn"
WORLDS = {
    "rho 0": replace(MIDDLE, rho=0.0),
    "rho .05": MIDDLE,
    "rho .1": replace(MIDDLE, rho=0.1),
    "low variance": replace(MIDDLE, lot=0.25, tray=0.25),
    "high variance": replace(MIDDLE, lot=0.8, tray=0.6),
    "t4 trays": replace(MIDDLE, heavy_trays=True),
    "occupancy only": MIDDLE,
    DRAWN: MIDDLE,
}
SETUPS = [(lots, seasons, trays) for lots in (9, 30) for seasons in (1, 3) for trays in (1, 2, 4)]
SPECIES = {9: 3, 30: 6}
"""Lots of a nursery -> its species.

The design's study foretells thirty new trays a nursery; a small one has nine.
"""
HALFWAY = {
    **{f"tray time sd {sd:g}": replace(MIDDLE, tray_time=sd) for sd in (0.0, 0.1, 0.2)},
    "ten days late": replace(MIDDLE, late_days=10.0),
}


# %% [markdown]
# One nursery, forecast for the next spring.


# %%
def true_tray(theta: float, world: World, lot_sd: float = 0.0) -> NewTray:
    """What a new tray of a lot with this theta really does: 200 tray effects by 21 springs (and
    fresh lots).
    """
    at = (np.arange(200) + 0.5) / 200
    tray = world.tray * (stats.t.ppf(at, 4) if world.heavy_trays else stats.norm.ppf(at))
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    logit = theta + tray[:, None] + np.hypot(world.season, lot_sd) * nodes
    weight = np.broadcast_to(weights / weights.sum() / len(at), logit.shape)
    return NewTray(1 / (1 + np.exp(-logit.ravel())), np.full(logit.size, world.rho), weight.ravel())


def chances(tray: NewTray) -> list[float]:
    """Chance of the target at 1, 2, ..., 8 seeds per cell."""
    return [
        chance_of_filling(tray, (SowingRate("counted", (n,), float(n)),), CELLS, WANTED)
        for n in range(1, MOST + 1)
    ]


def smallest(by_seeds: list[float]) -> int:
    """Smallest number that has the assurance, 8 where none has."""
    return next((n for n, chance in enumerate(by_seeds, 1) if chance >= ASSURANCE), MOST)


def pencil(fit: EmergenceFit, species: str, lot: str | None, seeds: int) -> int:
    """Plain arithmetic at the raw share of the lot, or of its species."""
    rows = [row for row in fit.rows if row.species == species and lot in (row.lot, None)]
    if all(row.emerged is not None for row in rows):
        share = sum(row.emerged or 0 for row in rows) / sum(row.seeds or 1 for row in rows)
    else:
        share = 1 - (1 - sum(row.filled or 0 for row in rows) / sum(row.cells for row in rows)) ** (
            1 / seeds
        )
    return min(pencil_rule(TARGET, share) or MOST, MOST)


def inside(stated: np.ndarray, truth: np.ndarray) -> tuple[float, float]:
    """True mass inside the stated 90 % range, and true share of randomised PIT values in
    .05-.95.
    """
    tails = np.cumsum(stated)
    low, high = np.searchsorted(tails, 0.05), np.searchsorted(tails, 0.95)
    before = tails - stated
    overlap = (np.minimum(tails, 0.95) - np.maximum(before, 0.05)).clip(0.0)
    share = np.divide(overlap, stated, out=np.zeros_like(stated), where=stated > 0)
    return float(truth[low : high + 1].sum()), float(truth @ share)


def world_of(name: str, nursery: int) -> World:
    """How the trays of one nursery scatter."""
    if name != DRAWN:
        return WORLDS[name]
    z = np.random.default_rng(3000 + nursery).standard_normal(len(COORDINATES))
    drawn = {name: one.value(at) for (name, one), at in zip(COORDINATES.items(), z, strict=True)}
    learnt = {
        name: drawn[name] for name in ("tray", "lot", "tray_time", "lot_time", "rho", "species")
    }
    given = FitSpec().scatter
    return replace(MIDDLE, season=given.season, season_time=given.season_time, **learnt)


def luck(nursery: int) -> float:
    """With what springs a nursery starts, as `simulate_nursery` takes it: evenly spread over the
    nurseries, exactly evenly over 31 or 63 (van der Corput's sequence). With freely drawn springs a
    gap of .05 hung on their luck by .02; the standard errors of the table do not know of this, and
    are too wide.
    """
    return float(
        stats.norm.ppf(stats.qmc.Halton(1, scramble=False).fast_forward(nursery + 1).random()[0, 0])
    )


def sowing_rows(
    world_name: str, lots: int, seasons: int, trays: int, nursery: int, spec: FitSpec | None = None
) -> list[dict[str, object]]:
    """Promised against true for every lot of one nursery."""
    world = world_of(world_name, nursery)
    record = "totals" if world_name == "occupancy only" else "counts"
    size = NurserySpec(
        seasons=seasons,
        trays=trays,
        species=SPECIES[lots],
        lots=lots // SPECIES[lots],
        record=record,
    )
    made = simulate_nursery(world, size, 1000 + nursery, luck(nursery))
    fit = fit_emergence(made.patterns, spec)
    by_lot = {row.lot: row for row in fit.rows}
    rows: list[dict[str, object]] = []
    for lot in made.lots.to_dict("records"):
        known = bool(lot["known"])
        draws = by_lot[lot["lot"]].draws if known else new_lot(fit, lot["species"], "none")
        stated = new_tray(draws)
        truth = (
            true_tray(lot["theta"], world)
            if known
            else true_tray(lot["species_theta"], world, world.lot)
        )
        promised, real = chances(stated), chances(truth)
        ours, informed = smallest(promised), smallest(real)
        by_pencil = pencil(fit, lot["species"], lot["lot"] if known else None, 2)
        rate = (SowingRate("counted", (ours,), float(ours)),)
        cover, pit = inside(filled_cells(stated, rate, CELLS), filled_cells(truth, rate, CELLS))
        rows.append(
            {
                "world": world_name,
                "lots": lots,
                "seasons": seasons,
                "trays": trays,
                "nursery": nursery,
                "known": known,
                "seeds": ours,
                "informed_seeds": informed,
                "pencil_seeds": by_pencil,
                "stated": promised[ours - 1],
                "reached": real[ours - 1],
                "informed": real[informed - 1],
                "pencil": real[by_pencil - 1],
                "pencil_plus": real[min(by_pencil, MOST - 1)],
                "reachable": real[-1] >= ASSURANCE,
                "covered": cover,
                "pit": pit,
            }
        )
    return rows


def told_rows(
    world_name: str, lots: int, seasons: int, trays: int, nursery: int
) -> list[dict[str, object]]:
    """The same for a fit that is told how far trays, lots, species and springs lie apart, all but
    rho.
    """
    world = world_of(world_name, nursery)
    names = ("lot", "tray_time", "lot_time", "species")
    scatter = replace(
        FitSpec().scatter, season=world.season, season_time=world.season_time, tray=world.tray
    )
    told = FitSpec(scatter, held={name: getattr(world, name) for name in names})
    return sowing_rows(world_name, lots, seasons=seasons, trays=trays, nursery=nursery, spec=told)


# %% [markdown]
# One nursery, half-way through its third season.


# %%
def halfway_rows(
    world_name: str, checks: int, record: str, nursery: int
) -> list[dict[str, object]]:
    """Forecast against final for every tray of the season under way."""
    world = HALFWAY[world_name]
    spec = NurserySpec(seasons=3, trays=2, record=record, last_checks=checks)
    made = simulate_nursery(world, spec, 5000 + nursery)
    season = int(made.patterns.trays["season"].max())
    forecast = finish_season(fit_emergence(made.patterns, FitSpec(to_horizon=False)), season)
    return [
        {"world": world_name, "checks": checks, "record": record, "nursery": nursery, **row}
        for row in judged_trays(made, season, forecast.final, forecast.weight)
    ]


def judged_trays(
    made: Nursery, season: int, final: np.ndarray, weight: np.ndarray
) -> Iterator[dict[str, object]]:
    """Each current tray's final count against its forecast."""
    rng = np.random.default_rng(int(made.finals.sum()))
    trays = np.flatnonzero(made.patterns.trays["season"].to_numpy() == season)
    for column, tray in enumerate(trays):
        true = int(made.finals[tray])
        pmf = np.bincount(final[:, column], weights=weight, minlength=CELLS + 1)
        tails = np.cumsum(pmf)
        low, high = np.searchsorted(tails, 0.05), min(np.searchsorted(tails, 0.95), CELLS)
        pit = tails[true] - pmf[true] * rng.random()
        yield {
            "covered": bool(low <= true <= high),
            "stated": float(pmf[low : high + 1].sum()),
            "pit": bool(0.05 < pit < 0.95),
            "bias": float(pmf @ np.arange(CELLS + 1) - true) / CELLS,
        }


# %% [markdown]
# Running, going on, and the tables.


# %%
def sowing_jobs(nurseries: int) -> list[tuple[object, ...]]:
    """Every nursery of the sowing study, the worlds taking turns."""
    return [(world, *setup, k) for k in range(nurseries) for world in WORLDS for setup in SETUPS]


def halfway_jobs(nurseries: int) -> list[tuple[object, ...]]:
    """Every nursery of the half-way study."""
    return [
        (world, checks, record, k)
        for k in range(nurseries)
        for world in HALFWAY
        for checks in (3, 5, 7)
        for record in ("counts", "totals")
    ]


def told_jobs(nurseries: int) -> list[tuple[object, ...]]:
    """Set-ups of thirty lots for which a share of forecasts under .70 is a bar."""
    return [
        (world, *setup, k)
        for k in range(nurseries)
        for world in WORLDS
        for setup in ((30, 1, 2), (30, 3, 4))
    ]


STUDIES = {
    "sowing": (sowing_rows, sowing_jobs),
    "halfway": (halfway_rows, halfway_jobs),
    "told": (told_rows, told_jobs),
}


def read_rows(study: str, nurseries: int, where: Path) -> pd.DataFrame:
    """All rows asked for that are done."""
    wanted = set(STUDIES[study][1](nurseries))
    return pd.DataFrame(
        [row for line in lines(where) if tuple(line["job"]) in wanted for row in line["rows"]]
    )


def clustered(rows: pd.DataFrame, by: list[str], columns: list[str]) -> pd.DataFrame:
    """Means of `columns` with Monte-Carlo standard errors, nurseries as the units."""
    nurseries = rows.groupby([*by, "nursery"])[columns].mean()
    grouped = nurseries.groupby(level=by)
    errors = grouped.std() / np.sqrt(grouped.count())
    return grouped.mean().join(errors.add_suffix("_se"))


def sowing_table(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per world, set-up and kind of lot."""
    rows = rows.assign(
        short=np.where(rows["reachable"], rows["reached"] < 0.7, np.nan),
        over_informed=rows["reached"] - rows["informed"],
        overstated=rows["stated"] - rows["reached"],
        extra_seeds=rows["seeds"] - rows["informed_seeds"],
    )
    columns = [
        "reached",
        "informed",
        "pencil",
        "pencil_plus",
        "over_informed",
        "overstated",
        "extra_seeds",
        "short",
        "covered",
        "pit",
    ]
    return (
        clustered(rows, ["world", "lots", "seasons", "trays", "known"], columns)
        .round(3)
        .reset_index()
    )


def halfway_table(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per world, check and kind of record."""
    rows = rows.assign(gap=rows["covered"] - rows["stated"])
    columns = ["covered", "stated", "gap", "pit", "bias"]
    return (
        clustered(
            rows.astype({"covered": float, "pit": float}), ["world", "checks", "record"], columns
        )
        .round(3)
        .reset_index()
    )


SHORT = {(1, 2, True): 0.07, (3, 4, True): 0.06, (3, 4, False): 0.04}
"""(seasons, trays, lot known) -> largest share of forecasts whose true chance lies under .70, of
those for which some number of seeds up to `MOST` has the wanted chance.
"""


def sowing_bars(line: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """Bars of the design for one line of the table: column -> lowest and highest allowed."""
    totals, short = (
        line["world"] == "occupancy only",
        SHORT.get((line["seasons"], line["trays"], line["known"]), 1.0),
    )
    gap = 0.065 if totals else 0.05
    return {
        "over_informed": (-0.01, 1.0),
        "overstated": (-gap, gap),
        "extra_seeds": (-MOST, 0.8 if totals else 0.6),
        "short": (0.0, short),
        "pit": (0.88, 0.93),
    }


def halfway_bars(line: dict[str, Any]) -> dict[str, tuple[float, float]]:
    """The same for a season under way."""
    if line["world"] == "ten days late":
        return {"covered": (0.88, 1.0), "bias": (-0.03, 0.03)}
    return {"gap": (-0.03, 0.03), "pit": (0.87, 0.92), "bias": (-0.015, 0.015)}


BARS = {"sowing": sowing_bars, "halfway": halfway_bars, "told": sowing_bars}


def missed(
    table: pd.DataFrame, bars: Callable[[dict[str, Any]], dict[str, tuple[float, float]]]
) -> pd.DataFrame:
    """Bars missed or not measured, with how many standard errors beyond; all others hold."""
    found = []
    for line in table.to_dict("records"):
        about = {
            name: line[name]
            for name in ("world", "lots", "seasons", "trays", "known", "checks", "record")
            if name in line
        }
        for name, (low, high) in bars(line).items():
            beyond = max(low - line[name], line[name] - high)
            if not beyond <= 0:
                found.append(
                    {
                        **about,
                        "bar": name,
                        "low": low,
                        "high": high,
                        "measured": line[name],
                        "errors_beyond": round(beyond / max(line[f"{name}_se"], 5e-4), 1),
                    }
                )
    return pd.DataFrame(found)


def figure(table: pd.DataFrame, where: Path) -> None:
    """Reached against the wanted assurance, by rule and set-up."""
    import matplotlib as mpl

    mpl.use("Agg")
    import seaborn as sns

    known = table[table["known"]].copy()
    known["set-up"] = known["seasons"].astype(str) + " x " + known["trays"].astype(str)
    known["nursery"] = known["lots"].astype(str) + " lots"
    rules = {
        "pencil": "pencil",
        "pencil_plus": "pencil + 1",
        "reached": "germstats",
        "informed": "perfectly informed",
    }
    long = known.melt(["world", "nursery", "set-up"], list(rules), "rule", "reaches the target")
    long["rule"] = long["rule"].map(rules)
    grid = sns.relplot(
        long,
        x="set-up",
        y="reaches the target",
        hue="rule",
        style="nursery",
        col="world",
        col_wrap=4,
        kind="line",
        markers=True,
        palette=["#D55E00", "#CC79A7", "#0072B2", "#009E73"],
        height=2.4,
        aspect=1.15,
    )
    grid.refline(y=ASSURANCE)
    grid.set_axis_labels("past seasons x trays per lot", "reaches 90 % fill")
    grid.savefig(where, dpi=110)


def main() -> None:
    """Run a study and write its table."""
    parser = argparse.ArgumentParser(description="Do the promised chances come true?")
    parser.add_argument("study", choices=STUDIES)
    parser.add_argument("--nurseries", type=int, default=63)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rows", type=Path, default=Path("output/studies"))
    parser.add_argument("--table", action="store_true", help="write the committed table and figure")
    options = parser.parse_args()
    make, jobs = STUDIES[options.study]
    where = options.rows / f"{options.study}.jsonl"
    run(make, jobs(options.nurseries), where=where, workers=options.workers, label=options.study)
    rows = read_rows(options.study, options.nurseries, where)
    table = halfway_table(rows) if options.study == "halfway" else sowing_table(rows)
    print(table.to_string(index=False))
    print("\nBars missed:", missed(table, BARS[options.study]).to_string(index=False), sep="\n")
    if options.table:
        RESULTS.mkdir(exist_ok=True)
        table.to_csv(RESULTS / f"{options.study}.csv", index=False)
        if options.study == "sowing":
            figure(table, RESULTS / "sowing.png")


if __name__ == "__main__":
    main()
