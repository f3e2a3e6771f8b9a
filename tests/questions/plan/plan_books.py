"""A small book with orders, and ways to change its orders and lots; shared by the tests of
planning.
"""

from __future__ import annotations

from pathlib import Path

from germstats.records.book import RecordBook, read_book

ORDER_HEAD = "order,species,plugs,due,client,price,shortfall_cost,priority,delivered\n"
LOT_HEAD = "lot,species,seeds_per_gram,purity_pct,grams_left,seeds_left,cost_per_gram\n"
SPECIES = (
    "species,common_name,two_winters,seeds_per_gram\nAAAA,a,no,500\nBBBB,b,no,1000\nCCCC,c,no,200\n"
)
LOTS = LOT_HEAD + "A-1,AAAA,400,80,,5000,\nA-2,AAAA,400,80,,,\nB-1,BBBB,,,0.5,,3\n"
ORDERS = ORDER_HEAD + "Q-1,AAAA,60,2027-09-01,,2,1,1,\n"
COUNTS = {
    "T-1": (8, 25, 33),
    "T-2": (5, 22, 31),
    "T-3": (7, 21, 34),
    "T-4": (3, 9, 20),
    "T-5": (2, 11, 23),
}
"""Filled cells of 36 at three checks."""


def tray_tables(counts: dict[str, tuple[int, int, int]]) -> dict[str, str]:
    """Trays T-1 to T-3 hold A-1 at two seeds a cell, the others B-1 at one."""
    trays = "tray,season,lot,sown_on,rows,columns,seeds_per_cell,cover\n"
    checks = "tray,checked_on,filled\n"
    for tray, seen in counts.items():
        lot, seeds = ("A-1", 2) if tray in ("T-1", "T-2", "T-3") else ("B-1", 1)
        trays += f"{tray},2026,{lot},2025-12-10,6,6,{seeds},grit\n"
        checks += "".join(
            f"{tray},2026-{day},{filled}\n"
            for day, filled in zip(("03-20", "04-10", "05-20"), seen, strict=True)
        )
    return {"trays": trays, "checks": checks}


def small_book(
    folder: Path, counts: dict[str, tuple[int, int, int]] | None = None, **tables: str
) -> RecordBook:
    """Write the book with these tables in place of its own, and read it."""
    folder.mkdir(exist_ok=True)
    texts = (
        {"species": SPECIES, "lots": LOTS, "orders": ORDERS}
        | tray_tables(counts or COUNTS)
        | tables
    )
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
    return read_book(folder)
