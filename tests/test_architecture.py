"""The house keeps its one direction, sizes and manners; each checker is first shown to find what it looks for."""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FLOORS = ("errors", "records", "models", "simulation", "decisions", "reports", "cli")
WRITERS = {
    "records/writing.py",
    "records/kept.py",
    "records/importing.py",
    "page/page.py",
    "questions/sheets/sheets.py",
    "phone/check_page.py",
}
WRITING_CALLS = {"write_text", "write_bytes", "to_csv", "to_excel", "to_parquet", "to_pickle", "savefig", "savetxt",
                 "mkdir", "touch", "unlink", "rmdir", "rmtree", "makedirs"}  # fmt: skip
MOST_LINES, MOST_FUNCTION_LINES = 400, 60

MODULES = sorted((ROOT / "germstats").rglob("*.py"))
STORIES = sorted((ROOT / "analyses").rglob("*.py"))


def floor_of(place: str) -> str | None:
    """Floor of a module, by its path inside the package; None for the face, which may import anything."""
    first = place.split("/")[0].removesuffix(".py")
    return {"__init__": None, "__main__": "cli"}.get(first, first)


def imported_floors(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Lines and floors of the package's own modules that are imported; the face of the package counts as ``face``."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.level:
            yield node.lineno, "relative"
        elif isinstance(node, ast.ImportFrom) and node.module == "germstats":
            for name in node.names:
                yield node.lineno, name.name if name.name in FLOORS else "face"
        elif isinstance(node, ast.ImportFrom | ast.Import):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else [name.name for name in node.names]
            for name in names:
                parts = name.split(".")
                if parts[0] == "germstats":
                    yield node.lineno, parts[1] if len(parts) > 1 else "face"


def wrong_way(tree: ast.Module, place: str) -> list[str]:
    """Imports that do not go down; a floor may import itself."""
    floor = floor_of(place)
    if floor is None:
        return []
    allowed = FLOORS[: FLOORS.index(floor) + 1]
    return [f"line {line} imports {other}" for line, other in imported_floors(tree) if other not in allowed]


def writes(tree: ast.Module, place: str) -> list[str]:
    """Calls that write files, outside the modules that may."""
    if place in WRITERS or floor_of(place) == "cli":
        return []
    return [f"line {node.lineno} writes" for node in ast.walk(tree) if isinstance(node, ast.Call) and _writes(node)]


def _writes(call: ast.Call) -> bool:
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    if name != "open":
        return name in WRITING_CALLS
    modes = [*call.args, *(keyword.value for keyword in call.keywords if keyword.arg == "mode")]
    texts = [mode.value for mode in modes if isinstance(mode, ast.Constant) and isinstance(mode.value, str)]
    return any(set(text) <= set("rwxabt+") and set(text) & set("wxa+") for text in texts)


def prints(tree: ast.Module, place: str) -> list[str]:
    """Printing outside the command line."""
    if floor_of(place) == "cli":
        return []
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return [f"line {call.lineno} prints" for call in calls if getattr(call.func, "id", "") == "print"]


def catches_all(tree: ast.Module, place: str) -> list[str]:
    """Handlers that catch every error."""
    handlers = [node for node in ast.walk(tree) if isinstance(node, ast.ExceptHandler)]
    return [f"line {one.lineno} catches everything" for one in handlers if _catches_all(one.type)]


def _catches_all(caught: ast.expr | None) -> bool:
    kinds = caught.elts if isinstance(caught, ast.Tuple) else [caught]
    return any(kind is None or getattr(kind, "id", "") in ("Exception", "BaseException") for kind in kinds)


def long_functions(tree: ast.Module, place: str) -> list[str]:
    """Functions longer than a screen."""
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
    sizes = {one.name: (one.end_lineno or one.lineno) - one.lineno + 1 for one in functions}
    return [f"{name} has {size} lines" for name, size in sizes.items() if size > MOST_FUNCTION_LINES]


def foreign_errors(tree: ast.Module, place: str) -> list[str]:
    """Imports of the tree of errors, which stands below everything."""
    if place != "errors.py":
        return []
    imports = [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
    return [f"line {one.lineno} imports" for one in imports if getattr(one, "module", "") != "__future__"]


Checker = Callable[[ast.Module, str], list[str]]
CHECKERS: tuple[Checker, ...] = (wrong_way, writes, prints, catches_all, long_functions, foreign_errors)
LONG = "def long():\n" + "    x = 1\n" * 60


@pytest.mark.parametrize(
    ("checker", "place", "source", "found"),
    [
        (wrong_way, "records/book.py", "from germstats.engine.timing import x", 1),
        (wrong_way, "records/book.py", "from germstats import models", 1),
        (wrong_way, "records/book.py", "import germstats.cli.main", 1),
        (wrong_way, "records/book.py", "def f():\n    from germstats import read_book", 1),
        (wrong_way, "engine/timing.py", "from ..cli import main", 1),
        (wrong_way, "engine/timing.py", "import germstats.records.book\nimport numpy", 0),
        (wrong_way, "simulation.py", "from germstats.forecast.seeds_per_cell import x", 1),
        (wrong_way, "__main__.py", "from germstats.cli.main import main", 0),
        (writes, "engine/timing.py", "frame.to_csv('x')", 1),
        (writes, "records/formats/reading.py", "path.open('wb')", 1),
        (writes, "records/formats/reading.py", "open(path, mode='a')", 1),
        (writes, "records/formats/reading.py", "open(path, 'rb')\npath.open(encoding='utf-8')", 0),
        (writes, "records/writing.py", "path.open('wb')", 0),
        (prints, "engine/timing.py", "print(1)", 1),
        (prints, "cli/fit.py", "print(1)", 0),
        (catches_all, "cli/fit.py", "try:\n    pass\nexcept:\n    pass", 1),
        (catches_all, "cli/fit.py", "try:\n    pass\nexcept (ValueError, Exception):\n    pass", 1),
        (catches_all, "cli/fit.py", "try:\n    pass\nexcept ValueError:\n    pass", 0),
        (long_functions, "cli/fit.py", LONG, 1),
        (long_functions, "cli/fit.py", "def short():\n    pass", 0),
        (foreign_errors, "errors.py", "import click", 1),
        (foreign_errors, "errors.py", "from __future__ import annotations", 0),
    ],
)
def test_the_checkers_find_what_they_look_for(checker: Checker, place: str, source: str, found: int) -> None:
    assert len(checker(ast.parse(source), place)) == found


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_module_keeps_the_rules_of_the_house(module: Path) -> None:
    text = module.read_text(encoding="utf-8")
    place = module.relative_to(ROOT / "germstats").as_posix()
    assert floor_of(place) in (None, *FLOORS), f"{place} stands on no floor; the floors are {FLOORS}"
    assert text.count("\n") <= MOST_LINES, f"{place} holds more than one thing: over {MOST_LINES} lines"
    assert [words for checker in CHECKERS for words in checker(ast.parse(text), place)] == []


@pytest.mark.parametrize("story", STORIES, ids=lambda path: str(path.relative_to(ROOT)))
def test_analyses_keep_sizes_and_catch_only_what_they_expect(story: Path) -> None:
    text = story.read_text(encoding="utf-8")
    assert text.count("\n") <= MOST_LINES
    tree = ast.parse(text)
    assert catches_all(tree, story.name) + long_functions(tree, story.name) == []


def test_every_floor_is_looked_at() -> None:
    seen = {floor_of(path.relative_to(ROOT / "germstats").as_posix()) for path in MODULES} - {None}
    assert seen <= set(FLOORS)
    assert {"errors", "records", "models", "cli"} <= seen
