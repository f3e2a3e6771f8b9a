"""What was sown in each tray, under which treatment, and until which day its records belong to its
first spring.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from germstats.records.book import RecordBook
from germstats.records.seasons import FIRST_OF_FEBRUARY, day_in_years
from germstats.records.seeds import BARE_PINCH, DEFAULT_PINCH_K, SowingRate, pinch_from_counts
from germstats.records.tables import Events, Lots, Species, Trays

ENDING_EVENTS = frozenset(
    {
        "dropped",
        "rodent",
        "bird",
        "washed",
        "flooded",
        "discarded",
        "sold",
        "transplanted",
        "transplanted_in",
        "uncovered",
    }
)
"""After these the cells named say nothing more about emergence under their treatment: the seedlings
or seeds are gone, moved, or no longer under the cover they were sown with.
"""


def treatment_label(treatment: Mapping[str, str | float]) -> str:
    """Short words for a treatment: ``sand 5 mm, scarified``; ``cover not recorded`` where nothing
    is known.
    """
    cover = str(treatment.get("cover", "cover not recorded"))
    if "cover_depth_mm" in treatment:
        cover += f" {treatment[Trays.cover_depth_mm]:g} mm"
    return ", ".join(
        [cover, *([str(treatment[Trays.pretreatment])] if "pretreatment" in treatment else [])]
    )


def treatment_of(tray: Mapping[Hashable, Any]) -> dict[str, str | float]:
    """Treatment of a tray as an object: cover (with its depth, if given) and pretreatment; place
    and block are none.
    """
    treatment: dict[str, str | float] = {}
    if tray["cover"]:
        treatment["cover"] = str(tray["cover"])
    depth = tray[Trays.cover_depth_mm]
    if isinstance(depth, float) and np.isfinite(depth) and depth > 0:
        treatment[Trays.cover_depth_mm] = depth
    if tray[Trays.pretreatment]:
        treatment[Trays.pretreatment] = str(tray[Trays.pretreatment])
    return treatment


def sown_trays(book: RecordBook, spring_ends: tuple[int, int]) -> pd.DataFrame:
    """One row per tray id with what was sown and the window of its records.

    Parameters
    ----------
    book : RecordBook
    spring_ends : (month, day)
        End of the first spring; two-winter species are judged one year later.

    Returns
    -------
    pandas.DataFrame
        The trays table with ``species``, its ``chill_weeks`` (NaN where not given, or where two
        winters are needed), ``treatment`` (label), ``two_winters``, ``window_end`` (last date that
        counts), ``origin`` (1 February of the spring it is judged in), ``tray_cells`` and ``rate``
        (SowingRate, None where unknown).
    """
    trays = book.trays.copy()
    lots = book.lots.drop_duplicates(Lots.lot).set_index(Lots.lot)
    species = book.species.drop_duplicates(Species.species).set_index(Species.species)
    species_of = lots[Lots.species].to_dict()
    trays["species"] = [species_of.get(lot) or None for lot in trays[Trays.lot]]
    trays[Species.two_winters] = trays["species"].isin(
        species.index[species[Species.two_winters] == "yes"]
    )
    chill = {code: _chill(species, code) for code in trays["species"].unique()}
    trays[Species.chill_weeks] = [chill[code] for code in trays["species"]]
    judged = trays[Trays.season] + trays[Species.two_winters].astype(int)
    trays["window_end"] = day_in_years(judged, spring_ends)
    trays["origin"] = day_in_years(judged, FIRST_OF_FEBRUARY)
    trays["tray_cells"] = (trays[Trays.rows] * trays[Trays.columns]).astype("Int64")
    rows = trays.to_dict("records")
    rates: list[Any] = [_rate(tray, lots, species) for tray in rows]
    trays["rate"] = pd.Series(rates, index=trays.index, dtype=object)
    trays["treatment"] = [
        treatment_label(treatment_of(tray))
        # a share of pinches is not a share of seeds: such trays stand in a row of their own
        + (
            ", pinch of unknown size"
            if rate is not None and rate.kind == "pinch_unmeasured"
            else ""
        )
        for tray, rate in zip(rows, rates, strict=True)
    ]
    return trays


def _looked_up(table: pd.DataFrame, key: object, column: str) -> str:
    return str(table.at[key, column]) if key in table.index else ""


def _chill(species: pd.DataFrame, code: str) -> float:
    """Weeks of cold the species needs in its first winter."""
    two_winters = _looked_up(species, code, "two_winters") == "yes"
    return (None if two_winters else _number(species, code, "chill_weeks")) or np.nan


def _rate(
    tray: Mapping[Hashable, Any], lots: pd.DataFrame, species: pd.DataFrame
) -> SowingRate | None:
    rate: SowingRate | None = tray[Trays.seeds_per_cell]
    if rate != BARE_PINCH:
        return rate
    lot = tray["lot"]
    counts = tuple(int(n) for n in _looked_up(lots, lot, "pinch_counts").split())
    mean, k = pinch_from_counts(counts) if len(counts) > 1 else (0.0, DEFAULT_PINCH_K)
    per_gram = _number(lots, lot, "seeds_per_gram") or _number(
        species, tray["species"], "seeds_per_gram"
    )
    grams, cells = tray["grams"], tray["tray_cells"]
    if isinstance(grams, float) and grams > 0 and per_gram and isinstance(cells, int) and cells > 0:
        purity = _number(lots, lot, "purity_pct") or 100.0
        mean = grams * per_gram * purity / 100 / cells
    return (
        SowingRate(kind="pinch", counts=(), mean=mean, k=k, k_measured=len(counts) > 1)
        if mean > 0
        else rate
    )


def _number(table: pd.DataFrame, key: object, column: str) -> float | None:
    value = float(str(table.at[key, column])) if key in table.index else np.nan
    return value if np.isfinite(value) and value > 0 else None


def ending_dates(
    book: RecordBook,
) -> tuple[dict[str, pd.Timestamp], dict[tuple[str, str], pd.Timestamp]]:
    """First day on which a tray, or one of its cells, stopped telling of emergence.

    Returns
    -------
    whole : dict
        Tray -> date of the first ending event that names no cells.
    by_cell : dict
        (tray, cell) -> date of the first ending event that names the cell.
    """
    whole: dict[str, pd.Timestamp] = {}
    by_cell: dict[tuple[str, str], pd.Timestamp] = {}
    for tray, on, event, cells in book.events[
        [Events.tray, Events.on, Events.event, Events.cells]
    ].itertuples(index=False):
        if event not in ENDING_EVENTS or pd.isna(on):
            continue
        if not cells:
            whole[tray] = min(on, whole.get(tray, on))
        for cell in str(cells).split():
            by_cell[tray, cell] = min(on, by_cell.get((tray, cell), on))
    return whole, by_cell


def thinning_dates(book: RecordBook) -> dict[str, pd.Timestamp]:
    """Tray -> date of its first thinning, after which its standing seedlings no longer count those
    that came.
    """
    events = book.events
    thinned = events[(events[Events.event] == "thinned") & events[Events.on].notna()]
    return {str(tray): on for tray, on in thinned.groupby(Events.tray)[Events.on].min().items()}
