"""Files put in their place: each written beside it and then renamed, so a crash leaves the old file
or the new one.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from germstats.errors import WrongUseError
from germstats.records.formats.datapackage import FILE_NAME
from germstats.records.tables import TABLES

_BOOK_FILES = (*(f"{name}.csv" for name in TABLES), FILE_NAME)


def put_files(
    files: Mapping[Path, bytes], *, force: bool, folder: Path | None = None
) -> tuple[Path, ...]:
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
    if folder is not None and os.path.isfile(folder):  # noqa: PTH113 - bears a name that is too long
        raise WrongUseError(f"{folder} is a file; name a folder, or a workbook ending in .xlsx")
    for path in files:
        must_be_free(path, force=force)
    if folder is not None and os.path.isdir(folder):  # noqa: PTH112
        _refuse_mixing(files, folder, force=force)
    # a name of their own, for that of a file may be as long as the disk bears
    waiting = {
        path.with_name(f".germstats-{os.getpid()}-{k}.part"): path for k, path in enumerate(files)
    }
    try:
        for part, path in waiting.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            _write_through(part, files[path])
        for part, path in waiting.items():
            part.replace(path)
    except OSError as error:
        place = Path(error.filename2 or error.filename or next(iter(files)))
        raise WrongUseError(
            _cannot(waiting.get(place, place), error.strerror or str(error))
        ) from error
    finally:
        for part in waiting:
            _forget(part)
    return tuple(files)


def must_be_free(path: Path, *, force: bool) -> None:
    """Refuse a place where no file can be written; folders that are missing are made, so they may
    be.

    Raises
    ------
    WrongUseError
        A folder, a file that may not be replaced, or a place where nothing may be written.
    """
    if os.path.isdir(path):  # noqa: PTH112 - unlike Path.is_dir it bears a name that is too long
        raise WrongUseError(f"{path} is a folder; name a file in it")
    if not force and os.path.lexists(path):
        raise WrongUseError(_there(path))
    must_take_files(path.parent)


def must_take_files(folder: Path) -> None:
    """Refuse a folder in which nothing can be written, there already or to be made.

    Raises
    ------
    WrongUseError
        It, or what is there of its path, is a file or may not be written to.
    """
    there = next(
        one for one in (folder.absolute(), *folder.absolute().parents) if os.path.lexists(one)
    )
    if not os.path.isdir(there):  # noqa: PTH112
        raise WrongUseError(_cannot(folder, f"{there} is no folder"))
    if not os.access(there, os.W_OK | os.X_OK):
        raise WrongUseError(_cannot(folder, f"nothing may be written in {there}"))


def _refuse_mixing(files: Mapping[Path, bytes], folder: Path, *, force: bool) -> None:
    """Any other table that lies in the folder is in the way, or two books would be mixed."""
    written = {path.name for path in files}
    others = [path for path in sorted(folder.iterdir()) if path.name.lower() in _BOOK_FILES]
    others = [path for path in others if path.name not in written]
    if others and not force:
        raise WrongUseError(_there(others[0]))
    tables = [path for path in others if path.suffix.lower() == ".csv"]
    if tables:
        raise WrongUseError(
            f"{tables[0]} belongs to another book and would be mixed with this one; choose another "
            "place"
        )


def _there(path: Path) -> str:
    return f"{path} is there already; choose another place, or overwrite it with --force"


def _cannot(place: Path, why: str) -> str:
    return f"{place} cannot be written: {why}; choose another place"


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
