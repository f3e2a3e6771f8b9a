"""Places that commands are told to write to."""

from __future__ import annotations

import os
from pathlib import Path

from germstats.errors import WrongUseError

PAGE = (".html", ".htm")


def refuse_place(path: Path, suffixes: tuple[str, ...], force: bool) -> None:
    """Say before any work begins why a file cannot be written there.

    Raises
    ------
    WrongUseError
        Another kind of file, a folder, or a file that is there and not to be overwritten.
    """
    if path.suffix.lower() not in suffixes:
        raise WrongUseError(f"Name a file ending in {' or '.join(suffixes)}, not {path}.")
    if os.path.isdir(path):  # noqa: PTH112 - unlike Path.is_dir it bears a name that is too long
        raise WrongUseError(f"{path} is a folder; name a file in it.")
    if os.path.lexists(path) and not force:
        raise WrongUseError(f"{path} is there already; choose another place, or overwrite it with --force.")
