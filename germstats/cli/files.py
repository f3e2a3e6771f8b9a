"""Places that commands are told to write to."""

from __future__ import annotations

from pathlib import Path

from germstats.errors import WrongUseError
from germstats.records.writing import must_be_free

PAGE = (".html", ".htm")


def refuse_place(path: Path, suffixes: tuple[str, ...], force: bool) -> None:
    """Say before any work begins why a file cannot be written there.

    Raises
    ------
    WrongUseError
        Another kind of file, a folder, a file that is there and not to be overwritten, or a place
        that takes no file.
    """
    if path.suffix.lower() not in suffixes:
        raise WrongUseError(f"Name a file ending in {' or '.join(suffixes)}, not {path}.")
    must_be_free(path, force=force)
