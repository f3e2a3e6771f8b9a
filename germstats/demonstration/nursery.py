"""Facts of the demonstration nursery, Quillback Draw Native Plants: every number, place and client
is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

NAME = "Quillback Draw Native Plants"
TRAY_ROWS, TRAY_COLUMNS = 6, 12
BENCHES, DRIP_BENCH = (1, 2, 3, 4, 5, 6), 4
ORDINARY_CHILL_WEEKS = 15.0


@dataclass(frozen=True)
class InventedSeason:
    """A season, named by its spring: weeks of chill, and degrees C above the ordinary course."""

    year: int
    chill_weeks: float
    warmer_c: float


SEASONS = {
    2023: InventedSeason(2023, 15.0, 0.0),
    2024: InventedSeason(2024, 8.0, 1.8),
    2025: InventedSeason(2025, 16.5, -0.8),
    2026: InventedSeason(2026, 14.0, 0.4),
}


@dataclass(frozen=True)
class InventedSpecies:
    """A species of the demonstration.

    Attributes
    ----------
    code, scientific_name, common_name, light, caution : str
    seeds_per_gram : float
    best : float
        Share of good seed that emerges with chill enough and under its best cover.
    chill_weeks, chill_sd : float
        Weeks of cold half of the seeds need, and their spread over seeds; a need of 0 is none at
        all.
    covers : dict
        Cover -> factor on the share.
    heat, heat_base, heat_log_sd : float
        Degree-days (above the base, from 1 February) until half have emerged; spread of the log.
    second : float
        Of the living seeds held back in the first spring, the share that comes in the second.
    loss : float
        Share of seedlings lost after they emerged.
    note_weeks : float
        Cold, moist weeks the grower writes down.
    two_winters : bool
    """

    code: str
    scientific_name: str
    common_name: str
    seeds_per_gram: float
    best: float
    chill_weeks: float
    chill_sd: float
    covers: dict[str, float]
    heat: float
    heat_base: float
    heat_log_sd: float
    second: float
    loss: float
    light: str = "either"
    caution: str = ""
    note_weeks: float = 0.0
    two_winters: bool = False


def _covers(none: float, grit: float, sand: float) -> dict[str, float]:
    return {"none": none, "grit": grit, "sand": sand}


SPECIES = {
    one.code: one
    for one in (
        InventedSpecies(
            code="GAAR",
            scientific_name="Gaillardia aristata",
            common_name="blanketflower",
            seeds_per_gram=291,
            best=0.78,
            chill_weeks=0,
            chill_sd=1,
            covers=_covers(0.97, 1, 0.97),
            heat=150,
            heat_base=4,
            heat_log_sd=0.30,
            second=0.05,
            loss=0.04,
        ),
        InventedSpecies(
            code="MOFI",
            scientific_name="Monarda fistulosa",
            common_name="wild bergamot",
            seeds_per_gram=2200,
            best=0.82,
            chill_weeks=2,
            chill_sd=2,
            covers=_covers(1, 0.85, 0.45),
            heat=130,
            heat_base=4,
            heat_log_sd=0.28,
            second=0.10,
            loss=0.05,
            light="needs",
            note_weeks=2,
        ),
        InventedSpecies(
            code="PEAT",
            scientific_name="Penstemon attenuatus",
            common_name="taper-leaf penstemon",
            seeds_per_gram=2500,
            best=0.72,
            chill_weeks=8,
            chill_sd=2,
            covers=_covers(0.92, 1, 0.80),
            heat=75,
            heat_base=3,
            heat_log_sd=0.32,
            second=0.35,
            loss=0.06,
            note_weeks=8,
        ),
        InventedSpecies(
            code="HECY",
            scientific_name="Heuchera cylindrica",
            common_name="roundleaf alumroot",
            seeds_per_gram=16667,
            best=0.60,
            chill_weeks=3,
            chill_sd=2,
            covers=_covers(1, 0.60, 0.12),
            heat=150,
            heat_base=4,
            heat_log_sd=0.33,
            second=0.15,
            loss=0.12,
            light="needs",
            note_weeks=3,
        ),
        InventedSpecies(
            code="GETR",
            scientific_name="Geum triflorum",
            common_name="prairie smoke",
            seeds_per_gram=1000,
            best=0.65,
            chill_weeks=6,
            chill_sd=2,
            covers=_covers(0.95, 1, 0.95),
            heat=80,
            heat_base=3,
            heat_log_sd=0.30,
            second=0.20,
            loss=0.05,
            note_weeks=6,
        ),
        InventedSpecies(
            code="PEGA",
            scientific_name="Perideridia gairdneri",
            common_name="yampah",
            seeds_per_gram=882,
            best=0.92,
            chill_weeks=10.5,
            chill_sd=4,
            covers=_covers(0.95, 1, 1),
            heat=45,
            heat_base=2,
            heat_log_sd=0.30,
            second=0.60,
            loss=0.06,
            note_weeks=10.5,
            caution="Has poisonous look-alikes in the same family",
        ),
        InventedSpecies(
            code="LODI",
            scientific_name="Lomatium dissectum",
            common_name="fernleaf biscuitroot",
            seeds_per_gram=100,
            best=0.75,
            chill_weeks=11,
            chill_sd=3,
            covers=_covers(0.95, 1, 1),
            heat=30,
            heat_base=1,
            heat_log_sd=0.40,
            second=0.50,
            loss=0.05,
            note_weeks=11,
            caution="Has poisonous look-alikes in the same family",
        ),
        InventedSpecies(
            code="BASA",
            scientific_name="Balsamorhiza sagittata",
            common_name="arrowleaf balsamroot",
            seeds_per_gram=136,
            best=0.62,
            chill_weeks=11,
            chill_sd=2.5,
            covers=_covers(0.92, 1, 1),
            heat=40,
            heat_base=2,
            heat_log_sd=0.35,
            second=0.40,
            loss=0.10,
            note_weeks=11,
        ),
        InventedSpecies(
            code="IRMI",
            scientific_name="Iris missouriensis",
            common_name="western blue flag",
            seeds_per_gram=45,
            best=0.70,
            chill_weeks=10,
            chill_sd=3,
            covers=_covers(0.95, 1, 1),
            heat=110,
            heat_base=4,
            heat_log_sd=0.40,
            second=0.50,
            loss=0.03,
            note_weeks=10,
            caution="Poisonous if eaten; the sap irritates skin",
        ),
        InventedSpecies(
            code="SYAL",
            scientific_name="Symphoricarpos albus",
            common_name="common snowberry",
            seeds_per_gram=150,
            best=0.80,
            chill_weeks=0,
            chill_sd=1,
            covers=_covers(1, 1, 1),
            heat=90,
            heat_base=4,
            heat_log_sd=0.35,
            second=0.75,
            loss=0.04,
            note_weeks=26,
            two_winters=True,
            caution="Berries are poisonous if eaten",
        ),
    )
}


@dataclass(frozen=True)
class Lot:
    """A seed lot: what is noted of it beside species and seeds per gram; `fixed_share` overrides
    its emergence.
    """

    lot: str
    collected_on: str
    origin: str
    noted: dict[str, str] = field(default_factory=dict)
    fixed_share: float | None = None
    pinches_counted: bool = False

    @property
    def species(self) -> InventedSpecies:
        """The lot's species: the first four letters of its name."""
        return SPECIES[self.lot[:4]]


LOTS = {
    one.lot: one
    for one in (
        Lot("GAAR-22A", "2022-08-09", "Draw rim", {"purity_pct": "92"}),
        Lot(
            "GAAR-24B",
            "2024-08-13",
            "Saltwell flat",
            {"grams_left": "31", "cut_test_seeds": "50", "cut_test_full": "46"},
        ),
        Lot("MOFI-22A", "2022-09-06", "Draw bottom", {"grams_left": "4.2"}),
        Lot(
            "MOFI-24A",
            "2024-09-03",
            "Draw bottom",
            {"grams_left": "11", "germination_counts": "86 83 88 81"},
        ),
        Lot("PEAT-22A", "2022-08-22", "North bench", {"grams_left": "1.1"}),
        Lot("PEAT-23B", "2023-08-25", "Tansy Hollow", {"grams_left": "2.6"}),
        Lot(
            "PEAT-24A",
            "2024-08-20",
            "North bench",
            {"grams_left": "5.5", "germination_counts": "74 78 71 80"},
        ),
        Lot(
            lot="HECY-22A",
            collected_on="2022-07-30",
            origin="Cliff band",
            noted={"seeds_per_gram": "16667", "grams_left": "0.06", "cost_per_gram": "38"},
            pinches_counted=True,
        ),
        Lot(
            "HECY-25A",
            "2025-07-28",
            "Cliff band",
            {
                "seeds_per_gram": "16667",
                "grams_left": "0.4",
                "tz_seeds": "100",
                "tz_viable": "88",
                "tested_on": "2026-06-22",
            },
        ),
        Lot("GETR-23A", "2023-06-29", "Saltwell flat", {"grams_left": "3"}),
        Lot(
            "PEGA-22A",
            "2022-08-30",
            "Wet meadow",
            {"tz_seeds": "50", "tz_viable": "47", "tested_on": "2022-11-14"},
        ),
        Lot("PEGA-24B", "2024-08-28", "Upper meadow", {"grams_left": "6"}),
        Lot(
            "LODI-22A", "2022-07-11", "South slope", {"cut_test_seeds": "50", "cut_test_full": "43"}
        ),
        Lot("LODI-24A", "2024-07-09", "South slope", {"grams_left": "52"}),
        Lot(
            "BASA-22A",
            "2022-07-02",
            "Draw rim",
            {"cut_test_seeds": "50", "cut_test_full": "44", "grams_left": "12"},
        ),
        Lot(
            lot="BASA-24C",
            collected_on="2024-06-14",
            origin="Saltwell cut",
            noted={
                "cut_test_seeds": "100",
                "cut_test_full": "46",
                "tz_seeds": "100",
                "tz_viable": "31",
                "tested_on": "2025-06-30",
                "grams_left": "20",
                "note": "collected early, insect holes in some seed",
            },
            fixed_share=0.27,
        ),
        Lot("BASA-25A", "2025-07-04", "Draw rim", {"seeds_left": "600", "cost_per_gram": "4.5"}),
        Lot("IRMI-23A", "2023-08-17", "Wet meadow", {"grams_left": "60"}),
        Lot("SYAL-23A", "2023-09-26", "Draw bottom", {"grams_left": "15"}),
    )
}

ORDERS = (
    {
        "order": "Q-2701",
        "species": "HECY",
        "plugs": "120",
        "due": "2027-09-10",
        "client": "Larchbank Trail Society",
        "price": "2.40",
        "shortfall_cost": "3.50",
        "priority": "1",
        "delivered": "0",
    },
    {
        "order": "Q-2701",
        "species": "BASA",
        "plugs": "160",
        "due": "2027-09-10",
        "client": "Larchbank Trail Society",
        "price": "3.10",
        "shortfall_cost": "4.00",
        "priority": "1",
        "delivered": "0",
    },
    {
        "order": "Q-2702",
        "species": "HECY",
        "plugs": "90",
        "due": "2027-10-01",
        "client": "Saltwell County Roads",
        "price": "2.10",
        "shortfall_cost": "2.50",
        "priority": "2",
        "delivered": "0",
    },
    {
        "order": "Q-2702",
        "species": "BASA",
        "plugs": "100",
        "due": "2027-10-01",
        "client": "Saltwell County Roads",
        "price": "2.80",
        "shortfall_cost": "3.00",
        "priority": "2",
        "delivered": "0",
    },
    {
        "order": "Q-2703",
        "species": "HECY",
        "plugs": "50",
        "due": "2027-09-24",
        "client": "Tansy Hollow School garden",
        "price": "1.80",
        "shortfall_cost": "1.80",
        "priority": "3",
        "delivered": "0",
    },
)
