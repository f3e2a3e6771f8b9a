"""Final counts of trays under fixed effects and tray and lot effects, as the pooled engine takes
them.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize
from scipy.special import gammaln

from germstats.engine.arrays import compile_patterns
from germstats.engine.hierarchy import Hierarchy, Part, VarianceComponents, start_state
from germstats.engine.laplace import BetaPrior, find_pooled_mode
from germstats.engine.timing import LOG_NORMAL
from tests.made_patterns import made_patterns

_FOREVER = 1e9


def binomial_hierarchy(emerged, seeds, fixed, lot) -> Hierarchy:
    """Trays (sorted by lot) with `emerged` of `seeds`, design (T, F) and lot codes; nothing is said
    of time.
    """
    finishes = [
        (code, 0, seen, _FOREVER, "counts", count)
        for code, (came, sown) in enumerate(zip(emerged, seeds, strict=True))
        for seen, count in ((0, sown - came), (1, came))
        if count
    ]
    data = compile_patterns(made_patterns([{} for _ in emerged], finishes=finishes))
    design = np.zeros((len(emerged), 3, fixed.shape[1] + 2))
    design[:, 0, :-2], design[:, 1, -2], design[:, 2, -1] = fixed, 1.0, 1.0
    everyone = np.arange(len(emerged))
    return Hierarchy(
        parts=(Part(everyone, data, LOG_NORMAL, "sowing"),),
        design=design,
        group=everyone,
        lot=np.asarray(lot),
        delayed=np.zeros(len(emerged), bool),
    )


def prior_of(hierarchy: Hierarchy, held=None, species=0) -> BetaPrior:
    """Flat fixed effects, or all of them held at given values; time's two columns have a law of
    their own, and so many columns before them are effects of species.
    """
    size = hierarchy.design.shape[2]
    mean, sd = np.zeros(size), np.full(size, np.inf)
    of_species = np.zeros(size, bool)
    of_species[size - 2 - species : size - 2] = True
    sd[-2:] = 1.0
    if held is not None:
        mean[:-2], sd[:-2] = held, 1e-6
    return BetaPrior(mean, sd, np.zeros(size, bool), {"species": of_species})


def components_of(tray: float, lot: float, species: float = 1.0) -> VarianceComponents:
    return VarianceComponents(
        tray=tray, tray_time=1.0, lot=lot, lot_time=1.0, rho=0.0, species=species
    )


def criterion(hierarchy: Hierarchy, components: VarianceComponents, held=None, species=0):
    """Laplace's log-likelihood, and the mode: fixed effects integrated (restricted), or held."""
    prior = prior_of(hierarchy, held, species)
    mode = find_pooled_mode(hierarchy, prior, components, start_state(hierarchy, prior.mean.copy()))
    assert mode.converged
    inside = 0 if held is not None else hierarchy.design.shape[2] - 2 - species
    return mode.criterion + inside / 2 * np.log(2 * np.pi), mode


def ways(emerged, seeds) -> float:
    """Log of the binomial coefficients, which the compared software includes."""
    emerged, seeds = np.asarray(emerged, float), np.asarray(seeds, float)
    return float((gammaln(seeds + 1) - gammaln(emerged + 1) - gammaln(seeds - emerged + 1)).sum())


def maximise(loss, start):
    """A local minimum by a method that needs no gradient, from a start that is not the answer."""
    options = {"xatol": 1e-7, "fatol": 1e-10, "maxiter": 4000, "maxfev": 4000, "adaptive": True}
    rough = minimize(loss, start, method="Nelder-Mead", options=options)
    return minimize(loss, rough.x, method="Nelder-Mead", options=options)
