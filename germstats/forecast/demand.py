"""What is ordered, what seed is in store and what share of plants is lost later, as the
book says.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from germstats.errors import NotEnoughRecordsError, WrongUseError
from germstats.forecast.later_losses import USUAL_LOSSES, LossLaw, TrayLosses, loss_laws, with_mean
from germstats.records.book import RecordBook
from germstats.records.checking.parsing import so_many
from germstats.records.tables import TABLES, Cells, Checks, Events, Lots, Orders, Species, Trays

_RANGE_LEVEL = 0.90


@dataclass(frozen=True)
class OrderLine:
    """One species of an order.

    Attributes
    ----------
    order, species : str
    plugs : int
        Still to be grown: ordered less delivered.
    ordered : int
    due : pandas.Timestamp or None
    value : float
        Price and shortfall cost of a plug.
    priced : bool
        Whether a price is written; otherwise it counts as 1.
    rank : int
        Its priority; lines without one come after those with one.
    """

    order: str
    species: str
    plugs: int
    ordered: int
    due: pd.Timestamp | None
    value: float
    priced: bool
    rank: int


@dataclass(frozen=True)
class StoredLot:
    """Seed of one lot.

    Attributes
    ----------
    lot, species : str
    seeds : int or None
        Pure seeds in store; None where neither seeds nor grams (with seeds per gram) are written.
    pure_per_gram : float or None
        Pure seeds in a gram of the lot as it lies in store: seeds per gram x purity.
    seed_cost : float
        Of one seed; 0 where no cost is written.
    why_unknown : str
    """

    lot: str
    species: str
    seeds: int | None
    pure_per_gram: float | None
    seed_cost: float
    why_unknown: str


@dataclass(frozen=True)
class Losses:
    """Share of plants lost after they came up, and where the number comes from.

    Attributes
    ----------
    share : float
        Mean.
    source : str
    tray_low, tray_high : float
        90 % range of the share lost in one tray of a spring to come.
    tray_sd, spring_sd : float
        How far the trays of one spring differ, and springs.
    law : LossLaw
        The possible laws the figures are taken from.
    """

    share: float
    source: str
    tray_low: float
    tray_high: float
    tray_sd: float
    spring_sd: float
    law: LossLaw = field(repr=False, compare=False)

    def as_record(self) -> dict[str, object]:
        """Everything but the law."""
        names = ("share", "source", "tray_low", "tray_high", "tray_sd", "spring_sd")
        return {name: getattr(self, name) for name in names}


def order_lines(book: RecordBook) -> tuple[OrderLine, ...]:
    """Lines of the orders table that still want plugs, those served first at the head.

    Raises
    ------
    NotEnoughRecordsError
        The table is empty, or nothing in it is still wanted.
    WrongUseError
        A price or shortfall cost is below 0.
    """
    table = book.orders
    _refuse_negative(book, table)
    rows = table.dropna(subset=[Orders.plugs]).to_dict("records")
    if not rows:
        why = (
            "; ".join(set_aside(book))
            or "write order, species, plugs and due date into the table orders"
        )
        raise NotEnoughRecordsError(f"No order can be planned: {why}. Then try again.")
    lines = [line for line in map(_line, rows) if line.plugs > 0]
    if not lines:
        raise NotEnoughRecordsError(
            "Every plug ordered has been delivered; there is nothing left to plan."
        )
    return tuple(
        sorted(
            lines,
            key=lambda line: (line.rank, line.due or pd.Timestamp.max, line.order, line.species),
        )
    )


def set_aside(book: RecordBook) -> tuple[str, ...]:
    """What of the orders table is not used as it stands: rows that cannot be planned, and cells
    taken as blank, in the words of `check`; and orders of which more was delivered than was
    ordered.
    """
    found, table = book.findings, book.orders
    rows = found[(found["table"] == "orders") & found["severity"].isin(["stop", "ask"])]
    may_be_blank = {column.name for column in TABLES["orders"].columns if not column.required}
    said = [
        f"{message}: {remedy}{' (taken as blank)' if column in may_be_blank else ''}"
        for message, remedy, column in zip(
            rows["message"], rows["remedy"], rows["column"], strict=True
        )
    ]
    over = table[table[Orders.delivered] > table[Orders.plugs]]
    said += [
        f"{order} ({species}): {delivered:.0f} plugs delivered of {plugs:.0f} ordered: mend it if "
        "that is a slip"
        for order, species, delivered, plugs in zip(
            over[Orders.order],
            over[Orders.species],
            over[Orders.delivered],
            over[Orders.plugs],
            strict=True,
        )
    ]
    return tuple(said)


def _refuse_negative(book: RecordBook, table: pd.DataFrame) -> None:
    for column, words in (("price", "price"), ("shortfall_cost", "shortfall cost")):
        below = table[table[column] < 0]
        named = [
            f"row {row}, {order} ({species}): {value:g}"
            for row, order, species, value in zip(
                below["row"], below["order"], below["species"], below[column], strict=True
            )
        ]
        found = book.findings
        noted = found[
            (found["table"] == "orders")
            & (found["column"] == column)
            & (found["rule"] == "out-of-limits")
        ]
        named += [
            f"row {row}, {key.replace('/', ' (', 1)}): {value}"
            for row, key, value in zip(noted["row"], noted["key"], noted["value"], strict=True)
        ]
        if named:
            raise WrongUseError(
                f"The {words} of an order cannot be below 0: {'; '.join(named)}. Mend it in the "
                f"table orders; a blank {words} is allowed."
            )


def _line(row: dict[Any, Any]) -> OrderLine:
    price, shortfall = float(row["price"]), float(row[Orders.shortfall_cost])
    delivered = 0 if pd.isna(row["delivered"]) else int(row["delivered"])
    return OrderLine(
        order=str(row["order"]),
        species=str(row["species"]),
        plugs=int(row["plugs"]) - delivered,
        ordered=int(row["plugs"]),
        due=None if pd.isna(row["due"]) else pd.Timestamp(row["due"]),
        value=(price if np.isfinite(price) else 1.0)
        + (shortfall if np.isfinite(shortfall) else 0.0),
        priced=bool(np.isfinite(price)),
        rank=10**6 if pd.isna(row["priority"]) else int(row["priority"]),
    )


def lots_in_store(book: RecordBook) -> tuple[StoredLot, ...]:
    """Every lot of the book with the seed it still holds."""
    species = (
        book.species.drop_duplicates(Species.species)
        .set_index(Species.species)[Species.seeds_per_gram]
        .to_dict()
    )
    lots = book.lots.drop_duplicates(Lots.lot).to_dict("records")
    found = book.findings
    wrong = found[(found["table"] == "lots") & found["column"].isin(["seeds_left", "grams_left"])]
    refused = {
        str(key).split("/")[0]: f"{column} {value!r} is not used"
        for key, column, value in zip(wrong["key"], wrong["column"], wrong["value"], strict=True)
    }
    return tuple(
        _stored(lot, species.get(lot["species"], np.nan), refused.get(str(lot["lot"]), ""))
        for lot in lots
    )


def _stored(lot: dict[Any, Any], usual_per_gram: float, refused: str) -> StoredLot:
    per_gram = float(lot["seeds_per_gram"]) if lot["seeds_per_gram"] > 0 else float(usual_per_gram)
    purity = float(lot["purity_pct"]) / 100 if lot["purity_pct"] > 0 else 1.0
    pure = per_gram * purity if np.isfinite(per_gram) and per_gram > 0 else None
    grams, why = float(lot[Lots.grams_left]), ""
    seeds: int | None = None
    if not pd.isna(lot[Lots.seeds_left]):
        seeds = int(lot[Lots.seeds_left])
    elif np.isfinite(grams) and (pure is not None or grams == 0):
        seeds = round(grams * (pure or 0.0))
    else:
        why = (
            "seeds per gram not written down"
            if np.isfinite(grams)
            else refused or "seed left not written down"
        )
    cost = float(lot[Lots.cost_per_gram])
    return StoredLot(
        lot=str(lot["lot"]),
        species=str(lot["species"]),
        seeds=seeds,
        pure_per_gram=pure,
        seed_cost=cost / pure if pure and np.isfinite(cost) else 0.0,
        why_unknown=why,
    )


def later_losses(
    book: RecordBook, species: Iterable[str], given: float | None
) -> dict[str, Losses]:
    """Share of plants lost after coming up, and how far trays and springs differ in it, from the
    book's own counts.

    Cells with `alive` counts give seedlings lost. Tray totals give the fall of `filled` from its
    highest before the last look; a second seedling of a cell hides a loss there, so they count only
    for species without `alive` counts. A tray looked at once says nothing of losses. Trays that
    were thinned, or lost something an event names, are not counted. A mean that is given, or the
    usual one where nothing was counted, keeps the scatters.
    """
    counted = _counted_losses(book)
    each = {str(name): _tray_losses(rows) for name, rows in counted.groupby("species")}
    names = list(dict.fromkeys(species))
    laws = loss_laws(each, names)
    return {name: _described(laws[name], name, counted, given) for name in names}


def _described(law: LossLaw, species: str, counted: pd.DataFrame, given: float | None) -> Losses:
    of_species = counted[counted["species"] == species]
    rows, whose = (of_species, species) if of_species["came"].sum() else (counted, "all species")
    came, lost = int(rows["came"].sum()), int(rows["lost"].sum())
    if given is not None:
        law, source = with_mean(law, given), "--losses"
    elif came:
        springs = rows["season"].nunique()
        source = (
            f"counted in {whose}: {lost} of {so_many(came, 'seedling')} in "
            f"{so_many(springs, 'spring')}"
        )
    else:
        law, source = with_mean(law, USUAL_LOSSES), "common practice, no source: nothing counted"
    share = float(law.mean[0]) if np.ptp(law.mean) == 0 else law.share
    return Losses(share, source, *law.tray_range(_RANGE_LEVEL), law.tray_sd, law.spring_sd, law)


def _tray_losses(rows: pd.DataFrame) -> TrayLosses:
    return TrayLosses(*(rows[name].to_numpy(dtype=float) for name in ("season", "came", "lost")))


def _counted_losses(book: RecordBook) -> pd.DataFrame:
    """One row per tray looked at twice or more: species, season, plants that came, plants lost."""
    of_lot = dict(zip(book.lots[Lots.lot], book.lots[Lots.species], strict=True))
    trays = book.trays.drop_duplicates(Trays.tray).set_index(Trays.tray)
    disturbed = set(book.events[Events.tray]) | set(book.left_out)
    kinds = []
    for lost in (_lost_by_cell(book.cells), _lost_by_total(book.checks)):
        known = lost[(lost["came"] > 0) & ~lost.index.isin(disturbed)]
        species = [of_lot.get(lot, "") for lot in trays[Trays.lot].reindex(known.index)]
        season = trays[Trays.season].reindex(known.index).fillna(0).astype(float)
        kinds.append(known.assign(species=species, season=season))
    by_cell, by_total = kinds
    told = (by_cell, by_total[~by_total["species"].isin(by_cell["species"])])
    return pd.concat([rows for rows in told if len(rows)] or [by_cell])


def _lost_by_cell(cells: pd.DataFrame) -> pd.DataFrame:
    """By tray: seedlings that came and were gone at the last look of their cell; cells looked at
    once say nothing.
    """
    seen = cells.dropna(subset=[Cells.emerged, Cells.alive]).sort_values(
        Cells.checked_on, kind="stable"
    )
    each = seen.groupby(["tray", "cell"], sort=False)
    last = each.last()[each["checked_on"].nunique() > 1]
    lost = (last["emerged"] - last["alive"]).clip(lower=0)
    return pd.DataFrame({"came": last["emerged"], "lost": lost}).groupby("tray").sum()


def _lost_by_total(checks: pd.DataFrame) -> pd.DataFrame:
    """By tray: most cells filled before the last look, and how far fewer were filled at it."""
    seen = checks.dropna(subset=["filled_raw"]).sort_values(Checks.checked_on, kind="stable")
    last = seen.groupby("tray")["filled_raw"].last()
    before = seen[seen.duplicated("tray", keep="last")].groupby("tray")["filled_raw"].max()
    lost = (before - last.reindex(before.index)).clip(lower=0)
    return pd.DataFrame({"came": before, "lost": lost}).astype(float)
