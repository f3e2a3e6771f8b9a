"""Do orders keep their chance where losses after emergence differ from tray to tray and from spring
to spring?

An independent simulator (numpy only) makes nurseries of four lots over four springs: shares normal
on the logit by lot, spring, bench and tray, one seed a cell; losses beta with sd .1 between
springs, and again between the trays of each. germstats plans four orders a lot of any size from 80
to 230 plugs, at an assurance of .8 so that promises differ; the same simulator then grows each in
4,000 springs of the truth.

    python analyses/studies/order_losses.py [books] [first seed]

prints, by mean loss and trays of the order: chance promised, chance reached, their gap, the mean
loss said, orders, and the gap's standard error by books. Books that the fit of emergence stops at
are left out and counted.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

MEANS, LOSS_SD = (0.10, 0.15, 0.20), 0.10
LOT_SD, SPRING_SD, BENCH_SD, TRAY_SD = 0.3, 0.3, 0.3, 0.3
MIDDLE, CELLS, SEEDS, BENCHES = 2.0, 72, 1, 3
SPRINGS, TRAYS_A_SPRING, GROWN = 4, 3, 4000
LOTS, ORDERS_A_LOT, FEWEST, MOST = 4, 4, 80, 230
ASSURANCE = 0.8
LOOKS = (("03-20", 100), ("04-04", 115), ("04-19", 130), ("05-10", 151))
"""Days of the spring, and days since sowing."""
HEADS = {
    "species": "species,common_name,two_winters,seeds_per_gram",
    "lots": "lot,species,seeds_per_gram,purity_pct,grams_left,seeds_left,cost_per_gram",
    "trays": "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover,place",
    "checks": "tray,checked_on,filled",
    "orders": "order,species,plugs,due,client,price,shortfall_cost,priority,delivered",
}


@dataclass(frozen=True)
class Nursery:
    """What is true: logit of each lot's share, and the mean loss."""

    lots: np.ndarray
    mean_loss: float


def beta_of(mean: np.ndarray, sd: float, rng: np.random.Generator) -> np.ndarray:
    """Beta draws about a mean; the sd is bounded where the mean leaves no room for it."""
    mean = np.clip(mean, 1e-4, 1 - 1e-4)
    tight = np.maximum(mean * (1 - mean) / sd**2 - 1, 0.05)
    return rng.beta(mean * tight, (1 - mean) * tight)


def tray_of(
    logit: np.ndarray, seeds: int, lost: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Cells that fill, and plugs left of them."""
    share = 1 / (1 + np.exp(-logit))
    filled = rng.binomial(CELLS, 1 - (1 - share) ** seeds)
    return filled, rng.binomial(filled, 1 - lost)


def book(world: Nursery, folder: Path, rng: np.random.Generator) -> None:
    """Four springs of records: a look half-way, one when all are up, one when losses are done."""
    rows: dict[str, list[str]] = {name: [head] for name, head in HEADS.items()}
    names = [chr(ord("A") + k) for k in range(len(world.lots))]
    for name in names:
        rows["species"].append(f"SP{name},{name},no,500")
        rows["lots"].append(f"L-{name},SP{name},500,100,,90000,")
        for k, plugs in enumerate(rng.integers(FEWEST, MOST + 1, ORDERS_A_LOT)):
            rows["orders"].append(f"Q-{k}{name},SP{name},{plugs},2031-09-01,,2,1,1,")
    number = 0
    for season in range(2024, 2024 + SPRINGS):
        common = rng.standard_normal()
        bench = BENCH_SD * rng.standard_normal(BENCHES)
        for name, lot in zip(names, world.lots, strict=True):
            spring = SPRING_SD * (common + rng.standard_normal()) / np.sqrt(2)
            lost = beta_of(np.array(world.mean_loss), LOSS_SD, rng)
            for k in range(TRAYS_A_SPRING):
                number += 1
                tray = f"T-{number}"
                logit = lot + spring + bench[k] + TRAY_SD * rng.standard_normal()
                filled, plugs = tray_of(np.array(logit), SEEDS, beta_of(lost, LOSS_SD, rng), rng)
                rows["trays"].append(
                    f"{tray},{season},L-{name},{season - 1}-12-10,8,9,{SEEDS},grit,bench {k + 1}"
                )
                up = np.sort(120 + 12 * (rng.standard_normal() + rng.standard_normal(filled)))
                looks = [(day, int((up <= since).sum())) for day, since in LOOKS] + [
                    ("06-30", filled),
                    ("07-25", plugs),
                ]
                rows["checks"] += [f"{tray},{season}-{day},{count}" for day, count in looks]
    for name, lines in rows.items():
        (folder / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def reached(
    logit: float, mean_loss: float, sown: list[int], wanted: int, rng: np.random.Generator
) -> float:
    """Share of the true springs in which trays sown at these seeds per cell, bench after bench,
    give their plugs.
    """
    spring = SPRING_SD * rng.standard_normal(GROWN)
    bench = BENCH_SD * rng.standard_normal((BENCHES, GROWN))
    lost = beta_of(np.full(GROWN, mean_loss), LOSS_SD, rng)
    plugs = np.zeros(GROWN)
    for k, seeds in enumerate(sown):
        own = logit + spring + bench[k % BENCHES] + TRAY_SD * rng.standard_normal(GROWN)
        plugs += tray_of(own, seeds, beta_of(lost, LOSS_SD, rng), rng)[1]
    return float(np.mean(plugs >= wanted))


def trial(mean_loss: float, seed: int) -> list[dict[str, float]]:
    """One nursery: what was promised of each order, and what it reaches."""
    import germstats
    from germstats.forecast.order_plan import OrderSpec
    from germstats.questions.plan.plan import plan_orders

    rng = np.random.default_rng([seed, round(1000 * mean_loss)])
    world = Nursery(MIDDLE + LOT_SD * rng.standard_normal(LOTS), mean_loss)
    with tempfile.TemporaryDirectory() as folder:
        book(world, Path(folder), rng)
        records = germstats.read_book(folder)
    answer = plan_orders(
        germstats.fit_emergence(records), OrderSpec(assurance=ASSURANCE, most_seeds=SEEDS)
    )
    lines = []
    for row in answer.rows:
        if any(one.shape.cells != CELLS for one in row.sowings):
            continue  # half trays: this simulator grows whole ones
        sown = [round(one.seeds.mean or 0) for one in row.sowings for _ in range(one.trays)]
        logit = float(world.lots[ord(row.order[-1]) - ord("A")])
        kept = reached(logit, mean_loss, sown=sown, wanted=row.plugs, rng=rng)
        lines.append(
            {
                "mean loss": mean_loss,
                "trays": len(sown),
                "promised": row.chance,
                "reached": kept,
                "said": row.losses.share,
                "book": seed + 1000 * mean_loss,
            }
        )
    return lines


def main(books: int = 20, first: int = 0) -> None:
    """Print the table."""
    rows, stopped = [], 0
    for mean in MEANS:
        for k in range(books):
            try:
                rows += trial(mean, first + k)
            except (FloatingPointError, ZeroDivisionError):
                stopped += 1
    table = pd.DataFrame(rows)
    print(f"{stopped} books left out\n")
    table["gap"] = table["promised"] - table["reached"]
    for by in (["mean loss"], ["trays"], ["mean loss", "trays"]):
        each = table.groupby(by)
        books_of = table.groupby([*by, "book"])["gap"].mean().groupby(by)
        shown = (
            each[["promised", "reached", "gap", "said"]]
            .mean()
            .assign(orders=each.size(), se=books_of.sem())
        )
        print(shown.round(3).to_string(), "\n")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
