# %% [markdown]
"""Does the review find old seed where other lots of the species failed as well? Each lot has a cut
test of 50 seeds.

    python analyses/studies/old_seed.py            # 14 nurseries of each set-up, and the committed
    table python analyses/studies/old_seed.py --first 500 --nurseries 5

Where half of the lots are old, their tests and their trays must not teach what is usual. Everything
is invented; draws are seeded by set-up and nursery. The rules were made while looking at nurseries
0 to 11; the table is of 100 to 113.
"""

# %%
from __future__ import annotations

import argparse
import zlib

import numpy as np
import pandas as pd
from lot_reviews import RESULTS, gathered_of
from nurseries.failures import simulate_failures
from nurseries.failures_world import FailureSpec

from germstats.engine.threads import one_thread
from germstats.questions.review.gather import lot_file
from germstats.questions.review.review import LotVerdict, judge
from germstats.questions.review.rules import load_rules

FRESH, NURSERIES = 100, 14
SET_UPS = {
    "a fifth of the lots old, seedlings by cell": FailureSpec(causes=("seed",), hit=0.2),
    "half of the lots old, seedlings by cell": FailureSpec(causes=("seed",), hit=0.5),
    "half of the lots old, filled cells only": FailureSpec(
        causes=("seed",), hit=0.5, record="totals"
    ),
    "one species, most of six lots old": FailureSpec(causes=("seed",), hit=0.7, species=1, lots=6),
}


def nursery_rows(name: str, number: int) -> list[dict[str, object]]:
    """Every lot of one nursery: whether its seed is old, whether records can show it, and what the
    review says.
    """
    rules, made = (
        load_rules(),
        simulate_failures(SET_UPS[name], zlib.crc32(name.encode()) % 10**6 * 1000 + number),
    )
    rows: list[dict[str, object]] = []
    with one_thread():
        gathered = gathered_of(made, rules, known=False)
        for truth in made.truth:
            found = judge(lot_file(gathered, truth.lot, made.season), rules)
            likely = [one.cause for one in found.causes if one.standing == "likely"]
            rows.append(
                {
                    "set_up": name,
                    "nursery": number,
                    "old": "seed" in truth.causes,
                    "shows": "seed" in truth.detectable,
                    "good": made.tests[truth.lot].good,
                    "poor": found.verdict == LotVerdict.POOR,
                    "likely": "seed" in likely,
                    "other": any(one != "seed" for one in likely),
                }
            )
    return rows


def figures(rows: pd.DataFrame) -> pd.DataFrame:
    """Bars by set-up: old seed called likely, of lots whose records can show it and of all; healthy
    lots left alone.
    """
    table = []
    for name, part in rows.groupby("set_up", sort=False):
        old, fine = part[part["old"]], part[~part["old"]]
        told = {
            "old seed likely, where records can show it": (
                old.loc[old["shows"], "likely"],
                ">= .85",
            ),
            "old seed likely, all planted": (old["likely"], ""),
            "another cause likely beside old seed": (old["other"], "<= .05"),
            "healthy called poor": (fine["poor"], "<= .05"),
            "healthy with poor seed likely": (fine["likely"], "<= .05"),
        }
        for what, (hits, bar) in told.items():
            share = float(hits.mean())
            error = float(np.sqrt(share * (1 - share) / len(hits)))
            table.append(
                {
                    "set_up": name,
                    "nurseries": part["nursery"].nunique(),
                    "what": what,
                    "measured": share,
                    "se": error,
                    "lots": len(hits),
                    "bar": bar,
                }
            )
    return pd.DataFrame(table).round(4)


# %%
def main() -> None:
    """Run the study; the committed table is of the nurseries nobody had seen."""
    parser = argparse.ArgumentParser(description="Old seed among other failing lots.")
    parser.add_argument("--first", type=int, default=FRESH)
    parser.add_argument("--nurseries", type=int, default=NURSERIES)
    options = parser.parse_args()
    numbers = range(options.first, options.first + options.nurseries)
    found = figures(
        pd.DataFrame(
            [row for name in SET_UPS for number in numbers for row in nursery_rows(name, number)]
        )
    )
    print(found.to_string(index=False))
    if (options.first, options.nurseries) == (FRESH, NURSERIES):
        found.to_csv(RESULTS / "old_seed.csv", index=False)


if __name__ == "__main__":
    main()
