"""The layout keeps its rules: floors, imports, sizes, names, docstrings; read from the source, nothing is run.

The rules are those of the developers' page: floor 1 shared, 2 ingest and detect, 3 store, 4 reports.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import trimshot

PACKAGE = Path(str(trimshot.__file__)).parent
FLOORS = {"shared": 1, "ingest": 2, "detect": 2, "store": 3, "reports": 4}
FILES = sorted(path for folder in FLOORS for path in (PACKAGE / folder).rglob("*.py"))
HEAVY = {"pandas", "scipy", "duckdb", "ruptures", "matplotlib", "pint", "pyarrow"}
EMPTY_NAMES = {"utils", "util", "helpers", "helper", "manager", "misc", "common"}
LONGEST_FILE = 400
LONGEST_FUNCTION = 60

Function = ast.FunctionDef | ast.AsyncFunctionDef


def relative(path: Path) -> str:
    """Path inside the package, with '/'."""
    return path.relative_to(PACKAGE).as_posix()


TREES = {relative(path): ast.parse(path.read_text(encoding="utf-8")) for path in FILES}
each_file = pytest.mark.parametrize("name", TREES)


def module_of(name: str) -> tuple[str, ...]:
    """('shared', 'physics', 'wind') of 'shared/physics/wind.py'; a package is its folder."""
    parts = tuple(name.removesuffix(".py").split("/"))
    return parts[:-1] if parts[-1] == "__init__" else parts


MODULES = {module_of(name): name for name in TREES}


def is_module(parts: tuple[str, ...]) -> bool:
    """Whether this is a module or package of ours; the empty one is trimshot itself."""
    return not parts or parts in MODULES


def targets(name: str, node: ast.Import | ast.ImportFrom) -> Iterator[tuple[str, ...]]:
    """Modules of ours an import statement reaches, deepest first where `from` names a submodule."""
    if isinstance(node, ast.Import):
        for alias in node.names:
            parts = tuple(alias.name.split("."))
            if parts[0] == "trimshot":
                yield parts[1:]
        return
    if node.level == 0:
        if node.module is None or node.module.split(".")[0] != "trimshot":
            return
        base = tuple(node.module.split(".")[1:])
    else:
        folder = tuple(name.split("/")[:-1])
        base = folder[: len(folder) - node.level + 1] + tuple((node.module or "").split("."))
        base = tuple(part for part in base if part)
    for alias in node.names:
        yield (*base, alias.name) if is_module((*base, alias.name)) else base


def imports_of(name: str) -> Iterator[ast.Import | ast.ImportFrom]:
    """Every import statement of a file, those inside functions included, in source order."""
    for node in ast.walk(TREES[name]):
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield node


def only_for_types(name: str) -> set[ast.AST]:
    """Import statements under `if TYPE_CHECKING:`: they do not run."""
    blocks = [
        node for node in ast.walk(TREES[name]) if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
    ]
    return {inner for block in blocks for statement in block.body for inner in ast.walk(statement)}


@pytest.mark.parametrize(
    ("name", "statement", "expected"),
    [
        ("ingest/clock/fit.py", "from ...store.schema import TABLES", ("store", "schema")),
        ("ingest/clock/fit.py", "from ...shared import units", ("shared", "units")),
        ("ingest/clock/fit.py", "from ..raw import RawFile", ("ingest", "raw")),
        ("shared/frame.py", "from .recording import Track", ("shared", "recording")),
        ("shared/physics/__init__.py", "from . import wind", ("shared", "physics", "wind")),
        ("shared/frame.py", "import trimshot.store.schema", ("store", "schema")),
        ("shared/frame.py", "from trimshot.store import schema", ("store", "schema")),
    ],
)
def test_an_import_is_followed_to_its_module(name: str, statement: str, expected: tuple[str, ...]) -> None:
    node = ast.parse(statement).body[0]
    assert isinstance(node, ast.Import | ast.ImportFrom)
    assert list(targets(name, node)) == [expected]


def test_the_package_was_found() -> None:
    assert set(FLOORS) == {name.split("/")[0] for name in TREES}


@each_file
def test_imports_run_down_only(name: str) -> None:
    own = name.split("/")[0]
    for node in imports_of(name):
        for target in targets(name, node):
            if target and target[0] != own:
                assert FLOORS[target[0]] < FLOORS[own], f"{name}:{node.lineno} imports {'.'.join(target)}"


@each_file
def test_imports_inside_the_package_are_relative(name: str) -> None:
    for node in imports_of(name):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
        if isinstance(node, ast.Import) or node.level == 0:
            assert not any(n.split(".")[0] == "trimshot" for n in names), f"{name}:{node.lineno}"


@each_file
def test_relative_imports_reach_something(name: str) -> None:
    for node in imports_of(name):
        for target in targets(name, node):
            assert is_module(target), f"{name}:{node.lineno} reaches {'.'.join(target)}, which is not there"


def graph() -> dict[tuple[str, ...], set[tuple[str, ...]]]:
    """Module -> modules it imports when run, wherever the statement stands."""
    edges: dict[tuple[str, ...], set[tuple[str, ...]]] = {}
    for name in TREES:
        skipped = only_for_types(name)
        own = module_of(name)
        reached = {t for node in imports_of(name) if node not in skipped for t in targets(name, node)}
        edges[own] = reached - {own}
    return edges


def find_circle(edges: dict[tuple[str, ...], set[tuple[str, ...]]]) -> list[tuple[str, ...]]:
    """The modules of one import circle, empty when there is none."""
    done: set[tuple[str, ...]] = set()

    def walk(module: tuple[str, ...], way: list[tuple[str, ...]]) -> list[tuple[str, ...]]:
        if module in way:
            return [*way[way.index(module) :], module]
        if module in done:
            return []
        for target in sorted(edges.get(module, ())):
            if circle := walk(target, [*way, module]):
                return circle
        done.add(module)
        return []

    return next((circle for module in sorted(edges) if (circle := walk(module, []))), [])


def test_no_import_circle() -> None:
    assert find_circle(graph()) == []


def test_a_circle_would_be_found() -> None:
    a, b, c = ("a",), ("b",), ("c",)
    assert find_circle({a: {b}, b: {c}, c: {b}}) == [b, c, b]
    assert find_circle({a: {b, c}, b: {c}, c: set()}) == []


def functions(tree: ast.Module) -> Iterator[Function]:
    """Every function of a file, nested ones and methods included."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node


@each_file
def test_heavy_libraries_are_imported_in_the_open(name: str) -> None:
    if name.startswith("reports/"):
        return  # command-line code may wait until a command needs them
    for function in functions(TREES[name]):
        for node in ast.walk(function):
            if isinstance(node, ast.Import):
                roots = {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                roots = {(node.module or "").split(".")[0]}
            else:
                continue
            hidden = roots & HEAVY
            assert not hidden, f"{name}:{node.lineno} hides {', '.join(hidden)} inside {function.name}"


@each_file
def test_file_is_not_too_long(name: str) -> None:
    lines = (PACKAGE / name).read_text(encoding="utf-8").count("\n")
    assert lines <= LONGEST_FILE, f"{name} has {lines} lines"


def body_lines(function: Function) -> int:
    """Lines from the first statement after the docstring to the last."""
    body = function.body
    if ast.get_docstring(function) is not None:
        body = body[1:]
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


@each_file
def test_functions_are_not_too_long(name: str) -> None:
    long = {f.name: body_lines(f) for f in functions(TREES[name]) if body_lines(f) > LONGEST_FUNCTION}
    assert long == {}


def public_things(tree: ast.Module) -> Iterator[Function | ast.ClassDef]:
    """Public classes and functions of a module, and public methods of its public classes."""
    for node in tree.body:
        if not isinstance(node, Function | ast.ClassDef) or node.name.startswith("_"):
            continue
        yield node
        if isinstance(node, ast.ClassDef):
            yield from (m for m in node.body if isinstance(m, Function) and not m.name.startswith("_"))


@each_file
def test_everything_public_has_a_docstring(name: str) -> None:
    assert ast.get_docstring(TREES[name]), f"{name} has no docstring"
    bare = [thing.name for thing in public_things(TREES[name]) if not ast.get_docstring(thing)]
    assert bare == []


@each_file
def test_modules_are_named_for_what_they_hold(name: str) -> None:
    assert not EMPTY_NAMES & set(module_of(name))


@each_file
def test_no_error_is_caught_blindly(name: str) -> None:
    for node in ast.walk(TREES[name]):
        if not isinstance(node, ast.ExceptHandler):
            continue
        assert node.type is not None, f"{name}:{node.lineno} catches everything"
        caught = node.type.elts if isinstance(node.type, ast.Tuple) else [node.type]
        names = {getattr(one, "id", getattr(one, "attr", "")) for one in caught}
        assert not names & {"Exception", "BaseException"}, f"{name}:{node.lineno} catches everything"


@each_file
def test_only_the_top_floor_prints(name: str) -> None:
    if FLOORS[name.split("/")[0]] == 4:
        return
    for node in ast.walk(TREES[name]):
        if isinstance(node, ast.Call):
            assert getattr(node.func, "id", "") != "print", f"{name}:{node.lineno} prints"


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = "import sys, trimshot; print(*sorted({m.split('.')[0] for m in sys.modules}))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(run.stdout.split())
    assert "trimshot" in loaded
    assert not loaded & (HEAVY | {"numpy", "pydantic"})
