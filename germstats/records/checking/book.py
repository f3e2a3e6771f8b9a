"""Rules about lots, weather and the book as a whole."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

import pandas as pd

from germstats.records.checking.findings import Kind, Validation
from germstats.records.formats.reading import SPREADSHEETS, TEXT_TABLES
from germstats.records.seeds import BARE_PINCH
from germstats.records.suggesting import some_of
from germstats.records.tables import TABLES, Lots, Species, Trays

MORE_THAN_TESTED = Kind(
    "stop", "more-than-tested", "mend one of the two; until then the test is not used"
)
ABOVE_HUNDRED = Kind(
    "stop",
    "above-hundred",
    "write the seeds that sprouted of each 100; until then they are not used",
)
UPSIDE_DOWN = Kind(
    "ask", "coldest-above-warmest", "exchange or mend the two; until then neither is used"
)
UNWEIGHED = Kind(
    "watch",
    "pinch-unweighed",
    "weigh the seed of a tray, or count ten pinches on paper, to learn more",
)
NEVER_CHECKED = Kind("watch", "never-checked", "leave it, if they are still to come")
NOT_CSV = Kind(
    "watch",
    "not-read",
    "leave it if the CSV files have all of it; otherwise name the workbook, or save it as CSV",
)
NOT_READ = Kind(
    "watch", "not-read", "leave it, if it is no table of the record book; else mend its name"
)

_EXPLANATIONS = "explanations"  # the page that `germstats new` puts into a workbook
_NAMED = 10


def check_lots(validation: Validation) -> None:
    """Tests that found more than was tested."""
    used = validation.lots.used()
    for found, of in (("cut_test_full", "cut_test_seeds"), ("tz_viable", "tz_seeds")):
        above = used[(used[found] > used[of]).fillna(False).astype(bool)]
        said = [
            f"{n} of {m} is more than were tested"
            for n, m in above[[found, of]].itertuples(index=False)
        ]
        noted = validation.note(MORE_THAN_TESTED, ("lots", found), above.index, said)
        validation.blank(("lots", found), noted)
        validation.blank(("lots", of), noted)
    counts = used[Lots.germination_counts]
    above_hundred = counts.index[[any(int(n) > 100 for n in entry.split()) for entry in counts]]
    wrong = "more than 100 of 100 seeds cannot sprout"
    noted = validation.note(ABOVE_HUNDRED, ("lots", "germination_counts"), above_hundred, wrong)
    validation.blank(("lots", "germination_counts"), noted)


def check_weather(validation: Validation) -> None:
    """A day whose coldest is above its warmest."""
    used = validation.weather.used()
    for low, high in (("tmin_c", "tmax_c"), ("tmin_f", "tmax_f")):
        odd = used[used[low] > used[high]]
        said = [
            f"the coldest, {a:g}, is above the warmest, {b:g}"
            for a, b in odd[[low, high]].itertuples(index=False)
        ]
        noted = validation.note(UPSIDE_DOWN, ("weather", low), odd.index, said)
        validation.blank(("weather", low), noted)
        validation.blank(("weather", high), noted)


def check_pinches(validation: Validation) -> None:
    """Pinches of unknown size: only the share of pinches that fill a cell can be told."""
    tables = validation.tables
    lots = tables["lots"].used().drop_duplicates(Lots.lot).set_index(Lots.lot)
    species = tables["species"].used()
    of_species = lots[Lots.species].isin(
        species.loc[species[Species.seeds_per_gram] > 0, Species.species]
    )
    known_weight = set(lots.index[of_species | (lots[Lots.seeds_per_gram] > 0)])
    counted = {lot for lot, entry in lots[Lots.pinch_counts].items() if len(entry.split()) > 1}
    trays = tables["trays"].used()
    pinches = trays[trays[Trays.seeds_per_cell] == BARE_PINCH]
    weighed = (pinches[Trays.grams] > 0) & pinches[Trays.lot].isin(known_weight)
    unknown = pinches[~weighed & ~pinches[Trays.lot].isin(counted)]
    wrong = (
        "a pinch without grams and seeds per gram; only the share of pinches that fill a cell can "
        "be estimated"
    )
    validation.note(UNWEIGHED, ("trays", "seeds_per_cell"), unknown.index, wrong)


def check_coverage(validation: Validation) -> None:
    """Trays sown but never looked at."""
    trays = validation.trays.used(Trays.tray)[Trays.tray].unique().tolist()
    looks = [validation.tables[name].used("tray")["tray"] for name in ("checks", "cells", "maps")]
    seen = set(pd.concat(looks).unique())
    never = [tray for tray in trays if tray not in seen]
    if never:
        checked = len(trays) - len(never)
        wrong = (
            f"{checked} of {len(trays)} sown trays ({100 * checked / len(trays):.0f} %) were ever "
            "checked"
        )
        validation.note_table(
            NEVER_CHECKED, "trays", f"{wrong}; never checked: {some_of(never, _NAMED)}"
        )


def check_files(validation: Validation, not_read: Sequence[str]) -> None:
    """Files or sheets that bear the name of no table, and files of another kind beside the CSV
    files.
    """
    for name in not_read:
        if name.lower().endswith((*SPREADSHEETS, *TEXT_TABLES)):
            validation.note_book(
                NOT_CSV, f"{name}: not read, because only the CSV files in a folder are read"
            )
            continue
        stem = name.removesuffix(".csv").strip().lower()
        if stem != _EXPLANATIONS:
            near = difflib.get_close_matches(stem, TABLES, 1)
            meant = f"; did you mean {near[0]}?" if near else ""
            validation.note_book(
                NOT_READ, f"{name}: not read, since no table of a record book is called so{meant}"
            )
