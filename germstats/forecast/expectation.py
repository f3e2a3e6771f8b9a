"""What to expect of trays by the rest of the records: a lot is not to be judged by itself.

The trays are taken out of the records, effects solved again (`leave_out`) at the scatters the whole
nursery taught, and each tray forecast twice: in an ordinary spring, and in the spring that the
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
    """A tray to be forecast.

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
    """What is to be expected of trays of a lot, by all others.

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
        if rest is None:
            return None
        return _expected(known, rest, lot=lot, asks=asks, rng=np.random.default_rng(seed))


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


def _expected(
    known: LeaveOut, rest: Remainder, lot: str, asks: Sequence[TrayAsk], rng: np.random.Generator
) -> Expected:
    """What the remainder says of T trays of one lot."""
    pooled, group, season = known.pooled, asks[0].key.group, asks[0].key.season
    family = _family(known, rest, group)
    lot_at = rest.lots.index(lot) if lot in rest.lots else -1

    # the trays in an ordinary spring first, then the same in the spring of the others
    trays = len(asks)
    in_its_spring = [_solved_key(ask.key, family) for ask in asks]
    in_any_spring = [replace(key, season=None, place=None) for key in in_its_spring]
    keys = in_any_spring + in_its_spring
    forms = rest.forms(np.array([pooled.design.columns.row(key) for key in keys]))  # (2T, 3, P)

    values = _joint_draws(rest.law, forms, lot_at, rng)  # (N, 2T, 3)
    scales = _scales(pooled, rng)
    unknown = _unknown_effects(family, pooled, asks=asks, scales=scales, lot_at=lot_at, rng=rng)
    new_spring = pooled.scatter.season * rng.standard_normal((_DRAWS, 1))

    share, time, log_sigma = (values[:, trays:, part] for part in range(3))
    mates = share + unknown.own[..., 0] + unknown.spring[:, :1]
    ordinary = values[:, :trays, 0] + unknown.own[..., 0] + new_spring
    time = time + unknown.own[..., 1] + unknown.spring[:, 1:] + unknown.trays[..., 1]
    if family.timed:
        out = _out(pooled, group, asks=asks, time=time, log_sigma=log_sigma)
        log_time = _middle_time(pooled, group, time, log_sigma)
    else:
        out, log_time = np.ones_like(time), np.full_like(time, np.nan)

    middle = forms[:, 0] @ rest.law.middle.beta
    placed = any(name[0] == "place" for name in family.at)
    years = [year for springs in family.springs.values() for year in springs]
    others = {name: springs for name, springs in family.springs.items() if name != lot}
    return Expected(
        ordinary=ordinary + unknown.trays[..., 0],
        mates=mates + unknown.trays[..., 0],
        middle=mates.mean(axis=0),
        out=out,
        log_time=log_time,
        rho=scales["rho"],
        tray_sd=np.hypot(scales["tray"], scales["place"] if placed else 0.0),
        tray_time_sd=scales["tray_time"],
        slope=_slope(rest, family, season),
        spring=float((middle[trays:] - middle[:trays]).mean()),
        sister=any(season in springs for springs in others.values()),
        earlier=any(year < (season or 0) for year in years),
        lots=len(others),
    )


def _solved_key(key: TrayKey, family: _Family) -> TrayKey:
    """A treatment never tried with the species starts from the only one that was, if there
    is one.
    """
    return replace(key, label=next(iter(family.labels))) if len(family.labels) == 1 else key


def _joint_draws(law: NormalLaw, forms: Array, lot_at: int, rng: np.random.Generator) -> Array:
    """(N, F, 3) joint draws of F design rows; those of a lot known from other seasons share its
    effects.
    """
    rows, found = len(forms), law.elimination
    pull, mean = forms.copy(), forms @ law.middle.beta  # (F, 3, P), (F, 3)
    if lot_at >= 0:
        pull[:, :2] -= found.lot_pull[lot_at]
        mean[:, :2] += law.middle.lots[lot_at]
    half = solve_triangular(
        found.factor, pull.reshape(3 * rows, -1).T, trans="T", check_finite=False
    )
    about = (rng.standard_normal((_DRAWS, len(half))) @ half).reshape(_DRAWS, rows, 3)
    draws = mean + about
    if lot_at >= 0:
        root = np.linalg.cholesky(found.lot_inverse[lot_at])
        draws[:, :, :2] += (rng.standard_normal((_DRAWS, 2)) @ root.T)[:, None]
    return np.asarray(draws)


def _scales(pooled: PooledFit, rng: np.random.Generator) -> dict[str, Array]:
    weight = np.array([draw.weight for draw in pooled.draws])
    picked = rng.choice(len(weight), _DRAWS, p=weight / weight.sum())
    names = ("tray", "tray_time", "lot", "lot_time", "rho", "place")
    return {
        name: np.array([getattr(pooled.draws[k].components, name) for k in picked])
        for name in names
    }


@dataclass(frozen=True)
class _UnknownEffects:
    """Effects that the rest cannot know, on share and time.

    Attributes
    ----------
    own : (N, T, 2) array
        Of the lot with its treatments.
    spring : (N, 2) array
        Of the spring, beyond what the others say about it.
    trays : (N, T, 2) array
        Of trays and places never seen.
    """

    own: Array
    spring: Array
    trays: Array


def _unknown_effects(
    family: _Family,
    pooled: PooledFit,
    asks: Sequence[TrayAsk],
    scales: dict[str, Array],
    lot_at: int,
    rng: np.random.Generator,
) -> _UnknownEffects:
    own = _lot_and_treatments(family, asks, scales=scales, new_lot=lot_at < 0, rng=rng)
    spring = _spring_beyond(family, pooled, asks[0].key, rng)
    trays = _trays_and_places(family, asks, scales, rng)
    return _UnknownEffects(own, spring, trays)


def _lot_and_treatments(
    family: _Family,
    asks: Sequence[TrayAsk],
    scales: dict[str, Array],
    new_lot: bool,
    rng: np.random.Generator,
) -> Array:
    """(N, T, 2) effects of a species, a lot and treatments of which the rest has no tray."""
    effects = np.zeros((_DRAWS, len(asks), 2))
    if ("species", SHARE, asks[0].key.group) not in family.at:
        effects += (rng.standard_normal((_DRAWS, 2)) * [SPECIES_SD, _TIME_SD])[:, None]
    if new_lot:
        sds = np.column_stack([scales["lot"], scales["lot_time"]])
        effects += (rng.standard_normal((_DRAWS, 2)) * sds)[:, None]
    asked = {str(ask.key.label) for ask in asks}
    untried = sorted(asked - family.labels) if family.labels else []
    for label in untried:
        under = [k for k, ask in enumerate(asks) if ask.key.label == label]
        sds_of_treatment = [TREATMENT_SD, TREATMENT_TIME_SD]
        effects[:, under] += (rng.standard_normal((_DRAWS, 2)) * sds_of_treatment)[:, None]
    return effects


def _spring_beyond(
    family: _Family, pooled: PooledFit, key: TrayKey, rng: np.random.Generator
) -> Array:
    """(N, 2) effects of the spring of which the rest has no tray: half the variance is common to
    all species, half each species' own.
    """
    effects = np.zeros((_DRAWS, 2))
    for what, sd in enumerate((pooled.scatter.season, pooled.scatter.season_time)):
        for name in (
            ("season", what, key.season),
            ("species in season", what, key.group, key.season),
        ):
            if name not in family.at:
                effects[:, what] += sd / np.sqrt(2) * rng.standard_normal(_DRAWS)
    return effects


def _trays_and_places(
    family: _Family,
    asks: Sequence[TrayAsk],
    scales: dict[str, Array],
    rng: np.random.Generator,
) -> Array:
    """(N, T, 2) effects of trays never seen, and of places without another tray that spring."""
    sds = np.stack([scales["tray"], scales["tray_time"]], axis=1)
    effects = rng.standard_normal((_DRAWS, len(asks), 2)) * sds[:, None]
    if not any(name[0] == "place" for name in family.at):
        return effects
    for place in sorted({str(ask.key.place) for ask in asks}):
        if ("place", SHARE, asks[0].key.season, place) not in family.at:
            there = [k for k, ask in enumerate(asks) if ask.key.place == place]
            effects[:, there, 0] += (scales["place"] * rng.standard_normal(_DRAWS))[:, None]
    return effects


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
