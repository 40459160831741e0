"""What every command shares: the log's path, printing, and the inputs that failed."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from sweeplab.log import Log

DEFAULT_LOG = "sweeplab.db"
_WIDEST = 80


@dataclass
class CliContext:
    """One run of the command line.

    Parameters
    ----------
    log_path : Path
        The log to work on; it need not exist.
    color : bool or None
        None: colour on a terminal, none elsewhere.
    failed : list of (str, str)
        Inputs that could not be read or found, each with its one line.
    """

    log_path: Path = Path(DEFAULT_LOG)
    color: bool | None = None
    failed: list[tuple[str, str]] = field(default_factory=list)

    @classmethod
    def of(cls, ctx: typer.Context) -> CliContext:
        """Return the run that the root command began."""
        context = ctx.find_object(cls)
        return cls() if context is None else context

    def open_log(self) -> Log:
        """Open the log; a LogError says how to make one where there is none."""
        from sweeplab.log import Log

        return Log.open(self.log_path)

    def console(self) -> Console:
        """Return what prints for people: at most 80 columns, plain when piped."""
        from rich.console import Console

        plain = self.color is False or (self.color is None and bool(os.environ.get("NO_COLOR")))
        console = Console(
            highlight=False,
            markup=False,
            emoji=False,
            force_terminal=True if self.color else None,
            color_system=None if plain else "auto",
        )
        console.width = min(console.width, _WIDEST)
        return console

    def show(self, *parts: RenderableType) -> None:
        """Print for people, without the blanks that tables end their lines with."""
        console = self.console()
        with console.capture() as captured:
            for part in parts:
                console.print(part)
        sys.stdout.write(re.sub(r" +$", "", captured.get(), flags=re.MULTILINE))

    def fail(self, name: str, error: Exception | str) -> None:
        """Note an input that could not be read or found, and say so in one line on stderr."""
        text = one_line(error)
        self.failed.append((name, text))
        # Not by typer, which would write past a progress bar that holds the stream.
        print(text, file=sys.stderr)

    def finish(self) -> None:
        """End with status 1 where anything failed."""
        if self.failed:
            raise typer.Exit(1)


def one_line(error: Exception | str) -> str:
    """Return an error as one line for a person."""
    if isinstance(error, OSError):
        file = f"{error.filename}: " if error.filename else ""
        return f"{file}{(error.strerror or str(error)).lower()}"
    return " ".join(str(error).split())


def print_json(value: Any, *, indent: int | None = 2) -> None:
    """Print a value as JSON, flushed; NaN and infinities are refused, not written."""
    text = json.dumps(value, allow_nan=False, indent=indent)
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def key_values(pairs: Iterable[str]) -> dict[str, str]:
    """Return ``key=value`` words as a mapping.

    Raises
    ------
    typer.BadParameter
        A word has no ``=``, or a key is given twice.
    """
    settings: dict[str, str] = {}
    for pair in pairs:
        key, equals, value = (part.strip() for part in pair.partition("="))
        if not equals or not key:
            raise typer.BadParameter(f"'{pair}' is no key=value", param_hint="--set")
        if key in settings:
            raise typer.BadParameter(f"'{key}' is set twice", param_hint="--set")
        settings[key] = value
    return settings
