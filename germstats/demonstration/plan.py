"""Which trays the demonstration nursery sowed: one line per lot, cover and season, and the trays
its stories touch.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from germstats.demonstration.nursery import LOTS, SEASONS, InventedSeason, Lot

TRIAL = "cover trial"
PINCH_MEAN, TRIAL_PINCH_MEAN, PINCH_K = 6.0, 2.0, 1.5

Role = tuple[int, str, int]
"""Season, lot and place (from 0) among the lot's trays of that season: names a tray before it has
an id.
"""


@dataclass(frozen=True)
class InventedSowing:
    """Trays of one lot sown alike in one season.

    Attributes
    ----------
    season : int
    lot, cover : str
    seeds : str
        Seeds per cell as written: ``2``, ``2-3``, ``~3``, ``pinch``.
    benches : tuple of int
        One tray for each.
    records : str
        One letter for each tray: c counts per cell, o occupied or not per cell, t filled cells of
        the tray, s the same with its seedlings counted.
    depth : str
        Depth of the cover in mm, where noted.
    trial : bool
        Part of the cover trial.
    """

    season: int
    lot: str
    cover: str
    seeds: str
    benches: tuple[int, ...]
    records: str
    depth: str = ""
    trial: bool = False


@dataclass(frozen=True)
class Tray:
    """One sown tray; `role` names it in the stories."""

    tray: str
    sowing: InventedSowing
    bench: int
    record: str
    sown_on: datetime.date
    role: Role

    @property
    def lot(self) -> Lot:
        """The lot sown in it."""
        return LOTS[self.sowing.lot]

    @property
    def season(self) -> InventedSeason:
        """The season of its first spring."""
        return SEASONS[self.sowing.season]

    @property
    def judged(self) -> int:
        """Year of the spring it is judged in: the second for a species that needs two winters."""
        return self.sowing.season + self.lot.species.two_winters

    @property
    def pinch_mean(self) -> float:
        """Mean seeds of a pinch: small ones in the trial."""
        return TRIAL_PINCH_MEAN if self.sowing.trial else PINCH_MEAN


SOWINGS = (
    InventedSowing(
        season=2023, lot="GAAR-22A", cover="grit", seeds="2", benches=(1, 5), records="ts"
    ),
    InventedSowing(
        season=2023, lot="MOFI-22A", cover="none", seeds="2-3", benches=(3, 6), records="tt"
    ),
    InventedSowing(
        season=2023, lot="PEAT-22A", cover="grit", seeds="3", benches=(2, 5), records="ct"
    ),
    InventedSowing(
        season=2023, lot="HECY-22A", cover="none", seeds="pinch", benches=(1, 4), records="tt"
    ),
    InventedSowing(
        season=2023, lot="PEGA-22A", cover="grit", seeds="2", benches=(3, 6), records="ot"
    ),
    InventedSowing(
        season=2023, lot="LODI-22A", cover="grit", seeds="2", benches=(1, 4), records="tt"
    ),
    InventedSowing(
        season=2023, lot="BASA-22A", cover="grit", seeds="2", benches=(2, 3, 5), records="tts"
    ),
    InventedSowing(
        season=2024, lot="GAAR-22A", cover="grit", seeds="2", benches=(1, 3, 6), records="tts"
    ),
    InventedSowing(
        season=2024, lot="MOFI-22A", cover="none", seeds="2-3", benches=(2, 5, 4), records="ttt"
    ),
    InventedSowing(
        season=2024, lot="PEAT-22A", cover="grit", seeds="3", benches=(1, 6), records="tt"
    ),
    InventedSowing(
        season=2024, lot="PEAT-23B", cover="grit", seeds="3", benches=(2, 2), records="tt"
    ),
    InventedSowing(
        season=2024, lot="HECY-22A", cover="none", seeds="pinch", benches=(3, 5), records="tt"
    ),
    InventedSowing(
        season=2024, lot="GETR-23A", cover="grit", seeds="2", benches=(2, 6), records="ts"
    ),
    InventedSowing(
        season=2024, lot="PEGA-22A", cover="grit", seeds="2", benches=(1, 5), records="tt"
    ),
    InventedSowing(
        season=2024, lot="LODI-22A", cover="grit", seeds="2", benches=(3, 6), records="tt"
    ),
    InventedSowing(
        season=2024, lot="BASA-22A", cover="grit", seeds="2", benches=(1, 4), records="ct"
    ),
    InventedSowing(
        season=2024, lot="IRMI-23A", cover="grit", seeds="2", benches=(2, 5), records="ts"
    ),
    InventedSowing(
        season=2024, lot="SYAL-23A", cover="none", seeds="2", benches=(3, 5, 6), records="tot"
    ),
    InventedSowing(
        season=2025, lot="GAAR-24B", cover="grit", seeds="2", benches=(1, 4), records="ct"
    ),
    InventedSowing(
        season=2025, lot="GETR-23A", cover="grit", seeds="2", benches=(3, 6), records="cs"
    ),
    InventedSowing(
        season=2025, lot="PEGA-24B", cover="grit", seeds="2", benches=(2, 5), records="ot"
    ),
    InventedSowing(
        season=2025, lot="LODI-24A", cover="grit", seeds="2", benches=(1, 6), records="tt"
    ),
    InventedSowing(
        season=2025, lot="BASA-22A", cover="grit", seeds="2", benches=(4, 6), records="ts"
    ),
    InventedSowing(
        season=2025, lot="BASA-24C", cover="grit", seeds="2", benches=(2, 5), records="ct"
    ),
    InventedSowing(season=2025, lot="BASA-24C", cover="none", seeds="2", benches=(3,), records="t"),
    InventedSowing(
        season=2025, lot="IRMI-23A", cover="grit", seeds="2", benches=(1, 4), records="ts"
    ),
    InventedSowing(
        season=2025, lot="PEAT-22A", cover="grit", seeds="~3", benches=(3, 5, 6), records="ttt"
    ),
    InventedSowing(
        season=2025, lot="PEAT-23B", cover="grit", seeds="3", benches=(2, 2), records="ct"
    ),
    InventedSowing(
        season=2026, lot="GAAR-24B", cover="grit", seeds="2", benches=(2, 5), records="st"
    ),
    InventedSowing(
        season=2026, lot="PEGA-24B", cover="grit", seeds="2", benches=(1, 3, 6), records="ttt"
    ),
    InventedSowing(
        season=2026, lot="LODI-24A", cover="grit", seeds="2", benches=(2, 5, 6), records="ott"
    ),
    InventedSowing(
        season=2026, lot="GETR-23A", cover="grit", seeds="2", benches=(1, 4), records="ts"
    ),
    InventedSowing(
        season=2026, lot="BASA-25A", cover="grit", seeds="2", benches=(2, 3, 5, 6), records="ccts"
    ),
    InventedSowing(
        season=2026,
        lot="HECY-25A",
        cover="sand",
        seeds="pinch",
        benches=(1, 3, 5, 6),
        records="ctcc",
        depth="5",
    ),
    InventedSowing(
        season=2026, lot="HECY-25A", cover="none", seeds="pinch", benches=(2, 5), records="tt"
    ),
    InventedSowing(
        season=2026, lot="MOFI-22A", cover="none", seeds="2", benches=(1, 3, 6), records="cct"
    ),
    InventedSowing(
        season=2026, lot="IRMI-23A", cover="grit", seeds="2", benches=(1, 6), records="ts"
    ),
    *(
        InventedSowing(
            season=season,
            lot=lot,
            cover=cover,
            seeds=seeds,
            benches=(1, 3, 5, 6),
            records="cccc",
            trial=True,
        )
        for season in (2025, 2026)
        for lot, seeds in (("MOFI-24A", "1"), ("PEAT-24A", "1"), ("HECY-22A", "pinch"))
        for cover in ("none", "grit", "sand")
    ),
)

MOUSE: Role = (2026, "BASA-25A", 1)
WASHED: Role = (2026, "MOFI-22A", 0)
DROPPED: Role = (2025, "PEAT-22A", 0)
UNWEIGHED_PINCH: Role = (2026, "HECY-25A", 3)
SOLD_EARLY: Role = (2024, "MOFI-22A", 2)
ABOVE_CELLS: Role = (2024, "GAAR-22A", 1)
FALL_UNEXPLAINED: Role = (2025, "GAAR-24B", 0)
FALL_THINNED: Role = (2025, "GETR-23A", 0)
MISSPELLED_LOT: Role = (2026, "LODI-24A", 1)
MISSPELLED_TRAY: Role = (2026, "PEGA-24B", 0)
WORDS_IN_CHECKS: Role = (2023, "BASA-22A", 0)

SPOKEN_FOR = frozenset(
    {
        MOUSE,
        WASHED,
        DROPPED,
        SOLD_EARLY,
        ABOVE_CELLS,
        FALL_UNEXPLAINED,
        FALL_THINNED,
        MISSPELLED_LOT,
        MISSPELLED_TRAY,
        WORDS_IN_CHECKS,
    }
)
"""Trays with a story or a mistake of their own: no other mistake is strewn over them."""


def plan_trays() -> tuple[Tray, ...]:
    """Every tray of the four seasons, with its name and sowing date."""
    trays: list[Tray] = []
    for season in SEASONS:
        number = 0
        for lot in dict.fromkeys(sowing.lot for sowing in SOWINGS if sowing.season == season):
            places = [
                (sowing, bench, record)
                for sowing in SOWINGS
                if (sowing.season, sowing.lot) == (season, lot)
                for bench, record in zip(sowing.benches, sowing.records, strict=True)
            ]
            for place, (sowing, bench, record) in enumerate(places):
                number += 1
                name = f"T-{season % 100}{number:02d}"
                trays.append(
                    Tray(
                        tray=name,
                        sowing=sowing,
                        bench=bench,
                        record=record,
                        sown_on=_sown_on(sowing),
                        role=(season, lot, place),
                    )
                )
    return tuple(trays)


def _sown_on(sowing: InventedSowing) -> datetime.date:
    """December as usual; 6 January in the bad season, except for the lot that needs two winters
    anyhow.
    """
    if sowing.season == 2024 and not sowing.lot.startswith("SYAL"):
        return datetime.date(2024, 1, 6)
    if sowing.trial:
        return datetime.date(sowing.season - 1, 12, 13)
    day = 5 + 3 * (list(LOTS).index(sowing.lot) % 5)
    return datetime.date(sowing.season - 1, 12, day)
