"""`watch` in words: overdue trays first, then every tray, lots on a calendar, what the weather
says.
"""

from __future__ import annotations

import pandas as pd

from germstats.document.sentences import CAUTION, number, percent, spread, wrapped
from germstats.document.tables import Table, text_table
from germstats.questions.watch.spec import (
    Advice,
    LotWatch,
    OrderWatch,
    TrayStatus,
    TrayWatch,
    Watch,
    Window,
)
from germstats.records.checking.parsing import so_many, spelled

_HEADER = (
    "tray",
    "lot",
    "cover, treatment",
    "filled",
    "of",
    "final",
    "range",
    "more %",
    "usual by now",
    "give up after",
    "status",
    "advice",
)


def watch_text(found: Watch) -> str:
    """The whole printed answer of `germstats watch`."""
    overdue = overdue_trays(found)
    lines = [
        wrapped(
            f"Spring {found.spring} as of {spelled(found.spec.day)}, by the checks up to that day. "
            "'filled' is seen, 'final' what to expect by the end of the spring, its range holding "
            "nine trays of ten; 'more %' the chance that another cell fills; 'usual by now' what "
            "trays like it have by the day of its last check."
        ),
        "",
        *(wrapped(f"{words[0].upper()}{words[1:]}.") for words in found.weather),
        *([""] if found.weather else []),
        *_by_seeds(found),
        *_over(found),
        *_unseen(found),
        *_first_springs(found),
        *_overdue(overdue),
        *_few(found),
        text_table(*trays_table(found)),
        "",
        *_reasons(found),
        "Lots, and the days by which their first cell, half and nine in ten of their cells fill "
        "(90 % windows):",
        text_table(*lots_table(found)),
        "",
        *_orders(found),
        wrapped(next_of_watch(found)),
        wrapped(CAUTION),
    ]
    return "\n".join(lines)


def overdue_trays(found: Watch) -> list[TrayWatch]:
    """Trays that are silent, late or not looked at."""
    return [row for row in found.rows if row.overdue]


def trays_table(found: Watch) -> Table:
    """One row per tray, overdue first."""
    return _HEADER, [_line(row) for row in found.rows]


def lots_table(found: Watch) -> Table:
    """One row per lot, with the windows of its first cell, half of them and nine in ten."""
    header = (
        "lot",
        "filled",
        "of",
        "final",
        "range",
        "first",
        "half",
        "nine in ten",
        "give up after",
    )
    return header, [_lot(row, found.spec.day) for row in found.lots]


def _by_seeds(found: Watch) -> list[str]:
    words = by_seeds_words(found)
    return [wrapped(words), ""] if words else []


def by_seeds_words(found: Watch) -> str:
    """What the numbers of trays are whose seedlings alone were counted; empty where there
    is none.
    """
    if all(row.counted == "cells" for row in found.rows):
        return ""
    return (
        "Where 'of' says seeds, only seedlings were counted, so each seed counts as one cell, a "
        "pinch as its mean."
    )


def of_how_many(row: TrayWatch | LotWatch) -> str:
    """Cells, or seeds where those are counted."""
    return str(row.cells) if row.counted == "cells" else f"{row.cells} seeds"


def _over(found: Watch) -> list[str]:
    if not found.over:
        return []
    return [wrapped(f"Spring {found.spring} is over: by these checks nothing more is to come."), ""]


def _unseen(found: Watch) -> list[str]:
    told = [row for row in found.rows if row.final is not None]
    if not told or any(row.filled_now is not None for row in told):
        return []
    return [
        wrapped(
            "No tray of this spring was looked at yet: what follows rests on earlier springs alone."
        ),
        "",
    ]


def _first_springs(found: Watch) -> list[str]:
    if not found.first_springs:
        return []
    said = (
        f"No earlier spring is on record of {', '.join(found.first_springs)}: few and late cannot "
        "be told apart until most have come, and their ranges hold less often than nine times in "
        "ten."
    )
    return [wrapped(said), ""]


def few_words(found: Watch, over: bool = False, why: str = "germstats review says why") -> str:
    """Trays in which few came and little more will (`over`: did); empty where there are none.

    `why`: where that is.
    """
    rows = [row for row in found.rows if row.status == TrayStatus.FEW]
    if not rows:
        return ""
    said = [
        f"{row.tray} ({row.lot}): {number(row.filled_now)} of {of_how_many(row)}"
        + ("" if row.by_now is None else f", {row.by_now:.0f} usual")
        for row in rows
    ]
    return f"Few came{'' if over else ', and little more will'}: {'; '.join(said)}. {why}."


def _few(found: Watch) -> list[str]:
    words = few_words(found)
    return [wrapped(words), ""] if words else []


def _overdue(rows: list[TrayWatch]) -> list[str]:
    if not rows:
        return ["No tray is overdue.", ""]
    said = [overdue_words(row) for row in rows]
    return [
        f"Overdue, {so_many(len(rows), 'tray')}:",
        *(wrapped(words, "  ") for words in said),
        "",
    ]


def overdue_words(row: TrayWatch, money: bool = True) -> str:
    """Why a tray is overdue and what to do with it; `money` tells what that is worth, too."""
    if row.status == TrayStatus.UNSEEN:
        return f"{row.tray} ({row.lot}): not looked at yet; {row.why}. Look at it now."
    behind = 1 if row.behind is None else max(round(100 * row.behind), 1)
    usual = (
        ""
        if row.by_now is None
        else f", {row.by_now:.0f} would be usual, and {behind} in 100 trays have so few"
    )
    sure = (
        ""
        if row.chance_short is None
        else f"; {percent(row.chance_short)} % sure to end at least a quarter short"
    )
    counted = so_many(row.cells, row.counted.removesuffix("s"))
    seen = f"{row.tray} ({row.lot}): {number(row.filled_now)} of {counted}{usual}{sure}."
    return (
        f"{seen} {_capital(row.advice)}: "
        f"{row.why}{f', {row.money}' if money and row.money else ''}."
    )


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def _line(row: TrayWatch) -> tuple[str, ...]:
    told = row.final is not None and row.chance_more is not None
    return (
        row.tray,
        row.lot or "-",
        row.treatment,
        number(row.filled_now),
        of_how_many(row),
        f"{row.final:.0f}" if told else "-",
        spread(str(row.final_low), str(row.final_high)) if told else "-",
        percent(row.chance_more) if row.chance_more is not None else "-",
        "-" if row.by_now is None else f"{row.by_now:.0f}",
        _day(row.give_up_after),
        row.status,
        row.advice,
    )


def _day(day: pd.Timestamp | None) -> str:
    return "-" if day is None else f"{day:%Y-%m-%d}"


def reasons(found: Watch) -> list[str]:
    """Why trays are to be kept over, given up, looked into or are not forecast: one line for each
    reason.
    """
    by_reason: dict[str, list[str]] = {}
    for row in found.rows:
        lost = row.advice == Advice.LOOK and row.status != TrayStatus.UNSEEN
        if lost or row.advice in (Advice.DISCARD, Advice.WINTER_OVER) or row.final is None:
            by_reason.setdefault(
                f"{row.advice}: {row.why}" if row.final is not None else row.why, []
            ).append(row.tray)
    return [f"{', '.join(trays)}: {why}." for why, trays in by_reason.items()]


def _reasons(found: Watch) -> list[str]:
    lines = [wrapped(words, "  ") for words in reasons(found)]
    held = (
        f"A plug counts {found.plug_value:.3g}, holding a tray a week "
        f"{found.spec.holding_cost:.3g} (--plug-value, --holding-cost; common practice, no source)."
    )
    return [*lines, *([""] if lines else []), wrapped(held), ""]


def _lot(row: LotWatch, on: pd.Timestamp) -> tuple[str, ...]:
    days = [_window(one, on) for one in (row.first, row.half, row.most)]
    return (
        row.lot,
        str(row.filled_now),
        of_how_many(row),
        f"{row.final:.0f}",
        spread(str(row.final_low), str(row.final_high)),
        *days,
        _day(row.give_up_after),
    )


def _window(window: Window | None, on: pd.Timestamp) -> str:
    if window is None:
        return "-"
    low, high = window
    if high <= on:
        return "passed"
    if low <= on:
        return f"to {high:%m-%d}"
    return f"{low:%m-%d} to {high:%m-%d}" if low != high else f"{low:%m-%d}"


def _orders(found: Watch) -> list[str]:
    if not found.orders:
        return []
    return [
        "Orders due this year:",
        *(wrapped(order_words(row, found.spec.day), "  ") for row in found.orders),
        "",
    ]


def order_words(row: OrderWatch, on: pd.Timestamp) -> str:
    """Chance that the trays bring an order, and when."""
    when = (
        ""
        if row.last_plant is None
        else f"; the last plant needed is up {_when(row.last_plant, on)}"
    )
    plugs = so_many(row.plugs, "plug")
    return (
        f"{row.species}, {plugs}: {percent(row.chance)} % that this spring's trays bring "
        f"them{when}."
    )


def _when(window: Window, on: pd.Timestamp) -> str:
    low, high = window
    first, last = spelled(max(low, on)), spelled(high)
    if high <= on:
        return "already"
    return f"on {last}" if first == last else f"between {first} and {last}"


def next_of_watch(found: Watch) -> str:
    """What to do next with the trays."""
    said = []
    looks = [row.tray for row in found.rows if row.advice == Advice.LOOK]
    if looks:
        said.append(
            f"look at {', '.join(looks[:6])}{' and others' if len(looks) > 6 else ''}, zeros too"
        )
    if any(row.status in (TrayStatus.SILENT, TrayStatus.LATE) for row in found.rows):
        said.append(
            "squash 20 seeds from empty cells of the overdue trays: firm and white ones are alive"
        )
    if any(row.advice == Advice.MOVE_ON for row in found.rows):
        said.append(
            "thin the trays that are done, fill their gaps, and pot up when the roots are ready"
        )
    if any(
        row.advice == Advice.KEEP and row.status != TrayStatus.SECOND_WINTER for row in found.rows
    ):
        said.append("check the others again in a week")
    return (
        f"Next: {'; '.join(said) or 'nothing needs doing'}. In August germstats review says why a "
        "lot did poorly."
    )
