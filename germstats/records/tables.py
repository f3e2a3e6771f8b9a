"""The tables of a record book as data: columns with type, unit, limits and meaning.

Reading, checking, writing, the blank workbook and `datapackage.json` all follow these definitions;
nothing else in the package spells out a column again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ColumnType = Literal[
    "text", "whole", "number", "date", "choice", "yes_no", "seeds", "cell", "cells", "counts"
]


@dataclass(frozen=True)
class Column:
    """One column of a record table.

    Attributes
    ----------
    name : str
        Column name as written in the header.
    type : ColumnType
        ``text``; ``whole`` (integer); ``number``; ``date`` (ISO); ``choice`` (one of `levels`);
        ``yes_no``; ``seeds`` (seeds per cell: ``3``, ``2-3``, ``~3``, ``pinch``); ``cell``
        (``B7``); ``cells`` (several, by blanks); ``counts`` (whole numbers by blanks).
    meaning : str
        What it holds, in a grower's words.
    required : bool
        The column must be there and filled in every row.
    unit : str
        Unit, empty where none.
    low, high : float or None
        Smallest and largest value that is possible at all.
    levels : tuple of str
        Allowed words for ``choice``; suggestions only where `open_levels` is true.
    open_levels : bool
        Other words than `levels` are accepted.
    rdf_type : str
        The Darwin Core or MIAPPE 1.2 term the column stands for, empty where none fits.
    """

    name: str
    type: ColumnType
    meaning: str
    required: bool = False
    unit: str = ""
    low: float | None = None
    high: float | None = None
    levels: tuple[str, ...] = ()
    open_levels: bool = False
    rdf_type: str = ""


@dataclass(frozen=True)
class Table:
    """One table of a record book.

    Attributes
    ----------
    name : str
        Table name: the CSV file's stem and the sheet's name.
    row_is : str
        The unit of observation, one row of it in words.
    columns : tuple of Column
    key : tuple of str
        Columns that together name a row.
    links : tuple of (column, table, column)
        References to other tables.
    """

    name: str
    row_is: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    links: tuple[tuple[str, str, str], ...] = ()

    def column(self, name: str) -> Column:
        """Return the column called `name`; `KeyError` where there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


_DWC = "http://rs.tdwg.org/dwc/terms/"
_MIAPPE = "http://purl.org/ppeo/PPEO.owl#"  # the ontology in which MIAPPE 1.2 publishes its terms

_EVENT_DATE = _DWC + "eventDate"
_EVENT_REMARKS = _DWC + "eventRemarks"
_FACTOR = _MIAPPE + "factor_value"
_MATERIAL = _DWC + "materialSampleID"
_RECORDED_BY = _DWC + "recordedBy"
_TAXON = _DWC + "taxonID"
_UNIT = _MIAPPE + "observation_unit"

_MANY = 10_000_000
_MOST_CELLS = 10_000

_SPECIES = Table(
    "species",
    "a species",
    (
        Column(
            name="species",
            type="text",
            meaning="Your short code for the species, such as MOFI",
            required=True,
            rdf_type=_TAXON,
        ),
        Column("scientific_name", "text", "Botanical name", rdf_type=_DWC + "scientificName"),
        Column(
            "common_name", "text", "Name you use with clients", rdf_type=_DWC + "vernacularName"
        ),
        Column(
            "light",
            "choice",
            "Whether the seed needs light or darkness to sprout",
            levels=("needs", "either", "dark"),
        ),
        Column(
            "two_winters",
            "yes_no",
            "yes = it needs two winters, so a silent first spring is no failure",
        ),
        Column(
            name="chill_weeks",
            type="number",
            meaning="Cold, moist weeks the seed needs",
            unit="weeks",
            low=0,
            high=104,
        ),
        Column(
            name="seeds_per_gram",
            type="number",
            meaning="Seeds in one gram of clean seed",
            unit="seeds/g",
            low=0.001,
            high=_MANY,
        ),
        Column("caution", "text", "Anything to be careful with: toxic, irritant, protected"),
    ),
    ("species",),
)

_LOTS = Table(
    name="lots",
    row_is="a seed lot",
    columns=(
        Column(
            name="lot",
            type="text",
            meaning="Your name for the lot, such as MOFI-24A",
            required=True,
            rdf_type=_MATERIAL,
        ),
        Column(
            name="species",
            type="text",
            meaning="Code of the species, as in the table species",
            required=True,
            rdf_type=_TAXON,
        ),
        Column("collected_on", "date", "Day the seed was collected", rdf_type=_EVENT_DATE),
        Column("origin", "text", "Where it was collected", rdf_type=_DWC + "locality"),
        Column(
            name="seeds_per_gram",
            type="number",
            meaning="Seeds in one gram of this lot",
            unit="seeds/g",
            low=0.001,
            high=_MANY,
        ),
        Column(
            name="purity_pct",
            type="number",
            meaning="Share of the weight that is seed, not chaff",
            unit="%",
            low=0,
            high=100,
        ),
        Column(
            "pinch_counts",
            "counts",
            "Seeds in each of about ten pinches counted on paper, such as 4 7 2 5",
        ),
        Column(
            name="cut_test_seeds",
            type="whole",
            meaning="Seeds cut open",
            unit="seeds",
            low=0,
            high=_MOST_CELLS,
        ),
        Column(
            name="cut_test_full",
            type="whole",
            meaning="Of those, seeds that were full and firm",
            unit="seeds",
            low=0,
        ),
        Column(
            name="tz_seeds",
            type="whole",
            meaning="Seeds sent to a tetrazolium test",
            unit="seeds",
            low=0,
            high=_MOST_CELLS,
        ),
        Column(
            name="tz_viable",
            type="whole",
            meaning="Of those, seeds found alive",
            unit="seeds",
            low=0,
        ),
        Column(
            "germination_counts",
            "counts",
            "Seeds that sprouted in each replicate of 100 at the lab, such as 88 91 84",
        ),
        Column(
            "tested_on",
            "date",
            "Day of the newest test",
            rdf_type=_DWC + "measurementDeterminedDate",
        ),
        Column(
            name="grams_left",
            type="number",
            meaning="Seed left in the packet, by weight",
            unit="g",
            low=0,
        ),
        Column(
            name="seeds_left",
            type="whole",
            meaning="Seed left in the packet, by count",
            unit="seeds",
            low=0,
        ),
        Column(
            name="cost_per_gram",
            type="number",
            meaning="What a gram costs you, in your money",
            unit="money/g",
            low=0,
        ),
        Column("note", "text", "Anything else about the lot"),
    ),
    key=("lot",),
    links=(("species", "species", "species"),),
)

_TRAYS = Table(
    name="trays",
    row_is="a sown tray",
    columns=(
        Column(
            name="tray",
            type="text",
            meaning="Your name for the tray, such as T-0412",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(
            name="season",
            type="whole",
            meaning="Year of its first spring",
            required=True,
            unit="year",
            low=1900,
            high=2200,
        ),
        Column(
            name="lot",
            type="text",
            meaning="Lot sown in it, as in the table lots",
            required=True,
            rdf_type=_MATERIAL,
        ),
        Column("sown_on", "date", "Day it was sown", True),
        Column(
            name="rows",
            type="whole",
            meaning="Rows of cells (A, B, C, ...)",
            required=True,
            unit="rows",
            low=1,
            high=1000,
        ),
        Column(
            name="columns",
            type="whole",
            meaning="Columns of cells (1, 2, 3, ...)",
            required=True,
            unit="columns",
            low=1,
            high=1000,
        ),
        Column(
            "seeds_per_cell", "seeds", "Seeds in each cell: 3, 2-3, ~3 (two to four) or pinch", True
        ),
        Column(
            name="grams",
            type="number",
            meaning="Seed that went into the whole tray, by weight",
            unit="g",
            low=0,
        ),
        Column(
            name="cover",
            type="choice",
            meaning="What lies over the seed; another word is fine, used the same way every time",
            levels=("none", "grit", "sand", "vermiculite", "perlite", "mix"),
            open_levels=True,
            rdf_type=_FACTOR,
        ),
        Column(
            name="cover_depth_mm",
            type="number",
            meaning="How deep the cover is",
            unit="mm",
            low=0,
            high=200,
            rdf_type=_FACTOR,
        ),
        Column("pretreatment", "text", "What was done to the seed before sowing", rdf_type=_FACTOR),
        Column("place", "text", "Where it stands, such as bench 4"),
        Column(
            "block",
            "text",
            "Group of trays that stand together; the physical tray where it holds several lots",
        ),
        Column("trial", "text", "Name of the trial it belongs to"),
        Column(
            name="left_alive",
            type="whole",
            meaning="Seeds dug up at the end of the spring that were still alive: "
            "firm, white inside",
            unit="seeds",
            low=0,
            high=_MANY,
        ),
        Column(
            name="left_dead",
            type="whole",
            meaning="Seeds dug up then that were dead: soft or moldy",
            unit="seeds",
            low=0,
            high=_MANY,
        ),
        Column(
            name="left_empty",
            type="whole",
            meaning="Seeds dug up then that were empty: no kernel",
            unit="seeds",
            low=0,
            high=_MANY,
        ),
        Column("note", "text", "Anything else about the tray"),
    ),
    key=("tray",),
    links=(("lot", "lots", "lot"),),
)

LEFT_COUNTS = ("left_alive", "left_dead", "left_empty")
"""Columns of `trays` for the seed that had not come up and was dug up at the end of the spring."""

_CHECKS = Table(
    name="checks",
    row_is="a tray looked at",
    columns=(
        Column(
            name="tray",
            type="text",
            meaning="Tray looked at, as in the table trays",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(
            name="checked_on",
            type="date",
            meaning="Day you looked",
            required=True,
            rdf_type=_EVENT_DATE,
        ),
        Column(
            name="filled",
            type="whole",
            meaning="Cells with a living seedling; 0 = looked and found none",
            required=True,
            unit="cells",
            low=0,
        ),
        Column(
            name="seedlings",
            type="whole",
            meaning="All seedlings of the tray, before any thinning",
            unit="seedlings",
            low=0,
        ),
        Column("checked_by", "text", "Who looked", rdf_type=_RECORDED_BY),
        Column("note", "text", "Anything you saw", rdf_type=_EVENT_REMARKS),
    ),
    key=("tray", "checked_on"),
    links=(("tray", "trays", "tray"),),
)

_CELLS = Table(
    name="cells",
    row_is="a cell looked at",
    columns=(
        Column(
            name="tray",
            type="text",
            meaning="Tray looked at, as in the table trays",
            required=True,
            rdf_type=_UNIT,
        ),
        Column("cell", "cell", "Cell by row letter and column number, such as B7", True),
        Column(
            name="checked_on",
            type="date",
            meaning="Day you looked",
            required=True,
            rdf_type=_EVENT_DATE,
        ),
        Column(
            name="emerged",
            type="whole",
            meaning="Seedlings ever seen in the cell up to that day; fill this or occupied",
            unit="seedlings",
            low=0,
        ),
        Column(
            name="occupied",
            type="whole",
            meaning="1 = a seedling was ever seen there, 0 = none; fill this or emerged",
            low=0,
            high=1,
        ),
        Column(
            name="seeds",
            type="whole",
            meaning="Seeds sown in this cell, where it differs from the tray's",
            unit="seeds",
            low=0,
        ),
        Column(
            name="alive",
            type="whole",
            meaning="Seedlings standing on that day",
            unit="seedlings",
            low=0,
        ),
        Column("checked_by", "text", "Who looked", rdf_type=_RECORDED_BY),
        Column("note", "text", "Anything you saw", rdf_type=_EVENT_REMARKS),
    ),
    key=("tray", "cell", "checked_on"),
    links=(("tray", "trays", "tray"),),
)

EVENTS = (
    "thinned",
    "dropped",
    "rodent",
    "bird",
    "washed",
    "dried",
    "flooded",
    "heated",
    "damping_off",
    "transplanted",
    "transplanted_in",
    "sold",
    "discarded",
    "kept_over",
    "uncovered",
)
"""Words of the column ``event``."""

_EVENTS = Table(
    name="events",
    row_is="something that happened to a tray",
    columns=(
        Column(
            name="tray",
            type="text",
            meaning="Tray it happened to, as in the table trays",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(
            name="on",
            type="date",
            meaning="Day it happened, or was noticed",
            required=True,
            rdf_type=_EVENT_DATE,
        ),
        Column(
            name="event",
            type="choice",
            meaning="What happened",
            required=True,
            levels=EVENTS,
            rdf_type=_DWC + "eventType",
        ),
        Column("cells", "cells", "Cells it touched, such as A1 A2 B1; blank = the whole tray"),
        Column("note", "text", "Anything else about it", rdf_type=_EVENT_REMARKS),
    ),
    key=("tray", "on", "event", "cells"),
    links=(("tray", "trays", "tray"),),
)

_MAPS = Table(
    name="maps",
    row_is="one look at the end over a whole tray",
    columns=(
        Column(
            name="tray",
            type="text",
            meaning="Tray looked at, as in the table trays",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(
            name="seen_on",
            type="date",
            meaning="Day you looked",
            required=True,
            rdf_type=_EVENT_DATE,
        ),
        Column("empty_cells", "cells", "Cells that stayed empty, such as A1 A2 B1", True),
    ),
    key=("tray", "seen_on"),
    links=(("tray", "trays", "tray"),),
)

_ORDERS = Table(
    name="orders",
    row_is="one species of an order",
    columns=(
        Column("order", "text", "Your name or number for the order", True),
        Column(
            name="species",
            type="text",
            meaning="Code of the species ordered, as in the table species",
            required=True,
            rdf_type=_TAXON,
        ),
        Column(
            name="plugs", type="whole", meaning="Plugs ordered", required=True, unit="plugs", low=1
        ),
        Column("due", "date", "Day they are due", True),
        Column("client", "text", "Who ordered"),
        Column(
            name="price",
            type="number",
            meaning="What the client pays for a plug, in your money",
            unit="money/plug",
            low=0,
        ),
        Column(
            name="shortfall_cost",
            type="number",
            meaning="What each missing plug costs you",
            unit="money/plug",
            low=0,
        ),
        Column("priority", "whole", "1 = served first when seed is short", low=1),
        Column(
            name="delivered", type="whole", meaning="Plugs handed over so far", unit="plugs", low=0
        ),
    ),
    key=("order", "species"),
    links=(("species", "species", "species"),),
)

_WEATHER = Table(
    "weather",
    "a day",
    (
        Column("date", "date", "The day", True),
        Column(
            name="tmin_c",
            type="number",
            meaning="Coldest of the day; or fill tmin_f",
            unit="degrees C",
            low=-70,
            high=60,
        ),
        Column(
            name="tmax_c",
            type="number",
            meaning="Warmest of the day; or fill tmax_f",
            unit="degrees C",
            low=-70,
            high=60,
        ),
        Column(
            name="tmin_f",
            type="number",
            meaning="Coldest of the day; or fill tmin_c",
            unit="degrees F",
            low=-94,
            high=140,
        ),
        Column(
            name="tmax_f",
            type="number",
            meaning="Warmest of the day; or fill tmax_c",
            unit="degrees F",
            low=-94,
            high=140,
        ),
    ),
    ("date",),
)

_ANSWERS = Table(
    "answers",
    "your answer to a question that check asked",
    (
        Column("rule", "text", "Name of the rule that asked, as check prints it", True),
        Column("table", "text", "Table the question is about", True),
        Column(
            "key", "text", "The row's ids and date joined by /, such as T-0412/B7/2025-05-04", True
        ),
        Column("column", "text", "Column the question is about"),
        Column(
            "value",
            "text",
            "What stood there when you answered; the answer holds only while it still does",
        ),
        Column("answer", "text", "What it should be read as", True),
    ),
    ("rule", "table", "key", "column"),
)

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        _SPECIES,
        _LOTS,
        _TRAYS,
        _CHECKS,
        _CELLS,
        _EVENTS,
        _MAPS,
        _ORDERS,
        _WEATHER,
        _ANSWERS,
    )
}
"""Every table of a record book, in the order in which a grower meets them."""
