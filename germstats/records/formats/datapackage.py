"""`datapackage.json`: what the columns of a record book mean, for people and programs that do not
know this package.

The description follows Data Package and Table Schema, version 2
(https://datapackage.org/standard/table-schema/).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from germstats.records.tables import TABLES, Column, Table

FILE_NAME = "datapackage.json"

_PROFILES = "https://datapackage.org/profiles/2.0/"
_CELL = r"[A-Za-z]+[1-9][0-9]*"
_TYPES = {"whole": "integer", "number": "number", "date": "date", "yes_no": "boolean"}
_PATTERNS = {
    "seeds": r"[0-9]+|[0-9]+-[0-9]+|~[0-9]+|pinch",
    "cell": _CELL,
    "cells": f"{_CELL}( {_CELL})*",
    "counts": r"[0-9]+( [0-9]+)*",
}


def describe_book(
    columns: Mapping[str, Sequence[str]], settings: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """Describe the CSV files of a record book.

    Parameters
    ----------
    columns : mapping
        Table name -> names of the columns its file holds, in order.
    settings : mapping, optional
        What reading has to remember, such as ``{"dates": "day-first"}``; kept as the property
        ``germstats``.

    Returns
    -------
    dict
        Ready for `json.dumps`. A column this package does not know is described as text.
    """
    package: dict[str, Any] = {
        "$schema": _PROFILES + "datapackage.json",
        "name": "record-book",
        "title": "Germination record book",
        "resources": [_resource(TABLES[name], names, columns) for name, names in columns.items()],
    }
    if settings:
        package["germstats"] = dict(settings)
    return package


def _resource(
    table: Table, names: Sequence[str], written: Mapping[str, Sequence[str]]
) -> dict[str, Any]:
    return {
        "name": table.name,
        "path": f"{table.name}.csv",
        "type": "table",
        "description": f"One row is {table.row_is}.",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": _schema(table, names, written),
    }


def _schema(
    table: Table, names: Sequence[str], written: Mapping[str, Sequence[str]]
) -> dict[str, Any]:
    known = {column.name: column for column in table.columns}
    schema: dict[str, Any] = {
        "$schema": _PROFILES + "tableschema.json",
        "fields": [
            _field(known[name]) if name in known else {"name": name, "type": "string"}
            for name in names
        ],
        "missingValues": [""],
    }
    if set(table.key) <= set(names):
        # a primary key allows no blanks, a unique key does
        filled = all(known[name].required for name in table.key)
        schema |= {"primaryKey": list(table.key)} if filled else {"uniqueKeys": [list(table.key)]}
    links = [
        {"fields": [column], "reference": {"resource": other, "fields": [key]}}
        for column, other, key in table.links
        if column in names and key in written.get(other, ())
    ]
    return schema | ({"foreignKeys": links} if links else {})


def _field(column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES.get(column.type, "string"),
        "description": column.meaning,
    }
    if column.type == "yes_no":
        field |= {"trueValues": ["yes"], "falseValues": ["no"]}
    if column.unit:
        field["unit"] = column.unit
    if column.open_levels:
        field["suggestions"] = list(column.levels)
    if column.rdf_type:
        field["rdfType"] = column.rdf_type
    constraints = _constraints(column)
    return field | ({"constraints": constraints} if constraints else {})


def _constraints(column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {"required": True} if column.required else {}
    if column.low is not None:
        constraints["minimum"] = column.low
    if column.high is not None:
        constraints["maximum"] = column.high
    if column.levels and not column.open_levels:
        constraints["enum"] = list(column.levels)
    if column.type in _PATTERNS:
        constraints["pattern"] = _PATTERNS[column.type]
    return constraints
