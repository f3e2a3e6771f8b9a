"""Single values, headings, ids and blanks: one test for each thing a sheet holds, with its
message.
"""

from __future__ import annotations

import datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from small_books import CLEAN, added, balances, found, only, spoilt, write

from germstats.errors import UnreadableBookError
from germstats.records.book import RecordBook, read_book
from germstats.records.checking.findings import MEANING, SEVERITIES
from germstats.records.formats.workbook import blank_book
from germstats.records.tables import TABLES


def value(book: RecordBook, table: str, row: int, column: str) -> object:
    frame = book.tables[table]
    return frame.loc[frame["row"] == row, column].item()


def test_the_clean_book_has_no_finding(tmp_path: Path) -> None:
    book = read_book(write(tmp_path))
    assert book.findings["message"].tolist() == []
    assert book.left_out == {}
    assert balances(book)
    assert book.accounting["used"].tolist() == [2, 2, 2, 3, 6, 0, 1, 1, 1, 0]


def test_a_blank_book_has_no_finding(tmp_path: Path) -> None:
    blank_book(tmp_path)
    for place in (tmp_path, tmp_path / "record_book.xlsx"):
        book = read_book(place)
        assert len(book.findings) == 0
        assert all(len(table) == 0 for table in book.tables.values())


def test_every_table_has_its_columns_and_types(tmp_path: Path) -> None:
    types = {"whole": "Int64", "number": "float64", "date": "datetime64[ns]"}
    for place in (
        write(tmp_path),
        write(tmp_path, **{name: None for name in TABLES if name != "trays"}),
    ):
        book = read_book(place)
        assert list(book.tables) == list(TABLES)
        for name, table in TABLES.items():
            frame = book.tables[name]
            assert [str(frame[column.name].dtype) for column in table.columns] == [
                types.get(column.type, "object") for column in table.columns
            ]
            assert frame["row"].dtype == "int64"


def test_every_severity_is_explained() -> None:
    assert set(MEANING) == set(SEVERITIES)


# --- seeds per cell
# ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("entry", ["2-3", "~3", "3", "0"])
def test_ranges_and_numbers_of_seeds_are_read(tmp_path: Path, entry: str) -> None:
    book = spoilt(
        tmp_path, "trays", "3,2-3,none", f"3,{entry},none", cells=None, checks=CLEAN["checks"][:50]
    )
    assert found(book, "seeds-form").empty
    assert str(value(book, "trays", 3, "seeds_per_cell")) == entry


@pytest.mark.parametrize("entry", ["3+", "3-2", "a few", "2 and 3", "2.5"])
def test_other_numbers_of_seeds_ask(tmp_path: Path, entry: str) -> None:
    book = spoilt(tmp_path, "trays", "3,2-3,none", f"3,{entry},none")
    asked = only(book, "seeds-form")
    assert asked["message"] == (
        f"trays.csv row 3, seeds_per_cell: {entry!r} says no number of seeds that can be used"
    )
    assert asked["remedy"] == "write 3, a range such as 2-3, ~3 for two to four, or pinch"
    assert (asked["severity"], asked["tray"]) == ("ask", "T-0413")
    assert value(book, "trays", 3, "seeds_per_cell") is None


@pytest.mark.parametrize("entry", ["2025-03-02", "2-Mar", "Mar-02"])
def test_a_range_that_a_spreadsheet_turned_into_a_date_asks(tmp_path: Path, entry: str) -> None:
    asked = only(spoilt(tmp_path, "trays", "3,2-3,none", f"3,{entry},none"), "seeds-form")
    assert "is a date; a spreadsheet makes one of a range such as 2-3" in asked["message"]


def test_a_pinch_needs_grams_and_seeds_per_gram_or_counted_pinches(tmp_path: Path) -> None:
    trays = (
        CLEAN["trays"]
        .replace("cover", "grams,cover")
        .replace("3,grit", "pinch,{},grit")
        .replace("2-3,none", "2,,none")
    )
    for grams, unknown in (("0.05", False), ("", True)):
        book = read_book(write(tmp_path, trays=trays.format(grams)))
        assert book.findings["rule"].tolist() == ["pinch-unweighed"] * unknown
    assert book.findings["message"].item() == (
        "trays.csv row 2, seeds_per_cell: a pinch without grams and seeds per gram; only the share "
        "of pinches that fill a cell can be estimated"
    )
    counted = CLEAN["lots"].replace("MOFI,,50", "MOFI,4 7 2 9,50")
    assert len(read_book(write(tmp_path, trays=trays.format(""), lots=counted)).findings) == 0


# --- blank, dash, 0, words
# ------------------------------------------------------------------------------------------


def test_a_blank_is_not_checked_and_never_becomes_0(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "checks", "2025-04-20,3,4,", "2025-04-20,,,")
    watched = only(book, "not-checked")
    assert watched["severity"] == "watch"
    assert (
        watched["message"] == "checks.csv row 3, filled: no count in this row; read as not checked"
    )
    assert book.tables["checks"]["filled"].tolist() == [1, 5]
    assert balances(book)


def test_blanks_of_a_tray_are_listed_once(tmp_path: Path) -> None:
    book = added(tmp_path, cells="T-0412,A2,2025-04-20,,,,,\nT-0412,A3,2025-04-20,,,,,\n")
    assert only(book, "not-checked")["message"] == (
        "cells.csv row 8, emerged: no count in this row and so in row 9 of tray T-0412; read as "
        "not checked"
    )
    assert len(book.tables["cells"]) == 6


def test_seedlings_alone_are_a_check(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "checks", "2025-04-20,3,4,", "2025-04-20,,4,")
    assert len(book.findings) == 0
    assert book.tables["checks"]["filled"].isna().tolist() == [False, True, False]


def test_a_dash_asks(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "cells", "B3,2025-04-20,0", "B3,2025-04-20,-")
    asked = only(book, "dash")
    assert asked["severity"] == "ask"
    assert asked["message"] == "cells.csv row 3, emerged: a dash is neither a blank nor 0"
    assert asked["remedy"] == "write 0 for checked and none seen, or leave it blank for not checked"
    assert (asked["value"], asked["key"]) == ("-", "T-0412/B3/2025-04-20")
    assert value(book, "cells", 3, "emerged") is pd.NA


def test_0_is_checked_and_none(tmp_path: Path) -> None:
    assert value(read_book(write(tmp_path)), "cells", 3, "emerged") == 0


def test_words_in_a_number_column_ask(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "checks", "2025-04-20,3,4", "2025-04-20,mice ate?,4")
    asked = only(book, "words-in-number")
    assert asked["severity"] == "ask"
    assert asked["message"] == "checks.csv row 3, filled: 'mice ate?' is no number"
    assert asked["remedy"] == "write the number, and put the words in the column note"
    assert value(book, "checks", 3, "filled") is pd.NA
    assert value(book, "checks", 3, "seedlings") == 4


@pytest.mark.parametrize(
    ("entry", "rule", "message"),
    [
        ("1.5", "not-whole", "1.5 is not a whole number"),
        ("1e400", "words-in-number", "'1e400' is no number"),
        ("1_0", "words-in-number", "'1_0' is no number"),
        ("1,200", "comma-in-number", "1,200 may be 1200 or 1.200"),
        ("1e20", "out-of-limits", "1e20 is more than anybody counts"),
        ("-1", "out-of-limits", "-1 is not possible; it can be 0 or more"),
    ],
)
def test_numbers_that_are_none_or_cannot_be(
    tmp_path: Path, entry: str, rule: str, message: str
) -> None:
    book = spoilt(tmp_path, "checks", "2025-04-20,3,4,", f'2025-04-20,"{entry}",4,')
    assert only(book, rule)["message"] == f"checks.csv row 3, filled: {message}"
    assert book.left_out == ({"T-0413": message} if rule == "out-of-limits" else {})


def test_a_decimal_comma_is_mended(tmp_path: Path) -> None:
    text = CLEAN["weather"].replace(",", ";").replace("-7.5", "-7,5")
    book = read_book(write(tmp_path, weather=text))
    assert (
        only(book, "decimal-comma")["message"] == "weather.csv row 2, tmin_c: -7,5 is read as -7.5"
    )
    assert book.tables["weather"]["tmin_c"].tolist() == [-7.5]


def test_occupied_is_1_or_0(tmp_path: Path) -> None:
    asked = only(spoilt(tmp_path, "cells", "B3,2025-04-20,0,,", "B3,2025-04-20,,3,"), "one-or-none")
    assert (
        asked["message"]
        == "cells.csv row 3, occupied: 3 is neither 1 (a seedling was seen) nor 0 (none)"
    )


def test_a_level_called_none_is_a_level(tmp_path: Path) -> None:
    trays = (
        CLEAN["trays"]
        .replace("cover", "cover,pretreatment")
        .replace("grit", "None,None")
        .replace("3,none", "3,none,NA")
    )
    book = read_book(write(tmp_path, trays=trays))
    assert book.tables["trays"]["cover"].tolist() == ["none", "none"]
    assert book.tables["trays"]["pretreatment"].tolist() == ["None", "NA"]
    assert (
        only(book, "word-spelling")["message"] == "trays.csv row 2, cover: 'None' is read as 'none'"
    )


def test_one_treatment_in_two_spellings_becomes_one(tmp_path: Path) -> None:
    trays = (
        CLEAN["trays"].replace("cover", "cover,pretreatment").replace("grit", "grit,Soaked  1 day")
    )
    book = read_book(write(tmp_path, trays=trays.replace("3,none", "3,none,soaked 1 day")))
    assert only(book, "level-spelling")["severity"] == "changed"
    assert book.tables["trays"]["pretreatment"].nunique() == 1


def test_an_unknown_event_asks(tmp_path: Path) -> None:
    book = added(
        tmp_path, events="T-0412,2025-05-30,trown away,,\nT-0412,2025-05-30,Damping off,,\n"
    )
    asked = found(book, "unknown-word").iloc[0]
    assert asked["message"].startswith(
        "events.csv row 2, event: 'trown away' is none of thinned, dropped"
    )
    assert found(book, "word-spelling")["message"].item() == (
        "events.csv row 3, event: 'Damping off' is read as 'damping_off'"
    )
    assert book.tables["events"]["event"].tolist() == ["damping_off"]
    assert balances(book)


# --- dates
# ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ("04/05/2025", "04/05/2025 may be 4 May 2025 or 5 April 2025"),
        ("4.5.25", "4.5.25 may be 4 May 2025 or 5 April 2025"),
        ("25/04/2025", "25/04/2025 can only be 25 April 2025, but is not written so"),
        ("05/05/2025", "05/05/2025 can only be 5 May 2025, but is not written so"),
    ],
)
def test_two_way_dates_are_refused_with_their_readings(
    tmp_path: Path, entry: str, said: str
) -> None:
    book = spoilt(tmp_path, "checks", "2025-04-20", entry)
    asked = only(book, "two-way-date")
    assert asked["severity"] == "ask"
    assert asked["message"] == f"checks.csv row 3, checked_on: {said}"
    assert "--dates day-first or --dates month-first" in asked["remedy"]
    assert len(book.tables["checks"]) == 2
    assert balances(book)


@pytest.mark.parametrize(
    ("dates", "days"),
    [("day-first", ["2025-05-04", "2025-05-25"]), ("month-first", ["2025-04-05", "impossible"])],
)
def test_two_way_dates_are_read_as_asked(tmp_path: Path, dates: str, days: list[str]) -> None:
    checks = "tray,checked_on,filled\nT-0413,04/05/2025,3\nT-0413,25/05/2025,4\n"
    place = write(tmp_path, checks=checks)
    (place / "datapackage.json").write_text(f'{{"germstats": {{"dates": "{dates}"}}}}')
    for book in (read_book(place), read_book(place, dates)):
        read = book.tables["checks"]["checked_on"].dt.strftime("%Y-%m-%d").tolist()
        assert read == [day for day in days if day != "impossible"]
        assert book.dates == dates
    assert found(book, "impossible-date")["message"].tolist() == [
        "checks.csv row 3, checked_on: there is no day 25/05/2025, read month-first"
    ] * ("impossible" in days)


@pytest.mark.parametrize("entry", ["2025-02-30", "2025-13-01", "31/02/2025", "1025-04-20"])
def test_an_impossible_date_stops(tmp_path: Path, entry: str) -> None:
    book = spoilt(tmp_path, "checks", "2025-04-20", entry)
    stop = only(book, "impossible-date")
    assert stop["severity"] == "stop"
    assert stop["message"] == f"checks.csv row 3, checked_on: there is no day {entry}"
    assert book.left_out == {"T-0413": f"there is no day {entry}"}
    assert len(book.tables["checks"]) == 2


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ("May", "'May' is no date"),
        ("45767", "45767 is no date; as a spreadsheet's day number it would be 20 April 2025"),
    ],
)
def test_no_date_asks(tmp_path: Path, entry: str, said: str) -> None:
    asked = only(spoilt(tmp_path, "checks", "2025-04-20", entry), "date-form")
    assert asked["message"] == f"checks.csv row 3, checked_on: {said}"


@pytest.mark.parametrize("entry", ["2025/4/20", "2025-4-20", "2025-04-20 08:30"])
def test_dates_with_the_year_first_are_mended(tmp_path: Path, entry: str) -> None:
    book = spoilt(tmp_path, "checks", "2025-04-20", entry)
    assert (
        only(book, "date-spelling")["message"]
        == f"checks.csv row 3, checked_on: {entry} is read as 2025-04-20"
    )
    assert book.tables["checks"]["checked_on"].tolist()[1] == pd.Timestamp("2025-04-20")


def test_date_cells_of_a_workbook_are_as_they_are(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "trays"
    sheet.append(["tray", "season", "lot", "sown_on", "rows", "columns", "seeds_per_cell"])
    sheet.append(["T-1", 2025, "L", datetime.datetime(2024, 12, 3), 6, "=3*4", "2-3"])
    looks = book.create_sheet("checks")
    looks.append(["tray", "checked_on", "filled"])
    looks.append(["T-1", datetime.date(2025, 5, 4), 3])
    looks.append(["T-1", "04/05/2025", 4])
    book.save(tmp_path / "book.xlsx")
    read = read_book(tmp_path / "book.xlsx")
    assert read.tables["trays"]["sown_on"].tolist() == [pd.Timestamp("2024-12-03")]
    assert read.tables["checks"]["checked_on"].tolist() == [pd.Timestamp("2025-05-04")]
    assert (
        found(read, "two-way-date")["message"]
        .item()
        .startswith("sheet checks row 3, checked_on: 04/05/2025 may be")
    )
    zero = found(read, "formula-zero").iloc[0]
    assert (zero["severity"], zero["row"], zero["column"]) == ("watch", 2, "columns")
    assert (
        zero["message"]
        == "sheet trays row 2, columns: a formula stands here and reads back as 0 or as nothing"
    )


@pytest.mark.parametrize(
    ("table", "old", "place"),
    [
        ("checks", "2025-04-20", "checks.csv row 3, checked_on"),
        ("maps", "2025-05-30", "maps.csv row 2, seen_on"),
        ("orders", "2025-09-01", "orders.csv row 2, due"),
    ],
)
def test_a_blank_date_in_a_row_with_values_asks(
    tmp_path: Path, table: str, old: str, place: str
) -> None:
    book = spoilt(tmp_path, table, old, "")
    asked = only(book, "blank-date")
    assert asked["severity"] == "ask"
    assert asked["message"] == f"{place}: no date, though the row has values"
    assert len(book.tables[table]) == len(read_book(write(tmp_path)).tables[table]) - 1
    assert balances(book)


def test_a_blank_that_every_row_needs_asks(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "trays", "T-0413,2025,", "T-0413,,")
    asked = only(book, "blank-needed")
    assert asked["message"] == "trays.csv row 3, season: no season, which every row needs"
    assert book.tables["trays"]["tray"].tolist() == ["T-0412", "T-0413"]


# --- ids
# ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("entry", ["T-0413 ", "t-0413", " T-0413"])
def test_case_and_blanks_in_ids_are_mended(tmp_path: Path, entry: str) -> None:
    book = spoilt(tmp_path, "checks", "T-0413,2025-04-20", f"{entry},2025-04-20")
    mended = only(book, "id-spelling")
    assert mended["severity"] == "changed"
    assert mended["message"] == f"checks.csv row 3, tray: {entry!r} is read as 'T-0413'"
    assert book.tables["checks"]["tray"].unique().tolist() == ["T-0413"]


@pytest.mark.parametrize("entry", ["T-O413", "T-o413", "T-04l3", "T-04I3"])
def test_a_look_alike_character_in_an_id_asks_with_the_suggestion(
    tmp_path: Path, entry: str
) -> None:
    book = spoilt(tmp_path, "checks", "T-0413,2025-04-20", f"{entry},2025-04-20")
    asked = only(book, "id-look-alike")
    assert asked["severity"] == "ask"
    assert asked["message"] == (
        f"checks.csv row 3, tray: {entry} is unknown, and looks like T-0413; did you mean that?"
    )
    assert book.left_out == {"T-0413": f"tray {entry} is unknown, and looks like T-0413"}
    assert len(book.tables["checks"]) == 2
    assert balances(book)


def test_a_look_alike_lot_leaves_its_tray_out(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "trays", "MOFI-24A", "M0FI-24A")
    assert only(book, "id-look-alike")["tray"] == "T-0412"
    assert book.left_out == {"T-0412": "lot M0FI-24A is unknown, and looks like MOFI-24A"}
    assert value(book, "trays", 2, "lot") == ""


def test_a_look_alike_species_leaves_its_trays_out(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "lots", "MOFI-24A,MOFI", "MOFI-24A,M0FI")
    assert only(book, "id-look-alike")["table"] == "lots"
    assert list(book.left_out) == ["T-0412"]


@pytest.mark.parametrize("entry", ["T-O4I3", "T-9", "0413"])
def test_other_unknown_trays_stop(tmp_path: Path, entry: str) -> None:
    book = spoilt(tmp_path, "checks", "T-0413,2025-04-20", f"{entry},2025-04-20")
    stop = only(book, "unknown-id")
    assert stop["severity"] == "stop"
    assert stop["message"] == f"checks.csv row 3, tray: tray {entry} is not in trays.csv"
    assert list(book.left_out) == [entry]
    assert balances(book)


def test_an_id_that_looks_like_two_is_unknown(tmp_path: Path) -> None:
    lines = "T-0O,2025,MOFI-24A,2024-12-03,2,3,3,grit\nT-O0,2025,MOFI-24A,2024-12-03,2,3,3,grit\n"
    book = added(tmp_path, trays=lines, checks="T-00,2025-05-18,1,,\n")
    assert (
        found(book, "unknown-id")["message"].item()
        == "checks.csv row 5, tray: tray T-00 is not in trays.csv"
    )


def test_unknown_lots_and_species_stop_where_there_is_a_table_of_them(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "trays", "MOFI-24A", "LODI-24A")
    assert (
        only(book, "unknown-id")["message"]
        == "trays.csv row 2, lot: lot LODI-24A is not in lots.csv"
    )
    assert book.left_out == {"T-0412": "lot LODI-24A is not in lots.csv"}
    book = spoilt(tmp_path, "lots", "MOFI-24A,MOFI", "MOFI-24A,LODI")
    assert (
        only(book, "unknown-id")["message"]
        == "lots.csv row 2, species: species LODI is not in species.csv"
    )
    assert list(book.left_out) == ["T-0412"]
    book = spoilt(tmp_path, "orders", "MOFI", "LODI")
    assert only(book, "unknown-species")["severity"] == "ask"


def test_without_a_table_of_them_all_lots_and_species_are_known(tmp_path: Path) -> None:
    # nothing is left out; that lots stand alone without their species is worth a look
    assert len(read_book(write(tmp_path, species=None)).findings) == 0
    empty = CLEAN["lots"].split("\n")[0] + "\n"
    for tables in ({"lots": None}, {"lots": None, "species": None}, {"lots": empty}):
        book = read_book(write(tmp_path, **tables))
        assert book.findings["rule"].tolist() == ["lot-alone"]
        assert book.left_out == {}


def test_an_unknown_physical_tray_names_the_ids_of_its_lots(tmp_path: Path) -> None:
    lines = (
        "T1/MOFI-24A,2025,MOFI-24A,2024-12-03,2,3,3,grit\nT1/GETR-23A,2025,GETR-23A,2024-12-03,2,3,"
        "3,grit\n"
    )
    book = added(tmp_path, trays=lines, checks="T1,2025-05-18,1,,\n")
    assert found(book, "unknown-id")["message"].item() == (
        "checks.csv row 5, tray: tray T1 is not in trays.csv; it holds several lots, so name one "
        "of T1/MOFI-24A, T1/GETR-23A"
    )


# --- headings
# ------------------------------------------------------------------------------------------


def test_headings_are_mended(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "checks", "tray,checked_on,filled", "Tray,Checked on, FILLED ")
    assert found(book, "heading-spelling")["message"].tolist() == [
        "checks.csv, tray: the heading 'Tray' is read as tray",
        "checks.csv, checked_on: the heading 'Checked on' is read as checked_on",
        "checks.csv, filled: the heading ' FILLED ' is read as filled",
    ]
    assert book.tables["checks"]["filled"].tolist() == [1, 3, 5]


def test_an_unknown_column_is_listed_and_kept_out(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "checks", ",note", ",seedlngs", checks=CLEAN["checks"])
    watched = only(book, "unknown-column")
    assert watched["severity"] == "watch"
    assert (
        watched["message"]
        == "checks.csv: the column 'seedlngs' is not read; did you mean seedlings?"
    )
    book = read_book(write(tmp_path, checks="tray,checked_on,,filled\nT-0413,2025-04-20,9,3\n"))
    assert (
        only(book, "unknown-column")["message"]
        == "checks.csv: column 3 has no heading and is not read"
    )


def test_a_heading_twice_fills_blanks_and_asks_where_it_differs(tmp_path: Path) -> None:
    checks = (
        "tray,checked_on,filled,Filled\nT-0413,2025-04-13,,1\nT-0413,2025-04-20,3,3\nT-0413,"
        "2025-05-18,4,5\n"
    )
    book = read_book(write(tmp_path, checks=checks))
    assert found(book, "heading-twice")["severity"].tolist() == ["changed"]
    assert found(book, "heading-twice-different")["message"].tolist() == [
        "checks.csv row 4, filled: the two columns of this heading say 4 and 5"
    ]
    assert book.tables["checks"]["filled"].tolist() == [1, 3]
    assert balances(book)


@pytest.mark.parametrize(
    ("table", "heading", "missing"),
    [
        ("checks", "checked_on", "checked_on"),
        ("cells", "emerged,occupied", "emerged (or occupied)"),
    ],
)
def test_a_missing_column_stops_its_table(
    tmp_path: Path, table: str, heading: str, missing: str
) -> None:
    mine = ",".join(f"my{n}" for n, _ in enumerate(heading.split(",")))
    book = spoilt(tmp_path, table, heading, mine)
    stop = found(book, "missing-column").iloc[0]
    assert stop["severity"] == "stop"
    assert (
        stop["message"]
        == f"{table}.csv: the column {missing} is missing, so none of its rows can be used"
    )
    assert book.tables[table].empty
    assert balances(book)


def test_a_column_missing_in_trays_leaves_all_of_them_out(tmp_path: Path) -> None:
    book = spoilt(tmp_path, "trays", ",season,", ",year,")
    assert (
        found(book, "missing-column")["message"]
        .item()
        .startswith("trays.csv: the column season is missing")
    )
    assert book.left_out == dict.fromkeys(["T-0412", "T-0413"], "trays.csv lacks the column season")


def test_trays_without_ids_are_unreadable(tmp_path: Path) -> None:
    with pytest.raises(
        UnreadableBookError, match=r"trays.csv has no column tray; it has id, season\."
    ):
        read_book(write(tmp_path, trays="id,season\nT-1,2025\n"))
    with pytest.raises(
        UnreadableBookError, match=r"trays.csv has no column tray; it has no columns at all\."
    ):
        read_book(write(tmp_path, trays=""))


def test_a_row_with_more_values_than_headings_asks(tmp_path: Path) -> None:
    book = added(tmp_path, checks="T-0413,2025-05-25,5,8,mice, a lot of them\n")
    asked = only(book, "too-many-values")
    assert asked["message"] == (
        "checks.csv row 5: more values than headings, so some may stand in wrong columns"
    )
    assert len(book.tables["checks"]) == 3
    assert balances(book)


def test_a_file_of_another_name_is_named(tmp_path: Path) -> None:
    place = write(tmp_path)
    (place / "chekcs.csv").write_text("tray\n")
    watched = only(read_book(place), "not-read")
    assert watched["message"] == (
        "chekcs.csv: not read, since no table of a record book is called so; did you mean checks?"
    )
