"""What a book remembers about itself: in `datapackage.json` of a folder, on the first sheet of a
workbook.

The only setting so far is ``dates``, the order in which dates such as 04/05/2024 are read.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from germstats.errors import UnreadableBookError
from germstats.records.formats.datapackage import FILE_NAME

SETTINGS_HEADING = "Settings of this book"
"""The line of the explanations under which a workbook keeps its settings: name, value; a blank line
ends them.
"""

EXPLANATIONS = "explanations"
"""The sheet of a workbook that explains it; it holds no records."""


def read_settings(place: str | Path) -> dict[str, str]:
    """Read what a book remembers; nothing where it remembers nothing.

    Parameters
    ----------
    place : path
        Folder of CSV files, or workbook.

    Raises
    ------
    UnreadableBookError
        The workbook cannot be read.
    """
    place = Path(place)
    return _of_folder(place / FILE_NAME) if place.is_dir() else _of_workbook(place)


def settings_on(sheets: Mapping[str, Sequence[Sequence[str]]]) -> dict[str, str]:
    """Find the settings among the sheets of a workbook.

    Parameters
    ----------
    sheets : mapping
        Sheet name -> its lines of text.
    """
    lines = next(
        (lines for name, lines in sheets.items() if name.strip().lower() == EXPLANATIONS), ()
    )
    found: dict[str, str] = {}
    inside = False
    for line in lines:
        name, value = (*(text.strip() for text in line[:2]), "", "")[:2]
        if inside and not name:
            break
        if inside and value:
            found[name] = value
        inside = inside or name == SETTINGS_HEADING
    return found


def _of_folder(package: Path) -> dict[str, str]:
    try:
        content = json.loads(package.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return {}
    settings = content.get("germstats") if isinstance(content, dict) else None
    if not isinstance(settings, dict):
        return {}
    return {str(name): value for name, value in settings.items() if isinstance(value, str)}


def _of_workbook(file: Path) -> dict[str, str]:
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        with file.open("rb") as stream:
            book = CalamineWorkbook.from_filelike(stream)
            names = [name for name in book.sheet_names if name.strip().lower() == EXPLANATIONS]
            sheets = {
                name: book.get_sheet_by_name(name).to_python(skip_empty_area=False)
                for name in names
            }
    except (CalamineError, OSError) as error:
        raise UnreadableBookError(
            f"{file.name} is no workbook that can be read; save it as .xlsx again."
        ) from error
    return settings_on(
        {name: [[str(value) for value in line] for line in lines] for name, lines in sheets.items()}
    )
