"""What to collect for next year's orders."""

from __future__ import annotations

from dataclasses import dataclass

from germstats.forecast.sources import Source

SHARE_TO_TAKE = 0.2
"""Largest share of a stand's ripe seed to take; common practice, no source."""


@dataclass(frozen=True)
class CollectingRow:
    """Seed of one species to collect so that the same orders could be grown again.

    Attributes
    ----------
    species : str
    seeds_needed : int or None
        For all its order lines at the recommended rate and assurance; None where no number of trays reaches it.
    seeds_left : int or None
        What the plan leaves in store; None where a lot's store is unknown and nothing else is there.
    seeds, grams : int or None, float or None
        To collect; grams None where seeds per gram are unknown.
    ripe_grams : float or None
        Ripe seed a stand should hold so that no more than `SHARE_TO_TAKE` of it is taken.
    notes : tuple of str
    """

    species: str
    seeds_needed: int | None
    seeds_left: int | None
    seeds: int | None
    grams: float | None
    ripe_grams: float | None
    notes: tuple[str, ...]


def collecting_row(source: Source, seeds_needed: int | None, seeds_left: int | None, reserve: float) -> CollectingRow:
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
    notes = [f"at {rate} per cell" + (f", as {source.stored.lot} sown now" if source.stored.lot else "")]
    seeds = None
    if seeds_needed is not None:
        wanted = round(seeds_needed / (1 - reserve))
        seeds = max(wanted - (seeds_left or 0), 0)
    else:
        notes.append("no number of trays reaches the chance wanted: sow a trial tray of better seed first")
    if seeds_left is None:
        notes.append("seed left is not written down, so none was counted on")
    pure = source.stored.pure_per_gram
    grams = seeds / pure if seeds is not None and pure else None
    if grams is None and seeds:
        notes.append("seeds per gram not written down: weigh a hundred seeds")
    return CollectingRow(
        source.stored.species, seeds_needed, seeds_left, seeds, grams,
        None if grams is None else grams / SHARE_TO_TAKE, tuple(notes),
    )  # fmt: skip
