"""Emergence and timing of each lot, with ranges."""

from germstats.engine.fit import EmergenceFit, FitSpec, fit_emergence

__all__ = ["EmergenceFit", "FitSpec", "fit_emergence"]
