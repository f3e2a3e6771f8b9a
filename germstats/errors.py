"""One tree of errors and warnings; each error knows the exit code a command ends with.

Nothing here imports anything, so that every floor of the package may use it.
"""

from __future__ import annotations


class GermstatsError(Exception):
    """Base of every error this package raises on purpose; the text is one clear sentence for a
    grower.
    """

    exit_code = 1


class UnreadableBookError(GermstatsError):
    """Nothing readable is there: no folder, no CSV, a workbook without the sheets, a file that is
    no table.
    """

    exit_code = 1


class WrongUseError(GermstatsError):
    """The caller asked for something that makes no sense: an unknown lot, a target of 140 %, a file
    in the way.
    """

    exit_code = 2


class NotEnoughRecordsError(GermstatsError):
    """The book can be read but holds too little to answer the question."""

    exit_code = 3


class NotEnoughSeedError(GermstatsError):
    """There is too little seed in store for what was asked."""

    exit_code = 3


class GermstatsWarning(UserWarning):
    """Base of the package's warnings; a warning says what it means for the decision and one next
    step.
    """
