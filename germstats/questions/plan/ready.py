"""When an order is ready: the K-th plant sets the date, not the median."""

from __future__ import annotations

import numpy as np
import pandas as pd

from germstats.forecast.order import TimedTrays, day_of_plug, never_certain
from germstats.forecast.plan_parts import Ready
from germstats.forecast.seeds_per_cell import FORECAST_LEVEL
from germstats.forecast.springs import TIMED_ROWS
from germstats.questions.plan.allotting import Batch, Batches, PlugsOutlook, benches_of
from germstats.records.checking.parsing import spelled

_RARELY = 0.05


def ready_dates(
    batches: Batches,
    wanted: int,
    due: pd.Timestamp | None,
    outlook: PlugsOutlook,
    grow_weeks: float,
) -> Ready:
    """Range of the day on which the `wanted`-th plant that lives has come up.

    Springs, losses and benches are those of the order's chance; see
    `germstats.forecast.order.day_of_plug`.
    """
    if not batches:
        return Ready()
    if any(batch.source.draws.time is None for batch in batches):
        return Ready(notes=("no timing on record: when it will be ready cannot be told",))
    zero = batches[0].source.sowing_date
    luck = outlook.luck.first(TIMED_ROWS)
    places = benches_of(batches, luck.benches.shape[1], outlook.first)
    trays = [
        TimedTrays(batch.source.draws, batch.parts, benches, _clock(batch, zero))
        for batch, benches in zip(batches, places, strict=True)
    ]
    days = day_of_plug(trays, wanted, luck) + 7 * grow_weeks
    came = days[np.isfinite(days)]
    if len(came) < _RARELY * len(days):
        return Ready(notes=("so few springs bring enough plants that no date can be given",))
    low, high = np.quantile(came, [(1 - FORECAST_LEVEL) / 2, (1 + FORECAST_LEVEL) / 2])
    early, last = zero + pd.Timedelta(days=int(low)), zero + pd.Timedelta(days=int(np.ceil(high)))
    if due is None:
        return Ready(early, last)
    by_due = never_certain(float(np.mean(came <= (due - zero).days)))
    late: tuple[str, ...] = ()
    if early > due:
        late = (f"comes after the due date, {spelled(due)}: speak to the client now",)
    elif last > due:
        late = (
            f"may be late: {100 * (1 - by_due):.0f} in 100 springs bring the last plant after "
            f"{spelled(due)}",
        )
    return Ready(early, last, by_due, late)


def _clock(batch: Batch, zero: pd.Timestamp) -> float:
    source = batch.source
    start = float((source.sowing_date - zero).days)
    assert source.draws.time is not None
    return start + (source.origin_days if source.draws.time.origin == "1 February" else 0.0)
