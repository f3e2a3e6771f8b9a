"""Rules about what was sown and how: light-needing seed under a cover, and lots whose species is
not written down.
"""

from __future__ import annotations

import re

from germstats.records.checking.findings import Kind, Validation
from germstats.records.suggesting import some_of
from germstats.records.tables import Lots, Species, Trays

LIGHT_COVERED = Kind(
    "watch",
    "light-covered",
    "leave it if that is what you did; next time sow it on the surface and press it in",
)
LOT_ALONE = Kind("watch", "lot-alone", "write each lot and its species into the table lots")

DEEP_GRIT_MM = 3.0
"""Grit deeper than this is too deep for seed that needs light; common practice, no source."""

_SAND = re.compile(r"\bsand\b", re.IGNORECASE)
_GRIT = re.compile(r"\bgrit\b", re.IGNORECASE)
_BURIED = re.compile(r"\bburied\b", re.IGNORECASE)
_NOT_BURIED = re.compile(r"\b(?:not|never|un)[ -]?buried\b", re.IGNORECASE)
_NAMED = 10


def check_light(validation: Validation) -> None:
    """Seed that needs light, noted as lying where little light comes."""
    species = validation.species.used(Species.species, Species.light)
    needs = set(species.loc[species[Species.light] == "needs", Species.species])
    trays = validation.trays.used(
        Trays.tray, Trays.lot, Trays.cover, Trays.cover_depth_mm, Trays.note
    )
    trays = trays.assign(species=trays[Trays.lot].map(_species_of(validation)))
    trays = trays[trays["species"].isin(needs)]
    under = [
        _under(*one)
        for one in trays[[Trays.cover, Trays.cover_depth_mm, Trays.note]].itertuples(index=False)
    ]
    trays = trays.assign(
        column=[column for column, _ in under], under=[words for _, words in under]
    )
    covered = trays[trays["under"] != ""]
    for (code, column, words), group in covered.groupby(["species", "column", "under"], sort=False):
        named = f"{'trays' if len(group) > 1 else 'tray'} {some_of(group['tray'].tolist(), _NAMED)}"
        wrong = f"{code} needs light to sprout, and its seed {words} in {named}"
        validation.note(LIGHT_COVERED, ("trays", str(column)), group.index[:1], wrong)


def _under(cover: str, depth: float, note: str) -> tuple[str, str]:
    """The column that says why light does not come, and what it says; both empty where nothing
    does.
    """
    deep = f" {depth:g} mm deep" if depth > 0 else ""
    if _SAND.search(cover):
        return "cover", f"lies under {cover}{deep}"
    if _GRIT.search(cover) and depth > DEEP_GRIT_MM:
        return "cover", f"lies under {cover}{deep}"
    for column, text in (("cover", cover), ("note", note)):
        if _BURIED.search(_NOT_BURIED.sub("", text)):
            return column, f"is buried, as the {column} says,"
    return "", ""


def check_lots_alone(validation: Validation) -> None:
    """Lots that were sown and whose species is not written down: each is estimated as a species of
    its own.
    """
    trays = validation.trays.used(Trays.lot)
    lots = validation.lots.used(Lots.lot)
    # what is typed there has its own finding
    blank = ~validation.lots.typed(Lots.species)[lots.index]
    named = set(lots[Lots.lot]) - {""}
    alone = [
        lot
        for lot in trays[Trays.lot].unique()
        if lot and (lot in set(lots[Lots.lot][blank]) or not named)
    ]
    if not alone:
        return
    if not named:
        wrong = "no lot is written down here, so every lot is treated as a species of its own"
    else:
        wrong = (
            f"no species is written down for {some_of(alone, _NAMED)}, so each is treated as a "
            "species of its own"
        )
    validation.note_table(
        LOT_ALONE, "lots", f"{wrong}: its estimate gets no help from other lots of its species"
    )


def _species_of(validation: Validation) -> dict[str, str]:
    """Lot -> its species, blank where that is not known."""
    lots = validation.lots.used(Lots.lot, Lots.species).drop_duplicates(Lots.lot)
    return dict(zip(lots[Lots.lot], lots[Lots.species], strict=True))
