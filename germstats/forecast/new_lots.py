"""What a lot not yet sown may do."""

from __future__ import annotations

from germstats.engine.draws import RowDraws
from germstats.engine.estimates import RowEstimate
from germstats.engine.fit import EmergenceFit
from germstats.engine.pooled_rows import row_draws, unknown_species_draws


def group_of(row: RowEstimate) -> str:
    """The species of a row; its lot where no species is written down, as the fit treats it."""
    return row.species or row.lot


def new_lot(fit: EmergenceFit, species: str, label: str) -> RowDraws:
    """Draws for a lot not yet sown of a known species under one treatment: a fresh lot effect.

    Parameters
    ----------
    fit : EmergenceFit
    species : str
        As `group_of` names it.
    label : str
        The treatment in words.
    """
    rows = [row for row in fit.rows if group_of(row) == species and row.label == label]
    timed = any(row.draws.time is not None for row in rows)
    return row_draws(fit.pooled, species, label=label, lot=None, timed=timed)


def unknown_species(fit: EmergenceFit) -> RowDraws:
    """Draws for a species never sown: a wide guess from all species of the book."""
    return unknown_species_draws(fit.pooled)
