"""Several programs at one log, and programs that die while they write."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from log_samples import raw_bytes

from sweeplab.log import Log

WRITER = Path(__file__).with_name("writer.py")


def start(path: Path, first: int, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, str(WRITER), str(path), str(first), str(count)],
        stdout=subprocess.PIPE,
        text=True,
    )


def reported(process: subprocess.Popen[str]) -> list[tuple[str, bool]]:
    """Wait for a writer and return its output, whole lines only."""
    # Not communicate(): it passes over what an earlier readline() has buffered.
    with process:
        assert process.stdout is not None
        output = process.stdout.read()
    lines = output[: output.rfind("\n") + 1].splitlines()
    return [(line.split()[0], line.split()[1] == "1") for line in lines]


def test_several_processes_create_and_fill_one_log_at_once(tmp_path: Path) -> None:
    path = tmp_path / "sweeplab.db"
    # The numbers overlap: each process adds ten sweeps of its own and ten of its neighbour's.
    writers = [start(path, first, 20) for first in (0, 10, 20)]
    reports = [line for writer in writers for line in reported(writer)]
    assert all(writer.returncode == 0 for writer in writers)
    assert len(reports) == 60
    assert sum(new for _, new in reports) == 40
    with Log.open(path) as log:
        assert log.verify() == []
        assert {log.raw(sweep.id) for sweep in log.sweeps()} == {raw_bytes(n) for n in range(40)}
        assert {sweep.sha256 for sweep in log.sweeps()} == {sha256 for sha256, _ in reports}


def test_a_writer_killed_at_any_instant_loses_no_sweep_it_reported(tmp_path: Path) -> None:
    path = tmp_path / "sweeplab.db"
    rng = np.random.default_rng(20240501)
    committed: set[str] = set()
    for life in range(8):
        writer = start(path, 1000 * life, 1000)
        assert writer.stdout is not None
        # The first line says that it is writing; without it the kill would fall into the start.
        first = writer.stdout.readline().split()[0]
        time.sleep(rng.uniform(0, 0.15))
        writer.send_signal(signal.SIGKILL)
        committed |= {first} | {sha256 for sha256, _ in reported(writer)}
        assert writer.returncode == -signal.SIGKILL
        with Log.open(path) as log:
            assert log.verify() == []
            there = {sweep.sha256 for sweep in log.sweeps()}
        assert committed <= there
        # At most the one write in flight of each life was committed and not reported.
        assert len(there - committed) <= life + 1


def test_a_creation_killed_at_any_instant_is_made_good_by_the_next(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    for life in range(6):
        path = tmp_path / f"{life}.db"
        writer = start(path, 0, 3)
        while not path.exists() and writer.poll() is None:
            pass
        time.sleep(rng.uniform(0, 0.02))
        writer.kill()
        committed = {sha256 for sha256, _ in reported(writer)}
        with Log.open(path, create=True) as log:
            assert log.verify() == []
            assert committed <= {sweep.sha256 for sweep in log.sweeps()}
