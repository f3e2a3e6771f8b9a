"""What a simulation returns: the tables as a grower typed them, and the truth behind them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from germstats.records.tables import TABLES

DIRT_COLUMNS = ("kind", "table", "tray", "key", "column", "row", "written", "true")
STORY_COLUMNS = ("story", "tray", "lot", "season", "cells", "what", "decoy")


@dataclass(frozen=True)
class DemoTruth:
    """The truth behind simulated tables.

    Attributes
    ----------
    rows : pandas.DataFrame
        One row per lot and treatment: ``species``, ``lot``, ``cover``, ``cover_depth_mm`` (NaN
        where none is noted), ``pretreatment``, ``seasons`` (tuple of years), ``trays``,
        ``emergence`` (share of seeds that emerge in an ordinary season: mean over tray, bench and
        edge effects, the lot's own random effect in it), ``emergence_by_season`` and
        ``median_days_by_season`` (dict year -> value, by that season's chill and weather),
        ``median_days`` (days from the row's mean sowing date until half of the seeds that emerge
        have emerged, in an ordinary season), ``planted`` (numbers of the stories that touch the
        row, such as ``2``; empty for none), ``bad_season`` (its trays of 2024 were hurt because
        chill was short).
    seasons : pandas.DataFrame
        The same by season: one row per lot, treatment and season (``chill_weeks``, ``emergence``,
        ``median_days``).
    trays : pandas.DataFrame
        One row per tray: ``tray``, ``lot``, ``season``, ``cover``, ``bench``, ``record`` (how it
        was recorded), ``seeds`` (really sown), ``emerged`` (in the spring it is judged in),
        ``later`` (emerged a spring later).
    dirt : pandas.DataFrame
        One row per planted mistake: ``kind``, ``table``, ``tray``, ``key`` (ids and date as
        written, joined by ``/``), ``column``, ``row`` (as a spreadsheet shows it, header = 1;
        missing where no row was written), ``written``, ``true``.
    stories : pandas.DataFrame
        One row per tray, lot or cells of a planted story: ``story`` (number), ``tray``, ``lot``,
        ``season``, ``cells``, ``what``, ``decoy``.
    """

    rows: pd.DataFrame
    seasons: pd.DataFrame
    trays: pd.DataFrame
    dirt: pd.DataFrame
    stories: pd.DataFrame


@dataclass(frozen=True)
class Demo:
    """Simulated records.

    Attributes
    ----------
    tables : dict of str to pandas.DataFrame
        Every table of `germstats.records.tables.TABLES`, in its order, with its columns; all values
        are text.
    truth : DemoTruth
    """

    tables: dict[str, pd.DataFrame]
    truth: DemoTruth


def as_text(
    records: Mapping[str, pd.DataFrame | Sequence[Mapping[str, object]]],
) -> dict[str, pd.DataFrame]:
    """All tables of a record book, empty where nothing is given, with their columns in order and
    text in every cell.
    """
    return {name: _text_table(name, records.get(name, ())) for name in TABLES}


def _text_table(name: str, rows: pd.DataFrame | Sequence[Mapping[str, object]]) -> pd.DataFrame:
    columns = [column.name for column in TABLES[name].columns]
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows), dtype=object)
    frame = frame.reindex(columns=columns)
    return frame.where(frame.notna(), "").astype(str)
