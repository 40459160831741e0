"""Each threshold three times as high and as low: which of them no test holds.

    cd tests && python -m mutants.thresholds [--room ROOM] [--processes 2]

Thresholds are the module's constants annotated so: `NAME: Threshold = 0.15`. Survivors that are
accepted are in accepted.toml, with a reason each. Exit status 1 where under 90 % are caught.
"""

from __future__ import annotations

import argparse
import ast
import operator
import os
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

from mutants.change import Change, Source
from mutants.rooms import BASE, REPOSITORY, ROOMS, modules
from mutants.trial import Outcome, trials

ACCEPTED = Path(__file__).with_name("accepted.toml")
FACTOR = 3
LEAST_SHARE = 0.9
_OPERATORS: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul,
    ast.Div: operator.truediv, ast.Pow: operator.pow,
}  # fmt: skip


def thresholds(source: Source) -> Iterator[Change]:
    """Yield a module's thresholds, each changed up and down."""
    for node in source.tree.body:
        if isinstance(node, ast.AnnAssign) and node.value and _is_threshold(node.annotation):
            name = ast.unparse(node.target)
            before = source.text(*source.span(node.value))
            for way, after in moved(node.value, before).items():
                yield source.instead(f"{name} {way}", node.value, after)


def moved(node: ast.expr, text: str) -> dict[str, str]:
    """Return what a value is written as when moved up and down, in its size."""
    value = _number(node)
    if value is None:
        return {"up": f"({text}) * {FACTOR}", "down": f"({text}) / {FACTOR}"}
    if value == 0:
        return {"up": repr(value + 1), "down": repr(value - 1)}
    if isinstance(value, float):
        return {"up": repr(value * FACTOR), "down": repr(value / FACTOR)}
    # Away from nought for up. A third of one rounds to nought, so every integer changes.
    return {"up": repr(value * FACTOR), "down": repr(round(value / FACTOR))}


def accepted() -> dict[str, str]:
    """Return the reason for each survivor that is accepted, by module, name and way."""
    listed = tomllib.loads(ACCEPTED.read_text(encoding="utf-8"))
    return {
        f"{module} {name}": reason
        for module, names in listed.items()
        for name, reason in names.items()
    }


def key(change: Change) -> str:
    """Return a change's name as accepted.toml has it."""
    return f"{change.module.as_posix()} {change.name}"


def _is_threshold(annotation: ast.expr) -> bool:
    return ast.unparse(annotation).rpartition(".")[2].strip("'\"") == "Threshold"


def _number(node: ast.expr) -> float | None:
    """Return the value of numbers and what is reckoned from numbers alone."""
    match node:
        case ast.Constant(value=int() | float() as value) if not isinstance(value, bool):
            return value
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            inner = _number(operand)
            return None if inner is None else -inner
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _OPERATORS:
            first, second = _number(left), _number(right)
            if first is not None and second is not None:
                return _OPERATORS[type(op)](first, second)
    return None


def main() -> None:
    """Try them all, and print what survives."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--room", choices=[BASE, *ROOMS])
    parser.add_argument("--name", help="only thresholds whose name holds this")
    parser.add_argument("--processes", type=int, default=os.cpu_count())
    parser.add_argument("--limit", type=float, default=900, help="seconds a run of tests may take")
    parser.add_argument("--list", action="store_true", help="print the changes, and try none")
    asked = parser.parse_args()
    sources = [Source(path, (REPOSITORY / path).read_text("utf-8")) for path in modules(asked.room)]
    found = [change for source in sources for change in thresholds(source)]
    chosen = [change for change in found if (asked.name or "") in change.name]
    if asked.list or not chosen:
        print(*chosen, f"{len(chosen)} changes", sep="\n")
        return
    reasons, outcomes = accepted(), []
    if asked.room is None:
        for name in sorted(reasons.keys() - {key(change) for change in found}):
            print(f"accepted, but no longer there: {name}")
    with trials(asked.processes, asked.limit) as tried:
        for outcome in tried.run(chosen):
            outcomes.append(outcome)
            verdict = outcome.caught or reasons.get(key(outcome.change)) or "SURVIVED"
            print(f"{outcome.change}: {verdict}", flush=True)
    raise SystemExit(_report(outcomes, reasons) < LEAST_SHARE)


def _report(outcomes: list[Outcome], reasons: dict[str, str]) -> float:
    """Print the survivors, and return the share caught of those not accepted."""
    survivors = [one.change for one in outcomes if not one.caught]
    left = [change for change in survivors if key(change) not in reasons]
    print("\nsurvivors that nobody accepted:", *(left or ["none"]), sep="\n")
    caught, slow = len(outcomes) - len(survivors), sum(one.slow for one in outcomes)
    share = caught / (caught + len(left)) if caught or left else 1.0
    print(f"{caught} caught ({slow} of them by the time they took), {len(left)} survived, "
          f"{len(survivors) - len(left)} accepted: {share:.0%}")  # fmt: skip
    return share


if __name__ == "__main__":
    main()
