"""Changes at random, one at a time: how many of them the tests notice.

    cd tests && python -m mutants.changes ROOM [--count 50] [--seed 1] [--processes 2]

A comparison flipped or loosened, a sign, an operator, a number, `and` for `or`, a guard that never
or always holds the other way, a return value. Some survivors change nothing that could be noticed:
each wants reading.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import re
from collections.abc import Iterator
from itertools import pairwise

from mutants.change import Change, Source
from mutants.rooms import BASE, REPOSITORY, ROOMS, modules
from mutants.trial import trials

_FLIPPED: dict[type[ast.cmpop], tuple[str, tuple[str, ...]]] = {
    ast.Lt: ("<", (">=", "<=")), ast.LtE: ("<=", (">", "<")),
    ast.Gt: (">", ("<=", ">=")), ast.GtE: (">=", ("<", ">")),
    ast.Eq: ("==", ("!=",)), ast.NotEq: ("!=", ("==",)),
    ast.Is: ("is", ("is not",)), ast.IsNot: ("is not", ("is",)),
    ast.In: ("in", ("not in",)), ast.NotIn: ("not in", ("in",)),
}  # fmt: skip
_SWAPPED: dict[type[ast.operator], tuple[str, str]] = {
    ast.Add: ("+", "-"), ast.Sub: ("-", "+"), ast.Mult: ("*", "/"), ast.Div: ("/", "*"),
    ast.Pow: ("**", "*"), ast.FloorDiv: ("//", "/"), ast.Mod: ("%", "*"),
}  # fmt: skip
_TEXTS = (ast.JoinedStr, ast.List, ast.Tuple, ast.ListComp)
_LEAVES = (ast.Raise, ast.Return, ast.Continue, ast.Break)


def changes(source: Source) -> list[Change]:
    """Return every single change to a module, by place."""
    found = [change for node in _nodes(source.tree) for change in _of(source, node)]
    return sorted(found, key=lambda change: (change.line, change.name, change.before, change.after))


def _nodes(tree: ast.AST) -> Iterator[ast.AST]:
    """Walk over what runs: no annotations, no decorators, no imports for types alone."""
    yield tree
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list", "bases"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.If) and ast.unparse(child.test) == "TYPE_CHECKING":
                continue
            if isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr):
                yield from _nodes(child)


def _of(source: Source, node: ast.AST) -> Iterator[Change]:
    match node:
        case ast.Compare():
            yield from _compared(source, node)
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _SWAPPED:
            if not any(_is_text(side) for side in (left, right)):
                before, after = _SWAPPED[type(op)]
                yield from _between(source, "operator", (left, right), before, after)
        case ast.BoolOp(op=op, values=values):
            words = ("and", "or") if isinstance(op, ast.And) else ("or", "and")
            for pair in pairwise(values):
                yield from _between(source, "and/or", pair, *words)
        case ast.UnaryOp(op=ast.USub() | ast.Not(), operand=operand):
            yield source.instead("sign", node, f"({source.text(*source.span(operand))})")
        case ast.Constant(value=value):
            yield from _constant(source, node, value)
        case ast.If(test=test, body=body):
            if isinstance(body[-1], _LEAVES) and not node.orelse:
                yield source.instead("guard removed", test, "False")
            yield source.instead("condition", test, f"not ({source.text(*source.span(test))})")
        case ast.IfExp(test=test) | ast.While(test=test):
            yield source.instead("condition", test, f"not ({source.text(*source.span(test))})")
        case ast.Return(value=ast.expr() as value) if not _is_none(value):
            yield source.instead("return value", value, "None")


def _compared(source: Source, node: ast.Compare) -> Iterator[Change]:
    sides = [node.left, *node.comparators]
    for op, pair in zip(node.ops, pairwise(sides), strict=True):
        before, afters = _FLIPPED[type(op)]
        for after in afters:
            yield from _between(source, "comparison", pair, before, after)


def _constant(source: Source, node: ast.Constant, value: object) -> Iterator[Change]:
    if isinstance(value, bool):
        yield source.instead("constant", node, str(not value))
    elif isinstance(value, int):
        for after in (value + 1, value - 1):
            yield source.instead("constant", node, f"({after})" if after < 0 else str(after))
    elif isinstance(value, float):
        for after in (value * 2, value / 2) if value else (1.0,):
            yield source.instead("constant", node, repr(after))


def _between(
    source: Source, name: str, sides: tuple[ast.expr, ast.expr], before: str, after: str
) -> Iterator[Change]:
    """Yield the change of an operator between two operands; what is around it stays."""
    begin, end = source.span(sides[0])[1], source.span(sides[1])[0]
    gap = source.text(begin, end)
    # A comment between the two might hold the operator's own letters.
    if "#" not in gap:
        pattern = re.escape(before).replace(r"\ ", r"\s+")
        changed, count = re.subn(pattern, after, gap, count=1)
        if count:
            yield source.change(name, begin, end, changed)


def _is_text(node: ast.expr) -> bool:
    if isinstance(node, ast.Constant):
        return isinstance(node.value, str | bytes)
    return isinstance(node, _TEXTS)


def _is_none(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and node.value is None


def drawn(room: str, count: int, seed: int) -> list[Change]:
    """Return changes of a room, drawn at random from all that there are."""
    sources = [Source(path, (REPOSITORY / path).read_text("utf-8")) for path in modules(room)]
    every = [change for source in sources for change in changes(source)]
    return random.Random(seed).sample(every, min(count, len(every)))


def main() -> None:
    """Try them, and print what survives."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("rooms", nargs="+", choices=[BASE, *ROOMS], metavar="room")
    parser.add_argument("--count", type=int, default=50, help="changes a room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    parser.add_argument("--limit", type=float, default=900, help="seconds a run of tests may take")
    parser.add_argument("--list", action="store_true", help="print the changes, and try none")
    asked = parser.parse_args()
    chosen = {room: drawn(room, asked.count, asked.seed) for room in asked.rooms}
    if asked.list:
        print(*(change for some in chosen.values() for change in some), sep="\n")
        return
    shares = []
    with trials(asked.processes, asked.limit) as tried:
        for room, some in chosen.items():
            survived = slow = 0
            for outcome in tried.run(some):
                slow += outcome.slow
                if not outcome.caught:
                    survived += 1
                    print(f"{outcome.change}: SURVIVED", flush=True)
            caught = len(some) - survived
            shares.append(f"{room}: {caught} of {len(some)} caught, {slow} by the time they took")
    print(*shares, sep="\n")


if __name__ == "__main__":
    main()
