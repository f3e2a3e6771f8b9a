# %% [markdown]
"""How many seeds per cell? The first use of germstats as a story.

Run as `python analyses/seeds_per_cell.py [--book BOOK] [--out DIR]`; without a book it uses the
demonstration nursery, which is invented.
"""

# %%
from __future__ import annotations

import argparse
from pathlib import Path

import matplotlib

from germstats.forecast.seeds_per_cell import SowingSpec

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import seaborn as sns

import germstats

parser = argparse.ArgumentParser(description="Seeds per cell, from records to answer.")
parser.add_argument(
    "--book", type=Path, default=Path(__file__).parents[1] / "datasets" / "demonstration"
)
parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "output")
options = parser.parse_args()

# %% [markdown]
# The question: next winter's trays should come up nine cells in ten filled. How many seeds does
# each lot need? The records first: what is odd in them, and which trays cannot be used.

# %%
book = germstats.read_book(options.book)
print(book.findings["severity"].value_counts().to_string())
print("left out:", ", ".join(book.left_out) or "none")

# %% [markdown]
# The model: share of seeds that emerge in an average tray of an ordinary spring, with a range, for
# each lot and cover.

# %%
fit = germstats.fit_emergence(book)
estimates = fit.to_frame()
print(estimates.drop(columns=["notes", "treatment"]).round(2).to_string())

# %% [markdown]
# The answer: the chance that a new tray reaches the target, for one seed per cell, two, three, ...

# %%
advice = germstats.seeds_per_cell(fit, SowingSpec(target=0.9, assurance=0.8))
print(advice.to_frame().drop(columns=["notes", "treatment"]).round(2).to_string())

# %%
figure, axis = plt.subplots(figsize=(7, 4), layout="constrained")
for row in advice.rows[:6]:
    seeds, chances = zip(*row.by_seeds, strict=True)
    sns.lineplot(x=seeds, y=chances, marker="o", label=f"{row.lot}, {row.label}", ax=axis)
axis.axhline(advice.spec.assurance, color="0.4", linestyle="--")
axis.set(
    xlabel="seeds per cell",
    ylabel=f"chance that {100 * advice.spec.target:.0f} % of cells fill",
    ylim=(0, 1),
)
options.out.mkdir(parents=True, exist_ok=True)
figure.savefig(options.out / "seeds_per_cell.png", dpi=150)
print("figure:", options.out / "seeds_per_cell.png")
