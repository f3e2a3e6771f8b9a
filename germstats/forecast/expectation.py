"""What the rest of the records lets expect of trays left out: a lot is not to be judged by itself.

The trays are taken out of the records, effects solved anew (`leave_out`) at the scatters the whole
nursery taught, and each tray foretold twice: in an ordinary spring, and in the spring that the
others had. How far trays, lots and springs lie apart is drawn with its uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import expit

from germstats.engine.arrays import Index
from germstats.engine.design import SHARE, TREATMENT_SD, TREATMENT_TIME_SD, TrayKey
from germstats.engine.gaussian_vb import NormalLaw
from germstats.engine.lots import groups_of
from germstats.engine.pooled import PooledFit
from germstats.engine.threads import one_thread
from germstats.engine.timing import FAMILIES, Array
from germstats.forecast.leave_out import SPECIES_SD, LeaveOut, Remainder

_DRAWS = 800
# of the log time of a species of which nothing else is on record; common practice, no source
_TIME_SD = 0.5


@dataclass(frozen=True)
class TrayAsk:
    """A tray to be foretold.

    Attributes
    ----------
    key : TrayKey
        Species, treatment, season, place and chill need.
    last_day, origin_days : float
        Days from sowing to its last check, and to 1 February.
    """

    key: TrayKey
    last_day: float
    origin_days: float


@dataclass(frozen=True)
class Expected:
    """What is expected of T trays of one lot, N draws that belong together.

    Attributes
    ----------
    ordinary, mates : (N, T) arrays
        Logit of the share of seeds that emerge in an ordinary spring, and in the spring that the
        others had; lot, tray and place effects in them.
    middle : (T,) array
        Mean logit in the spring of the others without tray effects: what makes trays of the lot
        comparable.
    out : (N, T) array
        Share of what emerges expected to be out by the last check; 1 where no timing is known.
    log_time : (N, T) array
        Log days to the middle seed, tray effects in it; NaN where no timing is known.
    rho, tray_sd, tray_time_sd : (N,) arrays
    slope : (mean, sd) or None
        Of the spring's shortfalls on weeks of chill need, on the logit; None where nothing tells.
    spring : float
        What the spring did to the species' logit, by the others' trays.
    sister, earlier : bool
        Another lot of the species stood beside it this season; the species was sown in an earlier
        one.
    lots : int
        Other lots of the species.
    """

    ordinary: Array
    mates: Array
    middle: Array
    out: Array
    log_time: Array
    rho: Array
    tray_sd: Array
    tray_time_sd: Array
    slope: tuple[float, float] | None
    spring: float
    sister: bool
    earlier: bool
    lots: int

    @property
    def share(self) -> Array:
        """(N, T) share of seeds in an ordinary spring."""
        return np.asarray(expit(self.ordinary))


def expect(
    known: LeaveOut, codes: Index, lot: str, asks: Sequence[TrayAsk], seed: int = 0
) -> Expected | None:
    """Foretell trays of a lot from all others.

    Parameters
    ----------
    known : LeaveOut
        A pooled fit, ready for trays to be left out.
    codes : (C,) int array
        Tray codes in its patterns to be left out, all of the lot's species: the lot's own of that
        season.
    lot : str
    asks : sequence of TrayAsk
        T trays of one lot and season.
    seed : int

    Returns
    -------
    Expected or None
        None where nothing is left without them.
    """
    if not asks:
        return None
    with one_thread():
        rest = known.without(codes, [ask.key for ask in asks])
        return (
            None
            if rest is None
            else _foretold(known, rest, lot=lot, asks=asks, rng=np.random.default_rng(seed))
        )


@dataclass(frozen=True)
class _Family:
    """Other trays of the species, where there are any.

    Attributes
    ----------
    springs : dict of str to set of int
        Lot -> seasons.
    labels : set of str
    timed : bool
        Whether any of its lots tells when seedlings come.
    at : dict
        Common effects of which the rest has a tray -> column.
    """

    springs: dict[str, set[int]]
    labels: set[str]
    timed: bool
    at: dict[tuple[object, ...], int]


def _family(known: LeaveOut, rest: Remainder, group: str) -> _Family:
    trays = known.fit.patterns.trays.iloc[rest.codes]
    own = trays[groups_of(trays) == group]
    springs = {str(lot): {int(year) for year in part} for lot, part in own.groupby("lot")["season"]}
    timed = any(
        lot.timed for lot in known.pooled.design.lots if lot.group == group and lot.lot in springs
    )
    at = {
        name: column for name, column in known.pooled.design.columns.at.items() if rest.told[column]
    }
    return _Family(springs, {str(label) for label in own["treatment"]}, timed, at)


def _foretold(
    known: LeaveOut, rest: Remainder, lot: str, asks: Sequence[TrayAsk], rng: np.random.Generator
) -> Expected:
    pooled, group, season = known.pooled, asks[0].key.group, asks[0].key.season
    family, number = _family(known, rest, group), rest.lots.index(lot) if lot in rest.lots else -1
    keys = [_solved_key(ask.key, family) for ask in asks]
    keys = [replace(key, season=None, place=None) for key in keys] + keys
    trays = len(asks)
    forms = rest.forms(np.array([pooled.design.columns.row(key) for key in keys]))
    values = _drawn(rest.law, forms, number, rng)
    scales = _scales(pooled, rng)
    own, spring, fresh = _fresh(family, pooled, asks=asks, scales=scales, lot=number, rng=rng)
    new_spring = pooled.scatter.season * rng.standard_normal((_DRAWS, 1))
    mates = values[:, trays:, 0] + own[..., 0] + spring[:, :1]
    time = values[:, trays:, 1] + own[..., 1] + spring[:, 1:] + fresh[..., 1]
    middle = forms[:, 0] @ rest.law.middle.beta
    placed = any(name[0] == "place" for name in family.at)
    return Expected(
        ordinary=values[:, :trays, 0] + own[..., 0] + new_spring + fresh[..., 0],
        mates=mates + fresh[..., 0],
        middle=mates.mean(axis=0),
        out=_out(pooled, group, asks=asks, time=time, log_sigma=values[:, trays:, 2])
        if family.timed
        else np.ones_like(time),
        log_time=_middle_time(pooled, group, time, values[:, trays:, 2])
        if family.timed
        else np.full_like(time, np.nan),
        rho=scales["rho"],
        tray_sd=np.hypot(scales["tray"], scales["place"] if placed else 0.0),
        tray_time_sd=scales["tray_time"],
        slope=_slope(rest, family, season),
        spring=float((middle[trays:] - middle[:trays]).mean()),
        sister=any(season in years for name, years in family.springs.items() if name != lot),
        earlier=any(year < (season or 0) for years in family.springs.values() for year in years),
        lots=len(set(family.springs) - {lot}),
    )


def _solved_key(key: TrayKey, family: _Family) -> TrayKey:
    """A treatment never tried with the species starts from the only one that was, if there
    is one.
    """
    return replace(key, label=next(iter(family.labels))) if len(family.labels) == 1 else key


def _drawn(law: NormalLaw, forms: Array, lot: int, rng: np.random.Generator) -> Array:
    """(N, F, 3) joint draws of F design rows; those of a lot known from other seasons share its
    effects.
    """
    size, found = len(forms), law.elimination
    pull, mean = forms.copy(), forms @ law.middle.beta
    if lot >= 0:
        pull[:, :2] -= found.lot_pull[lot]
        mean[:, :2] += law.middle.lots[lot]
    half = solve_triangular(
        found.factor, pull.reshape(3 * size, -1).T, trans="T", check_finite=False
    )
    drawn = mean + (rng.standard_normal((_DRAWS, len(half))) @ half).reshape(_DRAWS, size, 3)
    if lot >= 0:
        root = np.linalg.cholesky(found.lot_inverse[lot])
        drawn[:, :, :2] += (rng.standard_normal((_DRAWS, 2)) @ root.T)[:, None]
    return np.asarray(drawn)


def _scales(pooled: PooledFit, rng: np.random.Generator) -> dict[str, Array]:
    weight = np.array([draw.weight for draw in pooled.draws])
    picked = rng.choice(len(weight), _DRAWS, p=weight / weight.sum())
    names = ("tray", "tray_time", "lot", "lot_time", "rho", "place")
    return {
        name: np.array([getattr(pooled.draws[k].components, name) for k in picked])
        for name in names
    }


def _fresh(
    family: _Family,
    pooled: PooledFit,
    asks: Sequence[TrayAsk],
    scales: dict[str, Array],
    lot: int,
    rng: np.random.Generator,
) -> tuple[Array, Array, Array]:
    """Effects that the rest cannot know, on share and time: of the lot with its treatments (N, T,
    2), of the spring beyond what the others tell of it (N, 2), of trays and places never seen (N,
    T, 2).
    """
    at, key = family.at, asks[0].key
    normal = rng.standard_normal
    own = np.zeros((_DRAWS, len(asks), 2))
    if ("species", SHARE, key.group) not in at:
        own += (normal((_DRAWS, 2)) * [SPECIES_SD, _TIME_SD])[:, None]
    if lot < 0:
        own += (normal((_DRAWS, 2)) * np.column_stack([scales["lot"], scales["lot_time"]]))[:, None]
    for label in (
        sorted({str(ask.key.label) for ask in asks} - family.labels) if family.labels else ()
    ):
        under = [k for k, ask in enumerate(asks) if ask.key.label == label]
        own[:, under] += (normal((_DRAWS, 2)) * [TREATMENT_SD, TREATMENT_TIME_SD])[:, None]
    spring = np.zeros((_DRAWS, 2))
    for what, sd in ((0, pooled.scatter.season), (1, pooled.scatter.season_time)):
        names = ("season", what, key.season), ("species in season", what, key.group, key.season)
        for name in names:
            spring[:, what] += 0.0 if name in at else sd / np.sqrt(2) * normal(_DRAWS)
    trays = (
        normal((_DRAWS, len(asks), 2))
        * np.stack([scales["tray"], scales["tray_time"]], axis=1)[:, None]
    )
    if any(name[0] == "place" for name in at):
        for place in sorted({str(ask.key.place) for ask in asks}):
            if ("place", 0, key.season, place) not in at:
                there = [k for k, ask in enumerate(asks) if ask.key.place == place]
                trays[:, there, 0] += (scales["place"] * normal(_DRAWS))[:, None]
    return own, spring, trays


def _out(
    pooled: PooledFit, group: str, asks: Sequence[TrayAsk], time: Array, log_sigma: Array
) -> Array:
    choice = pooled.choices[group]
    start = np.array([ask.origin_days if choice.origin == "1 February" else 0.0 for ask in asks])
    elapsed = np.maximum(np.array([ask.last_day for ask in asks]) - start, 1e-3)
    return np.asarray(FAMILIES[choice.family].cdf((np.log(elapsed) - time) / np.exp(log_sigma)))


def _middle_time(pooled: PooledFit, group: str, time: Array, log_sigma: Array) -> Array:
    return np.asarray(
        time + FAMILIES[pooled.choices[group].family].quantile(0.5) * np.exp(log_sigma)
    )


def _slope(rest: Remainder, family: _Family, season: int | None) -> tuple[float, float] | None:
    at = family.at.get(("chill", SHARE, season))
    if at is None:
        return None
    form = rest.forms((np.arange(len(rest.told)) == at).astype(float))
    half = solve_triangular(rest.law.elimination.factor, form, trans="T", check_finite=False)
    return float(form @ rest.law.middle.beta), float(np.sqrt(half @ half))
