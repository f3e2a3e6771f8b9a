"""Arguments and options that several commands share, and the two ways a command speaks."""

from __future__ import annotations

import datetime
import json
import math
import os
import re
import sys
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
_DAY_AND_MONTH = re.compile(r"(\d{1,2})[/.-](\d{1,2})[/.-](\d{4})")
_SURELY_PERCENT = 10  # fewer may be a slip for a share
_QUIET = "germstats.quiet"


class _Day(click.ParamType[Any]):
    """A day, as 2026-04-15 or in a form that can only be read one way; the command receives a
    ``pandas.Timestamp``.
    """

    name = "day"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        """As the help shows it."""
        return "YYYY-MM-DD"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Take a day; one that may be two days is refused, with both of them."""
        import pandas as pd

        if isinstance(value, pd.Timestamp):
            return value
        days = _days_meant(value)
        if len(days) != 1:
            self.fail(_which_day(value, days), param, ctx)
        return pd.Timestamp(days[0])


def _days_meant(text: str) -> list[datetime.date]:
    """Days that a text can mean: 2026-04-15 and 15/4/2026 one, 5/4/2026 two, other texts none."""
    if (day := _iso_day(text)) is not None:
        return [day]
    match = _DAY_AND_MONTH.fullmatch(text.strip())
    if match is None:
        return _spelled_day(text)
    from germstats.records.checking.parsing import both_readings

    first, second, year = (int(part) for part in match.groups())
    return sorted({day for day in both_readings(first, second, year).values() if day is not None})


def _spelled_day(text: str) -> list[datetime.date]:
    """The day of a text such as 15 April 2026 or Apr 15, 2026."""
    words = " ".join(text.replace(",", " ").split())
    for form in ("%d %B %Y", "%d %b %Y", "%B %d %Y", "%b %d %Y"):
        try:
            day = datetime.datetime.strptime(words, form).date()
        except ValueError:
            continue
        return [day] if _iso_day(day.isoformat()) else []
    return []


def _which_day(text: str, days: list[datetime.date]) -> str:
    if not days:
        return f"{text!r} is no day such as 2026-04-15: write year-month-day, with its hyphens"
    first, second = days
    return (
        f"{text!r} may be {first.day} {first:%B} or {second.day} {second:%B}: write {first} or "
        f"{second}"
    )


class _Share(click.ParamType[float]):
    """A share: 0.9, 90% or 90."""

    name = "share"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:
        """As the help shows it."""
        return "SHARE"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Take a share or a percentage; what may be either is refused with both forms."""
        if isinstance(value, int | float):
            return float(value)
        text = str(value).strip()
        try:
            number = float(text.removesuffix("%"))
        except ValueError:
            self.fail(f"{value!r} is no share: write 0.9 or 90%", param, ctx)
        percentage = text.endswith("%") or _SURELY_PERCENT <= number <= 100
        if not percentage and not -1 <= number <= 1:
            self.fail(_right_form(text, number), param, ctx)
        return number / 100 if percentage else number


def _right_form(text: str, number: float) -> str:
    if 1 < number <= 100:
        return f"{text} may be a share or a percentage: write {number / 100:g} or {number:g}%"
    return f"{text} is no share: write one such as 0.9 or 90%"


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


DAY, PLACE, SHARE = _Day(), _Place(), _Share()


class Advanced(click.Option):
    """An option on the scale of the model, which the help lists apart."""


class Question(click.Command):
    """A command whose help lists what only an analyst sets apart, and that can be kept quiet."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.params.append(
            click.Option(
                ["--quiet"],
                is_flag=True,
                expose_value=False,
                callback=_keep_quiet,
                help="Say nothing while it works.",
            )
        )

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options, those of the model's own scale last."""
        plain: list[tuple[str, str]] = []
        advanced: list[tuple[str, str]] = []
        for param in self.get_params(ctx):
            record = param.get_help_record(ctx)
            if record is not None and isinstance(param, click.Option):
                (advanced if isinstance(param, Advanced) else plain).append(record)
        for title, records in (("Options", plain), ("Advanced", advanced)):
            if records:
                with formatter.section(title):
                    formatter.write_dl(records)


def _keep_quiet(ctx: click.Context, param: click.Parameter, quiet: bool) -> None:
    ctx.meta[_QUIET] = quiet


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
    """Say on standard error what is being worked on, where somebody sits before it and did not ask
    for quiet.
    """
    ctx = click.get_current_context(silent=True)
    quiet = ctx is not None and ctx.meta.get(_QUIET, False)
    if somebody_waits() and not quiet:
        click.echo(f"{words} ...", err=True)


def somebody_waits() -> bool:
    """Whether a person sits before the messages, not a file or another program."""
    return sys.stderr.isatty()


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
            cls=Advanced,
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
            cls=Advanced,
            type=click.FloatRange(0, 3),
            default=0.35,
            show_default=True,
            help="Scatter between springs, on the logit scale; a setting, not learned.",
        ),
        click.option(
            "--tray-sd",
            cls=Advanced,
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
