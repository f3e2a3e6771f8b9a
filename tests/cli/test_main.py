"""The command itself: quick help, near misses, errors as one sentence with an exit code, tidy
endings.
"""

from __future__ import annotations

import importlib
import subprocess
import sys
import types
import warnings

import click
import pytest
from click.testing import CliRunner, Result

from germstats import errors
from germstats.cli.common import print_json
from germstats.cli.main import COMMANDS, INTERRUPTED, main
from tests.test_datasets import DATASETS

HEAVY = {
    "pandas",
    "numpy",
    "scipy",
    "matplotlib",
    "statsmodels",
    "lifelines",
    "seaborn",
    "xlsxwriter",
}
ESTIMATING = {"scipy", "matplotlib", "statsmodels", "lifelines", "seaborn"}
DEMONSTRATION = str(DATASETS / "demonstration")


def imported(*args: str) -> set[str]:
    """Top-level names of everything `germstats ...` imports."""
    command = [sys.executable, "-X", "importtime", "-m", "germstats", *args]
    log = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False).stderr
    return {
        line.rsplit("|", 1)[1].strip().split(".")[0]
        for line in log.splitlines()
        if line.count("|") == 2
    }


@pytest.mark.parametrize(
    "args",
    [
        ("--help",),
        ("--version",),
        ("chek",),
        *((name, "--help") for name in COMMANDS),
        *((name, "--no-such-option") for name in COMMANDS),
    ],
    ids=" ".join,
)
def test_help_and_usage_errors_import_nothing_heavy(args: tuple[str, ...]) -> None:
    names = imported(*args)
    assert {"click", "germstats"} <= names  # the log was read rightly
    assert names & HEAVY == set()


def test_check_loads_nothing_that_estimates() -> None:
    names = imported("check", DEMONSTRATION)
    assert {"pandas", "germstats"} <= names
    assert names & ESTIMATING == set()


@pytest.mark.parametrize(
    "words",
    [
        ("book", "--example"),
        ("--check-page", "-o", "book/page.html"),
        ("--check-page", "--for", DEMONSTRATION, "-o", "book/page.html"),
    ],
    ids=["book", "page", "page of a book"],
)
def test_new_loads_nothing_that_estimates(tmp_path, monkeypatch, words: tuple[str, ...]) -> None:
    monkeypatch.chdir(tmp_path)
    names = imported("new", *words)
    assert any((tmp_path / "book").iterdir())
    assert "germstats" in names
    assert names & ESTIMATING == set()


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_of_the_list_is_there(name: str) -> None:
    module, attribute = COMMANDS[name][0].split(":")
    command = getattr(importlib.import_module(module), attribute)
    assert isinstance(command, click.Command)
    result = CliRunner().invoke(main, [name, "--help"])
    assert result.exit_code == 0
    assert f"Usage: main {name}" in result.output


def test_help_lists_every_command() -> None:
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    assert all(f"  {name} " in result.output for name in COMMANDS)


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        ("chek", "Did you mean check?"),
        ("so", "Did you mean sow?"),
        ("quux", "The commands are demo, new, check"),
    ],
)
def test_a_mistyped_command_names_near_ones(typed: str, hint: str) -> None:
    result = CliRunner().invoke(main, [typed])
    assert result.exit_code == 2
    assert f"There is no command {typed!r}. {hint}" in result.stderr


def run_with(monkeypatch: pytest.MonkeyPatch, act) -> Result:
    """Run a made-up command whose body is `act`."""
    module = types.ModuleType("made_up_command")
    module.act = click.command("trouble")(act)
    monkeypatch.setitem(sys.modules, "made_up_command", module)
    monkeypatch.setitem(COMMANDS, "trouble", ("made_up_command:act", "Made up."))
    return CliRunner().invoke(main, ["trouble"])


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.GermstatsError, 1),
        (errors.UnreadableBookError, 1),
        (errors.WrongUseError, 2),
        (errors.NotEnoughRecordsError, 3),
    ],
)
def test_errors_are_one_sentence_and_an_exit_code(monkeypatch, error, code: int) -> None:
    def act() -> None:
        raise error("the mouse ate it")

    result = run_with(monkeypatch, act)
    assert (result.exit_code, result.stdout, result.stderr) == (
        code,
        "",
        "germstats: the mouse ate it\n",
    )


def test_ctrl_c_is_tidy(monkeypatch) -> None:
    def act() -> None:
        raise KeyboardInterrupt

    result = run_with(monkeypatch, act)
    assert result.exit_code == INTERRUPTED
    assert result.stderr == "germstats: stopped before it was done; no file is half written\n"


def test_warnings_of_the_package_are_notes(monkeypatch) -> None:
    def act() -> None:
        warnings.simplefilter("always")
        warnings.warn("few trays; sow two more", errors.GermstatsWarning, stacklevel=1)

    result = run_with(monkeypatch, act)
    assert (result.exit_code, result.stderr) == (0, "note: few trays; sow two more\n")


@pytest.mark.parametrize(("options", "shown"), [([], False), (["error::BytesWarning"], True)])
def test_warnings_of_libraries_are_for_those_who_ask_python_for_them(
    monkeypatch, options, shown: bool
) -> None:
    def act() -> None:
        warnings.simplefilter("always")
        warnings.warn("perfect separation", RuntimeWarning, stacklevel=1)

    monkeypatch.setattr(sys, "warnoptions", options)
    result = run_with(monkeypatch, act)
    assert result.exit_code == 0
    assert ("perfect separation" in result.stderr) == shown and bool(result.stderr) == shown


def test_a_closed_pipe_is_tidy() -> None:
    command = [sys.executable, "-m", "germstats", "--help"]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None and process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == ""


def test_json_has_null_where_there_is_no_number(capsys: pytest.CaptureFixture[str]) -> None:
    print_json({"rows": [{"low": float("nan"), "species": None, "cover": "grit"}]})
    written = capsys.readouterr().out
    assert '"low": null' in written
    assert '"species": null' in written
