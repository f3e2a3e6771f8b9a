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
class Season:
    """A season, named by its spring: weeks of chill, and degrees C above the ordinary course."""

    year: int
    chill_weeks: float
    warmer_c: float


SEASONS = {
    2023: Season(2023, 15.0, 0.0),
    2024: Season(2024, 8.0, 1.8),
    2025: Season(2025, 16.5, -0.8),
    2026: Season(2026, 14.0, 0.4),
}


@dataclass(frozen=True)
class Species:
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
        Species(
            "GAAR",
            "Gaillardia aristata",
            "blanketflower",
            291,
            0.78,
            0,
            1,
            _covers(0.97, 1, 0.97),
            150,
            4,
            0.30,
            0.05,
            0.04,
        ),
        Species(
            "MOFI",
            "Monarda fistulosa",
            "wild bergamot",
            2200,
            0.82,
            2,
            2,
            _covers(1, 0.85, 0.45),
            130,
            4,
            0.28,
            0.10,
            0.05,
            light="needs",
            note_weeks=2,
        ),
        Species(
            "PEAT",
            "Penstemon attenuatus",
            "taper-leaf penstemon",
            2500,
            0.72,
            8,
            2,
            _covers(0.92, 1, 0.80),
            75,
            3,
            0.32,
            0.35,
            0.06,
            note_weeks=8,
        ),
        Species(
            "HECY",
            "Heuchera cylindrica",
            "roundleaf alumroot",
            16667,
            0.60,
            3,
            2,
            _covers(1, 0.60, 0.12),
            150,
            4,
            0.33,
            0.15,
            0.12,
            light="needs",
            note_weeks=3,
        ),
        Species(
            "GETR",
            "Geum triflorum",
            "prairie smoke",
            1000,
            0.65,
            6,
            2,
            _covers(0.95, 1, 0.95),
            80,
            3,
            0.30,
            0.20,
            0.05,
            note_weeks=6,
        ),
        Species(
            "PEGA",
            "Perideridia gairdneri",
            "yampah",
            882,
            0.92,
            10.5,
            4,
            _covers(0.95, 1, 1),
            45,
            2,
            0.30,
            0.60,
            0.06,
            note_weeks=10.5,
            caution="Has poisonous look-alikes in the same family",
        ),
        Species(
            "LODI",
            "Lomatium dissectum",
            "fernleaf biscuitroot",
            100,
            0.75,
            11,
            3,
            _covers(0.95, 1, 1),
            30,
            1,
            0.40,
            0.50,
            0.05,
            note_weeks=11,
            caution="Has poisonous look-alikes in the same family",
        ),
        Species(
            "BASA",
            "Balsamorhiza sagittata",
            "arrowleaf balsamroot",
            136,
            0.62,
            11,
            2.5,
            _covers(0.92, 1, 1),
            40,
            2,
            0.35,
            0.40,
            0.10,
            note_weeks=11,
        ),
        Species(
            "IRMI",
            "Iris missouriensis",
            "western blue flag",
            45,
            0.70,
            10,
            3,
            _covers(0.95, 1, 1),
            110,
            4,
            0.40,
            0.50,
            0.03,
            note_weeks=10,
            caution="Poisonous if eaten; the sap irritates skin",
        ),
        Species(
            "SYAL",
            "Symphoricarpos albus",
            "common snowberry",
            150,
            0.80,
            0,
            1,
            _covers(1, 1, 1),
            90,
            4,
            0.35,
            0.75,
            0.04,
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
    def species(self) -> Species:
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
            "HECY-22A",
            "2022-07-30",
            "Cliff band",
            {"seeds_per_gram": "16667", "grams_left": "0.06", "cost_per_gram": "38"},
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
            "BASA-24C",
            "2024-06-14",
            "Saltwell cut",
            {
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
