"""The tables of a record book as data: columns with type, unit, limits and meaning.

Reading, checking, writing, the blank workbook and `datapackage.json` all follow these definitions;
nothing else in the package spells out a column again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Generic, Literal, TypeVar

ColumnType = Literal[
    "text", "whole", "number", "date", "choice", "yes_no", "seeds", "cell", "cells", "counts"
]


_TEXTS = ("text", "choice", "yes_no", "cell", "cells", "counts")
"""Column types that are kept as text."""


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

    @property
    def blank(self) -> str | None:
        """What a blank is read as: no text, or a missing value."""
        return "" if self.type in _TEXTS else None


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


class Species:
    """Columns of the table ``species``: a row is a species."""

    species: Final = "species"
    scientific_name: Final = "scientific_name"
    common_name: Final = "common_name"
    light: Final = "light"
    two_winters: Final = "two_winters"
    chill_weeks: Final = "chill_weeks"
    seeds_per_gram: Final = "seeds_per_gram"
    caution: Final = "caution"


class Lots:
    """Columns of the table ``lots``: a row is a seed lot."""

    lot: Final = "lot"
    species: Final = "species"
    collected_on: Final = "collected_on"
    origin: Final = "origin"
    seeds_per_gram: Final = "seeds_per_gram"
    purity_pct: Final = "purity_pct"
    pinch_counts: Final = "pinch_counts"
    cut_test_seeds: Final = "cut_test_seeds"
    cut_test_full: Final = "cut_test_full"
    tz_seeds: Final = "tz_seeds"
    tz_viable: Final = "tz_viable"
    germination_counts: Final = "germination_counts"
    tested_on: Final = "tested_on"
    grams_left: Final = "grams_left"
    seeds_left: Final = "seeds_left"
    cost_per_gram: Final = "cost_per_gram"
    note: Final = "note"


class Trays:
    """Columns of the table ``trays``: a row is a sown tray."""

    tray: Final = "tray"
    season: Final = "season"
    lot: Final = "lot"
    sown_on: Final = "sown_on"
    rows: Final = "rows"
    columns: Final = "columns"
    seeds_per_cell: Final = "seeds_per_cell"
    grams: Final = "grams"
    cover: Final = "cover"
    cover_depth_mm: Final = "cover_depth_mm"
    pretreatment: Final = "pretreatment"
    place: Final = "place"
    block: Final = "block"
    trial: Final = "trial"
    left_alive: Final = "left_alive"
    left_dead: Final = "left_dead"
    left_empty: Final = "left_empty"
    note: Final = "note"


class Checks:
    """Columns of the table ``checks``: a row is a tray looked at."""

    tray: Final = "tray"
    checked_on: Final = "checked_on"
    filled: Final = "filled"
    seedlings: Final = "seedlings"
    checked_by: Final = "checked_by"
    note: Final = "note"


class Cells:
    """Columns of the table ``cells``: a row is a cell looked at."""

    tray: Final = "tray"
    cell: Final = "cell"
    checked_on: Final = "checked_on"
    emerged: Final = "emerged"
    occupied: Final = "occupied"
    seeds: Final = "seeds"
    alive: Final = "alive"
    checked_by: Final = "checked_by"
    note: Final = "note"


class Events:
    """Columns of the table ``events``: a row is something that happened to a tray."""

    tray: Final = "tray"
    on: Final = "on"
    event: Final = "event"
    cells: Final = "cells"
    note: Final = "note"


class Maps:
    """Columns of the table ``maps``: a row is one look at the end over a whole tray."""

    tray: Final = "tray"
    seen_on: Final = "seen_on"
    empty_cells: Final = "empty_cells"


class Orders:
    """Columns of the table ``orders``: a row is one species of an order."""

    order: Final = "order"
    species: Final = "species"
    plugs: Final = "plugs"
    due: Final = "due"
    client: Final = "client"
    price: Final = "price"
    shortfall_cost: Final = "shortfall_cost"
    priority: Final = "priority"
    delivered: Final = "delivered"


class Weather:
    """Columns of the table ``weather``: a row is a day."""

    date: Final = "date"
    tmin_c: Final = "tmin_c"
    tmax_c: Final = "tmax_c"
    tmin_f: Final = "tmin_f"
    tmax_f: Final = "tmax_f"


class Answers:
    """Columns of the table ``answers``: a row is your answer to a question that check asked."""

    rule: Final = "rule"
    table: Final = "table"
    key: Final = "key"
    column: Final = "column"
    value: Final = "value"
    answer: Final = "answer"


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
            name=Species.species,
            type="text",
            meaning="Your short code for the species, such as MOFI",
            required=True,
            rdf_type=_TAXON,
        ),
        Column(Species.scientific_name, "text", "Botanical name", rdf_type=_DWC + "scientificName"),
        Column(
            Species.common_name,
            "text",
            "Name you use with clients",
            rdf_type=_DWC + "vernacularName",
        ),
        Column(
            Species.light,
            "choice",
            "Whether the seed needs light or darkness to sprout",
            levels=("needs", "either", "dark"),
        ),
        Column(
            Species.two_winters,
            "yes_no",
            "yes = it needs two winters, so a silent first spring is no failure",
        ),
        Column(
            name=Species.chill_weeks,
            type="number",
            meaning="Cold, moist weeks the seed needs",
            unit="weeks",
            low=0,
            high=104,
        ),
        Column(
            name=Species.seeds_per_gram,
            type="number",
            meaning="Seeds in one gram of clean seed",
            unit="seeds/g",
            low=0.001,
            high=_MANY,
        ),
        Column(Species.caution, "text", "Anything to be careful with: toxic, irritant, protected"),
    ),
    (Species.species,),
)

_LOTS = Table(
    name="lots",
    row_is="a seed lot",
    columns=(
        Column(
            name=Lots.lot,
            type="text",
            meaning="Your name for the lot, such as MOFI-24A",
            required=True,
            rdf_type=_MATERIAL,
        ),
        Column(
            name=Lots.species,
            type="text",
            meaning="Code of the species, as in the table species",
            required=True,
            rdf_type=_TAXON,
        ),
        Column(Lots.collected_on, "date", "Day the seed was collected", rdf_type=_EVENT_DATE),
        Column(Lots.origin, "text", "Where it was collected", rdf_type=_DWC + "locality"),
        Column(
            name=Lots.seeds_per_gram,
            type="number",
            meaning="Seeds in one gram of this lot",
            unit="seeds/g",
            low=0.001,
            high=_MANY,
        ),
        Column(
            name=Lots.purity_pct,
            type="number",
            meaning="Share of the weight that is seed, not chaff",
            unit="%",
            low=0,
            high=100,
        ),
        Column(
            Lots.pinch_counts,
            "counts",
            "Seeds in each of about ten pinches counted on paper, such as 4 7 2 5",
        ),
        Column(
            name=Lots.cut_test_seeds,
            type="whole",
            meaning="Seeds cut open",
            unit="seeds",
            low=0,
            high=_MOST_CELLS,
        ),
        Column(
            name=Lots.cut_test_full,
            type="whole",
            meaning="Of those, seeds that were full and firm",
            unit="seeds",
            low=0,
        ),
        Column(
            name=Lots.tz_seeds,
            type="whole",
            meaning="Seeds sent to a tetrazolium test",
            unit="seeds",
            low=0,
            high=_MOST_CELLS,
        ),
        Column(
            name=Lots.tz_viable,
            type="whole",
            meaning="Of those, seeds found alive",
            unit="seeds",
            low=0,
        ),
        Column(
            Lots.germination_counts,
            "counts",
            "Seeds that sprouted in each replicate of 100 at the lab, such as 88 91 84",
        ),
        Column(
            Lots.tested_on,
            "date",
            "Day of the newest test",
            rdf_type=_DWC + "measurementDeterminedDate",
        ),
        Column(
            name=Lots.grams_left,
            type="number",
            meaning="Seed left in the packet, by weight",
            unit="g",
            low=0,
        ),
        Column(
            name=Lots.seeds_left,
            type="whole",
            meaning="Seed left in the packet, by count",
            unit="seeds",
            low=0,
        ),
        Column(
            name=Lots.cost_per_gram,
            type="number",
            meaning="What a gram costs you, in your money",
            unit="money/g",
            low=0,
        ),
        Column(Lots.note, "text", "Anything else about the lot"),
    ),
    key=(Lots.lot,),
    links=((Lots.species, "species", Species.species),),
)

_TRAYS = Table(
    name="trays",
    row_is="a sown tray",
    columns=(
        Column(
            name=Trays.tray,
            type="text",
            meaning="Your name for the tray, such as T-0412",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(
            name=Trays.season,
            type="whole",
            meaning="Year of its first spring",
            required=True,
            unit="year",
            low=1900,
            high=2200,
        ),
        Column(
            name=Trays.lot,
            type="text",
            meaning="Lot sown in it, as in the table lots",
            required=True,
            rdf_type=_MATERIAL,
        ),
        Column(Trays.sown_on, "date", "Day it was sown", True),
        Column(
            name=Trays.rows,
            type="whole",
            meaning="Rows of cells (A, B, C, ...)",
            required=True,
            unit="rows",
            low=1,
            high=1000,
        ),
        Column(
            name=Trays.columns,
            type="whole",
            meaning="Columns of cells (1, 2, 3, ...)",
            required=True,
            unit="columns",
            low=1,
            high=1000,
        ),
        Column(
            Trays.seeds_per_cell,
            "seeds",
            "Seeds in each cell: 3, 2-3, ~3 (two to four) or pinch",
            True,
        ),
        Column(
            name=Trays.grams,
            type="number",
            meaning="Seed that went into the whole tray, by weight",
            unit="g",
            low=0,
        ),
        Column(
            name=Trays.cover,
            type="choice",
            meaning="What lies over the seed; another word is fine, used the same way every time",
            levels=("none", "grit", "sand", "vermiculite", "perlite", "mix"),
            open_levels=True,
            rdf_type=_FACTOR,
        ),
        Column(
            name=Trays.cover_depth_mm,
            type="number",
            meaning="How deep the cover is",
            unit="mm",
            low=0,
            high=200,
            rdf_type=_FACTOR,
        ),
        Column(
            Trays.pretreatment, "text", "What was done to the seed before sowing", rdf_type=_FACTOR
        ),
        Column(Trays.place, "text", "Where it stands, such as bench 4"),
        Column(
            Trays.block,
            "text",
            "Group of trays that stand together; the physical tray where it holds several lots",
        ),
        Column(Trays.trial, "text", "Name of the trial it belongs to"),
        Column(
            name=Trays.left_alive,
            type="whole",
            meaning="Seeds dug up at the end of the spring that were still alive: "
            "firm, white inside",
            unit="seeds",
            low=0,
            high=_MANY,
        ),
        Column(
            name=Trays.left_dead,
            type="whole",
            meaning="Seeds dug up then that were dead: soft or moldy",
            unit="seeds",
            low=0,
            high=_MANY,
        ),
        Column(
            name=Trays.left_empty,
            type="whole",
            meaning="Seeds dug up then that were empty: no kernel",
            unit="seeds",
            low=0,
            high=_MANY,
        ),
        Column(Trays.note, "text", "Anything else about the tray"),
    ),
    key=(Trays.tray,),
    links=((Trays.lot, "lots", Lots.lot),),
)

LEFT_COUNTS = ("left_alive", "left_dead", "left_empty")
"""Columns of `trays` for the seed that had not come up and was dug up at the end of the spring."""

_CHECKS = Table(
    name="checks",
    row_is="a tray looked at",
    columns=(
        Column(
            name=Checks.tray,
            type="text",
            meaning="Tray looked at, as in the table trays",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(
            name=Checks.checked_on,
            type="date",
            meaning="Day you looked",
            required=True,
            rdf_type=_EVENT_DATE,
        ),
        Column(
            name=Checks.filled,
            type="whole",
            meaning="Cells with a living seedling; 0 = looked and found none",
            required=True,
            unit="cells",
            low=0,
        ),
        Column(
            name=Checks.seedlings,
            type="whole",
            meaning="All seedlings of the tray, before any thinning",
            unit="seedlings",
            low=0,
        ),
        Column(Checks.checked_by, "text", "Who looked", rdf_type=_RECORDED_BY),
        Column(Checks.note, "text", "Anything you saw", rdf_type=_EVENT_REMARKS),
    ),
    key=(Checks.tray, Checks.checked_on),
    links=((Checks.tray, "trays", Trays.tray),),
)

_CELLS = Table(
    name="cells",
    row_is="a cell looked at",
    columns=(
        Column(
            name=Cells.tray,
            type="text",
            meaning="Tray looked at, as in the table trays",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(Cells.cell, "cell", "Cell by row letter and column number, such as B7", True),
        Column(
            name=Cells.checked_on,
            type="date",
            meaning="Day you looked",
            required=True,
            rdf_type=_EVENT_DATE,
        ),
        Column(
            name=Cells.emerged,
            type="whole",
            meaning="Seedlings ever seen in the cell up to that day; fill this or occupied",
            unit="seedlings",
            low=0,
        ),
        Column(
            name=Cells.occupied,
            type="whole",
            meaning="1 = a seedling was ever seen there, 0 = none; fill this or emerged",
            low=0,
            high=1,
        ),
        Column(
            name=Cells.seeds,
            type="whole",
            meaning="Seeds sown in this cell, where it differs from the tray's",
            unit="seeds",
            low=0,
        ),
        Column(
            name=Cells.alive,
            type="whole",
            meaning="Seedlings standing on that day",
            unit="seedlings",
            low=0,
        ),
        Column(Cells.checked_by, "text", "Who looked", rdf_type=_RECORDED_BY),
        Column(Cells.note, "text", "Anything you saw", rdf_type=_EVENT_REMARKS),
    ),
    key=(Cells.tray, Cells.cell, Cells.checked_on),
    links=((Cells.tray, "trays", Trays.tray),),
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
            name=Events.tray,
            type="text",
            meaning="Tray it happened to, as in the table trays",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(
            name=Events.on,
            type="date",
            meaning="Day it happened, or was noticed",
            required=True,
            rdf_type=_EVENT_DATE,
        ),
        Column(
            name=Events.event,
            type="choice",
            meaning="What happened",
            required=True,
            levels=EVENTS,
            rdf_type=_DWC + "eventType",
        ),
        Column(Events.cells, "cells", "Cells it touched, such as A1 A2 B1; blank = the whole tray"),
        Column(Events.note, "text", "Anything else about it", rdf_type=_EVENT_REMARKS),
    ),
    key=(Events.tray, Events.on, Events.event, Events.cells),
    links=((Events.tray, "trays", Trays.tray),),
)

_MAPS = Table(
    name="maps",
    row_is="one look at the end over a whole tray",
    columns=(
        Column(
            name=Maps.tray,
            type="text",
            meaning="Tray looked at, as in the table trays",
            required=True,
            rdf_type=_UNIT,
        ),
        Column(
            name=Maps.seen_on,
            type="date",
            meaning="Day you looked",
            required=True,
            rdf_type=_EVENT_DATE,
        ),
        Column(Maps.empty_cells, "cells", "Cells that stayed empty, such as A1 A2 B1", True),
    ),
    key=(Maps.tray, Maps.seen_on),
    links=((Maps.tray, "trays", Trays.tray),),
)

_ORDERS = Table(
    name="orders",
    row_is="one species of an order",
    columns=(
        Column(Orders.order, "text", "Your name or number for the order", True),
        Column(
            name=Orders.species,
            type="text",
            meaning="Code of the species ordered, as in the table species",
            required=True,
            rdf_type=_TAXON,
        ),
        Column(
            name=Orders.plugs,
            type="whole",
            meaning="Plugs ordered",
            required=True,
            unit="plugs",
            low=1,
        ),
        Column(Orders.due, "date", "Day they are due", True),
        Column(Orders.client, "text", "Who ordered"),
        Column(
            name=Orders.price,
            type="number",
            meaning="What the client pays for a plug, in your money",
            unit="money/plug",
            low=0,
        ),
        Column(
            name=Orders.shortfall_cost,
            type="number",
            meaning="What each missing plug costs you",
            unit="money/plug",
            low=0,
        ),
        Column(Orders.priority, "whole", "1 = served first when seed is short", low=1),
        Column(
            name=Orders.delivered,
            type="whole",
            meaning="Plugs handed over so far",
            unit="plugs",
            low=0,
        ),
    ),
    key=(Orders.order, Orders.species),
    links=((Orders.species, "species", Species.species),),
)

_WEATHER = Table(
    "weather",
    "a day",
    (
        Column(Weather.date, "date", "The day", True),
        Column(
            name=Weather.tmin_c,
            type="number",
            meaning="Coldest of the day; or fill tmin_f",
            unit="degrees C",
            low=-70,
            high=60,
        ),
        Column(
            name=Weather.tmax_c,
            type="number",
            meaning="Warmest of the day; or fill tmax_f",
            unit="degrees C",
            low=-70,
            high=60,
        ),
        Column(
            name=Weather.tmin_f,
            type="number",
            meaning="Coldest of the day; or fill tmin_c",
            unit="degrees F",
            low=-94,
            high=140,
        ),
        Column(
            name=Weather.tmax_f,
            type="number",
            meaning="Warmest of the day; or fill tmax_c",
            unit="degrees F",
            low=-94,
            high=140,
        ),
    ),
    (Weather.date,),
)

_ANSWERS = Table(
    "answers",
    "your answer to a question that check asked",
    (
        Column(Answers.rule, "text", "Name of the rule that asked, as check prints it", True),
        Column(Answers.table, "text", "Table the question is about", True),
        Column(
            Answers.key,
            "text",
            "The row's ids and date joined by /, such as T-0412/B7/2025-05-04",
            True,
        ),
        Column(Answers.column, "text", "Column the question is about"),
        Column(
            Answers.value,
            "text",
            "What stood there when you answered; the answer holds only while it still does",
        ),
        Column(Answers.answer, "text", "What it should be read as", True),
    ),
    (Answers.rule, Answers.table, Answers.key, Answers.column),
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


OfTable = TypeVar("OfTable")


class NamedTables(Generic[OfTable]):
    """What holds something for every table in `tables`, by the tables' names."""

    tables: dict[str, OfTable]

    @property
    def species(self) -> OfTable:
        """The table ``species``, with the columns of `Species`."""
        return self.tables["species"]

    @property
    def lots(self) -> OfTable:
        """The table ``lots``, with the columns of `Lots`."""
        return self.tables["lots"]

    @property
    def trays(self) -> OfTable:
        """The table ``trays``, with the columns of `Trays`."""
        return self.tables["trays"]

    @property
    def checks(self) -> OfTable:
        """The table ``checks``, with the columns of `Checks`."""
        return self.tables["checks"]

    @property
    def cells(self) -> OfTable:
        """The table ``cells``, with the columns of `Cells`."""
        return self.tables["cells"]

    @property
    def events(self) -> OfTable:
        """The table ``events``, with the columns of `Events`."""
        return self.tables["events"]

    @property
    def maps(self) -> OfTable:
        """The table ``maps``, with the columns of `Maps`."""
        return self.tables["maps"]

    @property
    def orders(self) -> OfTable:
        """The table ``orders``, with the columns of `Orders`."""
        return self.tables["orders"]

    @property
    def weather(self) -> OfTable:
        """The table ``weather``, with the columns of `Weather`."""
        return self.tables["weather"]
