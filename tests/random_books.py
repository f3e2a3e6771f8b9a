"""Small books as growers could have them, drawn at random: one to sixteen trays, every kind of
record, odd springs too.

Nothing of the package is used: the rows are CSV text, the seedlings come from plain draws.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np

COLUMNS = {
    "species": ("species", "common_name", "two_winters", "chill_weeks", "light"),
    "lots": ("lot", "species", "cut_test_seeds", "cut_test_full", "pinch_counts"),
    "trays": (
        "tray",
        "season",
        "lot",
        "sown_on",
        "rows",
        "columns",
        "seeds_per_cell",
        "cover",
        "cover_depth_mm",
        "pretreatment",
        "place",
        "block",
    ),
    "checks": ("tray", "checked_on", "filled", "seedlings"),
    "cells": ("tray", "cell", "checked_on", "emerged", "occupied", "seeds", "alive"),
    "events": ("tray", "on", "event", "cells"),
    "maps": ("tray", "seen_on", "empty_cells"),
    "weather": ("date", "tmin_c", "tmax_c"),
}
SIZES = ((1, 1), (1, 2), (1, 6), (2, 3), (3, 4), (4, 6), (6, 12))
SEEDS = ("1", "1", "2", "3", "4", "2-3", "~3", "pinch", "25", "0")
KINDS = ("counts", "occupied", "filled", "seedlings", "both")
MOODS = (
    "ordinary",
    "ordinary",
    "ordinary",
    "empty",
    "full",
    "late",
    "one day",
    "sparse",
    "nearly none",
    "early",
)
LOOKS = ("weekly", "weekly", "first and last", "one", "few", "uneven", "daily")
Row = dict[str, object]


@dataclass(frozen=True)
class Tray:
    """What is drawn once for a tray, and what came of it: (cells, seeds) days to emergence, inf for
    never.
    """

    name: str
    sown_on: date
    shape: tuple[int, int]
    days: list[list[float]]
    kind: str
    looks: list[int]


def small_book(seed: int) -> dict[str, list[Row]]:
    """Tables of one book by name, each a list of rows; every fourth one is of dishes still under
    way.
    """
    return short_dishes(seed) if seed % 4 == 0 else random_book(seed)


def short_dishes(seed: int) -> dict[str, list[Row]]:
    """Dishes of a hundred seeds of one species that sprout within days, looked at until some of
    those to come are out: few and late are nearly the same there, and a spring late by a day or two
    moves everything.
    """
    rng = np.random.default_rng(20_000 + seed)
    tables: dict[str, list[Row]] = {name: [] for name in COLUMNS}
    dishes, lots = int(rng.integers(4, 17)), int(rng.integers(1, 6))
    middle, spread = float(rng.uniform(1.0, 3.0)), float(rng.choice([0.05, 0.15, 0.3]))
    law, kind = int(rng.integers(4)), str(rng.choice(["filled", "seedlings"]))
    stop, shares = float(rng.choice([0.3, 0.5, 0.7, 0.9])), rng.uniform(0.1, 0.8, size=lots)
    for k in range(dishes):
        sown_on = date(2025, 3, 1) + timedelta(days=int(rng.integers(0, 30)))
        tables["trays"].append(
            {
                "tray": f"D{k:02d}",
                "season": 2025,
                "lot": f"L{k % lots}",
                "rows": 10,
                "columns": 10,
                "sown_on": sown_on.isoformat(),
                "seeds_per_cell": 1,
            }
        )
        days = np.exp(middle + spread * _standard(rng, law, 100) + 0.05 * rng.normal())
        last = float(np.quantile(days, stop))
        days[rng.random(100) > shares[k % lots]] = np.inf
        looks = np.linspace(max(1.0, 0.3 * last), last, int(rng.integers(5, 10)))
        for day in sorted({max(1, int(look)) for look in looks}):
            out = int((days <= day).sum())
            row: Row = {
                "tray": f"D{k:02d}",
                "checked_on": (sown_on + timedelta(days=day)).isoformat(),
                "filled": out,
            }
            tables["checks"].append(row | {"seedlings": out} if kind == "seedlings" else row)
    tables["lots"] = [{"lot": f"L{k}", "species": "SP"} for k in range(lots)]
    return tables


def _standard(rng: np.random.Generator, law: int, size: int) -> np.ndarray:
    """Standardized log days: log-normal, log-logistic, Weibull, two flushes."""
    normal, logistic = rng.normal(size=size), 0.55 * rng.logistic(size=size)
    weibull = 0.78 * np.log(rng.exponential(size=size))
    flushes = 0.3 * rng.normal(size=size) + np.where(rng.random(size) < 0.5, -1.5, 1.5)
    return (normal, logistic, weibull, flushes)[law]


def random_book(seed: int) -> dict[str, list[Row]]:
    """A book of any kind."""
    rng = np.random.default_rng(seed)
    tables: dict[str, list[Row]] = {name: [] for name in COLUMNS}
    species = [f"SP{k}" for k in range(rng.integers(1, 4))]
    lots = {
        f"{code}-{year}": code for code in species for year in range(22, 23 + rng.integers(0, 2))
    }
    mood, looks, kind = (str(rng.choice(some)) for some in (MOODS, LOOKS, KINDS))
    settings = {
        "mood": mood,
        "looks": looks,
        "kind": kind,
        "seeds": str(rng.choice(SEEDS[:-1])),
        "mixed": str(rng.random() < 0.4),
        "seasons": str(rng.integers(1, 4)),
    }
    middle = {code: rng.uniform(np.log(6), np.log(200)) for code in species}
    share = {lot: float(rng.beta(1, 1)) for lot in lots}
    blank = str(rng.choice(list(lots))) if rng.random() < 0.15 else ""
    for k in range(int(rng.integers(1, 17))):
        lot = str(rng.choice(list(lots)))
        _add_tray(
            tables,
            rng,
            name=f"T{k:02d}",
            lot=lot,
            settings=settings,
            middle=middle[lots[lot]],
            share=share[lot],
            blank=lot == blank,
        )
    if rng.random() < 0.75:
        tables["lots"] = [_lot(rng, lot, code) for lot, code in lots.items()]
    if rng.random() < 0.6:
        tables["species"] = [_species(rng, code) for code in species]
    if rng.random() < 0.15:
        tables["weather"] = _weather(rng, tables["trays"])
    return tables


def write_csv(tables: dict[str, list[Row]], folder: Path) -> Path:
    """Write the tables that have rows; trays are always there."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        if not rows and name != "trays":
            continue
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS[name], restval="")
            writer.writeheader()
            writer.writerows(rows)
    return folder


def _lot(rng: np.random.Generator, lot: str, code: str) -> Row:
    row: Row = {"lot": lot, "species": code}
    if rng.random() < 0.4:
        row |= {"cut_test_seeds": 50, "cut_test_full": int(rng.integers(0, 51))}
    if rng.random() < 0.3:
        row["pinch_counts"] = " ".join(str(n) for n in rng.integers(1, 9, size=5))
    return row


def _species(rng: np.random.Generator, code: str) -> Row:
    row: Row = {
        "species": code,
        "common_name": f"flower {code}",
        "light": str(rng.choice(["needs", "either", ""])),
    }
    row["two_winters"] = "yes" if rng.random() < 0.15 else "no"
    row["chill_weeks"] = int(rng.integers(1, 16)) if rng.random() < 0.5 else ""
    return row


def _weather(rng: np.random.Generator, trays: list[Row]) -> list[Row]:
    rows: list[Row] = []
    for year in sorted({int(str(tray["season"])) for tray in trays}):
        for k in range(300):
            day = date(year - 1, 10, 5) + timedelta(days=k)
            mean = (
                9 - 10 * np.cos(2 * np.pi * (day.timetuple().tm_yday - 20) / 365) + rng.normal(0, 3)
            )
            rows.append(
                {
                    "date": day.isoformat(),
                    "tmin_c": round(mean - 5, 1),
                    "tmax_c": round(mean + 5, 1),
                }
            )
    return rows


def _add_tray(
    tables: dict[str, list[Row]],
    rng: np.random.Generator,
    name: str,
    lot: str,
    settings: dict[str, str],
    middle: float,
    share: float,
    blank: bool,
) -> None:
    season = 2024 + int(rng.integers(0, int(settings["seasons"])))
    fall = rng.random() < 0.6
    sown_on = date(season - 1, 10, 10) + timedelta(
        days=int(rng.integers(0, 60) if fall else rng.integers(120, 190))
    )
    shape = SIZES[rng.integers(len(SIZES))]
    mixed = settings["mixed"] == "True"
    entry = str(rng.choice(SEEDS)) if mixed else settings["seeds"]
    entry = "0" if blank else entry
    row: Row = {
        "tray": name,
        "season": season,
        "lot": lot,
        "sown_on": sown_on.isoformat(),
        "rows": shape[0],
        "columns": shape[1],
        "seeds_per_cell": entry,
    }
    row["cover"] = str(rng.choice(["grit", "none", "sand", ""]))
    row["cover_depth_mm"] = (
        int(rng.integers(1, 12)) if row["cover"] == "sand" and rng.random() < 0.5 else ""
    )
    row["place"] = str(rng.choice(["bench 1", "bench 2"])) if rng.random() < 0.4 else ""
    tables["trays"].append(row)
    days = _emergence(
        rng, shape[0] * shape[1], entry=entry, mood=settings["mood"], middle=middle, share=share
    )
    kind = str(rng.choice(KINDS)) if mixed else settings["kind"]
    first = 7 if rng.random() < 0.7 else int(rng.integers(1, 120))
    last = min(first + int(rng.integers(0, 240)), (date(season, 9, 30) - sown_on).days)
    looks = _looks(rng, settings["looks"], first, max(last, first))
    tray = Tray(name=name, sown_on=sown_on, shape=shape, days=days, kind=kind, looks=looks)
    if settings["mood"] == "late":
        tray = Tray(
            name=name,
            sown_on=sown_on,
            shape=shape,
            days=[[looks[-1] if d < np.inf else d for d in cell] for cell in days],
            kind=kind,
            looks=looks,
        )
    if rng.random() < 0.95:  # a few are never looked at
        _add_looks(tables, rng, tray)


def _emergence(
    rng: np.random.Generator, cells: int, entry: str, mood: str, middle: float, share: float
) -> list[list[float]]:
    share = {"empty": 0.0, "full": 1.0, "nearly none": 0.01}.get(mood, share)
    spread = {"one day": 0.001, "early": 1.0}.get(mood, float(rng.uniform(0.1, 0.6)))
    found = []
    for _ in range(cells):
        if entry == "pinch":
            seeds = int(rng.poisson(4))
        elif entry in ("2-3", "~3"):
            seeds = int(rng.integers(2, 4))
        else:
            seeds = int(entry)
        days = np.exp(rng.normal(middle if mood != "early" else 1.0, spread, size=seeds))
        found.append([float(day) if rng.random() < share else np.inf for day in days])
    return found


def _looks(rng: np.random.Generator, kind: str, first: int, last: int) -> list[int]:
    if kind == "one":
        return [last]
    if kind == "first and last":
        return sorted({first, last})
    if kind == "weekly":
        return list(range(first, last + 1, 7))
    if kind == "daily":
        return list(range(first, min(last, first + 20) + 1))
    number = 3 if kind == "few" else 8
    return sorted({int(day) for day in rng.integers(first, last + 1, size=number)})


def _add_looks(tables: dict[str, list[Row]], rng: np.random.Generator, tray: Tray) -> None:
    names = [f"{chr(65 + r)}{c + 1}" for r in range(tray.shape[0]) for c in range(tray.shape[1])]
    by_cell = tray.kind in ("counts", "occupied", "both")
    falls = rng.random() < 0.1
    for place, day in enumerate(tray.looks):
        on = (tray.sown_on + timedelta(days=day)).isoformat()
        came = [sum(d <= day for d in cell) for cell in tray.days]
        if tray.kind in ("filled", "seedlings", "both"):
            lost = 1 if falls and place == len(tray.looks) - 1 else 0
            filled = max(sum(n > 0 for n in came) - lost, 0)
            seedlings = max(sum(came) - lost, 0) if tray.kind == "seedlings" else ""
            tables["checks"].append(
                {"tray": tray.name, "checked_on": on, "filled": filled, "seedlings": seedlings}
            )
        for name, n in zip(names, came, strict=True) if by_cell else ():
            row: Row = {"tray": tray.name, "cell": name, "checked_on": on}
            row |= {"occupied": int(n > 0)} if tray.kind == "occupied" else {"emerged": n}
            tables["cells"].append(row)
    if tray.looks and rng.random() < 0.1:
        day = tray.sown_on + timedelta(days=int(rng.choice(tray.looks)))
        event = str(
            rng.choice(["washed", "rodent", "thinned", "transplanted", "discarded", "damping_off"])
        )
        tables["events"].append(
            {"tray": tray.name, "on": day.isoformat(), "event": event, "cells": ""}
        )
    if tray.looks and rng.random() < 0.15:
        seen = tray.sown_on + timedelta(days=tray.looks[-1])
        empty = [
            name
            for name, cell in zip(names, tray.days, strict=True)
            if min(cell, default=np.inf) == np.inf
        ]
        tables["maps"].append(
            {"tray": tray.name, "seen_on": seen.isoformat(), "empty_cells": " ".join(empty)}
        )
