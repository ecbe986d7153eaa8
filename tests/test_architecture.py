"""The plan of the house, held by tests: floors, sizes, names, what is imported when, no hidden state."""

import ast
import functools
import importlib
import logging
import subprocess
import sys
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from config import errors

TOP = Path(__file__).parents[1]
FLOORS = ("config", "analysis", "daemon")
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml",
    "config", "analysis", "daemon", "tests", "sample_logs",
}  # fmt: skip
UNTRACKED = {"clearbore-demo", "build", "dist"}
MOST_LINES = 400
USAGE = 2
MOST_FUNCTION_LINES = 60
DEEPEST = 3
"""Blocks inside one another, counted within a function."""
HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "jinja2", "pyarrow")
BASE_COMMANDS = ("backup", "check", "collect", "export", "journal", "status")
"""What the base install must be able to do."""

SOURCES = sorted(path for floor in FLOORS for path in (TOP / floor).rglob("*.py"))
TESTS = sorted((TOP / "tests").rglob("*.py"))
EVERYTHING = (*SOURCES, *TESTS)
FunctionNode = ast.FunctionDef | ast.AsyncFunctionDef


def name_of(path: Path) -> str:
    """A path as a test's id."""
    return str(path.relative_to(TOP))


@functools.cache
def tree_of(path: Path) -> ast.Module:
    """A file's syntax tree."""
    return ast.parse(path.read_text(encoding="utf-8"))


def every_node(paths: Iterable[Path]) -> Iterator[tuple[str, ast.AST]]:
    """Every node of the files, with its place."""
    for path in paths:
        yield from ((f"{name_of(path)}:{getattr(node, 'lineno', 0)}", node) for node in ast.walk(tree_of(path)))


def every_function() -> Iterator[tuple[str, FunctionNode]]:
    """Every function and method of the program and its tests, with its place."""
    yield from (
        (f"{place} {node.name}", node) for place, node in every_node(EVERYTHING) if isinstance(node, FunctionNode)
    )


def code_lines_of(function: FunctionNode) -> int:
    """Lines of a function's body after its docstring."""
    body = function.body[1:] if ast.get_docstring(function) else function.body
    return (function.end_lineno or 0) - body[0].lineno + 1 if body else 0


def is_empty_holder(value: ast.expr) -> bool:
    """`[]`, `{}`, `list()`, `dict()`, `set()` and their like."""
    if isinstance(value, ast.List | ast.Set):
        return not value.elts
    if isinstance(value, ast.Dict):
        return not value.keys
    makers = {"list", "dict", "set", "defaultdict", "deque", "OrderedDict", "Counter"}
    return isinstance(value, ast.Call) and isinstance(value.func, ast.Name) and value.func.id in makers


def is_broad(handler: ast.ExceptHandler) -> bool:
    """Whether it catches everything and does not raise it again."""
    caught = ast.unparse(handler.type) if handler.type else "everything"
    passes_on = any(isinstance(node, ast.Raise) and node.exc is None for node in ast.walk(handler))
    return not passes_on and caught in {"everything", "Exception", "BaseException"}


def depth_of(node: ast.AST, depth: int = 0) -> int:
    """How deep blocks lie inside one another."""
    blocks = (ast.If, ast.For, ast.While, ast.With, ast.Try, ast.Match)
    below = 0
    for child in ast.iter_child_nodes(node):
        # An `elif` hangs in the tree below its `if`, and beside it in the text.
        is_elif = isinstance(node, ast.If) and isinstance(child, ast.If) and child in node.orelse
        below = max(below, depth_of(child, depth + (isinstance(child, blocks) and not is_elif)))
    return max(depth, below)


@pytest.mark.parametrize("floor", FLOORS)
def test_packages_come_from_this_checkout(floor: str) -> None:
    """Their names are common ones: another distribution of the same name must not be what is tested."""
    module = importlib.import_module(floor)

    assert module.__file__ == str(TOP / floor / "__init__.py")


def test_the_top_level_holds_what_is_allowed() -> None:
    """Hidden files, and the rooms of the house; what a build or a demo leaves is not looked at."""
    found = {path.name for path in TOP.iterdir() if not path.name.startswith((".", "__pycache__"))}

    assert found - TOP_LEVEL - UNTRACKED == set()
    assert found >= TOP_LEVEL


def test_tests_are_no_packages() -> None:
    """A tests/config/__init__.py would shadow the real package."""
    assert list((TOP / "tests").rglob("__init__.py")) == []


def test_every_folder_of_the_floors_is_a_package() -> None:
    """A folder without an __init__.py would be left out by type checkers and contracts."""
    folders = {path.parent for path in SOURCES}

    assert [name_of(folder) for folder in sorted(folders) if not (folder / "__init__.py").is_file()] == []


def test_import_contracts_hold() -> None:
    """The plant feeds the analysis feeds the daemon; the analysis has no clock, disk or network.

    In a process of its own: the linter sets up logging anew, which silences every logger that is there.
    """
    loggers = {name: logger.disabled for name, logger in _loggers().items()}
    code = f"import sys; from importlinter import cli; sys.exit(cli.lint_imports({str(TOP / 'pyproject.toml')!r}, no_cache=True))"
    done = subprocess.run([sys.executable, "-c", code], cwd=TOP, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stdout + done.stderr
    assert {name: logger.disabled for name, logger in _loggers().items() if name in loggers} == loggers


def _loggers() -> dict[str, logging.Logger]:
    """All loggers that are there; one at least, that a silenced one would be seen."""
    logging.getLogger("contracts")
    return {name: one for name, one in logging.Logger.manager.loggerDict.items() if isinstance(one, logging.Logger)}


def test_the_contracts_are_the_ones_that_are_meant() -> None:
    """Holding no contract is no success."""
    settings = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["importlinter"]
    layers, forbidden = settings["contracts"]

    assert layers["layers"] == ["daemon", "analysis", "config"]
    assert forbidden["source_modules"] == ["analysis"]
    assert {"os", "pathlib", "sqlite3", "socket", "time", "logging", "subprocess"} <= set(
        forbidden["forbidden_modules"]
    )


def test_no_file_is_long() -> None:
    """More lines than this are two nouns in one room."""
    sizes = {name_of(path): len(path.read_text(encoding="utf-8").splitlines()) for path in EVERYTHING}

    assert {name: lines for name, lines in sizes.items() if lines > MOST_LINES} == {}


def test_no_function_is_long() -> None:
    """Counted without the docstring, which may take the room that it needs."""
    assert [place for place, function in every_function() if code_lines_of(function) > MOST_FUNCTION_LINES] == []


def test_no_function_is_deep() -> None:
    """Blocks inside blocks inside blocks are functions that have not got their names yet."""
    assert [place for place, function in every_function() if depth_of(function) > DEEPEST] == []


def test_imports_are_absolute() -> None:
    """A relative import hides the arrow that it draws, and so does one that only type checkers see."""
    found = [
        f"{place}: {ast.unparse(node)}"
        for place, node in every_node(SOURCES)
        if (isinstance(node, ast.ImportFrom) and node.level)
        or (isinstance(node, ast.Name) and node.id == "TYPE_CHECKING")
    ]

    assert found == []


def test_modules_hold_no_state() -> None:
    """No `global`, and no empty list, dict or set at the top of a module that calls would fill."""
    filled_later = [
        f"{name_of(path)}:{node.lineno}"
        for path in SOURCES
        for node in tree_of(path).body
        if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None and is_empty_holder(node.value)
    ]

    assert filled_later == []
    assert [place for place, node in every_node(SOURCES) if isinstance(node, ast.Global)] == []


def test_no_except_is_broad() -> None:
    """A fault that nobody thought of must be seen; only a block that raises it again may catch everything."""
    found = [place for place, node in every_node(SOURCES) if isinstance(node, ast.ExceptHandler) and is_broad(node)]

    assert found == []


def test_every_test_says_what_must_hold() -> None:
    """The docstrings of the tests are the specification."""
    silent = [
        place
        for place, node in every_node(TESTS)
        if isinstance(node, FunctionNode) and node.name.startswith("test_") and not ast.get_docstring(node)
    ]

    assert silent == []
    assert [name_of(path) for path in EVERYTHING if not ast.get_docstring(tree_of(path))] == []


def errors_of(root: type[errors.ClearboreError]) -> Iterator[type[errors.ClearboreError]]:
    """The whole tree below an error."""
    for error in root.__subclasses__():
        yield error
        yield from errors_of(error)


@pytest.mark.parametrize("error", sorted(errors_of(errors.ClearboreError), key=str))
def test_every_error_ends_the_program_with_a_code_of_its_own_kind(error: type[errors.ClearboreError]) -> None:
    """The codes of sysexits.h, 64 to 78, or 2 for wrong usage; 0 is success and 1 an active alarm."""
    assert error.exit_code == USAGE or 64 <= error.exit_code <= 78


def test_the_tree_of_errors_is_drawn_as_it_is() -> None:
    """The picture at the top of config/errors.py names every error of that file with its code."""
    drawn = errors.__doc__ or ""
    kinds = [error for error in errors_of(errors.ClearboreError) if error.__module__ == errors.__name__]

    assert kinds
    for error in kinds:
        (line,) = [line for line in drawn.splitlines() if f" {error.__name__} " in line]
        assert f" {error.exit_code} " in line


@pytest.mark.parametrize("name", BASE_COMMANDS)
def test_the_base_install_can_do_it(name: str) -> None:
    """These commands can be imported where nothing of the extra is installed."""
    script = (
        f"import sys\nfor heavy in {HEAVY!r}: sys.modules[heavy] = None\n"
        f"from daemon.commands import {name}\nprint({name}.command.name)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False, cwd=TOP)

    assert done.stdout == f"{name}\n", done.stderr


def test_help_imports_nothing_heavy() -> None:
    """`clearbore --help` answers at once."""
    heavy = (*HEAVY, "pydantic", "sqlite_utils", "paho", "serial")
    script = (
        "import sys\nfrom daemon.cli import group\n"
        "try: group(['--help'])\nexcept SystemExit: pass\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=TOP)

    assert done.stdout.splitlines()[-1] == "[]"
