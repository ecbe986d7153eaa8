"""Every public function that others plan with says what it takes, in which units."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ANALYSIS = Path(__file__).parents[2] / "analysis"
MODULES = sorted([*(ANALYSIS / "hydraulics").glob("*.py"), *(ANALYSIS / "design").glob("*.py")])
SUFFIXES = ("_m", "_m3s", "_m2s", "_m_s", "_s_m2", "_s2_m5", "_kg_m3", "_c", "_g_per_kg", "_deg", "_m_s2")
UNITS = re.compile(r"(?<![\w/])(?:m|m3/s|m2/s|m/s|m/s2|s/m2|s2/m5|kg/m3|degC|degrees|g/kg)(?![\w/])")


def public_functions(module: Path) -> Iterator[ast.FunctionDef]:
    """Functions and methods without an underscore before their names or their classes'."""
    waiting = list(ast.parse(module.read_text(encoding="utf-8")).body)
    for node in waiting:
        if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            waiting.extend(node.body)
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield node


@pytest.mark.parametrize("module", MODULES, ids=lambda path: path.stem)
def test_arguments_are_described(module: Path) -> None:
    """Each function with arguments has them listed; what its unit's name promises, its docstring spells out."""
    for function in public_functions(module):
        taken = [item.arg for item in (*function.args.args, *function.args.kwonlyargs)]
        named = [name for name in taken if name not in {"self", "cls"}]
        told = ast.get_docstring(function) or ""
        assert not named or "Args:" in told, f"{module.name}: {function.name}"
        if any(name.endswith(SUFFIXES) for name in named):
            assert UNITS.search(told), f"{module.name}: {function.name} names no unit"


@pytest.mark.parametrize("module", MODULES, ids=lambda path: path.stem)
def test_errors_are_described(module: Path) -> None:
    """What a function raises itself is in its docstring."""
    for function in public_functions(module):
        raised = [node for node in ast.walk(function) if isinstance(node, ast.Raise)]
        told = ast.get_docstring(function) or ""
        assert not raised or "Raises:" in told, f"{module.name}: {function.name}"
