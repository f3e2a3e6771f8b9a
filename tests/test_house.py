"""The top level holds what it should, no file names a path of one machine, and `.ci/environment`
keeps its promises.

The promises of `.ci/environment` are tried with made-up `python3`, `virtualenv` and `uv` on an
otherwise bare PATH.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import tomllib
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
NEEDED = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "germstats",
    "analyses",
    "tests",
    "datasets",
    "Makefile",
    "LICENSE",
    "CHANGELOG.md",
    ".ci",
}
SYSTEM_TOOLS = ("sh", "rm", "cat", "dirname", "mkdir", "chmod", "cp", "env")
MACHINE_PATH = re.compile(r"(?<![\w.}])/(?:wor[k]|roo[t]|hom[e]/\w+|tm[p]/[a-z]+)/|[.]librar[y]\b")


def house_files() -> list[Path]:
    """Files of the checkout that are tracked or would be, by git's own rules."""
    git = shutil.which("git")
    if git is None or not (ROOT / ".git").exists():
        pytest.skip("this is no git checkout, so there is no telling which files belong to it")
    listing = [git, "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    names = subprocess.run(
        listing, cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split("\0")
    return [Path(name) for name in names if name and (ROOT / name).is_file()]


def test_top_level_holds_what_it_should_and_nothing_else() -> None:
    tops = {path.parts[0] for path in house_files()}
    assert NEEDED - tops == set()
    assert {top for top in tops - NEEDED if not top.startswith(".")} == set()


def test_every_file_of_the_package_comes_with_it() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    patterns = settings["tool"]["setuptools"]["package-data"]["germstats"]
    inside = [
        path.relative_to("germstats") for path in house_files() if path.parts[0] == "germstats"
    ]
    data = {path for path in inside if path.suffix != ".py"}
    assert {
        path for path in data if not any(fnmatch(path.as_posix(), pattern) for pattern in patterns)
    } == set()
    assert [
        pattern
        for pattern in patterns
        if not any(fnmatch(path.as_posix(), pattern) for path in data)
    ] == []
    assert {path.parent for path in inside if path.suffix == ".py"} == {
        path.parent for path in inside if path.name == "__init__.py"
    }


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("see /wor" + "k/main", True),
        ("/hom" + "e/ann/x", True),
        ("/tm" + "p/abc/x", True),
        ("a/wo" + "rk/b", False),
    ],
)
def test_machine_paths_are_recognised(text: str, found: bool) -> None:
    assert bool(MACHINE_PATH.search(text)) == found


def test_no_file_names_a_path_of_one_machine() -> None:
    leaks = []
    for path in house_files():
        lines = (ROOT / path).read_text(encoding="utf-8", errors="replace").splitlines()
        leaks += [
            f"{path}:{number}"
            for number, line in enumerate(lines, start=1)
            if MACHINE_PATH.search(line)
        ]
    assert leaks == []


# --- .ci/environment
# ------------------------------------------------------------------------------------------

PYTHON = """#!/bin/sh
echo "python3 $*" >>"$CALLS"
case "$1 $2" in
    "-c import sys; sys.exit"*) exit {too_old} ;;
    "-c import sys; print"*) echo 3.12; exit 0 ;;
    "-m venv") {venv} ;;
esac
exit 1
"""
MAKES_PYTHON = """mkdir -p .venv/bin
cat >.venv/bin/python <<'END'
#!/bin/sh
echo "env $*" >>"$CALLS"
[ "$*" = "-m pip --version" ] && exit {no_pip}
exit 0
END
chmod +x .venv/bin/python
exit 0"""
MAKER = '#!/bin/sh\necho "{name} $*" >>"$CALLS"\n[ "$1" = pip ] && exit 0\n' + MAKES_PYTHON


class Machine:
    """A folder with the script, a bare PATH with made-up programs, and a list of what was
    called.
    """

    def __init__(self, folder: Path) -> None:
        self.project = folder / "project"
        self.bin = folder / "bin"
        self.calls_file = folder / "calls"
        (self.project / ".ci").mkdir(parents=True)
        self.bin.mkdir()
        self.calls_file.touch()
        shutil.copy(ROOT / ".ci" / "environment", self.project / ".ci")
        (self.project / "pyproject.toml").write_text("[project]\n")
        for tool in SYSTEM_TOOLS:
            found = shutil.which(tool)
            assert found is not None
            (self.bin / tool).symlink_to(found)

    def has(self, name: str, script: str) -> None:
        """Put a made-up program on the PATH."""
        (self.bin / name).write_text(script)
        (self.bin / name).chmod(0o755)

    def run(self) -> subprocess.CompletedProcess[str]:
        """Run the script with nothing else on the PATH."""
        env = {"PATH": str(self.bin), "CALLS": str(self.calls_file), "HOME": str(self.project)}
        script = self.project / ".ci" / "environment"
        return subprocess.run(
            [script], env=env, capture_output=True, text=True, timeout=30, check=False
        )

    @property
    def calls(self) -> list[str]:
        return self.calls_file.read_text().splitlines()

    @property
    def installs(self) -> list[str]:
        return [call for call in self.calls if " install " in f"{call} "]


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def python_stub(venv: str, *, too_old: int = 0) -> str:
    return PYTHON.format(venv=venv, too_old=too_old)


HALF_MADE = "mkdir -p .venv/bin; exit 1"
INSTALL_BY_PIP = "env -m pip install --quiet --editable .[dev]"


def test_without_any_way_it_stops_with_the_line_to_type_and_installs_nothing(
    machine: Machine,
) -> None:
    machine.has("python3", python_stub(HALF_MADE))
    result = machine.run()
    assert result.returncode == 1
    assert result.stderr.splitlines()[-1].strip() == "python3 -m pip install --user virtualenv"
    assert machine.installs == []
    assert not (machine.project / ".venv").exists()


def test_where_apt_is_there_the_line_names_the_package(machine: Machine) -> None:
    machine.has("python3", python_stub(HALF_MADE))
    machine.has("apt-get", MAKER.format(name="apt-get", no_pip=0))
    result = machine.run()
    assert result.returncode == 1
    assert result.stderr.splitlines()[-1].strip() == "sudo apt install python3.12-venv"
    assert machine.installs == []


def test_a_venv_without_pip_is_noticed_and_cleared_away(machine: Machine) -> None:
    machine.has("python3", python_stub(MAKES_PYTHON.format(no_pip=1)))
    result = machine.run()
    assert result.returncode == 1
    assert "Type this" in result.stderr
    assert machine.installs == []
    assert not (machine.project / ".venv").exists()


def test_venv_is_used_where_it_works(machine: Machine) -> None:
    machine.has("python3", python_stub(MAKES_PYTHON.format(no_pip=0)))
    machine.has("virtualenv", MAKER.format(name="virtualenv", no_pip=0))
    assert machine.run().returncode == 0
    assert machine.installs == [INSTALL_BY_PIP]
    assert not any(call.startswith("virtualenv") for call in machine.calls)


def test_virtualenv_comes_second(machine: Machine) -> None:
    machine.has("python3", python_stub(HALF_MADE))
    machine.has("virtualenv", MAKER.format(name="virtualenv", no_pip=0))
    assert machine.run().returncode == 0
    assert "virtualenv --python python3 .venv" in machine.calls
    assert machine.installs == [INSTALL_BY_PIP]


def test_uv_comes_last_and_installs_into_the_environment_only(machine: Machine) -> None:
    machine.has("python3", python_stub(HALF_MADE))
    machine.has("uv", MAKER.format(name="uv", no_pip=1))
    assert machine.run().returncode == 0
    assert machine.installs == [
        "uv pip install --quiet --python .venv/bin/python --editable .[dev]"
    ]


def test_an_old_python_is_refused(machine: Machine) -> None:
    machine.has("python3", python_stub("exit 0", too_old=1))
    result = machine.run()
    assert result.returncode == 1
    assert "Python 3.11 or newer is needed" in result.stderr
    assert machine.installs == []


def test_a_newer_python_beside_an_old_one_is_found(machine: Machine) -> None:
    machine.has("python3", python_stub("exit 1", too_old=1))
    machine.has("python3.12", python_stub(MAKES_PYTHON.format(no_pip=0)))
    assert machine.run().returncode == 0
    assert machine.installs == [INSTALL_BY_PIP]


def test_the_install_is_redone_only_when_pyproject_changes(machine: Machine) -> None:
    machine.has("python3", python_stub(MAKES_PYTHON.format(no_pip=0)))
    for _ in range(2):
        assert machine.run().returncode == 0
    assert machine.installs == [INSTALL_BY_PIP]
    (machine.project / "pyproject.toml").write_text("[project]\nversion = '2'\n")
    assert machine.run().returncode == 0
    assert machine.installs == [INSTALL_BY_PIP] * 2


def test_the_scripts_can_be_run() -> None:
    assert all(os.access(ROOT / ".ci" / name, os.X_OK) for name in ("run", "environment"))
