"""What `germstats new` says: what was written, and what to do next."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterable
from pathlib import Path

from germstats.document.sentences import WIDTH
from germstats.records.formats.workbook import BLANK_WORKBOOK


def blank_book_text(folder: Path, written: Iterable[Path]) -> str:
    """The blank book, its files and the next steps.

    Parameters
    ----------
    folder : path
    written : iterable of path
    """
    sheets = ", ".join(path.name for path in written if path.suffix == ".csv")
    return (
        f"A blank record book is in {folder}:\n"
        f"  {BLANK_WORKBOOK}   one workbook with drop-downs; its first sheet explains every "
        "column\n"
        f"  the same as CSV files: {sheets}\n"
        f"  datapackage.json   what each column means, for other programs\n"
        f"\n"
        f"Fill the workbook or the CSV files, not both. What to do next:\n"
        f"  1. trays: one row for each sown tray\n"
        f"  2. checks (filled cells of a tray) or cells (single cells): "
        "one row for each look, zeros too\n"
        f"  3. germstats check {shlex.quote(str(folder / BLANK_WORKBOOK))}\n"
        f"     or, for the CSV files, germstats check {shlex.quote(str(folder))}"
    )


def check_page_text(page: Path, book: Path | None, trays: int | None) -> str:
    """The check page: what is on it, how to use it, and how its rows get into the book.

    Parameters
    ----------
    page : path
    book : path or None
        The book the rows are for, where it is known.
    trays : int or None
        Trays of the book on it; None where they are typed on the page.
    """
    name = str(book) if book else "BOOK"
    on_it = (
        "trays are typed on it"
        if trays is None
        else f"{trays} tray{'' if trays == 1 else 's'} of {book}, in bench order"
    )
    commands = (
        ["germstats", "check", name],
        ["germstats", "new", "--check-page", "--for", name, "-o", str(page), "--force"],
    )
    steps = (
        "1. Send it to the phone and open it there in a browser, not in a file preview; it needs "
        "no network. Before the first round tap one cell, close the page and open it again: the "
        "tap must still be there. The page warns where the browser refuses to keep anything.",
        '2. At the bench: choose a tray, tap the cells, then "Whole tray looked at". A tray that '
        "shows nothing new "
        "needs this one tap: zeros are rows too.",
        "3. Under Export save cells, checks and events, and add their rows, without the first "
        "line, below the last row of the table of the same name in the book; or copy and paste "
        "them into its sheet. Do not put the files in place of the book's own.",
        "4. See what is found, and make the page anew for the next round:",
    )
    return "\n".join(
        [
            f"The check page is {page}: {on_it}. What to do next:",
            *(_step(step) for step in steps),
            *(f"     {shlex.join(words)}" for words in commands),
        ]
    )


def _step(text: str) -> str:
    return textwrap.fill(
        text, WIDTH, initial_indent="  ", subsequent_indent="     ", break_on_hyphens=False
    )
