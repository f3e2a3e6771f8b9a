"""A record book of 20 species and 304 lots: sixteen demonstration nurseries, each drawn anew, put
together.
"""

from __future__ import annotations

import pandas as pd

from germstats.demonstration import simulate_demo

NURSERIES = 16
_SETS = 2  # of ten species each
_NAMES = {
    "species": ("species",),
    "lots": ("lot", "species"),
    "trays": ("tray", "lot", "block"),
    "checks": ("tray",),
    "cells": ("tray",),
    "events": ("tray",),
    "maps": ("tray",),
    "orders": ("order", "species"),
}


def big_tables(nurseries: int = NURSERIES) -> dict[str, pd.DataFrame]:
    """Tables of a book; names carry the number of their nursery, species that of their set."""
    drawn = [dict(simulate_demo(seed).tables) for seed in range(1, nurseries + 1)]
    tables = dict(drawn[0])
    for name, columns in _NAMES.items():
        parts = []
        for k, one in enumerate(drawn):
            part = one[name].copy()
            for column in columns:
                suffix = f"-{k % _SETS}" if column == "species" else f"-{k:02d}"
                part[column] = part[column].where(
                    part[column].isin(["", None]), part[column] + suffix
                )
            parts.append(part)
        tables[name] = pd.concat(parts, ignore_index=True)
        if name == "species":
            tables[name] = tables[name].drop_duplicates("species", ignore_index=True)
    return tables
