"""The bar for a person who waits: only on a terminal, only after a second, never in the output."""

from __future__ import annotations

import io
import sys
import time

import pytest

from sweeplab.cli.context import CliContext
from sweeplab.cli.progress import time_left, with_progress


class Terminal(io.StringIO):
    """A stream that says it is one."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def clock(monkeypatch):
    """A second and a half a file."""
    moments = iter(range(10_000))
    monkeypatch.setattr(time, "monotonic", lambda: 1.5 * next(moments))
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")


def terminal(monkeypatch, name="stderr"):
    """Stand a terminal in for a stream; within the test, since pytest sets its own before it."""
    stream = Terminal()
    monkeypatch.setattr(sys, name, stream)
    return stream


FILES = ["a", "b", "c", "d"]


def test_a_person_sees_how_many_are_done_and_what_time_is_left(monkeypatch, clock):
    screen = terminal(monkeypatch)
    assert list(with_progress(FILES)) == FILES
    assert "1 of 4 files, about " in screen.getvalue()
    assert "3 of 4 files, about " in screen.getvalue()


def test_the_bar_is_gone_at_the_end(monkeypatch, clock):
    screen = terminal(monkeypatch)
    list(with_progress(FILES))
    assert screen.getvalue().endswith("\x1b[1A\x1b[2K")


def test_a_refusal_is_on_a_line_of_its_own(monkeypatch, clock):
    screen = terminal(monkeypatch)
    shell = CliContext()
    for item in with_progress(FILES):
        if item == "c":
            shell.fail("c", "c: is a folder; name the files in it")
    (line,) = [line for line in screen.getvalue().split("\n") if "is a folder" in line]
    assert line.rpartition("\x1b[2K")[2] == "c: is a folder; name the files in it"


def test_nothing_is_drawn_within_the_first_second(monkeypatch):
    screen = terminal(monkeypatch)
    list(with_progress(FILES))
    assert screen.getvalue() == ""


def test_nothing_is_drawn_into_a_pipe(monkeypatch, clock):
    pipe = io.StringIO()
    monkeypatch.setattr(sys, "stderr", pipe)
    assert list(with_progress(FILES)) == FILES
    assert pipe.getvalue() == ""


def test_nothing_is_drawn_between_lines_that_are_printed_as_they_come(monkeypatch, clock):
    screen = terminal(monkeypatch)
    terminal(monkeypatch, "stdout")
    list(with_progress(FILES, prints_each=True))
    assert screen.getvalue() == ""


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.2, "about 1 s left"), (89, "about 89 s left"), (91, "about 2 min left"),
     (5100, "about 85 min left"), (7200, "about 2 h left")],
)  # fmt: skip
def test_a_time_is_no_finer_than_it_deserves(seconds, text):
    assert time_left(seconds) == text
