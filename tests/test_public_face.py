"""The Python face: one signature for every question, all of its names exported, short `repr`."""

from __future__ import annotations

import inspect
import json
import subprocess
import sys
import tomllib
import typing
from functools import cache
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

import germstats
from germstats.cli.main import main

ROOT = Path(__file__).resolve().parent.parent
DEMONSTRATION = ROOT / "datasets" / "demonstration"
SPECS = {
    "fit_emergence": germstats.FitSpec(),
    "seeds_per_cell": germstats.SowingSpec(),
    "plan_orders": germstats.OrderSpec(),
    "compare": germstats.CompareSpec(),
    "design_trial": germstats.TrialSpec("PEAT", ("none", "grit")),
    "watch": germstats.WatchSpec(),
    "review": germstats.ReviewSpec(),
    "back_test": germstats.BackTestSpec(),
}


@cache
def fit():
    return germstats.fit_emergence(germstats.read_book(DEMONSTRATION))


@cache
def answer(verb):
    if verb == "fit_emergence":
        return fit()
    return getattr(germstats, verb)(fit(), SPECS[verb])


@pytest.mark.parametrize("verb", germstats.VERBS)
def test_every_verb_has_the_one_signature(verb):
    first, spec, progress = inspect.signature(getattr(germstats, verb)).parameters.values()
    assert first.kind is first.POSITIONAL_OR_KEYWORD and first.default is first.empty
    assert (spec.name, spec.default) == ("spec", None)
    assert (progress.name, progress.kind, progress.default) == (
        "progress",
        inspect.Parameter.KEYWORD_ONLY,
        None,
    )


def test_the_specs_of_this_test_are_those_of_every_verb():
    assert list(SPECS) == list(germstats.VERBS)


@pytest.mark.parametrize("verb", [*germstats.VERBS, "read_book"])
def test_what_a_verb_takes_and_gives_back_is_exported(verb):
    hints = typing.get_type_hints(inspect.unwrap(getattr(germstats, verb)))
    classes = set()
    for hint in hints.values():
        classes |= {
            one.__name__
            for one in (hint, *typing.get_args(hint))
            if isinstance(one, type) and one.__module__.startswith("germstats")
        }
    assert classes and classes <= set(germstats.__all__)


def test_every_name_exported_is_there_and_every_error_is_exported():
    for name in germstats.__all__:
        assert getattr(germstats, name) is not None
    from germstats import errors

    raised = {name for name, one in vars(errors).items() if inspect.isclass(one)}
    assert raised <= set(germstats.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        germstats.nothing  # noqa: B018


def test_the_version_is_that_of_the_project():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert germstats.__version__ == project["project"]["version"]


def test_importing_the_package_loads_no_library():
    code = "import sys, germstats; print({'numpy', 'pandas', 'scipy'} & set(sys.modules))"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "set()"


@pytest.mark.parametrize("verb", germstats.VERBS)
def test_a_result_says_in_one_short_line_what_it_is(verb):
    said = repr(answer(verb))
    assert said.startswith(f"<{type(answer(verb)).__name__}")
    assert len(said) < 200 and "\n" not in said


def test_a_book_says_in_one_short_line_what_it_is():
    said = repr(fit().book)
    assert "157 trays" in said and len(said) < 200


@pytest.mark.parametrize("verb", germstats.VERBS)
def test_every_result_is_a_table_too(verb):
    frame = answer(verb).to_frame()
    assert isinstance(frame, pd.DataFrame) and len(frame) and frame.columns.is_unique


def test_the_table_of_a_review_says_what_its_json_says():
    told = CliRunner().invoke(main, ["review", str(DEMONSTRATION), "--json"])
    lots = json.loads(told.stdout)["lots"]
    frame = answer("review").to_frame()
    shared = [name for name in frame.columns if name in lots[0]]
    assert len(shared) > 8
    assert frame[shared].to_dict("records") == [
        {name: lot[name] for name in shared} for lot in lots
    ]
    for row, lot in zip(frame.to_dict("records"), lots, strict=True):
        shown = [cause["cause"] for cause in lot["causes"] if cause["shown"]]
        assert row["likeliest_cause"] == (shown[0] if shown else None)


def test_a_book_is_answered_as_its_fit_is():
    book = fit().book
    pd.testing.assert_frame_equal(
        germstats.seeds_per_cell(book).to_frame(), answer("seeds_per_cell").to_frame()
    )


def test_a_fit_of_patterns_alone_has_no_book_to_plan_from():
    alone = germstats.fit_emergence(fit().patterns)
    with pytest.raises(germstats.WrongUseError, match="has no book"):
        germstats.plan_orders(alone)


def test_a_trial_without_a_spec_says_what_it_needs():
    with pytest.raises(germstats.WrongUseError, match="a species and treatments"):
        germstats.design_trial(fit())


def test_a_watch_without_a_day_takes_the_newest_of_the_book():
    assert f"{answer('watch').spec.day:%Y-%m-%d}" == "2026-07-16"
