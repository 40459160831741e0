"""Which tests reach a module: those of its own room first, then those of the rooms above."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]


@dataclass(frozen=True)
class Room:
    """The folders of `tests/` that are a room's own, and the rooms whose tests reach it too."""

    tests: tuple[str, ...]
    above: tuple[str, ...] = ()


ROOMS = {
    "files": Room(("files", "dialects"), ("log", "cli")),
    "resonance": Room(("resonance",), ("loss", "log", "comparison", "planning", "present", "cli")),
    "builds": Room(
        ("builds",), ("loop", "loss", "log", "comparison", "planning", "present", "cli")
    ),
    "loop": Room(("loop",), ("loss", "log", "comparison", "planning", "present", "cli")),
    "loss": Room(("loss",), ("log", "comparison", "planning", "present", "cli")),
    "log": Room(("log",), ("cli",)),
    "comparison": Room(("comparison",), ("present", "cli")),
    "planning": Room(("planning",), ("present", "cli")),
    "present": Room(("present",), ("cli",)),
    "workflows": Room(("cli",), ("present",)),
    "cli": Room(("cli",)),
}
# Modules outside the folders: tests/test_NAME.py is theirs, and every room is above them.
BASE = "base"


def modules(room: str | None = None) -> list[Path]:
    """Return the package's modules, or a room's, relative to the repository."""
    package = REPOSITORY / "sweeplab"
    if room == BASE:
        found = package.glob("*.py")
    else:
        found = (package if room is None else package / room).rglob("*.py")
    return [path.relative_to(REPOSITORY) for path in sorted(found)]


def stages(module: Path) -> list[tuple[str, ...]]:
    """Return the tests that reach a module, those likeliest to notice a change first."""
    *folders, name = module.with_suffix("").parts[1:]
    if folders:
        room = ROOMS[folders[0]]
        own = [path for folder in room.tests for path in _tests(folder)]
        above = [folder for other in room.above for folder in ROOMS[other].tests]
    else:
        own = [path for path in _tests("") if path.name == f"test_{name}.py"]
        above = [folder for room in ROOMS.values() for folder in room.tests]
    others = [path for folder in ("", *dict.fromkeys(above)) for path in _tests(folder)]
    others = [path for path in others if path not in own]
    parts = (
        [path for path in own if _of_thresholds(path)],
        [path for path in own if not _of_thresholds(path)],
        [path for path in others if _of_thresholds(path)],
        [path for path in others if not _of_thresholds(path)],
    )
    return [tuple(map(str, part)) for part in parts if part]


@cache
def _tests(folder: str) -> tuple[Path, ...]:
    found = (REPOSITORY / "tests" / folder).glob("test_*.py")
    return tuple(sorted(path.relative_to(REPOSITORY) for path in found))


def _of_thresholds(path: Path) -> bool:
    return path.name.startswith("test_thresholds")
