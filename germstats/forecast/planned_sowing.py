"""What is to be sown: seeds, cells, cover and day, of a batch of trays or of a single one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from germstats.forecast.sowing_deadline import SowingDeadline

BULK_UNDER_MG = 50.0
"""Weight of seed for a tray below which it is bulked with damp sand or vermiculite; common
practice, no source.
"""


@dataclass(frozen=True)
class Seeds:
    """Seeds of one tray.

    Attributes
    ----------
    mean : float or None
        Per cell; None where only pinches of unknown size are advised.
    cells : int
    by_pinch : bool
    per_tray : float or None
        As the plan counts them; `count` are those to count out.
    grams : float or None
        Weight of them as the lot lies in store; None where seeds per gram are not known.
    """

    mean: float | None
    cells: int
    by_pinch: bool
    per_tray: float | None
    grams: float | None = None

    @property
    def low(self) -> int | None:
        """Seeds in each cell, of a pinch its mean rounded down."""
        return None if self.mean is None else int(self.mean + 1e-9)

    @property
    def count(self) -> int | None:
        """Whole seeds of the tray."""
        return None if self.per_tray is None else math.ceil(self.per_tray - 1e-9)

    @property
    def more(self) -> int:
        """Cells that get one seed more than `low`."""
        if self.by_pinch or self.low is None or self.count is None:
            return 0
        return self.count - self.low * self.cells

    @property
    def light(self) -> bool:
        """Whether the seed of a tray is too light to be weighed and spread without bulking."""
        return self.grams is not None and 1000 * self.grams < BULK_UNDER_MG

    @property
    def entry(self) -> str:
        """What belongs into the column ``seeds_per_cell``."""
        if self.low is None:
            return ""
        if self.by_pinch:
            return "pinch"
        return f"{self.low}-{self.low + 1}" if self.more else str(self.low)


@dataclass(frozen=True)
class Shape:
    """Cells of a tray to sow.

    Attributes
    ----------
    cells : int
        To be sown.
    rows, columns : int or None
        Of the part that is sown, from the label on; None where no tray of the book has so many
        cells.
    of_rows, of_columns : int or None
        Of the whole tray.
    """

    cells: int
    rows: int | None = None
    columns: int | None = None
    of_rows: int | None = None
    of_columns: int | None = None

    @property
    def loose(self) -> bool:
        """Whether the cells sown are fewer than the rows and columns written hold, so that they
        must be listed.
        """
        return (
            self.rows is not None
            and self.columns is not None
            and self.rows * self.columns > self.cells
        )


@dataclass(frozen=True)
class PlannedSowing:
    """Trays of one lot to be sown alike: a batch of a plan, or one tray by its name.

    Attributes
    ----------
    lot, species : str
    label : str
        The treatment in words, as the fit names it.
    shape : Shape
    seeds : Seeds
        Of each tray.
    sow_on : pandas.Timestamp or None
        The usual day.
    places : tuple of str
        Where each of its trays is to stand, a proposal; blank where the book names no place.
    tray : str
        New name of a single tray; blank for a batch, and where it is not known how many trays there
        will be.
    season : int or None
    order : str
        Blank where it is for no order.
    common_name, caution : str
    treatment : dict
        cover, cover_depth_mm, pretreatment, as far as known.
    sow_by : SowingDeadline
    note : str
    """

    lot: str
    species: str
    label: str
    shape: Shape
    seeds: Seeds
    sow_on: pd.Timestamp | None = None
    places: tuple[str, ...] = ("",)
    tray: str = ""
    season: int | None = None
    order: str = ""
    common_name: str = ""
    caution: str = ""
    treatment: Mapping[str, str | float] = field(default_factory=dict)
    sow_by: SowingDeadline = field(default_factory=lambda: SowingDeadline(None, ""))
    note: str = ""

    @property
    def trays(self) -> int:
        """How many trays are sown so."""
        return len(self.places)

    @property
    def place(self) -> str:
        """Where a single tray is to stand."""
        return self.places[0]

    def as_record(self) -> dict[str, object]:
        """As `germstats plan --json` prints it; dates as text."""
        return {
            "lot": self.lot,
            "treatment": self.label,
            "trays": self.trays,
            "cells": self.shape.cells,
            "seeds_per_cell": self.seeds.mean,
            "by_pinch": self.seeds.by_pinch,
            "seeds_per_tray": self.seeds.per_tray,
            "grams_per_tray": self.seeds.grams,
            "sow_on": None if self.sow_on is None else f"{self.sow_on:%Y-%m-%d}",
            "places": self.places,
            "light": self.seeds.light,
        }
