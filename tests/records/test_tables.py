"""The columns as data, held to the design's list and to what `datapackage.json` makes of them."""

from __future__ import annotations

import pytest

from germstats.records.formats.datapackage import describe_book
from germstats.records.tables import TABLES

PACKAGE = describe_book(
    {name: [column.name for column in table.columns] for name, table in TABLES.items()}
)
RESOURCES = {resource["name"]: resource for resource in PACKAGE["resources"]}

# Table Schema 2, "Field Types" (https://datapackage.org/standard/table-schema/#field-types);
# status: memory
SCHEMA_TYPES = {"string", "number", "integer", "boolean", "date"}


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
def test_a_table_holds_together(table) -> None:
    names = [column.name for column in table.columns]
    assert len(set(names)) == len(names)
    assert set(table.key) <= set(names)
    assert all(column in names and TABLES[other].column(key) for column, other, key in table.links)
    assert all(column.meaning for column in table.columns)
    assert all(bool(column.levels) == (column.type == "choice") for column in table.columns)
    assert "row" not in names  # the place a row was read from goes by this name


@pytest.mark.parametrize(
    ("table", "required"),
    [
        ("trays", ["tray", "season", "lot", "sown_on", "rows", "columns", "seeds_per_cell"]),
        ("checks", ["tray", "checked_on", "filled"]),
        ("cells", ["tray", "cell", "checked_on"]),
        ("orders", ["order", "species", "plugs", "due"]),
        ("answers", ["rule", "table", "key", "answer"]),
    ],
)
def test_required_columns(table: str, required: list[str]) -> None:
    assert [column.name for column in TABLES[table].columns if column.required] == required


def test_unknown_column() -> None:
    with pytest.raises(KeyError, match="moon"):
        TABLES["trays"].column("moon")


@pytest.mark.parametrize("name", TABLES)
def test_the_description_says_type_unit_limits_and_term(name: str) -> None:
    schema = RESOURCES[name]["schema"]
    assert schema["missingValues"] == [""]
    for field, column in zip(schema["fields"], TABLES[name].columns, strict=True):
        constraints = field.get("constraints", {})
        assert field["type"] in SCHEMA_TYPES
        assert field.get("unit", "") == column.unit
        assert field.get("rdfType", "") == column.rdf_type
        assert constraints.get("required", False) == column.required
        assert (constraints.get("minimum"), constraints.get("maximum")) == (column.low, column.high)
        assert ("enum" in constraints) == (column.type == "choice" and not column.open_levels)


def test_keys_and_links() -> None:
    assert RESOURCES["cells"]["schema"]["primaryKey"] == ["tray", "cell", "checked_on"]
    # the cells of an event may be blank, which a primary key does not allow
    assert RESOURCES["events"]["schema"]["uniqueKeys"] == [["tray", "on", "event", "cells"]]
    assert RESOURCES["checks"]["schema"]["foreignKeys"] == [
        {"fields": ["tray"], "reference": {"resource": "trays", "fields": ["tray"]}}
    ]


def test_a_link_to_a_table_that_is_not_there_is_left_out() -> None:
    (alone,) = describe_book({"trays": ["tray", "lot"]})["resources"]
    assert "foreignKeys" not in alone["schema"]
