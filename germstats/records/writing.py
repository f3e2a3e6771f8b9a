"""Files put in their place: each written beside it and then renamed, so a crash leaves the old file or the new one."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from germstats.errors import WrongUseError
from germstats.records.datapackage import FILE_NAME
from germstats.records.tables import TABLES

_BOOK_FILES = (*(f"{name}.csv" for name in TABLES), FILE_NAME)


def put_files(files: Mapping[Path, bytes], *, force: bool, folder: Path | None = None) -> tuple[Path, ...]:
    """Write all files beside their places first, then rename them all.

    Parameters
    ----------
    files : dict of path to bytes
    force : bool
        Whether files that are there may be replaced.
    folder : path, optional
        Folder of a book; tables of another book in it are in the way, too.

    Returns
    -------
    tuple of path
        As given.

    Raises
    ------
    WrongUseError
        Something is in the way, or a place cannot be written.
    """
    if folder is not None and folder.exists() and not folder.is_dir():
        raise WrongUseError(f"{folder} is a file; name a folder, or a workbook ending in .xlsx")
    if there := _in_the_way(files, folder, force=force):
        raise WrongUseError(there)
    waiting = {path.with_name(f".{path.name}.{os.getpid()}.part"): path for path in files}
    try:
        for part, path in waiting.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            _write_through(part, files[path])
        for part, path in waiting.items():
            part.replace(path)
    except OSError as error:
        place = Path(error.filename2 or error.filename or next(iter(files)))
        raise WrongUseError(f"{place} cannot be written: {error.strerror or error}; choose another place") from error
    finally:
        for part in waiting:
            _forget(part)
    return tuple(files)


def _in_the_way(files: Mapping[Path, bytes], folder: Path | None, *, force: bool) -> str:
    """Say what may not be overwritten, or would be mixed with another book; nothing where the way is free."""
    there = [path for path in files if os.path.lexists(path)]
    others: list[Path] = []
    if folder is not None and folder.is_dir():
        # any table that lies in the folder is in the way, or two books would be mixed
        written = {path.name for path in files}
        others = [path for path in sorted(folder.iterdir()) if path.name.lower() in _BOOK_FILES]
        others = [path for path in others if path.name not in written]
    if not force and (there or others):
        return f"{(there + others)[0]} is there already; choose another place, or overwrite it with --force"
    tables = [path for path in others if path.suffix.lower() == ".csv"]
    if tables:
        return f"{tables[0]} belongs to another book and would be mixed with this one; choose another place"
    return ""


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
