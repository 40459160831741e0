"""Readers that go away, closed streams, full disks: the work is done all the same."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from sweeplab.cli.streams import LossyFileIO

pytestmark = pytest.mark.skipif(os.name == "nt", reason="a POSIX shell and its descriptors")
FILES = [f"quay-1_20m_{repeat}.s1p" for repeat in "abc"]
FULL = Path("/dev/full")
needs_full = pytest.mark.skipif(not FULL.exists(), reason="no device that is always full")


@pytest.fixture
def log(run, first):
    """A log with one build."""
    run("init")
    run("build", "add", str(first))
    return run


def program(*args: str, redirected: str = "", **streams) -> subprocess.CompletedProcess[str]:
    """Run the program as a shell starts it."""
    shell = ["sh", "-c", f'exec "$@" {redirected}', "sh"]
    return subprocess.run(
        [*shell, sys.executable, "-m", "sweeplab.cli", *args],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        timeout=120,
        check=False,
        text=True,
        **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **streams},
    )


@pytest.fixture
def unread():
    """The end to write to of a pipe whose reader went away."""
    reader, writer = os.pipe()
    os.close(reader)
    yield writer
    os.close(writer)


def added(log) -> int:
    return len(json.loads(log("list", "--json").stdout)["sweeps"])


@pytest.fixture
def adding(demo) -> list[str]:
    return ["add", *(str(demo / name) for name in FILES), "--build", "first"]


class TestAdding:
    @pytest.mark.parametrize("more", [[], pytest.param(["--json"], marks=pytest.mark.slow)])
    def test_goes_on_where_nobody_reads(self, log, adding, unread, more):
        done = program(*adding, *more, stdout=unread)
        assert (done.returncode, done.stderr) == (0, "")
        assert added(log) == len(FILES)

    def test_goes_on_where_nobody_reads_the_errors(self, log, adding, unread):
        done = program("add", "missing.s1p", *adding[1:], stderr=unread)
        assert done.returncode == 1
        assert len(done.stdout.splitlines()) == added(log) == len(FILES)

    def test_goes_on_with_both_closed_and_writes_into_the_log_alone(self, log, adding):
        done = program("add", "missing.s1p", *adding[1:], redirected=">&- 2>&-")
        assert (done.returncode, done.stdout, done.stderr) == (1, "", "")
        assert added(log) == len(FILES)

    @needs_full
    def test_goes_on_where_the_output_finds_no_space_and_says_so(self, log, adding):
        done = program(*adding, redirected="> /dev/full")
        (line,) = done.stderr.splitlines()
        assert (done.returncode, line.split(":")[0]) == (1, "standard output")
        assert added(log) == len(FILES)


class TestPrinting:
    @pytest.mark.parametrize(
        "args", [["list"], pytest.param(["build", "template"], marks=pytest.mark.slow)]
    )
    def test_is_silent_where_nobody_reads(self, log, unread, args):
        done = program(*args, stdout=unread)
        assert (done.returncode, done.stderr) == (0, "")

    def test_is_silent_where_standard_output_is_closed(self, log):
        done = program("list", redirected=">&-")
        assert (done.returncode, done.stderr) == (0, "")

    def test_wrong_usage_stays_wrong_usage(self, log, unread):
        assert program("list", "--nonsense", stdout=unread, stderr=unread).returncode == 2

    def test_errors_do_not_go_to_standard_output_where_their_own_is_closed(self, log):
        done = program("read", "missing.s1p", "--json", redirected="2>&-")
        assert done.returncode == 1
        assert json.loads(done.stdout)["failed"]

    @needs_full
    def test_what_found_no_space_is_one_line(self, log):
        done = program("list", redirected="> /dev/full")
        assert done.returncode == 1
        (line,) = done.stderr.splitlines()
        assert "not whole" in line

    def test_reading_with_a_plot_still_writes_it(self, log, demo, unread):
        done = program("read", str(demo / FILES[0]), "--plot", "out.svg", stdout=unread)
        assert (done.returncode, done.stderr) == (0, "")
        assert Path("out.svg").read_bytes().endswith(b"</svg>\n")


class TestOutlet:
    def test_it_takes_everything_and_keeps_why_something_was_lost(self, unread):
        outlet = LossyFileIO(unread, "w", closefd=False)
        assert [outlet.write(b"four"), outlet.write(b"three")] == [4, 5]
        assert isinstance(outlet.error, BrokenPipeError)

    def test_what_is_read_is_passed_on(self):
        reader, writer = os.pipe()
        outlet = LossyFileIO(writer, "w")
        assert outlet.write(b"text") == 4
        outlet.close()
        with open(reader, "rb") as end:
            assert end.read() == b"text"
        assert outlet.error is None
