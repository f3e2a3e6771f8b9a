# %% [markdown]
"""A poor lot reviewed before next year: bad seed, bad tray, bad practice or bad year?

Run as `python analyses/poor_lot_review.py [--book BOOK] [--lot LOT] [--season YEAR] [--out DIR]`;
without a book it uses the demonstration nursery, which is invented.
"""

# %%
from __future__ import annotations

import argparse
from pathlib import Path

import matplotlib

from germstats.questions.review.review import ReviewSpec

matplotlib.use("Agg")

import germstats
from germstats.page.figures import tray_map_figure
from germstats.questions.review.review import LotVerdict
from germstats.questions.review.review_text import review_text

DEMONSTRATION = Path(__file__).parents[1] / "datasets" / "demonstration"
parser = argparse.ArgumentParser(description="A poor lot reviewed before next year.")
parser.add_argument("--book", type=Path, default=DEMONSTRATION)
parser.add_argument("--lot", help="look into this lot; by default the first poor one")
parser.add_argument("--season", type=int)
parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "output")
options = parser.parse_args()

# %% [markdown]
# Every lot of the season is held against what the other trays on record let expect of its
# emergence. Poor lots come first, with their causes; the rest came as expected.

# %%
book = germstats.read_book(options.book)
found = germstats.review(book, ReviewSpec(season=options.season))
print(review_text(found))

# %% [markdown]
# One lot with its points added up, row by row: where a verdict comes from, and what one more test
# would change. In the demonstration BASA-24C was collected early and has insect holes, and its seed
# tests were poor.

# %%
lot, season = options.lot, options.season
if lot is None and options.book == DEMONSTRATION and season is None:
    lot, season = "BASA-24C", 2025
poor = [one.lot for one in found.lots if one.verdict == LotVerdict.POOR]
lot = lot or (poor or [found.lots[0].lot])[0]
print(review_text(germstats.review(book, ReviewSpec(lots=(lot,), season=season)), explain=True))

# %% [markdown]
# Where the empty cells lie is evidence too: a mouse takes a block from an edge, rain washes a
# strip, drying empties the outer ring. A map of empty cells takes two minutes.

# %%
options.out.mkdir(parents=True, exist_ok=True)
mapped = [tray for one in found.lots for tray in one.trays if tray.seen_map is not None]
told = [
    tray
    for one in found.lots
    for tray in one.trays
    for row in one.evidence
    if row.evidence in ("block", "edge")
    and row.reading == "strong"
    and row.words.startswith(f"{tray.tray}:")
]
for tray in (told or mapped)[:3]:
    assert tray.seen_map is not None
    path = options.out / f"map_{tray.tray.replace('/', '_')}.png"
    tray_map_figure(tray.seen_map).savefig(path, dpi=110)
    print(f"map of emergence in {tray.tray}: {path}")
if not mapped:
    note = options.out / "no_map.txt"
    note.write_text("No tray of this season was mapped.\n", encoding="utf-8")
    print("No tray was mapped, so nothing is told of where seedlings stand.")

# %% [markdown]
# What to do before next year: one line for every poor lot, and the test that is worth its minutes.

# %%
for one in found.lots:
    if one.verdict == LotVerdict.POOR:
        causes = (
            " and ".join(cause.words for cause in one.named if cause.standing == "likely")
            or "cannot tell"
        )
        print(
            f"{one.lot}: {causes}. To settle it: {one.test}. Next year: {'; '.join(one.next_year)}."
        )
