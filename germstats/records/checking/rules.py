"""The rules in the order in which they look at a book; each is one small function that notes what
it finds.

Ids come first, so that every later finding can name its tray; what a rule takes out of use, later
rules do not see.
"""

from __future__ import annotations

from collections.abc import Callable

from germstats.records.checking.book import check_coverage, check_lots, check_pinches, check_weather
from germstats.records.checking.counts import check_counts, check_falls
from germstats.records.checking.dates import check_order, check_seasons, check_sowing
from germstats.records.checking.findings import Validation
from germstats.records.checking.idle import check_idle
from germstats.records.checking.ids import mend_ids, one_spelling_of_levels
from germstats.records.checking.rows import (
    check_blanks,
    check_both,
    check_cells,
    check_many_seeds,
    check_twice,
    check_unseen,
)
from germstats.records.checking.sowing import check_light, check_lots_alone
from germstats.records.checking.staging import parse_columns


def _parse_all(validation: Validation) -> None:
    for name in validation.tables:
        parse_columns(validation, name)


RULES: tuple[Callable[[Validation], None], ...] = (
    mend_ids,
    _parse_all,
    one_spelling_of_levels,
    check_unseen,
    check_blanks,
    check_both,
    check_many_seeds,
    check_seasons,
    check_sowing,
    check_order,
    check_cells,
    check_twice,
    check_counts,
    check_falls,
    check_lots,
    check_lots_alone,
    check_light,
    check_weather,
    check_pinches,
    check_coverage,
    check_idle,
)
