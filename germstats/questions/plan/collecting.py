"""What to collect for next year's orders."""

from __future__ import annotations

from germstats.forecast.plan_parts import SHARE_TO_TAKE, CollectingRow
from germstats.forecast.sources import Source


def collecting_row(
    source: Source, seeds_needed: int | None, seeds_left: int | None, reserve: float
) -> CollectingRow:
    """Seed to collect of one species.

    Parameters
    ----------
    source : Source
        The lot the rate is taken from.
    seeds_needed, seeds_left : int or None
    reserve : float
        Share of the packet to be kept back, which is collected on top.
    """
    rate = "1 seed" if source.seeds_per_cell == 1 else f"{source.seeds_per_cell:g} seeds"
    notes = [
        f"at {rate} per cell" + (f", as {source.stored.lot} sown now" if source.stored.lot else "")
    ]
    seeds = None
    if seeds_needed is not None:
        wanted = round(seeds_needed / (1 - reserve))
        seeds = max(wanted - (seeds_left or 0), 0)
    else:
        notes.append(
            "no number of trays reaches the chance wanted: sow a trial tray of better seed first"
        )
    if seeds_left is None:
        notes.append("seed left is not written down, so none was counted on")
    pure = source.stored.pure_per_gram
    grams = seeds / pure if seeds is not None and pure else None
    if grams is None and seeds:
        notes.append("seeds per gram not written down: weigh a hundred seeds")
    return CollectingRow(
        species=source.stored.species,
        seeds_needed=seeds_needed,
        seeds_left=seeds_left,
        seeds=seeds,
        grams=grams,
        ripe_grams=None if grams is None else grams / SHARE_TO_TAKE,
        notes=tuple(notes),
    )
