"""The map of rooms in DEVELOPERS.md holds: imports follow its arrows, and nothing goes round."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[1]
PACKAGE = REPOSITORY / "sweeplab"
_BACKTICKED = re.compile(r"`([^`]+)`")


@dataclass(frozen=True)
class Room:
    """A row of the table: folders (with a slash) and modules, and the rooms it may import."""

    members: tuple[str, ...]
    may_import: tuple[str, ...]


def rooms_of_table(markdown: str) -> dict[str, Room]:
    """Return the rows of the table headed 'room | holds | may import' by their first names.

    A row is named by the word before its colon, else by its first member.
    """
    rooms = {}
    _, _, table = markdown.partition("| room | holds | may import |\n|---|---|---|\n")
    for line in table.splitlines():
        if not line.startswith("|"):
            break
        first, _, third = (cell.strip() for cell in line.strip("|").split("|"))
        members = tuple(_BACKTICKED.findall(first))
        name = first.partition(":")[0].strip("`") if ":" in first else members[0]
        rooms[name] = Room(members, tuple(_BACKTICKED.findall(third)))
    return rooms


def reachable(rooms: Mapping[str, Room]) -> dict[str, set[str]]:
    """Return the rooms that each may import: those of its row, and what those may.

    Raises
    ------
    CycleError
        The arrows of the table go round.
    """
    order = TopologicalSorter({name: room.may_import for name, room in rooms.items()})
    below: dict[str, set[str]] = {}
    for name in order.static_order():
        below[name] = {name}.union(*(below[other] for other in rooms[name].may_import))
    return below


def room_of(module: str, rooms: Mapping[str, Room]) -> str | None:
    """Return the room with the longest member that holds a module such as 'files/table/reader'."""
    found = [
        (len(member), name)
        for name, room in rooms.items()
        for member in room.members
        if module == member or (member.endswith("/") and f"{module}/".startswith(member))
    ]
    return max(found)[1] if found else None


@cache
def modules() -> dict[str, ast.Module]:
    """Return the syntax trees of the package by path, 'files' for the folder's own `__init__`."""
    trees = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).with_suffix("").as_posix()
        trees[name.removesuffix("/__init__")] = ast.parse(path.read_text(encoding="utf-8"))
    return trees


def imported(tree: ast.Module, names: Iterable[str]) -> set[str]:
    """Return the modules of the package that a tree imports, at any level."""
    known = set(names)
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports in the package are absolute"
            parent = node.module or ""
            targets = [f"{parent}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            parent, targets = "", [alias.name for alias in node.names]
        else:
            continue
        for full in targets:
            package, *path = full.split(".")
            if package == "sweeplab":
                module = "/".join(path) or "__init__"
                # `from sweeplab.sweep import Sweep`: the module is what stands before the name.
                found.add(module if module in known else "/".join(path[:-1]) or "__init__")
    return found


def faults(
    trees: Mapping[str, ast.Module], rooms: Mapping[str, Room], *, names: Iterable[str]
) -> list[str]:
    """Return the imports that no arrow of the table allows, and the modules without a room."""
    below = reachable(rooms)
    found = []
    for module, tree in trees.items():
        home = room_of(module, rooms)
        if home is None:
            found.append(f"{module} stands in no room")
            continue
        for other in sorted(imported(tree, names)):
            target = room_of(other, rooms)
            if target is None or target not in below[home]:
                found.append(f"{module} imports {other}: no arrow from {home} to {target}")
    return found


@pytest.fixture(scope="module")
def rooms() -> dict[str, Room]:
    return rooms_of_table((REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8"))


class TestTable:
    def test_every_import_follows_an_arrow(self, rooms: dict[str, Room]) -> None:
        assert faults(modules(), rooms, names=modules()) == []

    def test_its_arrows_name_rooms(self, rooms: dict[str, Room]) -> None:
        named = {name for room in rooms.values() for name in room.may_import}
        assert named <= set(rooms)

    def test_its_rooms_are_there(self, rooms: dict[str, Room]) -> None:
        members = {member for room in rooms.values() for member in room.members}
        folders = {f"{path.parent.relative_to(PACKAGE).as_posix()}/" for path in packages()}
        assert members <= folders | set(modules())

    def test_every_folder_is_a_room_of_its_own(self, rooms: dict[str, Room]) -> None:
        folders = {f"{path.parent.relative_to(PACKAGE).as_posix()}/" for path in packages()}
        assert folders <= {member for room in rooms.values() for member in room.members}

    def test_its_arrows_do_not_go_round(self, rooms: dict[str, Room]) -> None:
        assert set(reachable(rooms)) == set(rooms)


class TestModules:
    def test_no_modules_import_each_other_in_a_circle(self) -> None:
        graph = {name: imported(tree, modules()) for name, tree in modules().items()}
        order = [*TopologicalSorter(graph).static_order()]
        assert set(order) == set(modules())


class TestWhatIsNoticed:
    """The check itself, on a table and modules made up."""

    TABLE = "\n".join(
        (
            "| room | holds | may import |",
            "|---|---|---|",
            "| base: `errors`, `sweep` | ground floor | |",
            "| `files/` | readers | `base` |",
            "| `files/table/` | tables | `base` |",
            "| `log/` | the log | `files/` |",
            "",
        )
    )
    NAMES = ("errors", "sweep", "files", "files/table", "log", "cli")

    def faults_of(self, module: str, text: str) -> list[str]:
        return faults({module: ast.parse(text)}, rooms_of_table(self.TABLE), names=self.NAMES)

    @pytest.mark.parametrize(
        ("module", "text"),
        [
            ("log", "from sweeplab.files import read_sweep"),
            ("log", "from sweeplab.errors import LogError"),
            ("log", "import numpy as np"),
            ("files/table", "from sweeplab import sweep"),
            ("files/table", "from sweeplab.files.table import reader"),
        ],
    )
    def test_an_import_along_the_arrows_is_none(self, module: str, text: str) -> None:
        assert self.faults_of(module, text) == []

    @pytest.mark.parametrize(
        ("module", "text"),
        [
            ("files", "from sweeplab.log import Log"),
            ("files", "import sweeplab.log"),
            ("files", "def read():\n    from sweeplab import log"),
            ("files", "if TYPE_CHECKING:\n    from sweeplab.log import Log"),
            ("files/table", "from sweeplab.files import read_sweep"),
            ("log", "from sweeplab.files.table import reader"),
            ("errors", "from sweeplab import __version__"),
            ("log", "from sweeplab.cli import main"),
            ("cli", "import json"),
        ],
    )
    def test_any_other_is_one(self, module: str, text: str) -> None:
        assert len(self.faults_of(module, text)) == 1

    def test_arrows_that_go_round(self) -> None:
        table = self.TABLE.replace("| `base` |\n| `log/`", "| `log/` |\n| `log/`")
        table = table.replace("| `files/` |\n", "| `files/table/` |\n")
        with pytest.raises(CycleError):
            reachable(rooms_of_table(table))


def packages() -> list[Path]:
    """Return the `__init__` of every folder of the package but its own."""
    return [path for path in PACKAGE.glob("*/**/__init__.py") if path.parent != PACKAGE]
