"""Rules about counts: more than can be, less than before, and seedlings where nothing was sown."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd

from germstats.records.checking.findings import Kind, Validation, rows_of
from germstats.records.checking.parsing import so_many, spelled
from germstats.records.tables import EVENTS, LEFT_COUNTS, Cells, Checks, Events, Trays

ABOVE_SEEDS = Kind(
    "stop",
    "above-seeds",
    "mend the count or the seeds; a stray or a second sowing belongs in the note",
)
ABOVE_CELLS = Kind("stop", "above-cells", "mend the count, or the rows and columns of the tray")
FALLS = Kind("stop", "emerged-falls", "count seedlings ever seen, or note a thinning")
FALLS_EXPLAINED = Kind(
    "changed", "emerged-falls-explained", "leave it; write standing seedlings in the column alive"
)
FILLED_FALLS = Kind("watch", "filled-falls", "note in events what happened, if you know it")
FEW_SEEDLINGS = Kind(
    "ask",
    "seedlings-below-filled",
    "mend one of the two; until then the seedlings are not used",
    True,
)
ALIVE_ABOVE = Kind(
    "ask", "alive-above-emerged", "mend one of the two; until then alive is not used", True
)
LEFT_ABOVE = Kind(
    "ask", "left-above-seeds", "fix one of the counts; until then what was dug up is not used"
)
SEEDS_DIFFER = Kind(
    "ask", "seeds-differ", "write the seeds sown in this cell alike in all its rows"
)
STRAYS = Kind("watch", "strays", "leave it; the share says how many seedlings may be weeds")

_NOT_LOSSES = {"transplanted_in", "uncovered"}
LOSSES = frozenset(EVENTS) - _NOT_LOSSES
"""Events after which fewer seedlings may stand than before."""

_LOSS_WORDS = re.compile(
    r"\b(?:thin|pull|remov|trans?plant|prick|los[ts]|loss|dead|die|dying|death|eat|ate\b|eaten|mouse|mice|rodent|vole|slug"
    r"|snail|bird|rot|damp|dri|dry|wash|flood|wilt|gone|drop|sold|heat|scorch|frost)",
    re.IGNORECASE,
)


def check_counts(validation: Validation) -> None:
    """Counts above what can be, in cells and in checks."""
    _keep_raw(validation, "checks", ["filled", "seedlings"])
    _keep_raw(validation, "cells", ["emerged", "occupied"])
    seeds = _seeds_of_cells(validation)
    _check_cells_above(validation, seeds)
    _check_alive(validation)
    _check_filled_above(validation)
    _check_seedlings_above(validation, seeds)
    _check_left(validation, seeds)


def _keep_raw(validation: Validation, name: str, columns: list[str]) -> None:
    values = validation.tables[name].values
    for column in columns:
        values[f"{column}_raw"] = values[column]


def _trays(validation: Validation) -> pd.DataFrame:
    """Size and largest number of seeds per cell (NaN where there is no bound), by tray."""
    trays = validation.trays.used().drop_duplicates(Trays.tray).set_index(Trays.tray)
    size = (trays[Trays.rows] * trays[Trays.columns]).astype(float)
    most = [rate.most if rate else np.nan for rate in trays[Trays.seeds_per_cell]]
    return pd.DataFrame({"size": size, "most": np.array(most, dtype=float)}, index=trays.index)


def _seeds_of_cells(validation: Validation) -> pd.DataFrame:
    """Most seeds that each used row of cells can have: its cell's own number, else the tray's."""
    used = validation.cells.used(
        Cells.tray, Cells.cell, Cells.checked_on, Cells.emerged, Cells.occupied, Cells.seeds
    )
    unit = used.groupby([Cells.tray, Cells.cell], sort=False).ngroup()
    own = used[Cells.seeds].astype(float).groupby(unit)
    differ = (own.transform("max") > own.transform("min")).to_numpy(dtype=bool)
    differing = used.index[differ & used[Cells.seeds].notna()]
    noted = validation.note(
        SEEDS_DIFFER, ("cells", "seeds"), differing, "the seeds sown in this cell differ by row"
    )
    validation.set_aside("cells", used.index[unit.isin(unit[unit.index.isin(noted)])].to_numpy())
    most = own.transform("max").fillna(
        used[Cells.tray].map(_trays(validation)["most"]).astype(float)
    )
    frame = used.drop(columns=Cells.seeds).assign(unit=unit, most=most)
    frame["moved_in"] = _moved_in(validation, frame)
    return frame[validation.cells.in_use[frame.index]]


def _moved_in(validation: Validation, frame: pd.DataFrame) -> pd.Series[bool]:
    """Whether a seedling had been transplanted into the cell (or the tray, where no cell is named)
    by then.
    """
    events = validation.events.used()
    events = events[(events[Events.event] == "transplanted_in") & events[Events.on].notna()]
    moved = pd.Series(False, index=frame.index)
    for tray, on, cells in events[[Events.tray, Events.on, Events.cells]].itertuples(index=False):
        there = (frame["tray"] == tray) & (frame["checked_on"] >= on)
        if cells and "cell" in frame.columns:
            there &= frame["cell"].isin(cells.split())
        moved |= there
    return moved


def _check_cells_above(validation: Validation, seeds: pd.DataFrame) -> None:
    if seeds.empty:
        return
    emerged = seeds["emerged"].astype(float)
    sown = seeds["most"] > 0
    above = seeds[(emerged > seeds["most"]) & sown & ~seeds["moved_in"]]
    said = [
        f"{so_many(n, 'seedling')} in tray {tray} cell {cell}, where at most {_sown(most)}"
        for tray, cell, n, most in zip(
            above["tray"], above["cell"], above["emerged"], above["most"], strict=True
        )
    ]
    validation.note(ABOVE_SEEDS, ("cells", "emerged"), above.index, said)
    unsown = seeds[(seeds["most"] == 0) & ~seeds["moved_in"]]
    seen = (unsown["emerged"].astype(float).fillna(unsown["occupied"].astype(float)) > 0).groupby(
        unsown["unit"]
    )
    with_seedling = int(seen.any().sum()) if len(unsown) else 0
    if with_seedling:
        first = unsown.index[seen.transform("any")][:1]
        column = "emerged" if pd.notna(unsown.loc[first, "emerged"].iloc[0]) else "occupied"
        wrong = (
            f"a seedling where no seed was sown; {with_seedling} of {seen.ngroups} unsown cells "
            f"had a seedling ({100 * with_seedling / seen.ngroups:.0f} %)"
        )
        validation.note(STRAYS, ("cells", column), first, wrong)


def _check_alive(validation: Validation) -> None:
    used = validation.cells.used(
        Cells.tray, Cells.cell, Cells.checked_on, Cells.emerged, Cells.occupied, Cells.alive
    )
    if used.empty:
        return
    seen = used[Cells.emerged].fillna(used[Cells.occupied].where(used[Cells.occupied] == 0))
    moved = _moved_in(validation, used)
    above = used[(used[Cells.alive] > seen).fillna(False).astype(bool) & ~moved]
    said = [
        f"{n} alive, but only {m} ever seen"
        for n, m in zip(above[Cells.alive], seen[above.index], strict=True)
    ]
    validation.blank(
        ("cells", "alive"), validation.note(ALIVE_ABOVE, ("cells", "alive"), above.index, said)
    )


def _sown(most: float) -> str:
    return f"{so_many(most, 'seed')} {'was' if most == 1 else 'were'} sown"


def _check_filled_above(validation: Validation) -> None:
    used = validation.checks.used()
    size = used[Checks.tray].map(_trays(validation)["size"]).astype(float)
    above = used[used[Checks.filled].astype(float) > size]
    said = [
        f"{so_many(n, 'filled cell')}, but tray {t} has {so_many(size[p], 'cell')}"
        for p, t, n in above[[Checks.tray, Checks.filled]].itertuples()
    ]
    validation.blank(
        ("checks", "filled"), validation.note(ABOVE_CELLS, ("checks", "filled"), above.index, said)
    )
    few = used[
        (used[Checks.seedlings] < used[Checks.filled]).fillna(False).astype(bool)
        & ~used.index.isin(above.index)
    ]
    said = [
        f"{so_many(n, 'seedling')} cannot fill {so_many(m, 'cell')}"
        for n, m in few[[Checks.seedlings, Checks.filled]].itertuples(index=False)
    ]
    noted = validation.note(FEW_SEEDLINGS, ("checks", "seedlings"), few.index, said)
    validation.blank(("checks", "seedlings"), noted)


def _check_seedlings_above(validation: Validation, seeds: pd.DataFrame) -> None:
    used = validation.checks.used()
    most = _seeds_of_trays(validation, seeds, used[Checks.tray])
    above = used[(used[Checks.seedlings].astype(float) > most) & ~_moved_in(validation, used)]
    said = [
        f"{so_many(n, 'seedling')} in tray {tray}, where at most {_sown(most[p])}"
        for p, tray, n in above[[Checks.tray, Checks.seedlings]].itertuples()
    ]
    validation.note(ABOVE_SEEDS, ("checks", "seedlings"), above.index, said)


def _seeds_of_trays(
    validation: Validation, seeds: pd.DataFrame, named: pd.Series[Any]
) -> pd.Series[Any]:
    """Most seeds sown in each tray named: of the cells listed for it, else of all its cells; inf or
    NaN: no bound.
    """
    trays = _trays(validation)
    cells = seeds.drop_duplicates("unit").fillna({"most": np.inf})  # a pinch has no bound
    listed = cells.groupby(Cells.tray)["most"].sum()
    whole = trays["most"] * trays["size"]
    return named.map(listed).astype(float).fillna(named.map(whole).astype(float))


def _check_left(validation: Validation, seeds: pd.DataFrame) -> None:
    """Seeds dug up at the end of a spring: with those that came up, no more than were sown."""
    trays = validation.trays.used(Trays.tray, *LEFT_COUNTS)
    trays = trays[
        trays[list(LEFT_COUNTS)].notna().any(axis=1)
        & ~trays[Trays.tray].isin(_moved_into(validation))
    ]
    if trays.empty:
        return
    trays = trays.assign(
        left=trays[list(LEFT_COUNTS)].astype(float).sum(axis=1),
        came=trays[Trays.tray].map(_came(validation, seeds)).astype(float).fillna(0.0),
        sown=_seeds_of_trays(validation, seeds, trays[Trays.tray]),
    )
    above = trays[trays["left"] + trays["came"] > trays["sown"]]
    said = [
        f"{left:g} seeds dug up ({', '.join(LEFT_COUNTS)}) and {came:g} seedlings seen are more "
        f"than the {sown:g} seeds sown in tray {tray}"
        for tray, left, came, sown in above[[Trays.tray, "left", "came", "sown"]].itertuples(
            index=False
        )
    ]
    noted = validation.note(LEFT_ABOVE, ("trays", LEFT_COUNTS[0]), above.index, said)
    for column in LEFT_COUNTS:
        validation.blank(("trays", column), noted)


def _moved_into(validation: Validation) -> set[str]:
    """Trays into which a seedling was transplanted: what stands there was not all sown there."""
    events = validation.events.used(Events.tray, Events.event)
    return set(events.loc[events[Events.event] == "transplanted_in", Events.tray])


def _came(validation: Validation, seeds: pd.DataFrame) -> pd.Series[Any]:
    """Fewest seedlings that can have come up in each tray, by its cells or its totals, whichever is
    more.
    """
    of_cells = (
        seeds["emerged"]
        .astype(float)
        .fillna(seeds["occupied"].astype(float))
        .groupby(seeds["unit"])
        .max()
    )
    tray_of = seeds.drop_duplicates("unit").set_index("unit")["tray"]
    checks = validation.checks.used(Checks.tray, Checks.filled, Checks.seedlings)
    totals = (
        checks[[Checks.filled, Checks.seedlings]]
        .astype(float)
        .max(axis=1)
        .groupby(checks[Checks.tray])
        .max()
    )
    parts = pd.concat([of_cells.groupby(tray_of.reindex(of_cells.index)).sum(), totals])
    most: pd.Series[Any] = parts.groupby(level=0).max()
    return most


def check_falls(validation: Validation) -> None:
    """Counts of what was ever seen cannot fall; where a loss is noted, the largest so far
    is kept.
    """
    losses = _losses(validation)
    _check_emerged_falls(validation, losses)
    _check_seedling_falls(validation, losses)
    _check_filled_falls(validation)


Losses = dict[str, list[tuple[pd.Timestamp, frozenset[str]]]]
"""Tray -> day and cells (none = the whole tray) of each loss that an event or the note of a check
concerns.
"""


def _losses(validation: Validation) -> Losses:
    losses: Losses = {}
    events = validation.events.used()
    events = events[events[Events.event].isin(LOSSES)]
    for tray, on, cells in events[[Events.tray, Events.on, Events.cells]].itertuples(index=False):
        losses.setdefault(tray, []).append((on, frozenset(cells.split())))
    checks = validation.checks.values
    noted = checks[
        checks[Checks.note].str.contains(_LOSS_WORDS) & checks[Checks.checked_on].notna()
    ]
    for tray, on in noted[[Checks.tray, Checks.checked_on]].itertuples(index=False):
        losses.setdefault(tray, []).append((on, frozenset()))
    return losses


def _are_explained(losses: Losses, falls: pd.DataFrame) -> pd.Series[bool]:
    """Falls with a loss noted between the two looks, and later ones of the same tray.

    The first explained fall shows that the column holds standing plants, which may go on dying
    unnoted.
    """
    noted = pd.Series(
        [_is_explained(losses, row) for row in rows_of(falls)], index=falls.index, dtype=bool
    )
    standing_since = falls[noted].groupby("tray")["day"].min()
    later = falls["day"] >= falls["tray"].map(standing_since).astype("datetime64[ns]")
    return noted | later


def _is_explained(losses: Losses, row: dict[str, Any]) -> bool:
    if _LOSS_WORDS.search(row["note"]):
        return True
    noted = losses.get(row["tray"], [])
    cell = row.get("cell", "")
    return any(
        row["day_before"] <= on <= row["day"] and (not cells or not cell or cell in cells)
        for on, cells in noted
    )


def _check_emerged_falls(validation: Validation, losses: Losses) -> None:
    used = validation.cells.used(
        Cells.tray, Cells.cell, Cells.note, Cells.checked_on, Cells.emerged, Cells.occupied
    )
    if used.empty:
        return
    frame = used.rename(columns={"checked_on": "day"}).astype({"emerged": float, "occupied": float})
    frame["any"] = frame[Cells.occupied].fillna(
        (frame[Cells.emerged] > 0).astype(float).where(frame[Cells.emerged].notna())
    )
    frame["unit"] = frame.groupby([Cells.tray, Cells.cell], sort=False).ngroup()
    frame = frame[frame["any"].notna()]
    frame = frame.iloc[np.lexsort((frame["day"], frame["unit"]))]
    fell = (frame.groupby("unit")[[Cells.emerged, "any"]].diff() < 0).any(axis=1)
    # of all others there is nothing to say
    frame = frame[frame["unit"].isin(frame["unit"][fell].unique())]
    before = frame.groupby("unit")[["day", Cells.emerged, "any"]].shift(1).add_suffix("_before")
    frame = frame.join(before)
    fewer = frame[Cells.emerged] < frame["emerged_before"]
    falls = frame[fewer | (frame["any"] < frame["any_before"])]
    stops = falls[~_are_explained(losses, falls)].sort_index()
    for column, rows in (
        ("emerged", stops[stops[Cells.emerged].notna()]),
        ("occupied", stops[stops[Cells.emerged].isna()]),
    ):
        said = [
            _fell(row, column if pd.notna(row.get(f"{column}_before")) else "any", column)
            for row in rows_of(rows)
        ]
        validation.note(FALLS, ("cells", column), rows.index, said)
    fine = set(falls["unit"]) - set(stops["unit"])
    _raise_cells(validation, frame[frame["unit"].isin(fine)])


def _fell(row: dict[str, Any], before: str, now: str) -> str:
    where = f"tray {row['tray']}" + (f" cell {row['cell']}" if row.get("cell") else "")
    days = f"{_short(row['day_before'], row['day'])} and {_short(row['day'], row['day_before'])}"
    return f"fell from {row[f'{before}_before']:g} to {row[now]:g} between {days} in {where}"


def _short(day: pd.Timestamp, other: pd.Timestamp) -> str:
    """4 May, with the year where the other day is in another one."""
    return spelled(day) if day.year != other.year else f"{day.day} {day:%B}"


def _raise_cells(validation: Validation, frame: pd.DataFrame) -> None:
    """Carry the running maximum of cells whose falls are all explained."""
    if frame.empty:
        return
    highest = frame.groupby("unit")[["emerged", "any"]].cummax()
    target = highest["emerged"].groupby(frame["unit"]).ffill()
    for column, best in (
        ("emerged", np.fmax(target, highest["any"])),
        ("occupied", highest["any"]),
    ):
        raised = frame.index[frame[column].notna() & (best > frame[column])].sort_values()
        said = [
            f"{row[column]:g} stood there after a loss; the {row['best']:g} seen before are kept "
            f"in tray {row['tray']} cell {row['cell']}"
            for row in rows_of(frame.assign(best=best).loc[raised])
        ]
        validation.note(FALLS_EXPLAINED, ("cells", column), raised, said)
        validation.cells.values.loc[raised, column] = best[raised].astype("Int64")


def _by_day(validation: Validation, column: str) -> pd.DataFrame:
    used = validation.checks.used()
    frame = used[[Checks.tray, Checks.note]].assign(
        day=used[Checks.checked_on], now=used[column].astype(float)
    )
    frame = frame[frame["now"].notna()].sort_values([Checks.tray, "day"], kind="stable")
    before = frame.groupby(Checks.tray, sort=False)[["day", "now"]].shift(1).add_suffix("_before")
    frame = frame.join(before)
    return frame.assign(highest=frame.groupby(Checks.tray, sort=False)["now"].cummax())


def _check_seedling_falls(validation: Validation, losses: Losses) -> None:
    frame = _by_day(validation, "seedlings")
    if frame.empty:
        return
    falls = frame[frame["now"] < frame["now_before"]]
    stops = falls[~_are_explained(losses, falls)].sort_index()
    said = [_fell(row, "now", "now") for row in rows_of(stops)]
    validation.note(FALLS, ("checks", "seedlings"), stops.index, said)
    kept = frame[
        frame["tray"].isin(set(falls["tray"]) - set(stops["tray"]))
        & (frame["highest"] > frame["now"])
    ].sort_index()
    said = [
        f"{now:g} stood there after a loss; the {best:g} seen before are kept in tray {tray}"
        for tray, now, best in zip(kept["tray"], kept["now"], kept["highest"], strict=True)
    ]
    validation.note(FALLS_EXPLAINED, ("checks", "seedlings"), kept.index, said)
    validation.checks.values.loc[kept.index, Checks.seedlings] = kept["highest"].astype("Int64")


def _check_filled_falls(validation: Validation) -> None:
    frame = _by_day(validation, "filled")
    if frame.empty:
        return
    falls = frame[frame["now"] < frame["now_before"]]
    first, number = falls.drop_duplicates("tray").sort_index(), falls["tray"].value_counts()
    said = []
    for row in rows_of(first):
        more = int(number[row["tray"]]) - 1
        also = f", and {more} more time{'s' if more > 1 else ''} later" if more else ""
        said.append(
            f"{_fell(row, 'now', 'now')}{also}; a loss, and the largest number so far counts for "
            "emergence"
        )
    validation.note(FILLED_FALLS, ("checks", "filled"), first.index, said)
    validation.checks.values.loc[frame.index, Checks.filled] = frame["highest"].astype("Int64")
