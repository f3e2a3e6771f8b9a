"""Rules about dates: before sowing, and day and month exchanged.

A date is only ever questioned, never mended: both readings are named.
"""

from __future__ import annotations

from typing import Any

import pandas as pd

from germstats.records.checking.findings import Kind, Validation, rows_of
from germstats.records.checking.parsing import spelled
from germstats.records.tables import Trays

EXCHANGED = Kind(
    "ask",
    "day-month-exchanged",
    "mend the date, or answer with the right one as year-month-day",
    True,
)
BEFORE_SOWING = Kind("stop", "before-sowing", "mend the date, or the sowing date of the tray")
GOES_BACK = Kind("watch", "dates-go-back", "leave it, if the date is right")
SEASON = Kind(
    "watch",
    "season",
    "mend the season (the year of the first spring after sowing), or the sowing date",
)

DATED = {"checks": "checked_on", "cells": "checked_on", "events": "on", "maps": "seen_on"}
_UNITS = {"checks": ["tray"], "cells": ["tray", "cell"]}
# a sheet with fewer of its neighbours in order is not kept by date, and order tells nothing
_IN_ORDER = 0.95
_FAR, _NEAR = pd.Timedelta(days=90), pd.Timedelta(days=30)
_ONE_SIDED = pd.Timedelta(days=60)
_LONGEST = pd.Timedelta(days=1100)  # nobody looks at a tray three years after sowing
_ROUND = 3  # trays looked at on one day: that was a round, no slip of the pen


def check_sowing(validation: Validation) -> None:
    """Looks and events before sowing: ask where day and month exchanged explain it, stop
    otherwise.
    """
    sown = _sown(validation)
    early = {name: found for name in DATED if len(found := _before_sowing(validation, name, sown))}
    if not early:
        return
    unexplained = {tray for found in early.values() for tray in found.loc[~found["fits"], "tray"]}
    asked = _ask_sowing_dates(validation, unexplained, sown)
    for name, found in early.items():
        found = found[~found["tray"].isin(asked)]
        fits = found[found["fits"]]
        said = [
            f"{spelled(day)} is before the sowing of tray {tray} on {spelled(sown[tray])}; with "
            f"day and month exchanged it is {spelled(other)}"
            for tray, day, other in zip(fits["tray"], fits["day"], fits["exchanged"], strict=True)
        ]
        noted = validation.note(EXCHANGED, (name, DATED[name]), fits.index, said)
        stops = found[~found.index.isin(noted)]
        said = [
            f"{spelled(day)} is before the sowing of tray {tray} on {spelled(sown[tray])}"
            for tray, day in zip(stops["tray"], stops["day"], strict=True)
        ]
        validation.note(BEFORE_SOWING, (name, DATED[name]), stops.index, said)
        validation.set_aside(name, found.index.to_numpy())


def check_order(validation: Validation) -> None:
    """A look out of order with its neighbours in the sheet that fits with day and month
    exchanged.
    """
    sown = _sown(validation)
    looks = {name: _dated(validation, name) for name in _UNITS}
    seen = pd.concat([frame[["tray", "day"]] for frame in looks.values()]).drop_duplicates()
    trays_on = seen["day"].value_counts()
    for name, frame in looks.items():
        if len(frame) < 2:
            continue
        out = _odd_looks(frame, sown, trays_on)
        rest = frame.drop(out.index)
        before = rest.groupby("unit")["day"].shift(1)
        if (before <= rest["day"]).sum() < _IN_ORDER * before.notna().sum():
            continue
        said = [_both_readings(row) for row in rows_of(out)]
        validation.set_aside(name, validation.note(EXCHANGED, (name, DATED[name]), out.index, said))
        back = rest[before > rest["day"]].drop_duplicates("tray")
        said = [
            f"{spelled(day)} stands below {spelled(was)}"
            for day, was in zip(back["day"], before[back.index], strict=True)
        ]
        validation.note(GOES_BACK, (name, DATED[name]), back.index, said)


def _odd_looks(frame: pd.DataFrame, sown: pd.Series[Any], trays_on: pd.Series[Any]) -> pd.DataFrame:
    """Looks out of place, with their neighbours and the other reading of their date.

    Where all the dates of a unit follow on each other, only one that few trays share can be odd;
    other units are passed over.
    """
    alone = frame["day"].map(trays_on) < _ROUND
    goes_back = frame.groupby("unit")["day"].shift(1) > frame["day"]
    doubtful = frame["unit"].isin(frame.loc[alone | goes_back, "unit"])
    looks = frame[doubtful]
    looks = looks.assign(
        exchanged=exchanged(looks["day"]),
        sown=looks["tray"].map(sown),
        alone=alone[doubtful],
        **_neighbours(looks, pd.Series(True, index=looks.index)),
    )
    return looks[_out_of_place(looks)]


def check_seasons(validation: Validation) -> None:
    """A season that is not the year of the first spring after sowing."""
    trays = validation.trays.used()
    trays = trays[trays[Trays.sown_on].notna() & trays[Trays.season].notna()]
    year, season = trays[Trays.sown_on].dt.year, trays[Trays.season].astype(int)
    late = (trays[Trays.sown_on].dt.month >= 10) & (season == year)
    odd = trays[late | (season < year) | (season > year + 1)]
    said = [
        f"sown on {spelled(on)}, yet the season is {n}"
        for on, n in zip(odd[Trays.sown_on], odd[Trays.season], strict=True)
    ]
    validation.note(SEASON, ("trays", "season"), odd.index, said)


def _sown(validation: Validation) -> pd.Series[Any]:
    trays = validation.trays.used().drop_duplicates(Trays.tray)
    return trays.set_index(Trays.tray)[Trays.sown_on].dropna()


def _dated(validation: Validation, name: str) -> pd.DataFrame:
    """Rows in use with a date: ``tray``, ``day`` and ``unit`` (what is looked at again and
    again).
    """
    units = _UNITS.get(name, ["tray"])
    used = validation.tables[name].used(*units, DATED[name])
    used = used[used[DATED[name]].notna()]
    unit = used.groupby(units, sort=False).ngroup()
    return pd.DataFrame({"tray": used["tray"], "day": used[DATED[name]], "unit": unit})


def _neighbours(frame: pd.DataFrame, good: pd.Series[bool]) -> dict[str, pd.Series[Any]]:
    """The nearest good dates above and below in the sheet, within the unit."""
    days = frame["day"].where(good)
    unit = frame["unit"]
    above = days.groupby(unit).shift(1).groupby(unit).ffill()
    below = days.groupby(unit).shift(-1).groupby(unit).bfill()
    return {"above": above, "below": below}


def exchanged(days: pd.Series[Any]) -> pd.Series[Any]:
    """The dates with day and month exchanged; NaT where that is no date, or the same one."""
    day, month = days.dt.day, days.dt.month
    can = (day <= 12) & (day != month)
    parts = pd.DataFrame({"year": days[can].dt.year, "month": day[can], "day": month[can]})
    return pd.to_datetime(parts).reindex(days.index)


def _before_sowing(validation: Validation, name: str, sown: pd.Series[Any]) -> pd.DataFrame:
    days = validation.tables[name].used("tray", DATED[name])
    early = days[DATED[name]] < days["tray"].map(sown)
    if not early.any():
        return days[early]
    frame = _dated(validation, name)
    frame = frame[frame["unit"].isin(frame["unit"][early[frame.index]])]
    frame = frame.assign(sown=frame["tray"].map(sown))
    before = frame["day"] < frame["sown"]
    frame = frame.assign(exchanged=exchanged(frame["day"]), **_neighbours(frame, ~before))
    fits = (frame["exchanged"] >= frame["sown"]) & (frame["exchanged"] <= frame["sown"] + _LONGEST)
    if name in _UNITS:
        fits &= _between(frame["exchanged"], frame)
    return frame.assign(fits=fits)[before]


def _between(days: pd.Series[Any], frame: pd.DataFrame) -> pd.Series[bool]:
    return ~(days < frame["above"]) & ~(days > frame["below"])


def _ask_sowing_dates(validation: Validation, trays: set[str], sown: pd.Series[Any]) -> list[str]:
    """Ask about sowing dates that most looks contradict and all fit once day and month are
    exchanged.

    Returns
    -------
    list of str
        The trays asked about.
    """
    if not trays:
        return []
    looks = pd.concat([_dated(validation, name) for name in DATED])
    first = looks.groupby("tray")["day"].min()
    most_before = (looks["day"] < looks["tray"].map(sown)).groupby(looks["tray"]).mean() > 0.5
    rows = validation.trays.used()
    rows = rows[rows[Trays.tray].isin(trays) & rows[Trays.tray].isin(sown.index)].drop_duplicates(
        Trays.tray
    )
    other = exchanged(rows[Trays.sown_on])
    fits = (other <= rows[Trays.tray].map(first)) & rows[Trays.tray].map(most_before).astype(bool)
    said = [
        f"{spelled(day)} is after the first look on {spelled(first[tray])}; with day and month "
        f"exchanged it is {spelled(x)}"
        for tray, day, x in zip(
            rows[Trays.tray][fits], rows[Trays.sown_on][fits], other[fits], strict=True
        )
    ]
    noted = validation.note(EXCHANGED, ("trays", "sown_on"), rows.index[fits], said)
    asked = [str(tray) for tray in rows.loc[noted, Trays.tray]]
    for tray in asked:
        validation.leave_out(tray, "sowing date in question")
    validation.blank(("trays", "sown_on"), noted)
    return asked


def _out_of_place(frame: pd.DataFrame) -> pd.Series[bool]:
    day, other, above, below = frame["day"], frame["exchanged"], frame["above"], frame["below"]
    fits = other.notna() & _between(other, frame) & ~(other < frame["sown"])
    inside = fits & ~(above > below) & ~_between(day, frame)
    one_sided = above.isna() | below.isna()
    gap = (other - above).abs().fillna((other - below).abs())
    out = inside & (~one_sided | (gap <= _ONE_SIDED))
    # the first or the last look has only one neighbour: it stands out by being very far from it
    far = (day - above).abs().fillna((day - below).abs()) > _FAR
    return out | (fits & (above.isna() ^ below.isna()) & far & (gap <= _NEAR) & frame["alone"])


def _both_readings(row: dict[str, Any]) -> str:
    above, below = row["above"], row["below"]
    if pd.notna(above) and pd.notna(below):
        where = (
            f"does not lie between {spelled(above)} and {spelled(below)}, as its place in the "
            "sheet says"
        )
    elif pd.notna(above):
        where = f"does not follow on the look above it, {spelled(above)}"
    else:
        where = f"does not lead to the look below it, {spelled(below)}"
    return (
        f"{spelled(row['day'])} {where}; with day and month exchanged it is "
        f"{spelled(row['exchanged'])}"
    )
