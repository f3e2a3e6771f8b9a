"""Arguments and options that several commands share, and the two ways a command speaks."""

from __future__ import annotations

import datetime
import json
import math
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from germstats.records.suggesting import shorten

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from germstats.engine.fit import EmergenceFit, FitSpec
    from germstats.records.book import RecordBook

Command = Callable[..., Any]

_ISO_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


class _Day(click.ParamType[Any]):
    """A day written as 2026-04-15; the command receives a ``pandas.Timestamp``."""

    name = "day"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        """As the help shows it."""
        return "YYYY-MM-DD"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Take an ISO date and nothing else."""
        import pandas as pd

        if isinstance(value, pd.Timestamp):
            return value
        day = _iso_day(value)
        if day is None:
            self.fail(
                f"{value!r} is no day such as 2026-04-15: write year-month-day, with its hyphens",
                param,
                ctx,
            )
        return pd.Timestamp(day)


def _iso_day(text: str) -> datetime.date | None:
    """The day a text such as 2026-04-15 names; None for every other form, short ones that Python
    would read too.
    """
    from germstats.records.checking.parsing import day_of

    return day_of(*map(int, text.split("-"))) if _ISO_DAY.fullmatch(text) else None


class _Place(click.Path):
    """A file or folder; a name that none can have is refused before anything is read or done."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Take any name that a file or folder could have here."""
        if not str(value).strip():
            self.fail("the name is empty; name a file or folder", param, ctx)
        try:
            os.lstat(value)
        except (FileNotFoundError, NotADirectoryError, PermissionError):
            pass  # such a name is possible; whoever uses it says what is wrong with the place
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or str(error)
            self.fail(
                f"no file can be called {shorten(str(value))!r}: {why}; choose another name",
                param,
                ctx,
            )
        return super().convert(value, param, ctx)


DAY, PLACE = _Day(), _Place()


def book_argument(command: Command) -> Command:
    """Add the argument BOOK: a folder of CSV files or a workbook."""
    return click.argument("book", type=PLACE)(command)


def dates_option(command: Command) -> Command:
    """Add ``--dates``, which settles how 04/05/2024 is read."""
    return click.option(
        "--dates",
        type=click.Choice(["day-first", "month-first"]),
        help="How dates such as 04/05/2024 are written; "
        "without it they are refused, never guessed.",
    )(command)


def json_option(command: Command) -> Command:
    """Add ``--json``; the command receives it as `as_json`."""
    return click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON object, for scripts."
    )(command)


def progress(words: str) -> None:
    """Say on standard error what is being worked on, so that standard output holds the
    answer only.
    """
    click.echo(f"{words} ...", err=True)


def print_json(content: Mapping[str, object]) -> None:
    """Print one JSON object; numbers that are not there (NaN) become null."""
    click.echo(json.dumps(_plain(content), indent=2, ensure_ascii=False, allow_nan=False))


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if hasattr(value, "item"):  # a number of numpy
        value = value.item()
    if isinstance(value, datetime.date) and str(value) != "NaT":
        return f"{value:%Y-%m-%d}"
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return None if str(value) in ("<NA>", "NaT") else value


def fit_options(command: Command) -> Command:
    """Add the visible settings of a fit; the command hands them on to `fit_spec` as they come."""
    for decorate in (
        click.option(
            "--no-pooling",
            is_flag=True,
            help="Take lots as far apart, so that each is estimated nearly by itself.",
        ),
        click.option(
            "--spring-ends",
            default="07-31",
            show_default=True,
            metavar="MM-DD",
            help="Last day of a first spring.",
        ),
        click.option(
            "--season-sd",
            type=click.FloatRange(0, 3),
            default=0.35,
            show_default=True,
            help="Scatter between springs, on the logit scale; taken as given.",
        ),
        click.option(
            "--tray-sd",
            type=click.FloatRange(0, 3),
            help="Scatter between trays of one lot, on the logit scale, "
            "instead of the one learned from your trays.",
        ),
    ):
        command = decorate(command)
    return command


FIT_OPTIONS = ("tray_sd", "season_sd", "spring_ends", "no_pooling")


def fit_spec(options: dict[str, Any]) -> FitSpec:
    """Take the settings of `fit_options` out of a command's options."""
    from germstats.engine.fit import FitSpec
    from germstats.engine.priors import Scatter

    tray_sd, season_sd, spring_ends, no_pooling = (options.pop(name) for name in FIT_OPTIONS)
    for name, sd in (("--season-sd", season_sd), ("--tray-sd", tray_sd)):
        if sd is not None and not math.isfinite(sd):
            raise click.BadParameter(
                f"{sd} is no scatter; it is a number from 0 to 3", param_hint=name
            )
    return FitSpec(
        scatter=Scatter(tray=tray_sd, season=season_sd),
        pooling=not no_pooling,
        spring_ends=_month_day(spring_ends),
    )


def fitted(book: Path, dates: str | None, spec: FitSpec) -> EmergenceFit:
    """Read BOOK and fit it, saying on standard error what takes its time."""
    from germstats.engine.fit import fit_emergence

    progress("reading the records")
    return fit_emergence(opened(book, dates), spec, progress=progress)


def opened(book: Path, dates: str | None) -> RecordBook:
    """Read BOOK; a folder remembers the order of dates it was told, so that it need not be said
    again.
    """
    from germstats.records.book import read_book

    records = read_book(book, dates)
    if dates and book.is_dir():
        from germstats.records.formats.workbook import remember_dates

        remember_dates(book, dates)
    return records


def _month_day(text: str) -> tuple[int, int]:
    day = _iso_day(f"2001-{text}")
    if day is None:
        raise click.BadParameter(
            f"{text!r} is no month and day such as 07-31", param_hint="--spring-ends"
        )
    return day.month, day.day


def settings_of(spec: DataclassInstance) -> dict[str, object]:
    """What a question was asked with, without the settings of its fit (`fit_settings`)."""
    return {one.name: getattr(spec, one.name) for one in fields(spec) if one.name != "fit"}


def fit_settings(fit: EmergenceFit) -> dict[str, object]:
    """The settings of a fit and the scatters it learned, as ``--json`` prints them."""
    return {
        **{f"{one.name}_sd": one.sd for one in fit.scatter},
        "learnt": [one.name for one in fit.scatter if one.learned],
        "pooling": fit.spec.pooling,
        "spring_ends": "{:02d}-{:02d}".format(*fit.spec.spring_ends),
        "cell_scatter": fit.cell_scatter.rho,
        "cell_scatter_learned": fit.cell_scatter.learned,
        "trouble": [{"kind": one.kind, "share": one.share} for one in fit.trouble],
        "timing": {
            name: f"{choice.family} from {choice.origin}" for name, choice in fit.timing.items()
        },
    }
