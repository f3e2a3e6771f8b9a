"""One simulated tray that something may have happened to: how it grows, and what the grower writes
down of it.

All numbers are invented. Seeds of a cell share a beta-distributed chance; times are log-normal in
days from 1 February.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from germstats.engine.timing import Array
from germstats.maps.tray_map import TrayMap
from germstats.maps.tray_scans import Marks, outer_cells

ROWS, COLUMNS = 6, 12
CELLS = ROWS * COLUMNS
SIGMA = 0.22
"""Sd of log time between the seeds of a tray."""
SPRING_DAYS = 181.0
_USUAL_LOSS = 0.05
_LANDS = 0.5  # share of washed seed that comes to rest in a cell beside the strip


@dataclass(frozen=True)
class TrayPlan:
    """What is to become of a tray.

    Attributes
    ----------
    tray, lot, species : str
    season : int
    seeds : int
        Per cell.
    share : float
        Of seeds that emerge, after all that befell the whole lot.
    mu, late : float
        Mean log days, and days added for a late spring.
    rho : float
        How alike the seeds of a cell fare.
    checks : tuple of float
        Days from 1 February.
    cover : str
    depth_mm : float
        NaN where none.
    causes : dict of str to float
        What befell this tray, with its size: ``tray``, ``dry``, ``damp``, ``miscount`` the share
        hit; ``mouse`` the cells of the block; ``wash`` the columns of the strip.
    edge : float
        Added to the logit share of the outer cells.
    record : {"cells", "totals", "maps"}
        Seedlings are counted by cell; filled cells of the whole tray; the same with one map at the
        last check.
    note : str
    """

    tray: str
    lot: str
    species: str
    season: int
    seeds: int
    share: float
    mu: float
    late: float
    rho: float
    checks: tuple[float, ...]
    cover: str = "none"
    depth_mm: float = np.nan
    causes: dict[str, float] = field(default_factory=dict)
    edge: float = 0.0
    record: str = "cells"
    note: str = ""


@dataclass(frozen=True)
class TrayFacts:
    """What the records tell of a tray, and what really happened.

    Attributes
    ----------
    plan : TrayPlan
    seen_map : TrayMap or None
        None where only totals were written.
    emerged : (K, 72) int array or None
        Seedlings ever seen by check and cell, as written (it may fall); None where cells were not
        counted.
    standing : (K,) array
        By check: living seedlings where cells were counted, else filled cells.
    at_once : int
        The most that went between two checks.
    filled : int
        Cells ever filled, as the records tell it.
    lost, ever : int
        Lost after coming up, and of how many: seedlings by cell, else how far the filled cells of
        the tray ever fell below the most there had been.
    falls : int
        Cells whose count falls.
    sudden : bool
        A fifth or more vanished between two checks, nothing before or after.
    events : tuple of str
        Words of the events table.
    stopped : bool
        Its records are impossible (falling, or above what was sown) and keep it out of the
        estimates.
    finally_filled : int
        Cells that really ever filled by the end of the spring.
    hurt : dict of str to float
        By cause of this tray, the share of filled cells (of seedlings for ``damp``, of cells for
        ``miscount``) it cost.
    damped : float
        The share of the seedlings out by the last check that had damped off or died otherwise by
        then; 0 where nothing damps off.
    """

    plan: TrayPlan
    seen_map: TrayMap | None
    emerged: np.ndarray | None
    standing: Array
    at_once: int
    filled: int
    lost: int
    ever: int
    falls: int
    sudden: bool
    events: tuple[str, ...]
    stopped: bool
    finally_filled: int
    hurt: dict[str, float]
    damped: float


def grow_and_look(plan: TrayPlan, rng: np.random.Generator) -> TrayFacts:
    """Let a tray grow and write down what the grower sees.

    Parameters
    ----------
    plan : TrayPlan
    rng : numpy.random.Generator

    Returns
    -------
    TrayFacts
    """
    days = _emergence(plan, rng)
    hurt: dict[str, float] = {}
    for cause, befall in (
        ("tray", _thinned),
        ("mouse", _eaten),
        ("dry", _dried),
        ("wash", _washed),
    ):
        if cause in plan.causes:
            before = _filled(days)
            days = befall(days, plan.causes[cause], rng)
            hurt[cause] = 1 - _filled(days) / max(before, 1)
    gone = _deaths(plan, days, rng)
    if "damp" in plan.causes:
        hurt["damp"] = _dead(days, gone, SPRING_DAYS)
    return _written(plan, days, gone=gone, hurt=hurt, rng=rng)


def _dead(days: Array, gone: Array, out_by: float, dead_by: float = np.inf) -> float:
    """Share of the seedlings out by one day that die by another, at any time by default."""
    out = days <= out_by
    return float((out & np.isfinite(gone) & (gone <= dead_by)).sum() / max(int(out.sum()), 1))


def _filled(days: Array) -> int:
    return int((days <= SPRING_DAYS).any(axis=1).sum())


def _emergence(plan: TrayPlan, rng: np.random.Generator) -> Array:
    """(72, n) days from 1 February on which each seed emerges; inf for never."""
    outer = outer_cells(ROWS, COLUMNS).ravel()
    share = 1 / (1 + np.exp(-(np.log(plan.share / (1 - plan.share)) + plan.edge * outer)))
    t = plan.rho / (1 - plan.rho)
    chance = rng.beta(share / t, (1 - share) / t) if t > 0 else share
    comes = rng.random((CELLS, plan.seeds)) < chance[:, None]
    days = plan.late + np.exp(plan.mu + SIGMA * rng.standard_normal((CELLS, plan.seeds)))
    return np.where(comes, days, np.inf)


def _thinned(days: Array, share: float, rng: np.random.Generator) -> Array:
    return np.where(rng.random(days.shape) < share, np.inf, days)


def _dried(days: Array, share: float, rng: np.random.Generator) -> Array:
    dies = (rng.random(CELLS) < share) & outer_cells(ROWS, COLUMNS).ravel()
    return np.where(dies[:, None], np.inf, days)


def _eaten(days: Array, cells: float, rng: np.random.Generator) -> Array:
    """A block from an edge, of about so many cells."""
    high = int(rng.integers(3, 6))
    wide = int(np.clip(round(cells / high), 2, COLUMNS - 2))
    top = int(rng.choice([0, ROWS - high]))
    left = int(rng.integers(0, COLUMNS - wide + 1))
    block = np.zeros((ROWS, COLUMNS), dtype=bool)
    block[top : top + high, left : left + wide] = True
    return np.where(block.ravel()[:, None], np.inf, days)


def _washed(days: Array, columns: float, rng: np.random.Generator) -> Array:
    """A strip from side to side goes bare; half of its seed comes to rest in the cells on both
    sides.
    """
    wide = int(columns)
    first = int(rng.integers(1, COLUMNS - wide))
    grid = days.reshape(ROWS, COLUMNS, -1)
    moved = np.full((ROWS, COLUMNS, wide * grid.shape[2]), np.inf)
    strip = np.where(
        rng.random((ROWS, wide, grid.shape[2])) < _LANDS, grid[:, first : first + wide], np.inf
    )
    half = (wide + 1) // 2
    for part, beside in ((strip[:, :half], first - 1), (strip[:, half:], first + wide)):
        flat = part.reshape(ROWS, -1)
        moved[:, beside, : flat.shape[1]] = flat
    bare = grid.copy()
    bare[:, first : first + wide] = np.inf
    return np.concatenate([bare, moved], axis=2).reshape(CELLS, -1)


def _deaths(plan: TrayPlan, days: Array, rng: np.random.Generator) -> Array:
    """Days on which seedlings die after they came; inf for those that live."""
    after = np.where(
        rng.random(days.shape) < _USUAL_LOSS, rng.uniform(7.0, 40.0, days.shape), np.inf
    )
    if "damp" in plan.causes:
        hit = _patches(plan.causes["damp"], rng)
        dies = hit[:, None] & (rng.random(days.shape) < 0.9)
        after = np.where(dies, rng.uniform(4.0, 20.0, days.shape), after)
    return days + after


def _patches(share: float, rng: np.random.Generator) -> Marks:
    """(72,) bool: the cells nearest to one or two centres."""
    row, column = np.divmod(np.arange(CELLS), COLUMNS)
    centres = rng.integers(0, CELLS, int(rng.integers(1, 3)))
    far = np.min([np.hypot(row - row[c], column - column[c]) for c in centres], axis=0)
    hit = np.zeros(CELLS, dtype=bool)
    hit[np.argsort(far + 1e-6 * rng.random(CELLS))[: round(share * CELLS)]] = True
    return hit


def _written(
    plan: TrayPlan, days: Array, gone: Array, hurt: dict[str, float], rng: np.random.Generator
) -> TrayFacts:
    checks = np.array(plan.checks)[:, None, None]
    ever, alive = (
        (days[None] <= checks).sum(axis=2),
        ((days[None] <= checks) & (gone[None] > checks)).sum(axis=2),
    )
    facts = TrayFacts(
        plan=plan,
        seen_map=None,
        emerged=None,
        standing=np.zeros(0),
        at_once=0,
        filled=0,
        lost=0,
        ever=0,
        falls=0,
        sudden=False,
        events=_events(plan, rng),
        stopped=False,
        finally_filled=_filled(days),
        hurt=dict(hurt),
        damped=_dead(days, gone, plan.checks[-1], plan.checks[-1])
        if "damp" in plan.causes
        else 0.0,
    )
    return (
        _by_cell(facts, ever, alive, rng)
        if plan.record == "cells"
        else _by_tray(facts, ever[-1] > 0, alive)
    )


def _by_cell(
    facts: TrayFacts, ever: np.ndarray, alive: np.ndarray, rng: np.random.Generator
) -> TrayFacts:
    """Seedlings ever seen and standing in every cell; a miscount writes too few into some at the
    last check.
    """
    plan, hurt = facts.plan, facts.hurt
    written = ever.copy()
    if "miscount" in plan.causes:
        can = np.flatnonzero(ever[-2] > 0)
        chosen = rng.permutation(can)[: round(plan.causes["miscount"] * CELLS)]
        written[-1, chosen] = ever[-2, chosen] - 1
        alive = np.minimum(alive, written)
        hurt["miscount"] = len(chosen) / CELLS
    falls = int((np.diff(written, axis=0) < 0).any(axis=0).sum())
    most = written.max(axis=0)
    standing = alive.sum(axis=1).astype(float)
    grids = [
        most.reshape(ROWS, COLUMNS).astype(float),
        (most - alive[-1]).reshape(ROWS, COLUMNS).astype(float),
    ]
    sown = np.full((ROWS, COLUMNS), float(plan.seeds))
    seen = TrayMap(
        tray=plan.tray,
        rows=ROWS,
        columns=COLUMNS,
        sown=sown,
        emerged=grids[0],
        lost=grids[1],
        counted=True,
        overfull_above=sown.copy(),
    )
    return replace(
        facts,
        seen_map=seen,
        emerged=written,
        standing=standing,
        at_once=_at_once(standing),
        filled=int((most > 0).sum()),
        lost=int(grids[1].sum()),
        ever=int(most.sum()),
        falls=falls,
        sudden=_sudden(standing),
        stopped=falls > 0 or bool((most > plan.seeds).any()),
    )


def _by_tray(facts: TrayFacts, filled: Marks, alive: np.ndarray) -> TrayFacts:
    """Filled cells of the tray, perhaps with a map of the empty ones; a miscount writes too few at
    the last check.
    """
    standing = (alive > 0).sum(axis=1).astype(float)
    hurt = facts.hurt
    if "miscount" in facts.plan.causes:
        fewer = min(round(facts.plan.causes["miscount"] * CELLS), int(standing[-1]))
        standing[-1] -= fewer
        hurt["miscount"] = fewer / CELLS
    most = int(standing.max())
    seen = _one_look(facts.plan, filled) if facts.plan.record == "maps" else None
    return replace(
        facts,
        seen_map=seen,
        standing=standing,
        at_once=_at_once(standing),
        filled=most,
        lost=int((np.maximum.accumulate(standing) - standing).max()),
        ever=most,
        sudden=_sudden(standing),
    )


def _one_look(plan: TrayPlan, filled: Marks) -> TrayMap:
    shape = (ROWS, COLUMNS)
    sown, nothing = np.full(shape, float(plan.seeds)), np.full(shape, np.nan)
    grid = filled.reshape(shape).astype(float)
    return TrayMap(
        tray=plan.tray,
        rows=ROWS,
        columns=COLUMNS,
        sown=sown,
        emerged=grid,
        lost=nothing,
        counted=False,
        overfull_above=sown.copy(),
        source="maps",
    )


def _at_once(standing: Array) -> int:
    return int(np.maximum(-np.diff(standing), 0.0).max(initial=0.0))


def _sudden(standing: Array) -> bool:
    """A fifth or more gone between two checks, at least one to ten cells, and hardly any other
    fall.
    """
    falls = np.maximum(-np.diff(standing), 0.0)
    if len(standing) < 3 or not falls.any():
        return False
    worst = int(falls.argmax())
    gone, before = float(falls[worst]), float(standing[: worst + 1].max())
    return gone >= max(0.2 * before, 0.1 * CELLS) and gone >= 0.8 * float(falls.sum())


def _events(plan: TrayPlan, rng: np.random.Generator) -> tuple[str, ...]:
    """What the grower noticed and wrote down: now and then the true cause, hardly ever a mouse that
    was not there.
    """
    noticed = rng.random()
    if "mouse" in plan.causes:
        return ("rodent",) if noticed < 0.3 else ()
    return ("rodent",) if noticed < 0.01 else ()
