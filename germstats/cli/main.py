"""The command `germstats`: a group whose commands are imported only when they are called.

Errors this package raises on purpose end here, and only here, as one sentence on standard error and
an exit code.
"""

from __future__ import annotations

import gc
import importlib
import sys
import warnings
from typing import Any

import click

from germstats.errors import GermstatsError, GermstatsWarning

COMMANDS = {
    "demo": (
        "germstats.cli.demo:demo",
        "Write the record book of an invented nursery to try things on.",
    ),
    "new": (
        "germstats.cli.new:new",
        "Write a blank record book, or a page to note checks on a phone.",
    ),
    "check": (
        "germstats.cli.check:check",
        "Read a record book and list what is wrong or odd in it.",
    ),
    "fit": ("germstats.cli.fit:fit", "Estimate emergence and timing of each lot, with ranges."),
    "sow": ("germstats.cli.sow:sow", "Say how many seeds to sow per cell."),
    "plan": ("germstats.cli.plan:plan", "Plan trays, seed and dates for the orders."),
    "compare": (
        "germstats.cli.compare:compare",
        "Compare covers, or another treatment, tray by tray.",
    ),
    "trial": (
        "germstats.cli.trial:trial",
        "Say how many trays tell covers apart, and lay them out.",
    ),
    "watch": ("germstats.cli.watch:watch", "Say which trays are late, done, or worth keeping."),
    "review": (
        "germstats.cli.review:review",
        "Say why a lot did poorly, and what would settle it.",
    ),
    "report": (
        "germstats.cli.report:report",
        "Write everything onto one page, for phone or paper.",
    ),
    "sheets": (
        "germstats.cli.sheets:sheets",
        "Write paper for the bench: sowing and check sheets, labels.",
    ),
    "copy": ("germstats.cli.copy:copy", "Copy a book from CSV files to a workbook, or back."),
    "backtest": ("germstats.cli.backtest:backtest", "Hold past forecasts against what came."),
}
"""Command -> where it lives, and its line in the help, which must not import it."""

INTERRUPTED = 130  # the exit code shells give a program stopped by Ctrl-C
_SELDOM = (100_000, 20, 20)
"""When to look for garbage: loading libraries makes many objects and next to no garbage, and
looking for it in vain costs a short command a tenth of its time.
"""


class LazyGroup(click.Group):
    """A group that knows its commands by name and imports one when it is called."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run, but not where a script that calls this without a guard is imported again by a
        process it began itself.
        """
        processes = sys.modules.get("multiprocessing.process")
        if processes is not None and getattr(processes.current_process(), "_inheriting", False):
            # the first process runs the command; this one is begun for a part of its work
            return None
        gc.set_threshold(*_SELDOM)
        return super().main(*args, **kwargs)

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command called `cmd_name`; None where there is none."""
        if cmd_name not in COMMANDS:
            return None
        module, attribute = COMMANDS[cmd_name][0].split(":")
        command = getattr(importlib.import_module(module), attribute)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or say which ones are spelled nearly like it."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            import difflib

            near = difflib.get_close_matches(name, COMMANDS, cutoff=0.5)
            hint = (
                f"Did you mean {' or '.join(near)}?"
                if near
                else f"The commands are {', '.join(COMMANDS)}."
            )
            ctx.fail(f"There is no command {name!r}. {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands with their help lines, importing none of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; an error of this package or Ctrl-C ends it with a sentence instead of a
        traceback.
        """
        try:
            with warnings.catch_warnings():
                warnings.showwarning = _show_warning
                return super().invoke(ctx)
        except GermstatsError as error:
            click.echo(f"germstats: {error}", err=True)
            ctx.exit(error.exit_code)
        except KeyboardInterrupt:
            click.echo("germstats: stopped before it was done; no file is half written", err=True)
            ctx.exit(INTERRUPTED)


def _show_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: object = None,
    line: str | None = None,
) -> None:
    """Show the package's own warnings as a sentence; a library's only where Python was told to warn
    (``-W``).
    """
    if issubclass(category, GermstatsWarning):
        click.echo(f"note: {message}", err=True)
    elif sys.warnoptions:
        click.echo(
            warnings.formatwarning(message, category, filename, lineno, line).rstrip(), err=True
        )


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Exit codes: 0 answered; 1 check found a stop, or nothing "
    "readable is there; 2 wrong use; "
    "3 not enough records to answer.",
)
@click.version_option(package_name="germstats", message="%(prog)s %(version)s")
def main() -> None:
    """Seeds per cell, emergence and timing from the records a grower keeps.

    A BOOK is a folder of CSV files or one .xlsx workbook; `germstats new` writes a blank one.
    """
