# %% [markdown]
"""Does the review find what was planted, and leave alone what was not? Fresh invented nurseries
with known causes.

    python analyses/studies/lot_reviews.py                 # 40 nurseries of each of 22 set-ups, 12
    lots each python analyses/studies/lot_reviews.py --table         # the committed tables of what
    is there python analyses/studies/lot_reviews.py --fit           # sizes of the points, fitted on
    these nurseries

Rows go to `output/studies/lot_reviews.jsonl` as they are made; a second run goes on where the first
stopped. Every number is invented; draws are seeded by set-up and nursery. Rules were made while
looking at nurseries 0 to 19, and what was wrong with 20 to 99 had been looked at too; the tables
are of 100 to 139, which nobody had seen. `--fit` uses nurseries of even number, and says how the
sizes it finds and those of the package do on the odd ones; it changes nothing.

Every lot is judged twice, with weather written down and without: the weather tells how many weeks
of cold there were, within a week or two, and in one winter of ten says far too few. A short winter
that hurt nobody, since the species needs little, and one that only looks short are decoys.

Judged by the truth alone (`nurseries.failures_truth`): a cause is *detectable* where records like
these can show it; where something hides what they could have shown, it is counted in a line of its
own. A planted mouse, wash-out or drying is also "something happened to one tray", which is then no
wrong cause.
"""

# %%
from __future__ import annotations

import argparse
import zlib
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from nurseries.failures import FailedNursery, simulate_failures
from nurseries.failures_trays import TrayFacts
from nurseries.failures_truth import LotTruth
from nurseries.failures_world import CAUSES, FailureSpec
from resumable import lines, run
from scipy.optimize import minimize

from germstats.engine.fit import FitSpec
from germstats.engine.threads import one_thread
from germstats.questions.review.gather import Gathered, fit_sound, lot_file
from germstats.questions.review.lot_file import LotFile, SeedTest
from germstats.questions.review.maps import hit_trays
from germstats.questions.review.records import usual_of
from germstats.questions.review.review import LotVerdict, judge, shown_scores
from germstats.questions.review.rules import Rules, load_rules
from germstats.questions.review.scoring import KINDS_OF_TRAY
from germstats.questions.review.sown import LotFacts
from germstats.questions.review.tray import ReviewedTray
from germstats.records.intervals.sowings import treatment_label
from germstats.records.seeds import SowingRate

RESULTS = Path(__file__).parent / "results"
CELLS, ORIGIN = 72, 60.0
STANDS = ("likely", "possible")
FRESH = 100
# points that a fitted size may lie from the package's, and the pull towards it
_FARTHEST, _PULL = (3, 3.0)


@dataclass(frozen=True)
class SetUp:
    """Trays per lot, how they are written down, tests or none, how trays scatter and whether the
    fit is told.
    """

    trays: int
    record: str
    tests: bool
    scatter: str = "assumed"
    known: bool = False

    @property
    def name(self) -> str:
        """Unlike any other's."""
        told = f"{self.scatter}{' and known' if self.known else ''}"
        return f"{self.trays} x {self.record}, {'test' if self.tests else 'no test'}, {told}"

    @property
    def spec(self) -> FailureSpec:
        """The nursery to be drawn; covers are drawn more often, since few of them are
        detectable.
        """
        causes = (*CAUSES, "cover", "cover")
        return FailureSpec(
            trays=self.trays,
            record=self.record,
            tests=self.tests,
            scatter=self.scatter,
            causes=causes,
        )  # type: ignore[arg-type]


SET_UPS = {
    one.name: one
    for one in (
        *(
            SetUp(trays, record, tests)
            for trays in (1, 2, 4)
            for record in ("cells", "maps", "totals")
            for tests in (True, False)
        ),
        *(
            SetUp(trays=trays, record="maps", tests=True, scatter="wider", known=known)
            for trays in (2, 4)
            for known in (False, True)
        ),
    )
}


# %% [markdown]
# What the review is given: the same as a book would give, without writing one.


# %%
def gathered_of(made: FailedNursery, rules: Rules, known: bool) -> Gathered:
    """A simulated nursery laid out for its review."""
    chill = dict(zip(made.species["species"], made.species["chill_weeks"], strict=True))
    light = dict(zip(made.species["species"], made.species["light"] == "needs", strict=True))
    facts = list(made.trays.values())
    trays = tuple(_with_record(_sown(one, chill, rules, made), one) for one in facts)
    usual = usual_of(trays)
    spec = FitSpec()
    if known:
        spec = replace(spec, scatter=replace(spec.scatter, tray=made.spec.world.tray))
    fit = fit_sound(made.patterns, hit_trays(trays, usual, rules.limits), spec)
    tests = {
        lot: (SeedTest(test.kind, test.tested, test.good),) for lot, test in made.tests.items()
    }
    of_lot = {one.lot: one.species for one in trays}
    lots = {
        lot: LotFacts(tests.get(lot, ()), light=bool(light[kind])) for lot, kind in of_lot.items()
    }
    return Gathered(
        fit=fit,
        patterns=made.patterns,
        trays=trays,
        lots=lots,
        usual=usual,
        rules=rules,
    )


def _sown(
    one: TrayFacts, chill: dict[str, float], rules: Rules, made: FailedNursery
) -> ReviewedTray:
    plan = one.plan
    treatment: dict[str, str | float] = {"cover": plan.cover}
    if np.isfinite(plan.depth_mm):
        treatment["cover_depth_mm"] = plan.depth_mm
    need, season = float(chill[plan.species]), made.season - made.spec.seasons + 1 + plan.season
    return ReviewedTray(
        tray=plan.tray,
        lot=plan.lot,
        species=plan.species,
        season=season,
        label=treatment_label(treatment),
        cover=plan.cover,
        place="",
        deep=plan.depth_mm > rules.limits["deep_mm"]
        or (plan.cover == "sand" and not np.isfinite(plan.depth_mm)),
        rate=SowingRate("counted", (plan.seeds,), float(plan.seeds)),
        chill=need if need > 0 else 0.0,
        origin_days=ORIGIN,
        cold=made.cold[season],
    )


def _with_record(sown: ReviewedTray, one: TrayFacts) -> ReviewedTray:
    noted = one.plan.note.lower()
    return replace(
        sown,
        cells=CELLS,
        filled=one.filled,
        last_day=ORIGIN + one.plan.checks[-1],
        seen_map=one.seen_map,
        lost=one.lost,
        ever=one.ever,
        by_cell=one.emerged is not None,
        falls=one.falls,
        sudden=one.sudden,
        happened=one.events,
        cut_short="",
        mice="rodent" in one.events or "mouse" in noted or "mice" in noted,
        at_once=one.at_once,
    )


def nursery_rows(name: str, number: int) -> list[dict[str, object]]:
    """Every lot of one nursery: what was planted, and what the review says."""
    setup, rules = SET_UPS[name], load_rules()
    made = simulate_failures(setup.spec, zlib.crc32(name.encode()) % 10**6 * 1000 + number)
    rows: list[dict[str, object]] = []
    with one_thread():
        gathered = gathered_of(made, rules, setup.known)
        for truth in made.truth:
            file = lot_file(gathered, truth.lot, made.season)
            rows += [
                _row(made, truth, file, rules),
                _row(made, truth, _without_weather(file), rules),
            ]
    return rows


def _row(made: FailedNursery, truth: LotTruth, file: LotFile, rules: Rules) -> dict[str, object]:
    found, weather = judge(file, rules), file.cold.got is not None
    told = [cause for cause in truth.hidden if cause == "chill" and weather]
    winters = (
        [f"{made.winter} winter"]
        if weather and made.winter != "ordinary" and "chill" not in truth.causes
        else []
    )
    return {
        "causes": truth.causes,
        "detectable": [*truth.detectable, *told],
        "hidden": list(set(truth.hidden) - set(told)),
        "decoys": [*truth.decoys, *winters],
        "weather": weather,
        "verdict": found.verdict,
        "standing": {one.cause: one.standing for one in found.causes},
        "readings": [(row.evidence, row.reading) for row in found.evidence if row.reading],
    }


def _without_weather(file: LotFile) -> LotFile:
    """The file of a book in which no weather is written down."""
    bare = replace(file, cold=replace(file.cold, got=None, usual=None), other_winters=None)
    vars(bare)["blocks"] = file.blocks  # the same maps: not scanned again
    return bare


# %% [markdown]
# Running, going on.


# %%
def jobs(first: int, nurseries: int) -> list[tuple[str, int]]:
    """Every nursery from number `first` on, the set-ups taking turns."""
    return [(name, number) for number in range(first, first + nurseries) for name in SET_UPS]


def read_rows(where: Path) -> pd.DataFrame:
    """All lots with their set-up."""
    rows = [
        {"set_up": line["job"][0], "nursery": line["job"][1], **row}
        for line in lines(where)
        for row in line["rows"]
    ]
    frame = pd.DataFrame(rows)
    frame["readings"] = [[tuple(one) for one in row] for row in frame["readings"]]
    scatter = frame["set_up"].map(
        {name: one.name.rsplit(", ", 1)[1] for name, one in SET_UPS.items()}
    )
    return frame.assign(scatter=scatter)


# %% [markdown]
# Tables: how often each planted cause is found, what is called likely wrongly, and what healthy
# lots are called.


# %%
def stands(row: pd.Series, cause: str, how: tuple[str, ...] = STANDS) -> bool:
    """Whether the review lets a cause stand; a season not over yet is said as a verdict."""
    if cause == "unfinished" and row["verdict"] == LotVerdict.NOT_OVER:
        return True
    return row["standing"].get(cause) in how


def wrong(row: pd.Series) -> list[str]:
    """Causes called likely that were not planted."""
    allowed = set(row["causes"]) | ({"tray"} if KINDS_OF_TRAY & set(row["causes"]) else set())
    return [
        cause
        for cause, standing in row["standing"].items()
        if standing == "likely" and cause not in allowed
    ]


def figures(rows: pd.DataFrame) -> dict[str, tuple[float, int, str]]:
    """Every bar: measured, of how many, the bar."""
    one = rows[rows["causes"].map(len) == 1]
    seen = one[one["detectable"].map(len) == 1]
    cause = seen["causes"].map(lambda causes: causes[0])
    right = [stands(row, name) for (_, row), name in zip(seen.iterrows(), cause, strict=True)]
    sure = [
        stands(row, name, ("likely",))
        for (_, row), name in zip(seen.iterrows(), cause, strict=True)
    ]
    poor = rows[rows["verdict"] == LotVerdict.POOR]
    healthy = rows[rows["causes"].map(len) == 0]
    pairs = rows[rows["causes"].map(len) == 2]
    two = pairs[pairs["detectable"].map(len) == 2]
    both = [all(stands(row, name) for name in row["causes"]) for _, row in two.iterrows()]
    buried = pairs[pairs["detectable"].map(len) + pairs["hidden"].map(len) == 2]
    dug = [all(stands(row, name) for name in row["causes"]) for _, row in buried.iterrows()]
    mistaken = [bool(wrong(row)) for _, row in poor.iterrows()]
    early = [bool(wrong(row)) for _, row in rows[rows["verdict"] == LotVerdict.NOT_OVER].iterrows()]
    letter = one[one["detectable"].map(len) + one["hidden"].map(len) == 1]
    dug_one = [stands(row, row["causes"][0]) for _, row in letter.iterrows()]
    told = {
        "right cause likely or possible": (right, ">= .85"),
        "right cause likely": (sure, ">= .65"),
        "right cause likely or possible, hidden ones too": (dug_one, ""),
        "wrong cause likely, of lots called poor": (mistaken, "<= .05"),
        "wrong cause likely, of lots not over yet": (early, "<= .05"),
        "healthy called poor": (list(healthy["verdict"] == LotVerdict.POOR), "<= .05"),
        "two causes: both stand": (both, ">= .75"),
        "two causes: both stand, hidden ones too": (dug, ""),
        "cannot tell, of lots called poor": (
            [
                row["standing"] and "likely" not in row["standing"].values()
                for _, row in poor.iterrows()
            ],
            "",
        ),
    }
    decoys = sorted({decoy for listed in poor["decoys"] for decoy in listed})
    for decoy in decoys:
        with_it = poor[poor["decoys"].map(lambda listed, one=decoy: one in listed)]
        told[f"wrong cause likely beside the decoy: {decoy}"] = (
            [bool(wrong(row)) for _, row in with_it.iterrows()],
            "<= .05",
        )
    return {
        name: (float(np.mean(hits)) if hits else np.nan, len(hits), bar)
        for name, (hits, bar) in told.items()
    }


def bars(rows: pd.DataFrame) -> pd.DataFrame:
    """Figures by scatter of trays, with weather and without."""
    table = []
    for (scatter, weather), part in rows.groupby(["scatter", "weather"], sort=False):
        for name, (value, of, bar) in figures(part).items():
            error = np.sqrt(value * (1 - value) / of) if of else np.nan
            table.append(
                {
                    "scatter": scatter,
                    "weather": "written down" if weather else "none",
                    "what": name,
                    "measured": value,
                    "se": error,
                    "lots": of,
                    "bar": bar,
                }
            )
    return pd.DataFrame(table).round(4)


def confusion(rows: pd.DataFrame) -> pd.DataFrame:
    """Lots by what was planted and what they are called; scatter as assumed, one cause or none, no
    weather.
    """
    part = rows[
        (rows["scatter"] == "assumed")
        & (rows["causes"].map(len) < 2)
        & ~rows["weather"].astype(bool)
    ]
    planted = part["causes"].map(lambda causes: causes[0] if causes else "none")
    shown = [
        ("can" if row["detectable"] else "cannot") if row["causes"] else ""
        for _, row in part.iterrows()
    ]
    return pd.crosstab(
        [planted.rename("planted"), pd.Series(shown, index=part.index, name="be shown")],
        part.apply(_called, axis=1).rename("called"),
    ).reset_index()


def _called(row: pd.Series) -> str:
    if row["verdict"] != LotVerdict.POOR:
        return str(row["verdict"])
    likely = [cause for cause, standing in row["standing"].items() if standing == "likely"]
    specific = [cause for cause in likely if cause != "tray"] or likely
    return specific[0] if specific else "poor, cannot tell why"


# %% [markdown]
# Sizes of the points: one logistic regression a cause, one point a doubling of the odds. Signs are
# held, and sizes are drawn towards those of the package and stay within three points of them: a few
# hundred lots would else give rare readings any size.


# %%
def fit_sizes(rows: pd.DataFrame, rules: Rules) -> dict[str, dict[tuple[str, str], int]]:
    """Points by cause and reading (("start", "") before any), fitted on lots called poor."""
    poor = rows[rows["verdict"] == LotVerdict.POOR]
    found = {}
    for cause in rules.causes:
        keys = list(rules.points[cause])
        design = np.array(
            [[1.0, *((key in row) for key in keys)] for row in poor["readings"]], dtype=float
        )
        planted = np.array([cause in causes for causes in poor["causes"]], dtype=float)
        held = np.log(2) * np.array(
            [rules.causes[cause].start, *(rules.points[cause][key] for key in keys)], float
        )
        far = _FARTHEST * np.log(2)
        limits = [
            (held[0] - far, held[0] + far),
            *(
                (max(size - far, 0), size + far) if size > 0 else (size - far, min(size + far, 0))
                for size in held[1:]
            ),
        ]
        best = minimize(
            _loss, held, (design, planted, held), jac=True, method="L-BFGS-B", bounds=limits
        )
        sizes = np.rint(best.x / np.log(2)).astype(int)
        found[cause] = dict(zip([("start", ""), *keys], (int(size) for size in sizes), strict=True))
    return found


def _loss(
    beta: np.ndarray, design: np.ndarray, planted: np.ndarray, held: np.ndarray
) -> tuple[float, np.ndarray]:
    """Minus the logistic log-likelihood with a pull towards the sizes held, and its gradient."""
    eta, away = design @ beta, beta - held
    gradient = design.T @ (1 / (1 + np.exp(-eta)) - planted) + _PULL * away
    return float(np.logaddexp(0, eta).sum() - planted @ eta + _PULL / 2 * away @ away), gradient


def with_sizes(rules: Rules, sizes: dict[str, dict[tuple[str, str], int]]) -> Rules:
    """The rules with other sizes."""
    points = {
        cause: {key: size for key, size in own.items() if key[0] != "start"}
        for cause, own in sizes.items()
    }
    causes = {
        name: replace(one, start=sizes[name]["start", ""]) for name, one in rules.causes.items()
    }
    return replace(rules, points=points, causes=causes)


def scored_again(rows: pd.DataFrame, rules: Rules) -> pd.DataFrame:
    """The same readings judged by other sizes."""
    again = [
        {one.cause: one.standing for one in shown_scores(row["verdict"], row["readings"], rules)}
        for _, row in rows.iterrows()
    ]
    return rows.assign(standing=again)


def main() -> None:
    """Run the study; show or write its tables; fit sizes."""
    parser = argparse.ArgumentParser(description="Does the review find what was planted?")
    parser.add_argument("--nurseries", type=int, default=40, help="of each set-up")
    parser.add_argument(
        "--first",
        type=int,
        default=FRESH,
        help="number of the first; rules were made on those before",
    )
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rows", type=Path, default=Path("output/studies"))
    parser.add_argument(
        "--table", action="store_true", help="write the committed tables of what is there"
    )
    parser.add_argument(
        "--fit", action="store_true", help="fit the sizes on even nurseries, check on odd ones"
    )
    options = parser.parse_args()
    where = options.rows / "lot_reviews.jsonl"
    if not (options.table or options.fit):
        run(
            nursery_rows,
            jobs(options.first, options.nurseries),
            where=where,
            workers=options.workers,
            label="reviews",
        )
    rows = read_rows(where)
    if options.fit:
        rules = load_rules()
        assumed = rows[rows["scatter"] == "assumed"]
        even, odd = (assumed[assumed["nursery"] % 2 == part] for part in (0, 1))
        sizes = fit_sizes(even, rules)
        fitted = pd.DataFrame(
            [
                (cause, *key, rules.points[cause].get(key, rules.causes[cause].start), size)
                for cause, own in sizes.items()
                for key, size in own.items()
            ],
            columns=["cause", "evidence", "reading", "package", "fitted"],
        )
        print(fitted.to_string(index=False))
        print("package, odd nurseries", bars(odd).to_string(index=False), sep="\n")
        print(
            "fitted, odd nurseries",
            bars(scored_again(odd, with_sizes(rules, sizes))).to_string(index=False),
            sep="\n",
        )
        return
    print(bars(rows).to_string(index=False), confusion(rows).to_string(index=False), sep="\n")
    if options.table:
        RESULTS.mkdir(exist_ok=True)
        bars(rows).to_csv(RESULTS / "lot_reviews.csv", index=False)
        confusion(rows).to_csv(RESULTS / "lot_reviews_confusion.csv", index=False)


if __name__ == "__main__":
    main()
