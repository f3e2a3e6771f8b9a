"""Results written by hand for the tests of figures, and a small fit."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from germstats.engine.fit import EmergenceFit, FitSpec, fit_emergence
from germstats.forecast.demand import Losses
from germstats.forecast.later_losses import fixed_losses
from germstats.forecast.order_plan import OrderPlan, OrderRow, OrderSpec
from germstats.forecast.plan_parts import Ready
from germstats.maps.tray_map import TrayMap
from germstats.questions.backtest.result import BackTest
from germstats.questions.backtest.scores import TrayTest, score
from germstats.questions.compare.comparison import (
    CompareSpec,
    Comparison,
    ComparisonRow,
    ComparisonVerdict,
)
from germstats.questions.watch.spec import LotWatch, Watch, WatchSpec
from tests.made_patterns import made_patterns

HOSTILE = (
    "<script>alert(1)</script>",
    '$\\frac{$ & "it\'s"',
    "=cmd()",
    "\U0001f331\U0001f98a seed",
    "بذور 12",
    "a\x00b\x1bc\u202ed\nline two",
    "",
    "x" * 300,
    "con",
)
"""Names as someone might type them into a record book."""


def day(text: str) -> pd.Timestamp:
    return pd.Timestamp(text)


def small_fit(lot: str = "A-1") -> EmergenceFit:
    """One tray under grit of which 40 of 72 single seeds came, and two under none, of which 60 and
    40 did.
    """
    fit = made_fit((40, 60, 40))
    patterns = replace(fit.patterns, trays=fit.patterns.trays.assign(lot=lot))
    return replace(fit, rows=tuple(replace(row, lot=lot) for row in fit.rows), patterns=patterns)


@cache
def made_fit(came: tuple[int, ...], looks: int = 2) -> EmergenceFit:
    """A fit of lot E: the first tray under grit, others under none; looked at on day 200 only, or
    on more.
    """
    trays = [
        {
            "lot": "E",
            "treatment": name,
            "cover": name,
            "emerged": float(k),
            "filled": float(k),
            "looks": looks,
        }
        for name, k in zip(("grit", *["none"] * len(came)), came, strict=False)
    ]
    seen = [int(tray["emerged"]) for tray in trays]  # type: ignore[arg-type]
    times = [
        row
        for t, k in enumerate(seen)
        if k
        for row in ((t, 70, 80, k // 2), (t, 80, 90, k - k // 2))
    ]
    if looks == 1:
        times = [(t, 0, 200, k) for t, k in enumerate(seen) if k]
    ends = [
        row
        for t, k in enumerate(seen)
        for row in ((t, 0, 1, 200, "counts", k), (t, 0, 0, 200, "counts", 72 - k))
    ]
    patterns = made_patterns(trays, times, [row for row in ends if row[-1]])
    return fit_emergence(patterns)


def comparison(species: str = "AAA") -> Comparison:
    """Better, probably worse, the same, cannot tell, refused, and one over all."""
    told = (
        ("grit", 14.0, 5.0, 22.0, ComparisonVerdict.BETTER),
        ("sand", -12.0, -23.0, -1.0, ComparisonVerdict.PROBABLY_WORSE),
        ("perlite", 1.0, -6.0, 7.0, ComparisonVerdict.SAME),
        ("bark", 3.0, -20.0, 26.0, ComparisonVerdict.CANNOT_TELL),
    )
    rows = [_pair(species, *one) for one in told]
    refused = ComparisonRow(
        species=species,
        treatment="cover",
        reference="none",
        level="clay",
        trays=(1, 1),
        seeds=(72, 72),
        emerged=(5, 9),
        filled=(5, 9),
        notes=("one tray",),
    )
    over = _pair(
        None, "grit", points=9.0, low=-4.0, high=21.0, verdict=ComparisonVerdict.CANNOT_TELL
    )
    return Comparison((*rows, refused, over), (), (), CompareSpec())


def _pair(
    species: str | None,
    level: str,
    points: float,
    low: float,
    high: float,
    verdict: ComparisonVerdict,
) -> ComparisonRow:
    return ComparisonRow(
        species=species,
        treatment="cover",
        reference="none",
        level=level,
        trays=(4, 4),
        seeds=(288, 288),
        emerged=(100, 140),
        filled=(100, 140),
        points=points,
        points_low=low,
        points_high=high,
        verdict=verdict,
    )


def spring(lots: int = 3, name: str = "L") -> Watch:
    """On 1 April one lot is to come, one is half there, one is done; then round again."""
    on = day("2026-04-01")
    one = (
        (on, day("2026-04-12")),
        (day("2026-04-10"), day("2026-04-30")),
        (day("2026-04-20"), day("2026-05-16")),
    )
    two = (on, on), (on, day("2026-04-04")), (day("2026-04-06"), day("2026-04-20"))
    three = (on, on), (on, on), (on, on)
    rows = tuple(
        LotWatch(f"{name}{k}", "AAA", 2, 144, seen, 90, 100.5, 120, *windows, give_up)
        for k, (seen, windows, give_up) in enumerate(
            [(0, one, day("2026-05-10")), (50, two, day("2026-04-22")), (120, three, None)]
            * (lots // 3)
        )
    )
    return Watch(
        spec=WatchSpec(on),
        spring=2026,
        rows=(),
        lots=rows,
        orders=(),
        weather=(),
        plug_value=1.0,
        first_springs=(),
    )


def plan(name: str = "Q-1") -> OrderPlan:
    """Three lines: in time, late, and without a date."""
    lines = (
        (name, "AAA", Ready(day("2027-03-05"), day("2027-04-02"), 0.99), day("2027-06-01")),
        ("Q-2", "BBB", Ready(day("2027-04-20"), day("2027-05-20"), 0.4), day("2027-05-01")),
        ("Q-3", "CCC", Ready(notes=("no timing on record",)), None),
    )
    rows = tuple(
        OrderRow(
            order=order,
            species=species,
            plugs=100,
            due=due,
            sowings=(),
            chance=0.9,
            worst_season=None,
            worst_chance=None,
            expected_plugs=110.0,
            plugs_low=90,
            plugs_high=130,
            trays_for=(),
            trays_alone=2,
            pencil_trays=None,
            pencil_chance=None,
            ready=ready,
            cost=None,
            losses=Losses(
                share=0.05,
                source="",
                tray_low=0.0,
                tray_high=0.1,
                tray_sd=0.02,
                spring_sd=0.02,
                law=fixed_losses(0.05),
            ),
            short=False,
            rationed=False,
            notes=(),
            of_lots=(),
        )
        for order, species, ready, due in lines
    )
    return OrderPlan(
        rows=rows,
        store=(),
        collecting=(),
        set_aside=(),
        season=2027,
        spec=OrderSpec(),
        chance_of_all=0.8,
    )


def past(trays: int = 12, lot: str = "L1") -> BackTest:
    """Trays of two seasons; every fourth falls short of our range, every second leaves the
    pencil's.
    """
    rows = tuple(
        TrayTest(
            72,
            65,
            2.0,
            40.0 + k % 7,
            20 + k % 7,
            60,
            0.9,
            0.3,
            50.0,
            45,
            55,
            0.9,
            0.5,
            f"T{k:03d}",
            2025 if k < trays // 2 else 2026,
            "AAA",
            lot,
            "grit",
            "lot",
            10 if k % 4 == 0 else 50 if k % 2 == 0 else 58,
        )
        for k in range(trays)
    )
    names = sorted({row.season for row in rows})
    seasons = tuple(score(str(name), [row for row in rows if row.season == name]) for name in names)
    return BackTest(
        rows=rows,
        set_aside=(),
        left_out={},
        seasons=seasons,
        lots=(score(lot, rows),),
        bases=(),
        overall=score("all", rows),
        first_season=2024,
        spec=FitSpec(),
        target=0.9,
        level=0.9,
    )


def tray_map(filled: float = 1.0, tray: str = "T-7") -> TrayMap:
    """Six rows of twelve, all with the same number but one cell unknown."""
    emerged = np.full((6, 12), filled)
    emerged[0, 0] = np.nan
    nothing = np.full((6, 12), np.nan)
    return TrayMap(
        tray=tray,
        rows=6,
        columns=12,
        sown=np.full((6, 12), 2.0),
        emerged=emerged,
        lost=nothing,
        counted=True,
        overfull_above=np.full((6, 12), 2.0),
    )
