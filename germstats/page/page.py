"""The season's page: every question of the grower's answered on one self-contained document,
`season_page`.
"""

from __future__ import annotations

import datetime

from germstats.document.blocks import Section
from germstats.document.rendering import self_contained
from germstats.page.covers import covers_section, trial_section
from germstats.page.ending import spring_over
from germstats.page.now import now_section
from germstats.page.pictures import Pictures
from germstats.page.plan import collect_section, orders_section, packet_sections, sow_section
from germstats.page.season_summary import SeasonSummary
from germstats.page.spring import calendar_section, poor_section, watch_section
from germstats.page.trust import (
    care_section,
    how_section,
    records_section,
    settings_section,
    trust_section,
)
from germstats.records.checking.parsing import spelled


def season_page(account: SeasonSummary, pictures: Pictures, made_on: datetime.date) -> str:
    """One HTML document that needs no network and no other file.

    Parameters
    ----------
    account : SeasonSummary
    pictures : Pictures
        Figures of the account, drawn.
    made_on : datetime.date

    Returns
    -------
    str
        Names from the record book are escaped; nothing reveals the machine it was made on.
    """
    import pandas as pd

    return self_contained(
        "germstats.page",
        "page.html",
        styles=("page.css",),
        scripts=("page.js", "what_if.js"),
        title=f"Season page of {account.book.source}",
        about=f"Made on {spelled(pd.Timestamp(made_on))} from the "
        f"records of {account.book.source}{_as_of(account)}. "
        "Ranges and chances are estimates from these records, without warranty.",
        sections=sections_of(account, pictures, made_on),
    )


def _as_of(account: SeasonSummary) -> str:
    on = account.spec.on
    return f" as they stood on {spelled(on)}" if on is not None else ""


def sections_of(
    account: SeasonSummary, pictures: Pictures, made_on: datetime.date | None = None
) -> tuple[Section, ...]:
    """The questions in the grower's order of worth, then what the answers rest on.

    Parameters
    ----------
    account : SeasonSummary
    pictures : Pictures
    made_on : datetime.date, optional
        Tells whether the spring is over by now.
    """
    over = spring_over(account, made_on)
    return (
        now_section(account, over),
        sow_section(account, pictures.sow),
        orders_section(account, pictures.orders),
        *packet_sections(account),
        watch_section(account, over),
        poor_section(account, pictures.maps, over),
        covers_section(account, pictures.covers),
        calendar_section(account, pictures.curves, pictures.calendar, over),
        trial_section(account),
        collect_section(account),
        trust_section(account, pictures.past),
        records_section(account),
        settings_section(account),
        care_section(),
        how_section(account),
    )
