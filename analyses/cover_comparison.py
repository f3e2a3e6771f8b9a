# %% [markdown]
"""Grit or sand? Covers compared as a story.

Run as `python analyses/cover_comparison.py [--book BOOK] [--out DIR]`; without a book it uses the
demonstration nursery, which is invented.
"""

# %%
from __future__ import annotations

import argparse
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import seaborn as sns

import germstats
from germstats.questions.compare.compare_text import compare_text
from germstats.questions.compare.comparison import ComparisonVerdict

parser = argparse.ArgumentParser(description="Covers compared, from records to verdict.")
parser.add_argument(
    "--book", type=Path, default=Path(__file__).parents[1] / "datasets" / "demonstration"
)
parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "output")
options = parser.parse_args()

# %% [markdown]
# The question: some trays were covered with grit, some with sand, some not at all. Did it matter,
# and for which species? A cover is given to a tray, not to a cell, so the tray is the unit: 72
# cells under sand are one trial of sand. Trays are compared only with trays of the same lot and
# season, and of the same bench where they were laid out so.

# %%
book = germstats.read_book(options.book)
found = germstats.compare(book)
print(compare_text(found))

# %% [markdown]
# How sure can so few trays be? How far trays of one kind lie apart is hardly told by the trial
# itself, so it is borrowed from the nursery's other trays, and not taken as exact: the range is
# integrated over what it may be. Two other roads stand beside: a t test on tray logits, and giving
# out the covers again in every way the benches allow.

# %%
told = [
    row
    for row in found.rows
    if row.verdict != ComparisonVerdict.REFUSED and row.species is not None
]
options.out.mkdir(parents=True, exist_ok=True)
sns.set_theme(style="whitegrid")
figure, axes = plt.subplots(figsize=(8, 0.5 * len(told) + 1.5), layout="constrained")
for place, row in enumerate(reversed(told)):
    axes.plot([row.points_low, row.points_high], [place, place], color="#0072B2", linewidth=2)
    axes.plot(row.points, place, "o", color="#0072B2")
    axes.annotate(
        row.verdict,
        (row.points_high, place),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
    )
axes.axvline(0, color="black", linewidth=1)
axes.axvspan(-found.spec.margin, found.spec.margin, color="#E5E5E5", zorder=0)
axes.set_yticks(
    range(len(told)),
    [f"{row.species}: {row.level} against {row.reference}" for row in reversed(told)],
)
axes.set_xlabel(
    f"points of emergence, with the 95 % range; grey: within {found.spec.margin:g} points"
)
figure.savefig(options.out / "cover_comparison.png", dpi=120)

# %% [markdown]
# Where the range crosses the grey band and nothing is decided, the answer is not "no difference":
# it is "not enough trays". How many would do is said in the verdict, and the next trial can be laid
# out from it.

# %%
undecided = [row for row in told if row.more_trays is not None]
for row in undecided:
    times = row.more_trays_scale == "ratio"
    told = (
        f"{found.spec.ratio_margin:g} times as many"
        if times
        else f"{found.spec.margin:g} points of emergence"
    )
    print(
        f"{row.species}: about {row.more_trays} more trays of {row.level} and of {row.reference} "
        f"would tell {told} from none."
    )
print(f"Figure: {options.out / 'cover_comparison.png'}")
