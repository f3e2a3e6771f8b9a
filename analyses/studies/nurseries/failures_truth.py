"""What really happened to the lots of a simulated nursery, and what of it records like theirs can
show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from germstats.forecast.tray import empty_share
from germstats.records.seeds import SowingRate
from nurseries.failures_trays import CELLS, TrayFacts
from nurseries.failures_world import FailureSpec, LotDraw, SpringDraw, lot_share

_HIDEABLE = ("mouse", "wash", "dry")


@dataclass(frozen=True)
class LotTruth:
    """What really happened to a lot in the last spring.

    Attributes
    ----------
    lot, species : str
    causes : tuple of str
        Empty where nothing did.
    detectable : tuple of str
        Those of `causes` that records like these can show, by the truth only.
    hidden : tuple of str
        Those that the design counts as detectable too, but that something hides: an accident to a
        tray that something else left half empty, seedlings that damped off after the last check,
        and short cold where no earlier season tells of it (sister lots had the same winter, and a
        test tells of the seed) and no weather is written down.
    share, real_share : float
        Share of its seeds that emerge in an average tray of an ordinary spring, and after what
        befell the whole lot in the spring it had.
    earlier : bool
        It was sown in an earlier spring.
    trays : tuple of str
    decoys : tuple of str
    """

    lot: str
    species: str
    causes: tuple[str, ...]
    detectable: tuple[str, ...]
    hidden: tuple[str, ...]
    share: float
    real_share: float
    earlier: bool
    trays: tuple[str, ...]
    decoys: tuple[str, ...]


def lot_truth(
    lot: LotDraw, spring: SpringDraw, trays: Sequence[TrayFacts], spec: FailureSpec, earlier: bool
) -> LotTruth:
    """The truth of one lot; `trays` are those of the last spring, `earlier` whether its species
    stood in another.
    """
    deep = [one.plan.cover == "sand" for one in trays]
    real = float(np.mean([lot_share(lot, spring, one, last=True) for one in deep]))
    share, sisters, still = float(expit(lot.logit)), spec.lots > 1, replace(spring, logit=0.0)
    out = (
        min(one.filled / max(one.finally_filled, 1) for one in trays)
        if "unfinished" in lot.causes
        else 1.0
    )
    left = out * float(np.mean([lot_share(lot, still, one, last=True) for one in deep]))
    whole = [_Hurt(one.hurt, share, share) for one in trays]
    shown = [
        _Hurt({**one.hurt, "damp": one.damped}, left, left * (1 - one.plan.causes.get("tray", 0.0)))
        for one in trays
    ]
    known = earlier or sisters or spec.tests
    seen = tuple(
        cause
        for cause in lot.causes
        if _detectable(cause, lot, trays=trays, hurts=shown, earlier=earlier, spec=spec)
    )
    hidden = tuple(
        cause
        for cause in lot.causes
        if cause not in seen
        and _detectable(cause, lot, trays=trays, hurts=whole, earlier=known, spec=spec)
    )
    names = tuple(one.plan.tray for one in trays)
    return LotTruth(
        lot=lot.lot,
        species=lot.species.code,
        causes=lot.causes,
        detectable=seen,
        hidden=hidden,
        share=share,
        real_share=real,
        earlier=lot.earlier,
        trays=names,
        decoys=lot.decoys,
    )


def _fill(share: float, spec: FailureSpec) -> float:
    rate = SowingRate("counted", (spec.seeds,), float(spec.seeds))
    return 1 - float(empty_share(np.array([share]), np.array([spec.world.rho]), rate)[0])


@dataclass(frozen=True)
class _Hurt:
    """What accidents cost a tray, by cause, and the share of its seeds that would emerge without
    any, and with what happened to the tray as a whole.
    """

    cost: dict[str, float]
    share: float
    thinned: float


def _detectable(
    cause: str,
    lot: LotDraw,
    trays: Sequence[TrayFacts],
    hurts: Sequence[_Hurt],
    earlier: bool,
    spec: FailureSpec,
) -> bool:
    """Could records like these show the cause? By the truth only, not by what the review makes of
    it.

    A bare place is seen against what its tray would have filled without it, short cold against
    `earlier` winters.
    """
    ordinary = float(expit(lot.logit))
    hurt = max((one.cost.get(cause, 0.0) for one in hurts), default=0.0)
    if cause in ("seed", "chill"):
        known = earlier if cause == "chill" else spec.lots > 1 or lot.earlier or spec.tests
        return known and _far_down(lot, lot.factor[cause], len(trays), spec)
    if cause == "cover":
        deep = {one.plan.cover == "sand" for one in trays}
        return (
            len(deep) == 2
            and 1 - _fill(ordinary * lot.factor["cover"], spec) / _fill(ordinary, spec) >= 0.25
        )
    if cause == "tray":
        return len(trays) > 1 and any(
            one.cost.get(cause, 0.0) >= 0.35
            and (one.share >= 0.99 * ordinary or _fill(one.share, spec) >= 0.5)
            for one in hurts
        )
    if cause in _HIDEABLE:
        return spec.record != "totals" and any(
            one.cost.get(cause, 0.0) >= 0.15 and _fill(one.thinned, spec) >= 0.5 for one in hurts
        )
    if cause == "damp":
        return hurt >= 0.25
    if cause == "miscount":
        return hurt >= 0.20
    return max(one.finally_filled - one.filled for one in trays) >= 0.20 * CELLS  # unfinished


def _far_down(lot: LotDraw, factor: float, trays: int, spec: FailureSpec) -> bool:
    """Fill 15 points down, and its logit by 2.33 predictive sds of a lot mean."""
    world, share = spec.world, float(expit(lot.logit))
    before, after = _fill(share, spec), _fill(share * factor, spec)
    drop = np.log(before / (1 - before)) - np.log(after / (1 - after))
    slope = spec.seeds * share / before  # of logit fill on logit share, where seeds fare alone
    spread = slope * (world.lot**2 + world.season**2 + world.tray**2 / trays) ** 0.5
    return before - after >= 0.15 and float(drop) >= 2.33 * spread
