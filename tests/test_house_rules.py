"""What holds for every module of the package: short, plainly laid out, one name for one class."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from statistics import median

PACKAGE = Path(__file__).parents[1] / "sweeplab"
MODULE_LINES, MEDIAN_MODULE_LINES, FUNCTION_LINES = 400, 150, 40


@cache
def sources() -> dict[str, str]:
    """Return the package's modules by path."""
    return {
        path.relative_to(PACKAGE).as_posix(): path.read_text(encoding="utf-8")
        for path in sorted(PACKAGE.rglob("*.py"))
    }


@cache
def trees() -> dict[str, ast.Module]:
    """Return the package's syntax trees by path."""
    return {path: ast.parse(text) for path, text in sources().items()}


def lines() -> dict[str, int]:
    """Return the modules' lengths in lines."""
    return {path: len(text.splitlines()) for path, text in sources().items()}


def function_lines(tree: ast.Module) -> Iterator[tuple[str, int]]:
    """Yield every function's name and its lines, those of its docstring apart."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            docstring = [node.body[0]] if ast.get_docstring(node) is not None else []
            yield node.name, _lines(node) - sum(map(_lines, docstring))


def _lines(node: ast.stmt) -> int:
    return (node.end_lineno or node.lineno) - node.lineno + 1


def positional_findings(tree: ast.Module) -> list[int]:
    """Return the lines on which a finding is made with arguments that bear no name."""
    return [
        node.lineno
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id == "Finding"
        and (node.args or any(keyword.arg is None for keyword in node.keywords))
    ]


def test_there_is_something_to_check() -> None:
    assert len(sources()) > 100
    assert sum(1 for tree in trees().values() for _ in function_lines(tree)) > 1000


def test_no_module_is_longer_than_one_reads_at_a_sitting() -> None:
    assert {path: n for path, n in lines().items() if n > MODULE_LINES} == {}


def test_most_modules_are_short() -> None:
    assert median(lines().values()) < MEDIAN_MODULE_LINES


def test_no_function_is_longer_than_a_screen() -> None:
    long = {
        f"{path}: {name}": n
        for path, tree in trees().items()
        for name, n in function_lines(tree)
        if n > FUNCTION_LINES
    }
    assert long == {}


def test_no_two_public_classes_share_a_name() -> None:
    homes = defaultdict(list)
    for path, tree in trees().items():
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes[node.name].append(path)
    assert {name: paths for name, paths in homes.items() if len(paths) > 1} == {}


def test_the_formatter_lays_out_every_line() -> None:
    assert [path for path, text in sources().items() if "fmt: skip" in text] == []
    assert [path for path, text in sources().items() if "fmt: off" in text] == []


def test_findings_are_made_by_keyword() -> None:
    found = {path: positional_findings(tree) for path, tree in trees().items()}
    assert {path: where for path, where in found.items() if where} == {}


def test_a_positional_finding_is_noticed() -> None:
    assert positional_findings(ast.parse('Finding("code", level="note", text="")')) == [1]
    assert positional_findings(ast.parse("Finding(*parts)")) == [1]
    assert positional_findings(ast.parse('Finding(code="code", level="note", text="")')) == []
