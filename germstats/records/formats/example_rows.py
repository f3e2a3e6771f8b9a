"""A small invented record book, filled as a grower would fill it; every row says that it is
invented.
"""

from __future__ import annotations

from collections.abc import Sequence

from germstats.records.tables import TABLES

EXAMPLE_REMARK = (
    "An invented example, to look at only. No row of it is real: write your own records in "
    "record_book.xlsx, and copy none of these."
)

_INVENTED = "invented example"

_SPECIES = (
    (
        "species",
        "scientific_name",
        "common_name",
        "light",
        "two_winters",
        "chill_weeks",
        "seeds_per_gram",
        "caution",
    ),
    ("EX-MOFI", "Monarda fistulosa", "wild bergamot", "either", "no", "4", "2500", ""),
    (
        "EX-ASTU",
        "Asclepias tuberosa",
        "butterfly milkweed",
        "either",
        "no",
        "6",
        "150",
        "sap irritates skin and eyes",
    ),
)
_LOTS = (
    (
        "lot",
        "species",
        "collected_on",
        "origin",
        "purity_pct",
        "pinch_counts",
        "cut_test_seeds",
        "cut_test_full",
        "tested_on",
        "grams_left",
        "note",
    ),
    (
        "EX-MOFI-24A",
        "EX-MOFI",
        "2024-09-14",
        "hill meadow",
        "92.5",
        "4 9 2 5 11 3 8 1 5 6",
        "50",
        "44",
        "2024-11-02",
        "12.5",
        _INVENTED,
    ),
    (
        "EX-ASTU-24A",
        "EX-ASTU",
        "2024-10-02",
        "sandy bank",
        "98",
        "",
        "50",
        "47",
        "2024-11-02",
        "30",
        _INVENTED,
    ),
)
_TRAYS = (
    (
        "tray",
        "season",
        "lot",
        "sown_on",
        "rows",
        "columns",
        "seeds_per_cell",
        "grams",
        "cover",
        "cover_depth_mm",
        "place",
        "left_alive",
        "left_dead",
        "left_empty",
        "note",
    ),
    (
        "EX-01",
        "2025",
        "EX-MOFI-24A",
        "2024-12-03",
        "6",
        "12",
        "3",
        "",
        "none",
        "",
        "bench 1",
        "",
        "",
        "",
        _INVENTED,
    ),
    (
        "EX-02",
        "2025",
        "EX-MOFI-24A",
        "2024-12-03",
        "6",
        "12",
        "2-3",
        "",
        "grit",
        "3",
        "bench 1",
        "",
        "",
        "",
        _INVENTED,
    ),
    (
        "EX-03",
        "2025",
        "EX-MOFI-24A",
        "2024-12-03",
        "6",
        "12",
        "pinch",
        "0.15",
        "none",
        "",
        "bench 2",
        "",
        "",
        "",
        _INVENTED,
    ),
    (
        "EX-04",
        "2025",
        "EX-ASTU-24A",
        "2024-12-05",
        "6",
        "12",
        "~3",
        "",
        "grit",
        "5",
        "bench 2",
        "",
        "",
        "",
        _INVENTED,
    ),
    (
        "EX-05",
        "2025",
        "EX-ASTU-24A",
        "2024-12-05",
        "2",
        "3",
        "2",
        "",
        "grit",
        "5",
        "bench 2",
        "1",
        "3",
        "1",
        "a small one, looked at cell by cell, its seed dug up in July; invented example",
    ),
)
_CHECKS = (
    ("tray", "checked_on", "filled", "seedlings", "checked_by", "note"),
    ("EX-01", "2025-04-13", "0", "0", "me", "looked, none seen: a zero, not a blank"),
    ("EX-01", "2025-04-20", "21", "28", "me", ""),
    ("EX-01", "2025-05-04", "58", "112", "me", ""),
    ("EX-01", "2025-05-18", "62", "127", "me", _INVENTED),
    ("EX-02", "2025-04-20", "9", "", "me", "seedlings not counted: a blank"),
    ("EX-02", "2025-05-04", "51", "", "me", ""),
    ("EX-02", "2025-05-18", "57", "", "me", _INVENTED),
    ("EX-03", "2025-04-20", "17", "", "me", ""),
    ("EX-03", "2025-05-04", "59", "", "me", ""),
    ("EX-03", "2025-05-18", "61", "", "me", _INVENTED),
    ("EX-04", "2025-04-27", "12", "", "me", ""),
    ("EX-04", "2025-05-11", "57", "", "me", ""),
    ("EX-04", "2025-05-18", "63", "", "me", ""),
    ("EX-04", "2025-06-01", "64", "", "me", _INVENTED),
)
# day -> seedlings ever seen in A1 A2 A3 B1 B2 B3
_SMALL_TRAY = {"2025-04-27": "001010", "2025-05-18": "112021", "2025-06-01": "112021"}
_EVENTS = (
    ("tray", "on", "event", "cells", "note"),
    ("EX-01", "2025-05-20", "thinned", "", "to one seedling a cell; invented example"),
    ("EX-04", "2025-06-08", "washed", "A1 A2 A3", "a gutter ran over; invented example"),
    ("EX-02", "2025-06-10", "transplanted", "", _INVENTED),
)
_MAPS = (
    ("tray", "seen_on", "empty_cells"),
    ("EX-04", "2025-06-01", "A4 B7 C1 C2 D9 E3 F11 F12"),
)
_ORDERS = (
    ("order", "species", "plugs", "due", "client", "price", "priority", "delivered"),
    ("EX-Q1", "EX-MOFI", "120", "2025-06-20", "invented client", "2.4", "1", "120"),
    ("EX-Q2", "EX-ASTU", "50", "2025-07-01", "invented client", "3.5", "2", ""),
)
_WEATHER = (
    ("date", "tmin_c", "tmax_c"),
    ("2025-01-14", "-7.5", "1"),
    ("2025-01-15", "-4", "2.5"),
    ("2025-01-16", "0", "6"),
)


def example_rows() -> dict[str, list[list[str]]]:
    """Return the invented book: table name -> lines of text, all headings of the table first.

    Columns the example leaves out are blank.
    """
    written: dict[str, Sequence[Sequence[str]]] = {
        "species": _SPECIES,
        "lots": _LOTS,
        "trays": _TRAYS,
        "checks": _CHECKS,
        "cells": _cells(),
        "events": _EVENTS,
        "maps": _MAPS,
        "orders": _ORDERS,
        "weather": _WEATHER,
    }
    rows: dict[str, list[list[str]]] = {}
    for name, table in TABLES.items():
        headings = [column.name for column in table.columns]
        header, *records = written.get(name, (headings,))
        filled = [dict(zip(header, record, strict=True)) for record in records]
        rows[name] = [headings, *([one.get(heading, "") for heading in headings] for one in filled)]
    return rows


def _cells() -> list[tuple[str, ...]]:
    names = ("A1", "A2", "A3", "B1", "B2", "B3")
    looks = [
        ("EX-05", cell, day, seen, _INVENTED)
        for day, counts in _SMALL_TRAY.items()
        for cell, seen in zip(names, counts, strict=True)
    ]
    return [("tray", "cell", "checked_on", "emerged", "note"), *looks]
