"""Which trays of two levels stood side by side, and why two levels cannot be told apart where none
did.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from germstats.engine.arrays import Index
from germstats.records.tables import Trays

TREATMENTS = ("cover", "depth", "pretreatment", "place")
DEEP_MM = 3.0
"""A cover deeper than this is deep; common practice, no source."""
_FEWEST = 2


@dataclass(frozen=True)
class Pair:
    """Trays of two levels of one species.

    Attributes
    ----------
    codes : (T,) int array
        Tray codes that stood side by side; empty where refused.
    level, block : (T,) int arrays
        1 for the level, 0 for the reference; block within which they are compared.
    blocked_by : str
        What makes a block.
    places_noted : bool or None
        Whether all of them have a place or a block; None where places are compared.
    refusal : str
        Why the two cannot be separated and what to sow; empty where they can.
    """

    codes: Index
    level: Index
    block: Index
    blocked_by: str
    refusal: str = ""
    places_noted: bool | None = None


def levels_of(trays: pd.DataFrame, treatment: str) -> pd.Series:
    """Level of each tray under `treatment`, as a grower would name it."""
    if treatment == "depth":
        depth = trays[Trays.cover_depth_mm].astype(float)
        said = [
            f" over {DEEP_MM:g} mm" if mm > DEEP_MM else f" up to {DEEP_MM:g} mm" if mm > 0 else ""
            for mm in depth
        ]
        return pd.Series(
            [cover + deep for cover, deep in zip(_cover(trays), said, strict=True)],
            index=trays.index,
        )
    if treatment == "cover":
        return _cover(trays)
    empty = {"pretreatment": "untreated", "place": "no place noted"}[treatment]
    return trays[treatment].astype(str).where(trays[treatment] != "", empty)


def _cover(trays: pd.DataFrame) -> pd.Series:
    return trays[Trays.cover].astype(str).where(trays[Trays.cover] != "", "none")


def side_by_side(
    trays: pd.DataFrame, levels: pd.Series, names: tuple[str, str], treatment: str
) -> Pair:
    """Trays of two levels that share lot, season and the other treatments, and place where they
    were laid out so.

    Parameters
    ----------
    trays : pandas.DataFrame
        Trays of one species, indexed by tray code.
    levels : pandas.Series
        Their levels.
    names : (str, str)
        Reference and level.
    treatment : str

    Returns
    -------
    Pair
    """
    chosen = trays[levels.isin(names)]
    level = (levels[chosen.index] == names[1]).to_numpy()
    if too_few := _too_few(chosen, level, names, treatment):
        return _refused(_whose(chosen, level, names, treatment) + too_few)

    base = _keys(chosen, treatment, with_place=False)
    placed = _keys(chosen, treatment, with_place=True)
    in_base, in_places = _in_both(base, level), _in_both(placed, level)
    noted = bool((chosen[[Trays.place, Trays.block]] != "").any(axis=None))
    most_are_placed = in_places.sum() >= 0.75 * in_base.sum()
    if noted and most_are_placed and _enough(in_places, level):
        return _paired(
            chosen,
            level,
            keys=placed,
            shared=in_places,
            treatment=treatment,
            blocked_by="lot, season and place",
        )
    if not _enough(in_base, level):
        return _refused(_confounded(chosen, level, names, treatment))
    if why := _one_place(chosen[in_base], level[in_base], names, treatment):
        return _refused(why)
    return _paired(
        chosen, level, keys=base, shared=in_base, treatment=treatment, blocked_by="lot and season"
    )


def _too_few(trays: pd.DataFrame, level: np.ndarray, names: tuple[str, str], treatment: str) -> str:
    """Why a level with fewer than two trays cannot be compared; empty where both have enough."""
    for name, count in zip(names, (int((~level).sum()), int(level.sum())), strict=True):
        if count < _FEWEST:
            had = "no tray" if count == 0 else "one tray only"
            remedy = _remedy(trays, names, name, treatment)
            return f"{had} of {name}: a tray cannot be told from its {treatment}; {remedy}"
    return ""


def _enough(shared: np.ndarray, level: np.ndarray) -> bool:
    """Whether each level has trays enough among those that share a block with the other."""
    return min(int((shared & ~level).sum()), int((shared & level).sum())) >= _FEWEST


def _refused(why: str) -> Pair:
    nothing = np.zeros(0, dtype=np.int64)
    return Pair(codes=nothing, level=nothing, block=nothing, blocked_by="", refusal=why)


def _paired(
    trays: pd.DataFrame,
    level: np.ndarray,
    keys: np.ndarray,
    shared: np.ndarray,
    treatment: str,
    blocked_by: str,
) -> Pair:
    """The trays that share a block with the other level, blocks numbered."""
    _, block = np.unique(keys[shared], return_inverse=True)
    return Pair(
        codes=trays.index.to_numpy(dtype=np.int64)[shared],
        level=level[shared].astype(np.int64),
        block=block.astype(np.int64),
        blocked_by=blocked_by,
        places_noted=_noted(trays[shared], treatment),
    )


def _keys(trays: pd.DataFrame, treatment: str, with_place: bool) -> np.ndarray:
    """One text per tray that says what it shares with those it is compared with."""
    names = ["lot", "season"]
    names += ["cover", "cover_depth_mm"] if treatment not in ("cover", "depth") else []
    names += ["pretreatment"] if treatment != "pretreatment" else []
    names += ["place", "block"] if with_place and treatment != "place" else []
    joined: np.ndarray = trays[names].astype(str).agg("/".join, axis=1).to_numpy()
    return joined


def _noted(trays: pd.DataFrame, treatment: str) -> bool | None:
    """Whether every tray has a place or a block noted; None where places are compared."""
    if treatment == "place":
        return None
    return bool((trays[[Trays.place, Trays.block]] != "").any(axis=1).all())


def _in_both(keys: np.ndarray, level: np.ndarray) -> np.ndarray:
    return np.isin(keys, keys[level]) & np.isin(keys, keys[~level])


def _one_place(
    trays: pd.DataFrame, level: np.ndarray, names: tuple[str, str], treatment: str
) -> str:
    """Why place and level cannot be separated, where each level only ever stood at places of its
    own.
    """
    places = trays[Trays.place].astype(str).to_numpy()
    if treatment == "place" or (places == "").any():
        return ""
    ours, theirs = set(places[level]), set(places[~level])
    if ours & theirs or min(len(ours), len(theirs)) > 1:
        return ""
    lone, where = (names[1], ours) if len(ours) == 1 else (names[0], theirs)
    other = names[0] if lone == names[1] else names[1]
    return (
        f"{lone} only ever stood at {next(iter(where))}, {other} never did: place and {treatment} "
        "cannot be separated; next time sow a tray of each at both places"
    )


def _confounded(
    trays: pd.DataFrame, level: np.ndarray, names: tuple[str, str], treatment: str
) -> str:
    remedy = _remedy(trays, names, names[1], treatment)
    for column in ("lot", "season", "pretreatment"):
        ours, theirs = set(trays[column].astype(str)[level]), set(trays[column].astype(str)[~level])
        if not ours & theirs:
            return (
                f"{names[1]} was only ever used with {column} {_listed(ours)}, {names[0]} with "
                f"{column} {_listed(theirs)}: {column} and {treatment} cannot be separated; "
                f"{remedy}"
            )
    return (
        f"{names[0]} and {names[1]} never had two trays each of one lot in one season: lot, season "
        f"and {treatment} cannot be separated; {remedy}"
    )


def _whose(trays: pd.DataFrame, level: np.ndarray, names: tuple[str, str], treatment: str) -> str:
    """For one lot under one level at one place: all three named."""
    if len(trays) == 0 or trays[Trays.lot].nunique() > 1 or level.all() == (~level).all():
        return ""
    lot, only = str(trays[Trays.lot].iloc[0]), names[1] if level.all() else names[0]
    places = set(trays[Trays.place].astype(str))
    at = (
        f" and only at {next(iter(places))}"
        if len(places) == 1 and "" not in places and treatment != "place"
        else ""
    )
    return (
        f"{lot} only ever under {only}{at}: lot{', place' if at else ''} and {treatment} cannot be "
        "separated; "
    )


def _remedy(trays: pd.DataFrame, names: tuple[str, str], short: str, treatment: str) -> str:
    lot = f"of {trays[Trays.lot].iloc[-1]} " if len(trays) else ""
    other = names[0] if short == names[1] else names[1]
    if treatment == "place":
        return (
            f"to find out, sow at least two trays {lot}at {short} and two at {other}, on the same "
            "day"
        )
    under, beside = (
        name if name in ("none", "untreated") else f"under {name}" for name in (short, other)
    )
    under, beside = (text.replace("none", "without cover") for text in (under, beside))
    return (
        f"to find out, sow at least two trays {lot}{under} beside two {beside}, on the same day "
        "and benches"
    )


def _listed(values: set[str]) -> str:
    return ", ".join(sorted(values))
