"""`germstats trial`: next year's trial, with its bench plan."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from germstats.cli.common import (
    PLACE,
    SHARE,
    Question,
    book_argument,
    dates_option,
    fit_options,
    json_option,
)
from germstats.cli.files import refuse_place


@click.command(cls=Question)
@book_argument
@dates_option
@click.option("--species", required=True, metavar="CODE", help="Species to be sown.")
@click.option(
    "--treatments", required=True, metavar="A,B", help="Covers to compare, such as grit,sand."
)
@click.option(
    "--difference", type=float, default=10.0, show_default=True, help="Points of emergence to tell."
)
@click.option(
    "--power", type=SHARE, default=0.8, show_default=True, help="Chance wanted of telling them."
)
@click.option(
    "--seasons", type=int, default=1, show_default=True, help="Springs the trial is sown in."
)
@click.option("--lot", metavar="LOT", help="Seed lot; by default the newest with seed enough.")
@click.option(
    "--place",
    "places",
    multiple=True,
    metavar="NAME",
    help="A place for a block, at least two; by default those of the book.",
)
@click.option("--trays", type=int, help="Lay out so many trays of each, whatever they tell.")
@click.option("--season", type=int, help="First spring; by default the next after the book's.")
@click.option(
    "--seed", type=int, default=1, show_default=True, help="Draws the order on the benches."
)
@click.option(
    "--simulations", type=int, default=100, show_default=True, help="Trials simulated as a check."
)
@click.option(
    "--plan",
    "plan_file",
    type=PLACE,
    metavar="FILE.csv",
    help="Write the bench plan, rows of the table trays.",
)
@click.option("--force", is_flag=True, help="Overwrite the file of the plan.")
@fit_options
@json_option
def trial(
    book: Path, dates: str | None, as_json: bool, plan_file: Path | None, force: bool, **wanted: Any
) -> None:
    """Say how many trays tell a difference, and lay them out on the benches, from the records of
    BOOK.
    """
    from germstats.cli.common import (
        fit_settings,
        fit_spec,
        opened,
        print_json,
        progress,
        settings_of,
    )
    from germstats.engine.fit import fit_emergence
    from germstats.questions.trial.bench_plan import plan_frame
    from germstats.questions.trial.design import design_trial, must_be_known
    from germstats.questions.trial.spec import TrialSpec
    from germstats.questions.trial.trial_text import trial_text
    from germstats.records.formats.workbook import write_table

    how = fit_spec(wanted)
    treatments = tuple(name.strip() for name in wanted["treatments"].split(","))
    spec = TrialSpec(
        **{**wanted, "treatments": treatments, "places": wanted["places"] or None}, fit=how
    )
    if plan_file is not None:
        refuse_place(plan_file, (".csv",), force)
    progress("reading the records")
    records = opened(book, dates)
    must_be_known(records, spec)  # refuses names before the work begins
    fit = fit_emergence(records, how, progress=progress)
    design = design_trial(fit, spec, progress=progress)
    plan = plan_frame(design.plan)
    if as_json:
        answer = {
            **asdict(design),
            "spec": settings_of(spec),
            "plan": plan.to_dict("records"),
            "too_many": design.too_many,
        }
        print_json({"settings": fit_settings(fit), **answer})
    else:
        click.echo(trial_text(design))
    if plan_file is not None:
        write_table("trays", plan, plan_file, force=force)
        click.echo(f"the bench plan is in {plan_file}", err=True)
