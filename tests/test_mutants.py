"""The scripts of `mutants/`: what they find, and that what they make is one change of the text."""

from __future__ import annotations

import ast
import difflib
from pathlib import Path

import pytest
from mutants.change import Change, Source
from mutants.changes import changes
from mutants.rooms import REPOSITORY, ROOMS, modules, stages
from mutants.thresholds import accepted, key, thresholds

MODULE = '''"""Made up: £ is two bytes."""
from sweeplab.finding import Threshold

LEFT_ALONE = 1
POUND = "£"; _SHARE: Threshold = 0.15  # of the £
MOST_ROWS: Threshold = 1
_LOWEST: Threshold = -60
_BYTES: finding.Threshold = 64 * 1024
_LIMIT: Threshold = _SHARE + 1
_NOUGHT: Threshold = 0
_OTHER: float = 0.15


def within(x: float) -> float:
    _INNER: Threshold = 2.0
    return x
'''


def of(text: str) -> Source:
    return Source(Path("sweeplab/made_up.py"), text)


def test_every_threshold_is_found_and_moved_both_ways() -> None:
    made = [(change.name, change.before, change.after) for change in thresholds(of(MODULE))]
    assert made == [
        ("_SHARE up", "0.15", repr(0.15 * 3)), ("_SHARE down", "0.15", repr(0.15 / 3)),
        ("MOST_ROWS up", "1", "3"), ("MOST_ROWS down", "1", "0"),
        ("_LOWEST up", "-60", "-180"), ("_LOWEST down", "-60", "-20"),
        ("_BYTES up", "64 * 1024", "196608"), ("_BYTES down", "64 * 1024", "21845"),
        ("_LIMIT up", "_SHARE + 1", "(_SHARE + 1) * 3"),
        ("_LIMIT down", "_SHARE + 1", "(_SHARE + 1) / 3"),
        ("_NOUGHT up", "0", "1"), ("_NOUGHT down", "0", "-1"),
    ]  # fmt: skip


def test_nothing_but_the_value_is_changed() -> None:
    first = next(thresholds(of(MODULE)))
    assert first.source == MODULE.replace("Threshold = 0.15", f"Threshold = {0.15 * 3!r}")
    assert first.line == 5
    assert key(first) == "sweeplab/made_up.py _SHARE up"


@pytest.mark.parametrize(
    ("before", "afters"),
    [
        ("(a) < (b)", {"(a) >= (b)", "(a) <= (b)"}),
        ("a is not b", {"a is b"}),
        ("a not in b", {"a in b"}),
        ("a < b == c", {"a >= b == c", "a <= b == c", "a < b != c"}),
        ("a + b", {"a - b"}),
        ("a ** b", {"a * b"}),
        ("'a' + b", set()),
        ("a and b", {"a or b"}),
        ("-a", {"(a)"}),
        ("not a", {"(a)"}),
        ("a if b else c", {"a if not (b) else c"}),
        ("a(1)", {"a(2)", "a(0)"}),
        ("a(0.5)", {"a(1.0)", "a(0.25)"}),
        ("a(True)", {"a(False)"}),
        ("f'{a:.3f}'", set()),
    ],
)
def test_single_changes(before: str, afters: set[str]) -> None:
    made = {change.source for change in changes(of(f"x = {before}\n"))}
    assert made == {f"x = {after}\n" for after in afters}


def test_a_guard_is_removed_and_turned_and_a_return_emptied() -> None:
    text = "def f(a: int) -> int:\n    if a:\n        return 7\n    return None\n"
    made = {change.source for change in changes(of(text))}
    assert made == {
        text.replace("if a", "if False"), text.replace("if a", "if not (a)"),
        text.replace("7", "None"), text.replace("7", "8"), text.replace("7", "6"),
    }  # fmt: skip


def assert_one_place(change: Change, text: str) -> None:
    assert change.source != text
    ast.parse(change.source)
    matcher = difflib.SequenceMatcher(None, text.splitlines(), change.source.splitlines())
    assert sum(tag != "equal" for tag, *_ in matcher.get_opcodes()) == 1


def test_a_module_s_changes_are_each_one_place_that_still_parses() -> None:
    module = Path("sweeplab/line.py")
    text = (REPOSITORY / module).read_text(encoding="utf-8")
    made = changes(Source(module, text))
    assert len(made) > 20
    for change in made[::10]:
        assert_one_place(change, text)


def test_every_room_and_every_folder_of_tests_stands_in_the_table() -> None:
    package = {path.parent.name for path in (REPOSITORY / "sweeplab").glob("*/__init__.py")}
    assert package == set(ROOMS)
    folders = {path.parent.name for path in (REPOSITORY / "tests").glob("*/test_*.py")}
    assert folders == {folder for room in ROOMS.values() for folder in room.tests}


def test_every_module_is_reached_by_tests_that_are_there() -> None:
    every = {path.relative_to(REPOSITORY) for path in (REPOSITORY / "tests").rglob("test_*.py")}
    for module in modules():
        reached = [test for stage in stages(module) for test in stage]
        assert reached
        assert len(set(reached)) == len(reached)
        assert set(reached) <= set(map(str, every))


def test_survivors_are_accepted_with_a_reason() -> None:
    assert all(reason.strip() for reason in accepted().values())
