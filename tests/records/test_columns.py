"""The names of columns that the package uses are those of the tables' definitions."""

from __future__ import annotations

import pytest

from germstats.records import tables
from germstats.records.tables import TABLES


@pytest.mark.parametrize("name", TABLES)
def test_every_column_of_a_table_has_its_name_there_and_no_other(name):
    names = {
        key: value
        for key, value in vars(getattr(tables, name.capitalize())).items()
        if not key.startswith("__")
    }
    assert list(names.values()) == [column.name for column in TABLES[name].columns]
    assert all(key == value for key, value in names.items())
