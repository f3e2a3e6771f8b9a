"""The rules in the order in which they look at a book; each is one small function that notes what
it finds.

Ids come first, so that every later finding can name its tray; what a rule takes out of use, later
rules do not see.
"""

from __future__ import annotations

from collections.abc import Callable

from germstats.records.checking.book import judge_coverage, judge_lots, judge_pinches, judge_weather
from germstats.records.checking.counts import judge_counts, judge_falls
from germstats.records.checking.dates import judge_order, judge_seasons, judge_sowing
from germstats.records.checking.findings import Judgement
from germstats.records.checking.idle import judge_idle
from germstats.records.checking.ids import mend_ids, one_spelling_of_levels
from germstats.records.checking.rows import (
    judge_blanks,
    judge_both,
    judge_cells,
    judge_many_seeds,
    judge_twice,
    judge_unseen,
)
from germstats.records.checking.sowing import judge_light, judge_lots_alone
from germstats.records.checking.staging import parse_columns


def _parse_all(judgement: Judgement) -> None:
    for name in judgement.tables:
        parse_columns(judgement, name)


RULES: tuple[Callable[[Judgement], None], ...] = (
    mend_ids,
    _parse_all,
    one_spelling_of_levels,
    judge_unseen,
    judge_blanks,
    judge_both,
    judge_many_seeds,
    judge_seasons,
    judge_sowing,
    judge_order,
    judge_cells,
    judge_twice,
    judge_counts,
    judge_falls,
    judge_lots,
    judge_lots_alone,
    judge_light,
    judge_weather,
    judge_pinches,
    judge_coverage,
    judge_idle,
)
