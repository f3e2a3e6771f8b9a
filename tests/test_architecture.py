"""The house keeps its one direction and manners; each checker is first shown to find what it looks
for.
"""

from __future__ import annotations

import ast
import graphlib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from germstats.cli.main import COMMANDS

ROOT = Path(__file__).parents[1]
_FITTED = ("errors", "records", "engine")
_SHOWN = (*_FITTED, "forecast", "maps", "document")
BELOW: dict[str, tuple[str, ...]] = {
    "errors": (),
    "records": ("errors",),
    "engine": ("errors", "records"),
    "forecast": _FITTED,
    "maps": _FITTED,
    "demonstration": (*_FITTED, "forecast"),
    "document": (*_FITTED, "forecast", "maps"),
    "questions": _SHOWN,
    "page": (*_SHOWN, "questions"),
    "phone": ("errors", "records", "maps", "document"),
    "cli": (*_SHOWN, "questions", "page", "phone", "demonstration"),
}
"""Floor -> the floors it may import, beside itself."""
ONLY_ANSWERS = ("sheets",)
"""Questions whose every module is an answer: the sums behind them lie below."""
WRITERS = {"records/writing.py", "records/formats/kept.py", "records/formats/importing.py"}
WRITING_CALLS = {
    "write_text",
    "write_bytes",
    "to_csv",
    "to_excel",
    "to_parquet",
    "to_pickle",
    "savefig",
    "savetxt",
    "mkdir",
    "touch",
    "unlink",
    "rmdir",
    "rmtree",
    "makedirs",
}
READING_CALLS = {"startswith", "endswith", "removeprefix", "partition", "rpartition"}
"""Ways to take a text apart by its words."""

MODULES = sorted((ROOT / "germstats").rglob("*.py"))
STORIES = sorted((ROOT / "analyses").rglob("*.py"))


def floor_of(place: str) -> str | None:
    """Floor of a module, by its path inside the package; None for the face, which may import
    anything.
    """
    first = place.split("/")[0].removesuffix(".py")
    return {"__init__": None, "__main__": "cli"}.get(first, first)


def imported(tree: ast.Module) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Lines and dotted names of all that is imported, a name taken from a module behind it; a
    relative import is one name, ``relative``.
    """
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.level:
            yield node.lineno, ("germstats", "relative")
        elif isinstance(node, ast.ImportFrom):
            for name in node.names:
                yield node.lineno, (*(node.module or "").split("."), name.name)
        elif isinstance(node, ast.Import):
            for name in node.names:
                yield node.lineno, tuple(name.name.split("."))


def imported_floors(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Lines and floors of the package's own modules that are imported; its face counts as ``face``,
    code that does not come with it as ``outside``.
    """
    for line, parts in imported(tree):
        if parts[0] in ("nurseries", "tests"):
            yield line, "outside"
        elif parts[0] == "germstats":
            known = len(parts) > 1 and parts[1] in (*BELOW, "relative")
            yield line, parts[1] if known else "face"


def wrong_way(tree: ast.Module, place: str) -> list[str]:
    """Imports that do not go down; a floor may import itself."""
    floor = floor_of(place)
    if floor is None:
        return []
    allowed = (*BELOW[floor], floor)
    return [
        f"line {line} imports {other}"
        for line, other in imported_floors(tree)
        if other not in allowed
    ]


def _own_imports(tree: ast.Module) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Lines and dotted names of what is imported from the package, without its name."""
    return ((line, parts[1:]) for line, parts in imported(tree) if parts[0] == "germstats")


def other_questions(tree: ast.Module, place: str) -> list[str]:
    """Imports of one question by another: what two of them need lies below both."""
    floor, *inside = place.split("/")
    if floor != "questions":
        return []
    own = inside[0]
    asked = [(line, parts) for line, parts in _own_imports(tree) if parts[:1] == ("questions",)]
    return [
        f"line {line} imports {'.'.join(parts)}" for line, parts in asked if parts[1:2] != (own,)
    ]


def is_answer(name: str) -> bool:
    """Whether a module of a question shows its answer."""
    return name.endswith("_text") or name == "figures"


def answers_in_sums(tree: ast.Module, place: str) -> list[str]:
    """Imports of an answer, or of what answers are made of, by the sums of a question."""
    floor, *inside = place.removesuffix(".py").split("/")
    if floor != "questions" or inside[0] in ONLY_ANSWERS or is_answer(inside[-1]):
        return []
    return [
        f"line {line} imports {'.'.join(parts)}"
        for line, parts in _own_imports(tree)
        if parts[:1] == ("document",)
        or (parts[:1] == ("questions",) and any(map(is_answer, parts[2:3])))
    ]


def shows_results(place: str) -> bool:
    """Whether a module turns results into words, figures or a page: the answers of questions, and
    all of the page.
    """
    floor, *inside = place.removesuffix(".py").split("/")
    if floor == "questions":
        return inside[0] in ONLY_ANSWERS or is_answer(inside[-1])
    return floor == "page" or (floor == "document" and is_answer(inside[-1]))


def reads_text_back(tree: ast.Module, place: str) -> list[str]:
    """Patterns, beginnings and endings looked for by what shows results: what it shows was decided
    before, and stands in a field.
    """
    if not shows_results(place):
        return []
    found = [f"line {line} imports re" for line, parts in imported(tree) if parts[0] == "re"]
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in READING_CALLS:
            found.append(f"line {node.lineno} asks how a text begins or ends")
        elif (
            isinstance(node, ast.Compare)
            and isinstance(node.ops[0], ast.In | ast.NotIn)
            and _is_text(node.left)
        ):
            found.append(f"line {node.lineno} looks for words in a text")
    return found


def _is_text(node: ast.expr) -> bool:
    """Whether it is a text put together on the spot, or one with signs that no name or code has."""
    if isinstance(node, ast.JoinedStr):
        return True
    return (
        isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and not node.value.replace("_", "").isalnum()
    )


def writes(tree: ast.Module, place: str) -> list[str]:
    """Calls that write files, outside the modules that may."""
    if place in WRITERS or floor_of(place) == "cli":
        return []
    return [
        f"line {node.lineno} writes"
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and _writes(node)
    ]


def _writes(call: ast.Call) -> bool:
    name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", "")
    if name != "open":
        return name in WRITING_CALLS
    modes = [*call.args, *(keyword.value for keyword in call.keywords if keyword.arg == "mode")]
    texts = [
        mode.value
        for mode in modes
        if isinstance(mode, ast.Constant) and isinstance(mode.value, str)
    ]
    return any(set(text) <= set("rwxabt+") and set(text) & set("wxa+") for text in texts)


def prints(tree: ast.Module, place: str) -> list[str]:
    """Printing outside the command line."""
    if floor_of(place) == "cli":
        return []
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return [
        f"line {call.lineno} prints" for call in calls if getattr(call.func, "id", "") == "print"
    ]


def catches_all(tree: ast.Module, place: str) -> list[str]:
    """Handlers that catch every error."""
    handlers = [node for node in ast.walk(tree) if isinstance(node, ast.ExceptHandler)]
    return [f"line {one.lineno} catches everything" for one in handlers if _catches_all(one.type)]


def _catches_all(caught: ast.expr | None) -> bool:
    kinds = caught.elts if isinstance(caught, ast.Tuple) else [caught]
    return any(
        kind is None or getattr(kind, "id", "") in ("Exception", "BaseException") for kind in kinds
    )


def foreign_errors(tree: ast.Module, place: str) -> list[str]:
    """Imports of the tree of errors, which stands below everything."""
    if place != "errors.py":
        return []
    imports = [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
    return [
        f"line {one.lineno} imports"
        for one in imports
        if getattr(one, "module", "") != "__future__"
    ]


Checker = Callable[[ast.Module, str], list[str]]
CHECKERS: tuple[Checker, ...] = (
    wrong_way,
    other_questions,
    answers_in_sums,
    reads_text_back,
    writes,
    prints,
    catches_all,
    foreign_errors,
)


@pytest.mark.parametrize(
    ("checker", "place", "source", "found"),
    [
        (wrong_way, "records/book.py", "from germstats.engine.timing import x", 1),
        (wrong_way, "records/book.py", "from germstats import engine", 1),
        (wrong_way, "records/book.py", "import germstats.cli.main", 1),
        (wrong_way, "records/book.py", "def f():\n    from germstats import read_book", 1),
        (wrong_way, "engine/timing.py", "from ..cli import main", 1),
        (wrong_way, "engine/timing.py", "import germstats.records.book\nimport numpy", 0),
        (wrong_way, "engine/timing.py", "from germstats.forecast.tray import x", 1),
        (wrong_way, "forecast/tray.py", "from germstats.maps import tray_map", 1),
        (wrong_way, "maps/tray_map.py", "from germstats.forecast.tray import x", 1),
        (wrong_way, "forecast/order.py", "from germstats.questions.plan.ready import x", 1),
        (wrong_way, "document/blocks.py", "from germstats.questions.watch import Watch", 1),
        (wrong_way, "document/blocks.py", "from germstats.forecast.order_plan import OrderPlan", 0),
        (
            wrong_way,
            "questions/watch/figures.py",
            "from germstats.document.figures_style import x",
            0,
        ),
        (wrong_way, "questions/watch/watch.py", "from germstats.page.page import x", 1),
        (wrong_way, "page/page.py", "from germstats.phone.check_page import x", 1),
        (wrong_way, "page/page.py", "from germstats.questions import watch", 0),
        (wrong_way, "phone/check_page.py", "from germstats.questions.watch import watch", 1),
        (wrong_way, "questions/trial/power.py", "from germstats.demonstration.demo import x", 1),
        (wrong_way, "cli/demo.py", "from germstats.demonstration import simulate_demo", 0),
        (
            wrong_way,
            "demonstration/demo.py",
            "from nurseries.trays import x\nimport tests.studies",
            2,
        ),
        (wrong_way, "__main__.py", "from germstats.cli.main import main", 0),
        (
            other_questions,
            "questions/trial/power.py",
            "from germstats.questions.compare.verdicts import x",
            1,
        ),
        (
            other_questions,
            "questions/trial/power.py",
            "from germstats.questions import compare, trial",
            1,
        ),
        (
            other_questions,
            "questions/trial/power.py",
            "import germstats.questions.compare.verdicts",
            1,
        ),
        (
            other_questions,
            "questions/trial/power.py",
            "from germstats.questions.trial.spec import TrialSpec",
            0,
        ),
        (other_questions, "page/page.py", "from germstats.questions.compare import compare", 0),
        (
            answers_in_sums,
            "questions/watch/watch.py",
            "from germstats.questions.watch.watch_text import x",
            1,
        ),
        (
            answers_in_sums,
            "questions/watch/watch.py",
            "from germstats.questions.watch import spec, figures",
            1,
        ),
        (
            answers_in_sums,
            "questions/watch/__init__.py",
            "def f():\n    from germstats.document import tables",
            1,
        ),
        (
            answers_in_sums,
            "questions/watch/watch.py",
            "from germstats.questions.watch.spec import x",
            0,
        ),
        (
            answers_in_sums,
            "questions/watch/figures.py",
            "from germstats.questions.watch.watch_text import x",
            0,
        ),
        (
            answers_in_sums,
            "questions/sheets/sheets.py",
            "from germstats.document.rendering import x",
            0,
        ),
        (reads_text_back, "questions/watch/watch_text.py", "import re", 1),
        (
            reads_text_back,
            "questions/watch/watch_text.py",
            "def f():\n    from re import search",
            1,
        ),
        (
            reads_text_back,
            "questions/watch/figures.py",
            "firm = not row.verdict.startswith('probably')",
            1,
        ),
        (
            reads_text_back,
            "questions/sheets/sheets.py",
            "any(note.endswith('x') for note in notes)",
            1,
        ),
        (reads_text_back, "page/now.py", "list(filter(words.startswith, targets))", 1),
        (reads_text_back, "page/pictures.py", "[one for one in maps if f'{one.tray}:' in said]", 1),
        (reads_text_back, "page/pictures.py", "drawn = '1:' in said or 'a pinch' not in said", 2),
        (reads_text_back, "page/plan.py", "lot, _, note = words.partition(': ')", 1),
        (
            reads_text_back,
            "page/plan.py",
            "told = row.order in served or 'watch' in account.missing",
            0,
        ),
        (reads_text_back, "questions/watch/watch.py", "import re\nname.startswith('T-')", 0),
        (reads_text_back, "records/text.py", "import re\nname.startswith('T-')", 0),
        (writes, "engine/timing.py", "frame.to_csv('x')", 1),
        (writes, "page/page.py", "path.write_text('x')", 1),
        (writes, "records/formats/reading.py", "path.open('wb')", 1),
        (writes, "records/formats/reading.py", "open(path, mode='a')", 1),
        (writes, "records/formats/reading.py", "open(path, 'rb')\npath.open(encoding='utf-8')", 0),
        (writes, "records/writing.py", "path.open('wb')", 0),
        (prints, "engine/timing.py", "print(1)", 1),
        (prints, "cli/fit.py", "print(1)", 0),
        (catches_all, "cli/fit.py", "try:\n    pass\nexcept:\n    pass", 1),
        (catches_all, "cli/fit.py", "try:\n    pass\nexcept (ValueError, Exception):\n    pass", 1),
        (catches_all, "cli/fit.py", "try:\n    pass\nexcept ValueError:\n    pass", 0),
        (foreign_errors, "errors.py", "import click", 1),
        (foreign_errors, "errors.py", "from __future__ import annotations", 0),
    ],
)
def test_the_checkers_find_what_they_look_for(
    checker: Checker, place: str, source: str, found: int
) -> None:
    assert len(checker(ast.parse(source), place)) == found


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_module_keeps_the_rules_of_the_house(module: Path) -> None:
    text = module.read_text(encoding="utf-8")
    place = module.relative_to(ROOT / "germstats").as_posix()
    assert floor_of(place) in (None, *BELOW), (
        f"{place} stands on no floor; the floors are {', '.join(BELOW)}"
    )
    assert [words for checker in CHECKERS for words in checker(ast.parse(text), place)] == []


@pytest.mark.parametrize("story", STORIES, ids=lambda path: str(path.relative_to(ROOT)))
def test_analyses_catch_only_what_they_expect(story: Path) -> None:
    assert catches_all(ast.parse(story.read_text(encoding="utf-8")), story.name) == []


def test_every_floor_is_looked_at() -> None:
    assert {floor_of(path.relative_to(ROOT / "germstats").as_posix()) for path in MODULES} == {
        None,
        *BELOW,
    }


def test_the_floors_stand_on_each_other() -> None:
    order = list(graphlib.TopologicalSorter(BELOW).static_order())
    assert (order[0], order[-1]) == ("errors", "cli")


def test_every_question_is_a_folder_named_as_its_command() -> None:
    folders = {
        path.name
        for path in (ROOT / "germstats" / "questions").iterdir()
        if (path / "__init__.py").is_file()
    }
    assert folders == {
        "fit",
        "sow",
        "plan",
        "sheets",
        "compare",
        "trial",
        "watch",
        "review",
        "backtest",
    }
    assert folders <= set(COMMANDS)


def module_graph(sources: dict[str, str]) -> dict[str, set[str]]:
    """Module -> the modules among `sources` (by their paths inside the package) that it imports,
    wherever in it.
    """
    names = {
        path.removesuffix(".py").removesuffix("/__init__").replace("/", ".") for path in sources
    }
    graph: dict[str, set[str]] = {}
    for path, text in sources.items():
        name = path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
        found = [".".join(parts) for _, parts in _own_imports(ast.parse(text))]
        graph[name] = {one if one in names else one.rpartition(".")[0] for one in found} & names - {
            name
        }
    return graph


def test_a_circle_of_imports_is_found() -> None:
    sources = {
        "a.py": "from germstats.b import c",
        "b/__init__.py": "",
        "b/c.py": "import germstats.a",
    }
    with pytest.raises(graphlib.CycleError):
        graphlib.TopologicalSorter(module_graph(sources)).prepare()


def test_no_module_imports_itself_by_way_of_others() -> None:
    places = {
        path.relative_to(ROOT / "germstats").as_posix(): path.read_text(encoding="utf-8")
        for path in MODULES
    }
    del places["__init__.py"]
    graphlib.TopologicalSorter(module_graph(places)).prepare()
