"""What can go wrong, as one tree.

    SweeplabError                a message for a person, one line
    ├── ReadError                a file that could not be read: path, line, found, what to do
    ├── SweepError               arrays that are no sweep
    ├── QuantityError            a text that is no quantity, or one of the wrong kind
    ├── BuildError               a build's description that does not hold
    ├── ModelError               a build that the loop model cannot answer for
    ├── LogError                 a log that could not be opened, written, or asked
    └── OutputError              a file that could not be written: path, found, what to do

Errors carry data and print as one line. The command line turns each into one line on
stderr and exit status 1.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

_LONGEST_QUOTATION = 40


def one_line(text: str) -> str:
    """Return a text with all that does not print as escapes: line ends, terminal codes."""
    if text.isprintable():
        return text
    return "".join(
        character if character.isprintable() else character.encode("unicode_escape").decode()
        for character in text
    )


def quoted(text: str) -> str:
    """Return a text in single quotes, cut to 40 characters, unprintable ones as escapes.

    Parameters
    ----------
    text : str
        A piece of a file, or what a person typed.
    """
    short = text if len(text) <= _LONGEST_QUOTATION else text[: _LONGEST_QUOTATION - 3] + "..."
    if short.isprintable():
        return f"'{short}'"
    return f"'{short.encode('unicode_escape').decode('ascii')}'"


class SweeplabError(Exception):
    """The root of every error that sweeplab raises on purpose."""

    def __reduce__(self) -> tuple[Any, ...]:
        # An error's data must survive the way back from a worker process.
        pieces: Mapping[str, Any] = getattr(self, "__dataclass_fields__", {})
        return type(self), tuple(getattr(self, name) for name in pieces) or self.args


@dataclass(eq=False)
class ReadError(SweeplabError):
    """A file that could not be read.

    Parameters
    ----------
    path : str
        The file as the person named it.
    found : str
        What stands there that should not, or what is missing.
    action : str
        What to do about it.
    line : int or None
        One-based line number, where one line is to blame.
    """

    path: str
    found: str
    action: str
    line: int | None = None

    def __str__(self) -> str:
        place = self.path if self.line is None else f"{self.path}:{self.line}"
        return one_line(f"{place}: {self.found}; {self.action}")


class SweepError(SweeplabError):
    """Arrays that are no sweep: lengths differ, frequencies fall or are not finite."""


class QuantityError(SweeplabError):
    """A text that is no quantity with a unit, or one of the wrong dimension."""


@dataclass(eq=False)
class BuildError(SweeplabError):
    """A build's description that does not hold.

    Parameters
    ----------
    key : str
        Dotted key in the build's file, such as ``loop.circumference``; empty for the whole.
    found : str
        What stands there.
    action : str
        What to do about it.
    path : str
        The file, where there is one.
    line : int or None
        One-based line number, where known.
    """

    key: str
    found: str
    action: str
    path: str = ""
    line: int | None = None

    def __str__(self) -> str:
        place = self.path if self.line is None else f"{self.path}:{self.line}"
        parts = [part for part in (place, self.key, self.found) if part]
        return one_line(f"{': '.join(parts)}; {self.action}")


class ModelError(SweeplabError):
    """A build that the loop model cannot answer for, and why."""


class LogError(SweeplabError):
    """A log that could not be opened, written or asked, and what to do."""


@dataclass(eq=False)
class OutputError(SweeplabError):
    """A file that could not be written, or must not be; what was there is as it was.

    Parameters
    ----------
    path : str
        The file as the person named it.
    found : str
        What stands in the way.
    action : str
        What to do about it.
    """

    path: str
    found: str
    action: str

    def __str__(self) -> str:
        return one_line(f"{self.path}: {self.found}; {self.action}")
