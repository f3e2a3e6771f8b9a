"""Write a record book: a folder of CSV files with `datapackage.json`, or one workbook; blank or full.

Every file is written beside its place and then renamed, so a crash leaves either the old file or the new one.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from germstats.errors import WrongUseError
from germstats.records.datapackage import FILE_NAME, describe_book
from germstats.records.tables import TABLES
from germstats.records.values import guarded, value_text
from germstats.records.xlsx import Rows, workbook_bytes

if TYPE_CHECKING:
    import pandas as pd

BLANK_WORKBOOK = "record_book.xlsx"

_BOOK_FILES = (*(f"{name}.csv" for name in TABLES), FILE_NAME)
_NOT_WRITTEN = (".csv", ".tsv", ".txt", ".xls", ".xlsm", ".ods", ".json")


def write_book(
    tables: Mapping[str, pd.DataFrame],
    where: str | Path,
    *,
    force: bool = False,
    extra: Mapping[str, str] | None = None,
) -> tuple[Path, ...]:
    """Write the tables of a record book as a folder of CSV files, or as a workbook where the name ends in `.xlsx`.

    Parameters
    ----------
    tables : mapping of str to pandas.DataFrame
        Table name -> rows, as text just as it was typed or as typed values; a column ``row`` (the place in the file
        it was read from) is left out of every table.
    where : path
        Folder, made where it is missing, or workbook.
    force : bool
        Overwrite a record book that is there.
    extra : mapping, optional
        Settings reading has to remember, such as ``{"dates": "day-first"}``, kept in `datapackage.json`.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    WrongUseError
        A table is unknown, a file is in the way, or the place cannot be written to.
    """
    where = Path(where)
    unknown = [name for name in tables if name not in TABLES]
    if unknown:
        raise WrongUseError(f"a record book has no table {unknown[0]!r}; its tables are {', '.join(TABLES)}")
    rows = {name: _rows(tables[name]) for name in TABLES if name in tables}
    if where.suffix.lower() == ".xlsx":
        return _put_files({where: workbook_bytes(rows)}, force=force)
    if where.suffix.lower() in _NOT_WRITTEN:
        raise WrongUseError(f"{where} would be a {where.suffix} file; name a folder, or a workbook ending in .xlsx")
    return _put_files(_folder_files(rows, where, extra), force=force, folder=where)


def blank_book(where: str | Path, *, force: bool = False) -> tuple[Path, ...]:
    """Write a blank record book: CSV files with their headers, `datapackage.json`, and the same as a workbook.

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
        A file is in the way, or the place cannot be written to.
    """
    where = Path(where)
    rows: dict[str, Rows] = {name: [[column.name for column in table.columns]] for name, table in TABLES.items()}
    files = _folder_files(rows, where, None) | {where / BLANK_WORKBOOK: workbook_bytes(rows)}
    return _put_files(files, force=force, folder=where)


def remember_dates(where: str | Path, dates: str) -> None:
    """Note in a book's `datapackage.json` how its dates are written, so that the next reading need not be told.

    Parameters
    ----------
    where : path
        The folder of the book. A workbook, a folder without a readable `datapackage.json` and a book that says the
        same already are left as they are.
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
        _put_files({path: _json_bytes(package)}, force=True)


def write_table(name: str, table: pd.DataFrame, where: Path, *, force: bool = False) -> tuple[Path, ...]:
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
    return _put_files({where: _csv_bytes(name, _rows(table))}, force=force)


def _rows(frame: pd.DataFrame) -> list[list[str]]:
    frame = frame.drop(columns="row", errors="ignore")
    values = [[value_text(value) for value in frame[name].tolist()] for name in frame.columns]
    return [[str(name) for name in frame.columns], *([*row] for row in zip(*values, strict=True))]


def _folder_files(rows: Mapping[str, Rows], where: Path, extra: Mapping[str, str] | None) -> dict[Path, bytes]:
    files = {where / f"{name}.csv": _csv_bytes(name, table) for name, table in rows.items()}
    package = describe_book({name: table[0] for name, table in rows.items()}, extra)
    return files | {where / FILE_NAME: _json_bytes(package)}


def _csv_bytes(name: str, rows: Rows) -> bytes:
    numbers = {column.name for column in TABLES[name].columns if column.type in ("whole", "number")}
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    header, *records = rows
    writer.writerow(header)
    for record in records:
        writer.writerow([guarded(text, number=name in numbers) for name, text in zip(header, record, strict=True)])
    return buffer.getvalue().encode("utf-8")


def _json_bytes(package: Mapping[str, object]) -> bytes:
    return (json.dumps(package, indent=2, ensure_ascii=False) + "\n").encode("utf-8")


def _put_files(files: Mapping[Path, bytes], *, force: bool, folder: Path | None = None) -> tuple[Path, ...]:
    """Write all files beside their places first, then rename them all."""
    if folder is not None and folder.exists() and not folder.is_dir():
        raise WrongUseError(f"{folder} is a file; name a folder, or a workbook ending in .xlsx")
    # any table that lies in the folder is in the way, or two books would be mixed
    book_files = [folder / name for name in _BOOK_FILES] if folder else []
    if not force and (there := [path for path in (*files, *book_files) if os.path.lexists(path)]):
        raise WrongUseError(f"{there[0]} is there already; choose another place, or overwrite it with --force")
    waiting = {path.with_name(f".{path.name}.{os.getpid()}.part"): path for path in files}
    try:
        for part, path in waiting.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            _write_through(part, files[path])
        for part, path in waiting.items():
            part.replace(path)
    except OSError as error:
        place = Path(error.filename2 or error.filename or next(iter(files)))
        raise WrongUseError(f"{place} cannot be written: {error.strerror or error}") from error
    finally:
        for part in waiting:
            _forget(part)
    return tuple(files)


def _write_through(part: Path, content: bytes) -> None:
    with part.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())


def _forget(part: Path) -> None:
    try:
        part.unlink(missing_ok=True)
    except OSError:
        return  # it lies where nothing could be written, so nothing was left there
