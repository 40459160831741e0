"""Changes tried one by one: which of the tests that reach them fail."""

from __future__ import annotations

import compileall
import os
import queue
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from py_compile import PycInvalidationMode

from mutants.change import Change
from mutants.rooms import REPOSITORY, stages

_PYTEST = (sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header")
# pytest's exit codes: all passed, and some failed or could not be collected.
_PASSED, _CAUGHT = 0, (1, 2)


@dataclass(frozen=True)
class Outcome:
    """What became of a change: the line that says which test failed, "" where none did."""

    change: Change
    caught: str

    @property
    def slow(self) -> bool:
        """Whether nothing failed, but a run took longer than it may."""
        return self.caught.startswith("took over")


class Trials:
    """Copies of the repository, one for each process, in which changes are tried."""

    def __init__(self, folder: Path, processes: int, limit_s: float) -> None:
        self.limit_s = limit_s
        self.processes = processes
        self._checked: dict[tuple[str, ...], bool] = {}
        self._lock = threading.Lock()
        self._unchanged = _copy(folder / "unchanged")
        self._trees: queue.Queue[Path] = queue.Queue()
        for number in range(processes):
            self._trees.put(_copy(folder / str(number)))

    def run(self, changes: Iterable[Change]) -> Iterator[Outcome]:
        """Yield what became of each change, in the order in which they end."""
        with ThreadPoolExecutor(self.processes) as pool:
            for done in as_completed([pool.submit(self.once, change) for change in changes]):
                yield done.result()

    def once(self, change: Change) -> Outcome:
        """Try one change on the tests that reach its module, until one fails."""
        tree = self._trees.get()
        place = tree / change.module
        before = place.read_bytes()
        place.write_text(change.source, encoding="utf-8")
        try:
            for tests in stages(change.module):
                caught = self._tests(tree, tests)
                if caught:
                    self._check(tests)
                    return Outcome(change, caught)
            return Outcome(change, "")
        finally:
            place.write_bytes(before)
            self._trees.put(tree)

    def _check(self, tests: tuple[str, ...]) -> None:
        """Hold the same tests to passing where nothing is changed: else they prove nothing."""
        with self._lock:
            if tests not in self._checked:
                failed = self._tests(self._unchanged, tests)
                if failed:
                    raise SystemExit(f"without any change: {failed}")
                self._checked[tests] = True

    def _tests(self, tree: Path, tests: tuple[str, ...]) -> str:
        """Run tests in a tree; say what failed, or ""."""
        environment = {**os.environ, "PYTHONPATH": str(tree), "OPENBLAS_NUM_THREADS": "1"}
        try:
            run = subprocess.run(
                [*_PYTEST, *tests], cwd=tree, env=environment, timeout=self.limit_s,
                capture_output=True, text=True, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            return f"took over {self.limit_s:g} s"
        if run.returncode == _PASSED:
            return ""
        failures = [
            line for line in run.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))
        ]
        if run.returncode in _CAUGHT and failures:
            return failures[0]
        # A change that keeps the package from being imported stops pytest at its conftest.
        return (run.stderr.strip() or run.stdout.strip()).splitlines()[-1]


@contextmanager
def trials(processes: int, limit_s: float) -> Iterator[Trials]:
    """Make the copies, and remove them."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        yield Trials(Path(folder), processes, limit_s)


def _copy(tree: Path) -> Path:
    left_out = shutil.ignore_patterns(
        ".git", ".venv", "venv", ".*_cache", "__pycache__", ".hypothesis", "dist", "*.db-*"
    )  # fmt: skip
    shutil.copytree(REPOSITORY, tree, ignore=left_out)
    # By the sources' hash: a change within a second that keeps the size would pass unnoticed.
    compileall.compile_dir(
        tree / "sweeplab", quiet=1, invalidation_mode=PycInvalidationMode.CHECKED_HASH
    )
    return tree
