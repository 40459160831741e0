"""What can go wrong, as one tree.

    SweeplabError                a one-line message for a person
    ├── ReadError                a file that could not be read: path, line, found, what to do
    ├── SweepError               arrays that do not form a sweep
    ├── QuantityError            a text that is not a quantity, or has the wrong dimension
    ├── BuildError               a build's description that is invalid
    ├── ModelError               a build outside the range of the loop model
    ├── LogError                 a log that could not be opened, written or queried
    └── OutputError              a file that could not be written: path, found, what to do

Errors carry data and print as one line. The command line prints each on stderr and exits with
status 1.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

_LONGEST_QUOTATION = 40


def one_line(text: str) -> str:
    """Return a text with unprintable characters (line ends, terminal codes) as escapes."""
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
        # An error keeps its data when it is pickled in a worker process.
        fields: Mapping[str, Any] = getattr(self, "__dataclass_fields__", {})
        return type(self), tuple(getattr(self, name) for name in fields) or self.args


@dataclass(eq=False)
class ReadError(SweeplabError):
    """A file that could not be read.

    Parameters
    ----------
    path : str
        The file as the person named it.
    found : str
        What was found instead, or what is missing.
    action : str
        What to do about it.
    line : int or None
        One-based line number, where the fault is on one line.
    """

    path: str
    found: str
    action: str
    line: int | None = None

    def __str__(self) -> str:
        location = self.path if self.line is None else f"{self.path}:{self.line}"
        return one_line(f"{location}: {self.found}; {self.action}")


class SweepError(SweeplabError):
    """Arrays that do not form a sweep: lengths differ, frequencies fall or are not finite."""


class QuantityError(SweeplabError):
    """A text that is not a quantity with a unit, or has the wrong dimension."""


@dataclass(eq=False)
class BuildError(SweeplabError):
    """A build's description that is invalid.

    Parameters
    ----------
    key : str
        Dotted key in the build's file, such as ``loop.circumference``; empty for the whole.
    found : str
        What was found there.
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
        location = self.path if self.line is None else f"{self.path}:{self.line}"
        parts = [part for part in (location, self.key, self.found) if part]
        return one_line(f"{': '.join(parts)}; {self.action}")


class ModelError(SweeplabError):
    """A build outside the range of the loop model, and why."""


class LogError(SweeplabError):
    """A log that could not be opened, written or queried, and what to do."""


@dataclass(eq=False)
class OutputError(SweeplabError):
    """A file that could not be written, or must not be; what was there before is unchanged.

    Parameters
    ----------
    path : str
        The file as the person named it.
    found : str
        What prevents it.
    action : str
        What to do about it.
    """

    path: str
    found: str
    action: str

    def __str__(self) -> str:
        return one_line(f"{self.path}: {self.found}; {self.action}")
