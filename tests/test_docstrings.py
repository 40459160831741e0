"""Docstrings name the parameters and fields that are there."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "sweeplab"
Documented = ast.FunctionDef | ast.ClassDef


def stated(docstring: str) -> list[str]:
    """Return the names under a numpy-style heading 'Parameters'."""
    section = re.search(r"^Parameters\n-+\n(.*?)(?:\n\n\S|\Z)", docstring, re.M | re.S)
    lines = section.group(1).splitlines() if section else []
    heads = [line.split(" : ")[0] for line in lines if re.match(r"[*\w]", line)]
    return [name.strip(" *") for head in heads for name in head.split(",")]


def real(node: Documented) -> set[str]:
    """Return a function's parameters, or a class's fields and its constructor's parameters."""
    if isinstance(node, ast.ClassDef):
        fields = {
            statement.target.id
            for statement in node.body
            if isinstance(statement, ast.AnnAssign) and isinstance(statement.target, ast.Name)
        }
        methods = [one for one in node.body if isinstance(one, ast.FunctionDef)]
        return fields.union(*(real(one) for one in methods if one.name in ("__init__", "__new__")))
    given = node.args
    plain = [*given.posonlyargs, *given.args, *given.kwonlyargs]
    return {one.arg for one in (*plain, given.vararg, given.kwarg) if one is not None}


def misnamed(tree: ast.Module) -> Iterator[str]:
    """Yield each name that a docstring states and the code does not have."""
    for node in ast.walk(tree):
        if isinstance(node, Documented):
            for name in stated(ast.get_docstring(node) or ""):
                if name not in real(node):
                    yield f"{node.name}: {name}"


def test_every_parameter_that_a_docstring_states_is_one() -> None:
    trees = {path: ast.parse(path.read_text("utf-8")) for path in PACKAGE.rglob("*.py")}
    found = {
        path.relative_to(PACKAGE).as_posix(): [*misnamed(tree)] for path, tree in trees.items()
    }
    assert {path: names for path, names in found.items() if names} == {}


def test_a_name_that_is_gone_is_noticed() -> None:
    docstring = (
        "Do.\n\nParameters\n----------\na, c : int\n    Two.\nb : int\n\nReturns\n-------\nd"
    )
    function = ast.parse(f"def f(a, *, b):\n    {docstring!r}")
    assert stated(docstring) == ["a", "c", "b"]
    assert [*misnamed(function)] == ["f: c"]
