"""The planted stories as a list: which trays, lots and cells they touch, and what leads away from
them.
"""

from __future__ import annotations

import pandas as pd

from germstats.demonstration.demo_growth import MOUSE_CELLS, SHAPE, WASHED_COLUMNS, Nursery
from germstats.demonstration.looking import cell_names
from germstats.demonstration.nursery import ORDERS
from germstats.demonstration.plan import DROPPED, MOUSE, WASHED, Role, Tray
from germstats.demonstration.truth import STORY_COLUMNS

KEPT_OVER: frozenset[Role] = frozenset(
    {
        (2024, "BASA-22A", 0),
        (2024, "LODI-22A", 0),
        (2024, "PEGA-22A", 0),
        (2024, "IRMI-23A", 0),
        (2024, "SYAL-23A", 0),
        (2024, "SYAL-23A", 1),
        (2024, "SYAL-23A", 2),
    }
)
"""Trays of 2024 that were kept for a second spring."""

_CHILL_SPECIES = ("PEGA", "LODI", "BASA", "IRMI")


def tell_stories(nursery: Nursery) -> pd.DataFrame:
    """List the planted stories (see `DemoTruth`); `cells` is empty where a whole tray is meant."""
    told = [row for tray in nursery.trays for row in _of_tray(tray)]
    told += [
        {"story": 7, "lot": "HECY-22A", "what": "0.06 g, about 1,000 seeds, left for three orders"},
        {"story": 7, "lot": "BASA-25A", "what": "600 seeds left"},
        {
            "story": 7,
            "what": f"orders of {sum(int(order['plugs']) for order in ORDERS)} plugs in all",
        },
    ]
    frame = pd.DataFrame(told, columns=list(STORY_COLUMNS)).sort_values(
        ["story", "tray"], kind="stable"
    )
    return frame.fillna({name: "" for name in STORY_COLUMNS if name != "season"}).reset_index(
        drop=True
    )


def _of_tray(tray: Tray) -> list[dict[str, object]]:
    lot, season, species = tray.sowing.lot, tray.sowing.season, tray.lot.species
    base: dict[str, object] = {"tray": tray.tray, "lot": lot, "season": season}
    told: list[tuple[int, str, str, str]] = []
    if lot == "BASA-24C":
        told.append(
            (1, "", "poor seed: share .27 under every cover, on time", "the season was late")
        )
    if lot == "HECY-25A" and tray.sowing.cover == "sand":
        told.append(
            (
                2,
                "",
                "good seed of a light-needing species under 5 mm of sand",
                "noted as same as always",
            )
        )
    if season == 2024 and species.code in _CHILL_SPECIES:
        later = "; kept, comes in the second spring" if tray.role in KEPT_OVER else "; thrown away"
        told.append(
            (
                3,
                "",
                f"mostly silent: 8 weeks of chill were too few{later}",
                "half the trays dried in January",
            )
        )
    if tray.role == MOUSE:
        cells = " ".join(cell_names(SHAPE)[i] for i in MOUSE_CELLS)
        told.append((4, cells, "a mouse ate a block of four rows by six columns", ""))
    if tray.role == DROPPED:
        told.append((4, "", "dropped in spring; what was left says nothing of emergence", ""))
    if tray.role == WASHED:
        strip = [i for i in range(SHAPE[0] * SHAPE[1]) if i % SHAPE[1] in WASHED_COLUMNS]
        cells = " ".join(cell_names(SHAPE)[i] for i in strip)
        told.append(
            (
                4,
                cells,
                "washed bare from side to side; cells beside the strip hold more than was sown",
                "",
            )
        )
    if tray.sowing.trial:
        told.append(
            (
                5,
                "",
                f"cover trial: {tray.sowing.cover}",
                "grit against none cannot be told for PEAT",
            )
        )
    if species.two_winters:
        told.append(
            (
                6,
                "",
                "needs two winters: silent in 2024, comes in 2025",
                "its first spring was the bad one",
            )
        )
    if lot == "PEAT-23B":
        told.append(
            (9, "", "always grit and always bench 2: lot, cover and bench cannot be told apart", "")
        )
    return [
        base | {"story": story, "cells": cells, "what": what, "decoy": decoy}
        for story, cells, what, decoy in told
    ]
