# %% [markdown]
"""Which comparison keeps its promise? Covers that differ by a known amount, judged by `compare` and
by other roads.

    python analyses/studies/cover_alarms.py            # 2,000 trials of each set-up that has a bar
    python analyses/studies/cover_alarms.py --table    # the committed table and figure

Rows go to `output/studies/cover_alarms.jsonl` as they are made; a second run goes on where the
first stopped. Every number is invented; draws are seeded by set-up and trial.

A trial is one species on a bench: trays of 72 cells with one seed each under two covers. Trays
scatter on the logit of the share; in a blocked trial every pair of trays has a lot of its own
(logit sd .5). The nursery's tray sd is known from its other trays, as `compare` borrows it:
rightly, or (one group) wrongly. The verdict is the product's own, word for word: `compared`, then
the ladder.
"""

# %%
from __future__ import annotations

import argparse
import warnings
import zlib
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
from resumable import lines, run
from scipy import optimize, stats
from scipy.special import expit, logit

from germstats.engine.cell_scatter import CellScatter
from germstats.engine.draws import TimeDraws
from germstats.engine.fit import EmergenceFit, FitSpec
from germstats.engine.threads import one_thread
from germstats.engine.timing_choice import TimingChoice
from germstats.engine.treatment_model import borrowed, borrowed_time
from germstats.questions.compare.blocking import Pair
from germstats.questions.compare.comparison import CompareSpec, ComparisonRow, ComparisonVerdict
from germstats.questions.compare.contrast import SdPriors, compared
from germstats.questions.compare.verdicts import verdict_of
from germstats.records.intervals.patterns import ONE_SEED, Patterns

CELLS = 72
LOT_SD = 0.5
LOG_HALF, LOG_SIGMA = np.log(60.0), 0.25
CHECKS = np.arange(21.0, 155.0, 7.0)
CHUNK, GEE_TRIALS = 50, 300
RESULTS = Path(__file__).parent / "results"
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(31)


@dataclass(frozen=True)
class SetUp:
    """One kind of trial: what is asked, shares of an average tray under both covers, trays of each,
    their scatter.
    """

    group: str
    reference: float
    level: float
    trays: int
    sd: float
    blocked: bool
    nursery_sd: float
    most: int = 2000
    time_sd: float = 0.0

    @property
    def name(self) -> str:
        """Unlike any other set-up's."""
        laid = "blocked" if self.blocked else "open"
        return f"{self.group} {self.reference:g}/{self.level:g} {self.trays}x sd{self.sd:g} {laid}"


def set_ups() -> list[SetUp]:
    """All kinds of trial; `most` is 2,000 where the design has a bar, more where ranges come
    nearest to theirs.
    """
    both = (False, True)
    made = [
        SetUp(group="identical", reference=0.6, level=0.6, trays=t, sd=sd, blocked=b, nursery_sd=sd)
        for t in (2, 4, 8)
        for sd in (0.3, 0.5)
        for b in both
    ]
    made += [
        SetUp(
            group="nursery wrong",
            reference=0.6,
            level=0.6,
            trays=t,
            sd=0.5,
            blocked=b,
            nursery_sd=0.3,
        )
        for t in (2, 4, 8)
        for b in both
    ]
    made += [
        SetUp(group="power", reference=0.6, level=0.4, trays=t, sd=0.3, blocked=b, nursery_sd=0.3)
        for t in (4, 8)
        for b in both
    ]
    made += [
        SetUp(group="power", reference=0.6, level=0.07, trays=2, sd=0.3, blocked=b, nursery_sd=0.3)
        for b in both
    ]
    made += [
        SetUp(
            group="days",
            reference=0.6,
            level=0.6,
            trays=t,
            sd=0.3,
            blocked=False,
            nursery_sd=0.3,
            most=2000,
            time_sd=0.1,
        )
        for t in (2, 4, 8)
    ]
    few = {2: 4000, 4: 500, 8: 500}
    made += [
        SetUp(
            group="identical",
            reference=p,
            level=p,
            trays=t,
            sd=0.3,
            blocked=b,
            nursery_sd=0.3,
            most=few[t],
        )
        for p in (0.95, 0.07)
        for t in few
        for b in both
    ]
    made += [
        SetUp(
            group="power",
            reference=0.6,
            level=0.4,
            trays=t,
            sd=0.3,
            blocked=False,
            nursery_sd=0.3,
            most=500,
        )
        for t in (2, 3, 6)
    ]
    made += [
        SetUp(
            group="power",
            reference=0.6,
            level=0.4,
            trays=t,
            sd=0.5,
            blocked=False,
            nursery_sd=0.5,
            most=500,
        )
        for t in (2, 4, 6, 8)
    ]
    return made + [
        SetUp(
            group="power",
            reference=0.6,
            level=0.5,
            trays=t,
            sd=0.3,
            blocked=False,
            nursery_sd=0.3,
            most=500,
        )
        for t in (4, 8, 15)
    ]


SET_UPS = {one.name: one for one in set_ups()}


@dataclass(frozen=True)
class Made:
    """A trial's trays: 0 or 1 for the cover, the block, seeds seen, the day (check) of each seed
    seen, true points.
    """

    level: np.ndarray
    block: np.ndarray
    emerged: np.ndarray
    days: tuple[np.ndarray, ...]
    points: float


def make(setup: SetUp, trial: int) -> Made:
    """Draw a trial."""
    rng = np.random.default_rng([zlib.crc32(setup.name.encode()), trial])
    level = np.tile([0, 1], setup.trays)
    block = (
        np.repeat(np.arange(setup.trays), 2)
        if setup.blocked
        else np.zeros(len(level), dtype=np.int64)
    )
    lots = LOT_SD * rng.standard_normal(setup.trays) if setup.blocked else np.zeros(1)
    at = logit(np.array([setup.reference, setup.level]))
    eta = at[level] + lots[block] + setup.sd * rng.standard_normal(len(level))
    comes = rng.binomial(CELLS, expit(eta))
    days: list[np.ndarray] = []
    if setup.time_sd:
        mu = LOG_HALF + setup.time_sd * rng.standard_normal(len(level))
        came = [
            np.exp(at + LOG_SIGMA * rng.standard_normal(n)) for at, n in zip(mu, comes, strict=True)
        ]
        # the check that first shows each seedling
        seen = [np.searchsorted(CHECKS, when) for when in came]
        days = [CHECKS[k[k < len(CHECKS)]] for k in seen]
        comes = np.array([len(day) for day in days])
    shares = expit(at + lots[:, None] + setup.sd * _NODES[:, None, None]).mean(axis=1)
    share = _WEIGHTS @ shares / _WEIGHTS.sum()
    return Made(
        level=level,
        block=block,
        emerged=comes,
        days=tuple(days),
        points=float(100 * (share[1] - share[0])),
    )


def patterns_of(made: Made) -> Patterns:
    """What `find_patterns` would make of the records: cells of one seed, looked at once or every
    week.
    """
    count, last, emerged = len(made.level), float(CHECKS[-1]), made.emerged.astype(float)
    cover = np.where(made.level, "grit", "none")
    trays = pd.DataFrame(
        {
            "tray": [f"T{k}" for k in range(count)],
            "species": "SIMU",
            "lot": "L",
            "season": 2024,
            "cover": cover,
            "cover_depth_mm": np.nan,
            "pretreatment": "",
            "treatment": cover,
            "place": "",
            "block": "",
            "sown_on": pd.Timestamp("2024-01-01"),
            "chill_weeks": np.nan,
            "tray_cells": CELLS,
            "origin_days": 31.0,
            "cells": float(CELLS),
            "seeds": float(CELLS),
            "emerged": emerged,
            "filled": emerged,
            "last_day": last,
            "looks": len(CHECKS) if made.days else 1,
            "record": "counts",
            "sowing": 0,
        }
    )
    before = dict(zip(CHECKS, np.concatenate([[0.0], CHECKS[:-1]]), strict=True))
    days = made.days or tuple(np.full(n, last) for n in made.emerged)
    seen = [
        (k, before[day] if made.days else 0.0, day, float(n))
        for k, of_tray in enumerate(days)
        for day, n in zip(*np.unique(of_tray, return_counts=True), strict=True)
    ]
    finishes = pd.DataFrame(
        {
            "tray": np.repeat(np.arange(count), 2),
            "sowing": 0,
            "seen": np.tile([1, 0], count),
            "last": last,
            "kind": "counts",
            "count": np.column_stack([emerged, CELLS - emerged]).ravel(),
        }
    )
    occupied = pd.DataFrame(
        {name: np.zeros(0, dtype=np.int64) for name in ("tray", "sowing", "lo", "hi", "count")}
    )
    times = pd.DataFrame(seen, columns=["tray", "lo", "hi", "count"])
    return Patterns(
        trays=trays,
        times=times,
        finishes=finishes[finishes["count"] > 0],
        occupied=occupied,
        sowings=(ONE_SEED,),
        notes={},
        left_out={},
    )


# %% [markdown]
# The product's road. Of a whole nursery only what `compare` takes from it is put in its place: the
# borrowed tray sds, the law of timing, and where its priors are centred.


# %%
def by_compare(setup: SetUp, made: Made) -> ComparisonRow:
    """The row `compare` would give."""
    centre = TimeDraws(
        mu=np.array([LOG_HALF]),
        sigma=np.array([LOG_SIGMA]),
        tray_sd=np.zeros(1),
        season_sd=np.zeros(1),
        family="log-normal",
        origin="sowing",
    )
    rows = (
        (SimpleNamespace(species="SIMU", draws=SimpleNamespace(time=centre)),) if made.days else ()
    )
    law = {"SIMU": TimingChoice("log-normal", "sowing", {})}
    fit = EmergenceFit(
        rows=rows,
        spec=FitSpec(),
        timing=law,
        cell_scatter=CellScatter(0.0, 0.0, 0.0, 0),
        patterns=patterns_of(made),
        pooled=None,  # type: ignore[arg-type]  # priors are given: nothing is asked of it
    )
    seen = (int(made.emerged[made.level == 0].sum()), int(made.emerged[made.level == 1].sum()))
    sown = (CELLS * setup.trays,) * 2
    base = ComparisonRow(
        species="SIMU",
        treatment="cover",
        reference="none",
        level="grit",
        trays=(setup.trays, setup.trays),
        seeds=sown,
        emerged=seen,
        filled=seen,
    )
    found = Pair(np.arange(len(made.level)), made.level, made.block, "lot")
    own, own_time = borrowed(setup.nursery_sd), borrowed_time(setup.time_sd)
    priors = SdPriors(tray=own, time=own_time, source="known", borrowed=True)
    row = compared(fit, base, found=found, priors=priors, spec=CompareSpec())
    # Holm over one pair changes nothing
    return verdict_of(replace(row, p_adjusted=row.p_main), CompareSpec())


def design_of(made: Made) -> np.ndarray:
    """Level, then blocks."""
    return np.column_stack([made.level, np.eye(int(made.block.max()) + 1)[made.block]]).astype(
        float
    )


def by_cells(made: Made, with_gee: bool) -> dict[str, float]:
    """Every cell a replicate; trays as clusters with the library's own z; generalised estimating
    equations.
    """
    import statsmodels.api as sm

    tray = np.repeat(np.arange(len(made.level)), CELLS)
    came = (np.tile(np.arange(CELLS), len(made.level)) < made.emerged[tray]).astype(float)
    design = design_of(made)[tray]
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        # blocks with every cell full or empty have no finite answer: seen as p near 1
        warnings.simplefilter("ignore")
        model = sm.GLM(came, design, family=sm.families.Binomial())
        plain = model.fit()
        robust = model.fit(cov_type="cluster", cov_kwds={"groups": tray}, start_params=plain.params)
        found = {"p_cells": float(plain.pvalues[0]), "p_cluster": float(robust.pvalues[0])}
        if with_gee:
            same = sm.cov_struct.Exchangeable()
            gee = sm.GEE(came, design, tray, family=sm.families.Binomial(), cov_struct=same).fit()
            found["p_gee"] = float(gee.pvalues[0])
    return found


def by_plugged_in(made: Made) -> float:
    """Wald p of a logit-normal fit with the trial's own tray sd put in as if known.

    Laplace's likelihood of the sd with the common effects at the joint mode (Breslow and Clayton
    1993, memory), as mixed-model libraries do at their fastest setting.
    """
    design, came = design_of(made), made.emerged.astype(float)

    def at(log_sd: float) -> tuple[float, float, float]:
        variance = np.exp(2 * log_sd)
        eta = logit((came + 0.5) / (CELLS + 1))
        for _ in range(25):
            p = expit(eta)
            w = np.maximum(CELLS * p * (1 - p), 1e-6)
            working, v = eta + (came - CELLS * p) / w, 1 / w + variance
            information = design.T @ (design / v[:, None]) + 1e-9 * np.eye(design.shape[1])
            beta = np.linalg.solve(information, design.T @ (working / v))
            effect = variance / v * (working - design @ beta)
            eta = eta + np.clip(design @ beta + effect - eta, -2, 2)
        loss = CELLS * np.logaddexp(0, eta).sum() - came @ eta + 0.5 * (effect @ effect) / variance
        return (
            loss + 0.5 * np.log1p(variance * w).sum(),
            beta[0],
            np.sqrt(np.linalg.inv(information)[0, 0]),
        )

    best = optimize.minimize_scalar(
        lambda log_sd: at(log_sd)[0], bounds=(-4.0, 1.0), method="bounded", options={"xatol": 0.01}
    )
    _, difference, sd = at(float(best.x))
    return float(2 * stats.norm.sf(abs(difference) / sd))


def by_seedlings(made: Made) -> float:
    """Days, every seedling a replicate: t test of log days; trays of the two covers take turns."""
    return float(stats.ttest_ind(*(np.log(np.concatenate(made.days[k::2])) for k in (0, 1))).pvalue)


def trial_row(setup: SetUp, trial: int) -> dict[str, object]:
    """One trial by every road."""
    made = make(setup, trial)
    row = by_compare(setup, made)
    found: dict[str, object] = {
        "trial": trial,
        "verdict": row.verdict,
        "p_main": row.p_main,
        "p_second": row.p_second,
        "p_permutation": row.p_permutation,
        "points": row.points,
        "low": row.points_low,
        "high": row.points_high,
        "true": made.points,
    }
    if setup.group == "identical":
        found |= {**by_cells(made, trial < GEE_TRIALS), "p_plugged": by_plugged_in(made)}
    if setup.time_sd:
        found |= {"timing": row.timing, "p_days": row.p_days, "p_seedlings": by_seedlings(made)}
    return found


def chunk_rows(name: str, chunk: int) -> list[dict[str, object]]:
    """Trials `CHUNK * chunk` and on of one set-up."""
    with one_thread():
        return [trial_row(SET_UPS[name], CHUNK * chunk + k) for k in range(CHUNK)]


def jobs(trials: int) -> list[tuple[str, int]]:
    """Chunks of every set-up, the set-ups taking turns."""
    chunks = {name: -(-min(one.most, trials) // CHUNK) for name, one in SET_UPS.items()}
    return [
        (name, chunk)
        for chunk in range(max(chunks.values()))
        for name in SET_UPS
        if chunk < chunks[name]
    ]


def read_rows(where: Path) -> pd.DataFrame:
    """All finished trials with their set-up's name."""
    return pd.DataFrame(
        [{"set_up": line["job"][0], **row} for line in lines(where) for row in line["rows"]]
    )


ROADS = {
    "cells": "p_cells",
    "plugged_in": "p_plugged",
    "cluster_z": "p_cluster",
    "gee_z": "p_gee",
    "t_test": "p_second",
    "permutation": "p_permutation",
    "days": "p_days",
    "days_by_seedlings": "p_seedlings",
}


def summary(setup: SetUp, rows: pd.DataFrame) -> dict[str, object]:
    """Shares of the trials of one set-up; where the covers differ, words count on the right side
    only.
    """
    verdict = rows["verdict"]
    up, down = (
        verdict.isin(["better", "probably better"]),
        verdict.isin(["worse", "probably worse"]),
    )
    # never above
    word, wrong = (up | down, None) if setup.level == setup.reference else (down, up.mean())
    table = {
        "group": setup.group,
        "reference": setup.reference,
        "level": setup.level,
        "trays": setup.trays,
        "tray_sd": setup.sd,
        "nursery_sd": setup.nursery_sd,
        "blocked": setup.blocked,
        "trials": len(rows),
        "any_word": word.mean(),
        "firm_word": (word & verdict.isin(["better", "worse"])).mean(),
        "wrong_way": wrong,
        "same": (verdict == ComparisonVerdict.SAME).mean(),
        "cannot_tell": (verdict == ComparisonVerdict.CANNOT_TELL).mean(),
        "covered": rows["true"].between(rows["low"], rows["high"]).mean(),
        "width": (rows["high"] - rows["low"]).mean(),
    }
    for name, column in ROADS.items():
        p = rows[column].dropna() if column in rows else pd.Series(dtype=float)
        table[name] = (p < 0.05).mean() if len(p) else None
    return table


def table_of(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per set-up."""
    parts = dict(list(rows.groupby("set_up")))
    found = pd.DataFrame(
        [summary(one, parts[name]) for name, one in SET_UPS.items() if name in parts]
    )
    return found.astype(dict.fromkeys(["wrong_way", *ROADS], float)).round(4)


POWER = {(0.4, 4): 0.72, (0.4, 8): 0.93, (0.07, 2): 0.97}
"""(level against .60, trays at tray sd .3) -> share of trials in which it must be called."""


def bars_of(line: dict[str, object]) -> list[tuple[str, float, float]]:
    """Bars of the design for one line of the table: column, lowest and highest allowed."""
    wanted = POWER.get((line["level"], line["trays"])) if line["tray_sd"] == 0.3 else None
    return {
        "identical": [("any_word", 0.0, 0.065), ("firm_word", 0.0, 0.055), ("covered", 0.92, 0.98)],
        "nursery wrong": [("any_word", 0.0, 0.12)],
        "days": [("days", 0.0, 0.065)],
        "power": [("any_word", wanted, 1.0)] if wanted else [],
    }[str(line["group"])]


def checked(table: pd.DataFrame) -> pd.DataFrame:
    """Every bar against what was measured, with its Monte-Carlo standard error."""
    found = []
    about = ["group", "reference", "level", "trays", "tray_sd", "blocked", "trials"]
    for line in table.to_dict("records"):
        for bar, low, high in bars_of(line):
            share = line[bar]
            se = round(np.sqrt(share * (1 - share) / line["trials"]), 4)
            found.append(
                {
                    **{name: line[name] for name in about},
                    "bar": bar,
                    "low": low,
                    "high": high,
                    "measured": share,
                    "se": se,
                    "holds": low <= share <= high,
                }
            )
    return pd.DataFrame(found)


def figure(table: pd.DataFrame, where: Path) -> None:
    """False alarms by road and trays; power by trays."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt
    import seaborn as sns

    names = {
        "cells": "all cells as replicates",
        "plugged_in": "pooled fit, tray sd plugged in",
        "cluster_z": "cluster-robust, default z",
        "t_test": "t test on trays",
        "any_word": "germstats, any word",
    }
    middle = table[(table["group"] == "identical") & (table["reference"] == 0.6)]
    alarms = middle.melt(["trays", "tray_sd", "blocked"], list(names), "road", "false alarms")
    alarms["road"] = alarms["road"].map(names)
    power = table[(table["group"] == "power") & ~table["blocked"] & (table["level"] > 0.1)]
    tried = (
        ".60 v "
        + power["level"].map("{:.2f}".format).str[1:]
        + ", tray sd "
        + power["tray_sd"].astype(str)
    )
    sns.set_theme(style="whitegrid", font_scale=0.8)
    parts, axes = plt.subplots(1, 3, figsize=(12, 3.6), layout="constrained")
    for axis, blocked in zip(axes[:2], (False, True), strict=True):
        sns.lineplot(
            alarms[alarms["blocked"] == blocked],
            x="trays",
            y="false alarms",
            hue="road",
            style="road",
            markers=True,
            palette=["#D55E00", "#CC79A7", "#009E73", "#666666", "#0072B2"],
            ax=axis,
            errorbar=None,
            legend=not blocked,
        )
        axis.axhline(0.05, color="black", linewidth=1)
        axis.set(
            title=(
                f"identical covers, {'blocks' if blocked else 'no blocks'} (mean of tray sd .3 and "
                ".5)"
            ),
            ylim=(0, 0.6),
            xlabel="trays per cover",
            xticks=[2, 4, 8],
        )
    sns.lineplot(
        power.assign(tried=tried),
        x="trays",
        y="any_word",
        hue="tried",
        style="tried",
        markers=True,
        ax=axes[2],
        palette=["#0072B2", "#D55E00", "#009E73"][: tried.nunique()],
    )
    axes[2].set(
        title="difference called, no blocks",
        ylim=(0, 1),
        ylabel="share of trials",
        xlabel="trays per cover",
    )
    for axis in (axes[0], axes[2]):
        axis.legend(title="", fontsize=7)
    parts.savefig(where, dpi=110)
    plt.close(parts)


def main() -> None:
    """Run the study; show or write its table."""
    parser = argparse.ArgumentParser(description="Which comparison of covers keeps its promise?")
    parser.add_argument("--trials", type=int, default=4000, help="at most this many of each set-up")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rows", type=Path, default=Path("output/studies"))
    parser.add_argument(
        "--table", action="store_true", help="write the committed table and figure of what is there"
    )
    options = parser.parse_args()
    where = options.rows / "cover_alarms.jsonl"
    if not options.table:
        run(chunk_rows, jobs(options.trials), where=where, workers=options.workers, label="covers")
    table = table_of(read_rows(where))
    print(table.to_string(index=False), checked(table).to_string(index=False), sep="\n")
    if options.table:
        RESULTS.mkdir(exist_ok=True)
        table.to_csv(RESULTS / "cover_alarms.csv", index=False)
        figure(table, RESULTS / "cover_alarms.png")


if __name__ == "__main__":
    main()
