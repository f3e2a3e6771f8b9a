"""What a lot not yet sown may do, by either road of the fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtri

from germstats.engine.draws import RowDraws, even_draws
from germstats.engine.estimates import RowEstimate
from germstats.engine.fit import EmergenceFit
from germstats.engine.pooled_rows import row_draws, unknown_species_draws
from germstats.forecast.order import GOLDEN

_LOT_SD, _SPECIES_SD = 0.5, 0.9
"""Scatter of logit shares between lots and between species where nothing was pooled: middle of the
design's prior, and a wide guess (common practice, no source).
"""
_DRAWS = 240


def group_of(row: RowEstimate) -> str:
    """The species of a row; its lot where no species is written down, as the fit treats it."""
    return row.species or row.lot


def new_lot(fit: EmergenceFit, species: str, label: str) -> RowDraws:
    """A lot not yet sown of a known species under one treatment.

    From the pooled fit with a fresh lot effect; without pooling the species' rows under `label`
    mixed evenly, with a lot effect of a stated size.
    """
    rows = [row for row in fit.rows if group_of(row) == species and row.label == label]
    if fit.pooled is not None:
        timed = any(row.draws.time is not None for row in rows)
        return row_draws(fit.pooled, species, label=label, lot=None, timed=timed)
    return _mixed(rows, _LOT_SD)


def unknown_species(fit: EmergenceFit) -> RowDraws:
    """A species never sown: a wide guess from all species of the book."""
    if fit.pooled is not None:
        return unknown_species_draws(fit.pooled)
    return replace(_mixed(list(fit.rows), float(np.hypot(_LOT_SD, _SPECIES_SD))), time=None)


def _mixed(rows: list[RowEstimate], sd: float) -> RowDraws:
    each = max(_DRAWS // len(rows), 8)
    picked = [(row.draws, even_draws(row.draws.weight, each)) for row in rows]
    turned = (
        (np.arange(each * len(rows)) + 0.5) * GOLDEN
    ) % 1.0  # an effect that has nothing to do with theta's order
    theta = np.concatenate([draws.theta[at] for draws, at in picked]) + sd * ndtri(turned)
    rho, tray_sd, season_sd, place_sd = (
        np.concatenate([getattr(draws, name)[at] for draws, at in picked])
        for name in ("rho", "tray_sd", "season_sd", "shared_sd")
    )
    timed = max(rows, key=lambda row: row.trays if row.draws.time else -1).draws
    time = timed.time
    if time is not None:
        at = np.resize(even_draws(timed.weight, _DRAWS), len(theta))
        time = replace(
            time,
            mu=time.mu[at],
            sigma=time.sigma[at],
            tray_sd=time.tray_sd[at],
            season_sd=time.season_sd[at],
        )
    weight = np.full(len(theta), 1 / len(theta))
    return RowDraws(
        theta=theta,
        rho=rho,
        tray_sd=tray_sd,
        season_sd=season_sd,
        weight=weight,
        time=time,
        place_sd=place_sd,
    )
