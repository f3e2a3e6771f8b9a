"""Write pooled_glmm.csv: a seeded set of trays with lot and tray scatter, small enough to read.

Run from the root: python tests/reference/make_pooled_set.py. The numbers of pooled_glmm.json come
from it by pooled_glmm.R. Truth: logit p = species + treatment + N(0, .6) per lot + N(0, .4) per
tray.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

SEED = 20250301
LOTS = 40
SPECIES = {"alba": 0.4, "maritima": -0.7, "vulgaris": 1.1}
TREATMENTS = {"none": 0.0, "grit": 0.35}
LOT_SD, TRAY_SD = 0.6, 0.4


def simulated_trays() -> pd.DataFrame:
    """One row per tray: lot, species, treatment, seeds n, emerged."""
    rng = np.random.default_rng(SEED)
    rows = []
    for lot in range(LOTS):
        species = list(SPECIES)[lot % len(SPECIES)]
        lot_effect = rng.normal(0.0, LOT_SD)
        for tray in range(3 + lot % 2):
            treatment = list(TREATMENTS)[tray % 2]
            n = int(rng.choice([72, 104, 144]))
            logit = SPECIES[species] + TREATMENTS[treatment] + lot_effect + rng.normal(0.0, TRAY_SD)
            emerged = int(rng.binomial(n, 1 / (1 + np.exp(-logit))))
            rows.append(
                (f"L{lot + 1:02d}", f"L{lot + 1:02d}-{tray + 1}", species, treatment, n, emerged)
            )
    return pd.DataFrame(rows, columns=["lot", "tray", "species", "treatment", "n", "emerged"])


if __name__ == "__main__":
    simulated_trays().to_csv(
        Path(__file__).with_name("pooled_glmm.csv"), index=False, lineterminator="\n"
    )
