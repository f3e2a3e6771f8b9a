"""What went less than well in a fit: facts for whoever says them beside an answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from germstats.engine.component_draws import ComponentDraw
from germstats.engine.variance_components import ComponentFit

FEWEST_THAT_COUNT = 0.3
"""Effective share of the draws of the scatters under which ranges hang on few of them; common
practice, no source.
"""
MOST_NOT_ENDED = 0.05
"""Weight of draws at which the effects were not found to the end; more is named.

Common practice, no source.
"""


class TroubleKind(StrEnum):
    """What went less than well."""

    FEW_DRAWS_COUNT = "few draws count"
    SEARCH_NOT_ENDED = "search not ended"
    EFFECTS_NOT_ENDED = "effects not ended"


@dataclass(frozen=True)
class FitTrouble:
    """One thing that went less than well.

    Attributes
    ----------
    kind : TroubleKind
        ``few draws count``: the draws of the scatters are worth few equal ones. ``search not
        ended``: the search for the likeliest scatters stopped short. ``effects not ended``: at some
        draws of the scatters the effects of trays, lots and species were not found to the end.
    share : float or None
        Effective share of the draws, or weight of those draws, 0-1; None for the search.
    """

    kind: TroubleKind
    share: float | None


def trouble_of(
    fits: Sequence[ComponentFit], draws: Sequence[ComponentDraw], effective: float
) -> tuple[FitTrouble, ...]:
    """What of the three there is.

    Parameters
    ----------
    fits : sequence of ComponentFit
        One for each mode of the scatters.
    draws : sequence of ComponentDraw
    effective : float
        Effective number of draws over the number made.

    Returns
    -------
    tuple of FitTrouble
    """
    found = []
    if effective < FEWEST_THAT_COUNT:
        found.append(FitTrouble(TroubleKind.FEW_DRAWS_COUNT, effective))
    if not all(fit.converged for fit in fits):
        found.append(FitTrouble(TroubleKind.SEARCH_NOT_ENDED, None))
    weight = sum(draw.weight for draw in draws if not draw.found.converged)
    if weight > MOST_NOT_ENDED:
        found.append(FitTrouble(TroubleKind.EFFECTS_NOT_ENDED, float(weight)))
    return tuple(found)
