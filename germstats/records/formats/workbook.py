"""Write a record book: a folder of CSV files with `datapackage.json`, or one workbook; blank or
full.

Every file is written beside its place and then renamed, so a crash leaves either the old file or
the new one.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from germstats.errors import GermstatsError, WrongUseError
from germstats.records.formats.datapackage import FILE_NAME, describe_book
from germstats.records.formats.example_rows import EXAMPLE_REMARK, example_rows
from germstats.records.formats.reading import EXAMPLE_WORKBOOK, read_sheets
from germstats.records.formats.xlsx import Extras, Rows, workbook_bytes
from germstats.records.tables import TABLES
from germstats.records.values import guarded, value_text
from germstats.records.writing import put_files

if TYPE_CHECKING:
    import pandas as pd

BLANK_WORKBOOK = "record_book.xlsx"

_NOT_WRITTEN = (".csv", ".tsv", ".txt", ".xls", ".xlsm", ".ods", ".json")


def write_book(
    tables: Mapping[str, pd.DataFrame],
    where: str | Path,
    *,
    force: bool = False,
    extra: Mapping[str, str] | None = None,
) -> tuple[Path, ...]:
    """Write the tables of a record book as a folder of CSV files, or as a workbook where the name
    ends in `.xlsx`.

    Parameters
    ----------
    tables : mapping of str to pandas.DataFrame
        Table name -> rows, as text just as it was typed or as typed values; a column ``row`` (the
        place in the file it was read from) is left out of every table.
    where : path
        Folder, made where it is missing, or workbook.
    force : bool
        Overwrite a record book that is there.
    extra : mapping, optional
        Settings reading has to remember, such as ``{"dates": "day-first"}``, kept in
        `datapackage.json`.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    WrongUseError
        A table is unknown, a file is in the way, or the place cannot be written to.
    """
    return write_rows(
        {name: _rows(table) for name, table in tables.items()}, where, force=force, settings=extra
    )


def write_rows(
    tables: Mapping[str, Rows],
    where: str | Path,
    *,
    force: bool = False,
    settings: Mapping[str, str] | None = None,
) -> tuple[Path, ...]:
    """Write the tables of a record book, as they stand in its lines, as a folder of CSV files or as
    a workbook.

    Parameters
    ----------
    tables : mapping
        Table name -> lines of text, the headings first; lines may be shorter or longer than the
        headings.
    where : path
        Folder, made where it is missing, or workbook.
    force : bool
        Overwrite a record book that is there.
    settings : mapping, optional
        What the book has to remember, such as ``{"dates": "day-first"}``.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    WrongUseError
        A table is unknown, a file is in the way, or the place cannot be written to.
    """
    return put_book(book_files(tables, where, settings), where, force=force)


def book_files(
    tables: Mapping[str, Rows], where: str | Path, settings: Mapping[str, str] | None = None
) -> dict[Path, bytes]:
    """Return the files of a record book, yet to be written: place -> content.

    Parameters
    ----------
    tables, where, settings
        As for `write_rows`.

    Raises
    ------
    WrongUseError
        A table is unknown, the place bears the name of another kind of file, or a workbook cannot
        hold so much.
    """
    where = Path(where)
    unknown = [name for name in tables if name not in TABLES]
    if unknown:
        raise WrongUseError(
            f"a record book has no table {unknown[0]!r}; its tables are {', '.join(TABLES)}"
        )
    rows = {name: tables[name] for name in TABLES if name in tables}
    if is_workbook(where):
        return {where: workbook_bytes(rows, Extras(settings or {}))}
    if where.suffix.lower() in _NOT_WRITTEN:
        raise WrongUseError(
            f"{where} would be a {where.suffix} file; name a folder, or a workbook ending in .xlsx"
        )
    return _folder_files(rows, where, settings)


def put_book(
    files: Mapping[Path, bytes], where: str | Path, *, force: bool = False
) -> tuple[Path, ...]:
    """Write the files that `book_files` returned for the same place.

    Raises
    ------
    WrongUseError
        A file is in the way, or the place cannot be written to.
    """
    where = Path(where)
    return put_files(files, force=force, folder=None if is_workbook(where) else where)


def is_workbook(where: str | Path) -> bool:
    """Whether a book of this name is a workbook; else it is a folder of CSV files."""
    return Path(where).suffix.lower() == ".xlsx"


def blank_book(where: str | Path, *, force: bool = False) -> tuple[Path, ...]:
    """Write a blank record book: CSV files with their headers, `datapackage.json`, and the same as
    a workbook.

    Parameters
    ----------
    where : path
        Folder, made where it is missing.
    force : bool
        Overwrite a record book that is there.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    WrongUseError
        A file is in the way, holds records (which a blank book never replaces), or the place cannot
        be written to.
    """
    where = Path(where)
    if force and (held := next(_records_in(where), None)):
        raise WrongUseError(
            f"{held} holds records; a blank book never replaces them, forced or not: name another "
            "folder"
        )
    rows = {name: _headings(name) for name in TABLES}
    files = _folder_files(rows, where, None) | {where / BLANK_WORKBOOK: workbook_bytes(rows)}
    return put_files(files, force=force, folder=where)


def _records_in(folder: Path) -> Iterator[Path]:
    """Tables and the workbook of a folder that hold more than headings, or cannot be read."""
    for path in (folder / f"{name}.csv" for name in TABLES):
        if path.is_file() and len(path.read_bytes().strip().splitlines()) > 1:
            yield path
    book = folder / BLANK_WORKBOOK
    if book.is_file():
        try:
            tables = read_sheets(book).tables.values()
        except GermstatsError:
            yield book
        else:
            yield from [book] if any(table.numbers for table in tables) else []


def example_book(where: str | Path, *, force: bool = False) -> Path:
    """Write a workbook of invented records, filled as a grower would, to look at beside a blank
    one.

    It is a workbook only, under a name of its own: a folder of CSV files is read as one book, so
    invented rows must not lie among them.

    Parameters
    ----------
    where : path
        Folder, made where it is missing.
    force : bool
        Overwrite an example that is there.

    Returns
    -------
    Path
        The workbook written.

    Raises
    ------
    WrongUseError
        A file is in the way, or the place cannot be written to.
    """
    path = Path(where) / EXAMPLE_WORKBOOK
    content = workbook_bytes(example_rows(), Extras(remark=EXAMPLE_REMARK))
    return put_files({path: content}, force=force)[0]


def remember_dates(where: str | Path, dates: str) -> None:
    """Note in a book's `datapackage.json` how its dates are written, so that the next reading need
    not be told.

    Parameters
    ----------
    where : path
        The folder of the book. A workbook, a folder without a readable `datapackage.json` and a
        book that says the same already are left as they are.
    dates : {"day-first", "month-first"}
    """
    path = Path(where) / FILE_NAME
    try:
        package = json.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return
    if not isinstance(package, dict):
        return
    settings = package.get("germstats")
    settings = settings if isinstance(settings, dict) else {}
    if settings.get("dates") != dates:
        package["germstats"] = settings | {"dates": dates}
        put_files({path: _json_bytes(package)}, force=True)


def write_table(
    name: str, table: pd.DataFrame, where: Path, *, force: bool = False
) -> tuple[Path, ...]:
    """Write one table as a CSV file that a book can take in.

    Parameters
    ----------
    name : str
        Which table of a book it is.
    table : pandas.DataFrame
    where : path
    force : bool
        Whether an existing file may be replaced.

    Raises
    ------
    WrongUseError
        The file exists and `force` is off.
    """
    return put_files({where: _csv_bytes(name, _rows(table))}, force=force)


def _rows(frame: pd.DataFrame) -> list[list[str]]:
    frame = frame.drop(columns="row", errors="ignore")
    values = [[value_text(value) for value in frame[name].tolist()] for name in frame.columns]
    return [[str(name) for name in frame.columns], *([*row] for row in zip(*values, strict=True))]


def _headings(name: str) -> Rows:
    return [[column.name for column in TABLES[name].columns]]


def _folder_files(
    rows: Mapping[str, Rows], where: Path, extra: Mapping[str, str] | None
) -> dict[Path, bytes]:
    files = {where / f"{name}.csv": _csv_bytes(name, table) for name, table in rows.items()}
    package = describe_book({name: table[0] for name, table in rows.items()}, extra)
    return files | {where / FILE_NAME: _json_bytes(package)}


def _csv_bytes(name: str, rows: Rows) -> bytes:
    numbers = {column.name for column in TABLES[name].columns if column.type in ("whole", "number")}
    header, *records = rows
    of_number = [heading in numbers for heading in header]
    lines = [[guarded(heading) for heading in header]]
    for record in records:
        flags = of_number + [False] * (len(record) - len(header))
        lines.append(
            [guarded(text, number=number) for text, number in zip(record, flags, strict=False)]
        )
    # reading takes the separator that is most frequent in the first line, whatever words the
    # headings hold
    first = next((line for line in _csv_text(lines[:1], ",").splitlines() if line.strip()), "")
    return _csv_text(lines, max(",;\t", key=first.count)).encode("utf-8")


def _csv_text(lines: Rows, separator: str) -> str:
    buffer = io.StringIO(newline="")
    plain = csv.writer(buffer, delimiter=separator, lineterminator="\n")
    # csv puts no quotation marks round a lone carriage return, which would break the line
    quoted = csv.writer(buffer, delimiter=separator, lineterminator="\n", quoting=csv.QUOTE_ALL)
    for line in lines:
        (quoted if any("\r" in text for text in line) else plain).writerow(line)
    return buffer.getvalue()


def _json_bytes(package: Mapping[str, object]) -> bytes:
    return (json.dumps(package, indent=2, ensure_ascii=False) + "\n").encode("utf-8")
