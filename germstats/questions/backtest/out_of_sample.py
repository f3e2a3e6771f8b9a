"""What earlier records say of a tray about to be sown: its own lot, else its species, else all
species.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from germstats.engine.draws import NODE_WEIGHTS, NODES, RowDraws
from germstats.engine.estimates import RowEstimate
from germstats.engine.fit import EmergenceFit
from germstats.forecast.new_lots import new_lot, unknown_species
from germstats.records.seeds import SowingRate
from germstats.records.tables import Trays

Basis = Literal["lot", "species", "cover", "unknown"]


@dataclass(frozen=True)
class OutOfSample:
    """What is known of a lot and treatment before it is sown again.

    Attributes
    ----------
    basis : {"lot", "species", "cover", "unknown"}
        The same lot and treatment had been sown; other lots of the species under it; the species
        under other treatments only; or not even the species.
    draws : RowDraws
    timed : tuple of RowDraws
        Draws with a timing, to judge whether checks went on long enough; empty where none is known.
    pencil : float
        Seedlings over seeds (or from fill) of all earlier trays of that kind, as worked out with a
        pencil.
    """

    basis: Basis
    draws: RowDraws
    timed: tuple[RowDraws, ...]
    pencil: float


def foreknow(
    fit: EmergenceFit, species: str | None, lot: str, label: str, rate: SowingRate
) -> OutOfSample | None:
    """What `fit` says of trays of a lot and treatment not in it yet.

    Parameters
    ----------
    fit : EmergenceFit
        Of earlier seasons only.
    species, lot, label :
        As in `RowEstimate`.
    rate : SowingRate
        How the new tray was sown. A share of pinches of unknown size forecasts only such pinches.

    Returns
    -------
    OutOfSample or None
        None where no earlier tray was sown in a like way.
    """
    unmeasured = rate.kind == "pinch_unmeasured"
    alike = [row for row in fit.rows if (row.rate.kind == "pinch_unmeasured") == unmeasured]
    own = [row for row in alike if (row.species, row.lot, row.label) == (species, lot, label)]
    family = [row for row in alike if species is not None and row.species == species]
    same_cover = [row for row in family if row.label == label]
    found: tuple[tuple[Basis, list[RowEstimate]], ...] = (
        ("lot", own),
        ("species", same_cover),
        ("cover", family),
        ("unknown", alike),
    )
    basis, rows = next((one for one in found if one[1]), ("unknown", []))
    if not rows or (unmeasured and basis in ("cover", "unknown")):
        return None
    timed = next((some for some in (_timed(rows), _timed(family), _timed(fit.rows)) if some), ())
    return OutOfSample(basis, _draws(fit, basis, rows, label), timed, _pencil_share(fit, rows))


def share_seen(known: OutOfSample, day: float, origin_days: float) -> float:
    """Share of the seeds that emerge expected to be out `day` days after sowing, in a tray and
    spring not yet seen.

    1 where no timing is known: counts are then taken as final, as `fit_emergence` takes them.

    Parameters
    ----------
    known : OutOfSample
    day, origin_days : float
        Days from sowing to the look, and to 1 February.
    """
    if not known.timed:
        return 1.0
    shares = []
    for draws in known.timed:
        time = draws.time
        assert time is not None
        elapsed = max(float(time.on_clock(day, origin_days)), 1e-3)
        mu = time.mu[:, None] + np.hypot(time.tray_sd, time.season_sd)[:, None] * NODES
        out = time.share_by(elapsed, mu, time.sigma[:, None])
        shares.append(float(draws.weight @ (out @ NODE_WEIGHTS)))
    return float(np.mean(shares))


def _timed(rows: Sequence[RowEstimate]) -> tuple[RowDraws, ...]:
    return tuple(row.draws for row in rows if row.draws.time is not None)


def _draws(fit: EmergenceFit, basis: Basis, rows: Sequence[RowEstimate], label: str) -> RowDraws:
    if basis == "lot":
        return rows[0].draws
    species = rows[0].species
    if basis == "unknown" or species is None:
        return unknown_species(fit)
    return new_lot(fit, species, label)


def _pencil_share(fit: EmergenceFit, rows: Sequence[RowEstimate]) -> float:
    """Seedlings over seeds of the trays behind `rows`; where none was counted, the share that
    explains their fill.
    """
    keys = {(row.species, row.lot, row.label) for row in rows}
    trays = fit.patterns.trays
    species = trays["species"].astype(object).where(trays["species"].notna(), None)
    at = [key in keys for key in zip(species, trays[Trays.lot], trays["treatment"], strict=True)]
    return pencil_share(trays[at], fit.patterns.sowings)


def pencil_share(trays: pd.DataFrame, sowings: tuple[SowingRate, ...]) -> float:
    """Share of seeds that came up, as plain arithmetic over trays has it.

    Parameters
    ----------
    trays : pandas.DataFrame
        Rows of `Patterns.trays`.
    sowings : tuple of SowingRate

    Returns
    -------
    float
        Sum of seedlings over sum of seeds where seedlings were counted; else 1 - (1 - f)^(1/n), f
        the share of cells filled and n the mean seeds per cell. Trays without a seed say nothing; 0
        where no other is there.
    """
    mean = np.array([sowings[code].mean for code in trays["sowing"]])
    cells, seeds = trays["cells"].to_numpy(dtype=float), trays["seeds"].to_numpy(dtype=float)
    seeds = np.where(np.isnan(seeds), mean * cells, seeds)
    emerged, filled = trays["emerged"].to_numpy(dtype=float), trays["filled"].to_numpy(dtype=float)
    sown = seeds > 0
    counted = sown & ~np.isnan(emerged)
    if counted.any():
        return float(min(emerged[counted].sum() / seeds[counted].sum(), 1.0))
    if not sown.any():
        return 0.0
    return float(
        1 - (1 - filled[sown].sum() / cells[sown].sum()) ** (cells[sown].sum() / seeds[sown].sum())
    )
