"""A bar for a person who waits: on a terminal's stderr, and only once it takes over a second."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

_PATIENCE_S = 1.0
_BETWEEN_S = 0.1
_BAR_COLUMNS = 24


def with_progress(items: Sequence[str], *, speaks: bool = False) -> Iterator[str]:
    """Yield the items, with a bar that says how many are done and how long the rest may take.

    Parameters
    ----------
    items : sequence of str
        Files.
    speaks : bool
        What is done with each is printed at once, which says as much as a bar where it is printed
        to a terminal too.
    """
    watched = sys.stderr.isatty() and not (speaks and sys.stdout.isatty())
    if not watched or len(items) < 2:
        yield from items
        return
    begun = shown = time.monotonic()
    progress: Progress | None = None
    with ExitStack() as drawn:
        for done, item in enumerate(items):
            now = time.monotonic()
            if done and now - begun > _PATIENCE_S and now - shown > _BETWEEN_S:
                left = time_left((now - begun) / done * (len(items) - done))
                text = f"{done} of {len(items)} files, {left}"
                if progress is None:
                    progress = drawn.enter_context(_bar(done, len(items), text))
                progress.update(progress.task_ids[0], completed=done, description=text)
                progress.refresh()
                shown = now
            yield item


def time_left(seconds: float) -> str:
    """Return an estimate of a time, no finer than it deserves."""
    if seconds < 90:
        return f"about {max(seconds, 1):.0f} s left"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"about {minutes} min left"
    return f"about {round(minutes / 60)} h left"


def _bar(done: int, total: int, text: str) -> Progress:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    progress = Progress(
        BarColumn(bar_width=_BAR_COLUMNS),
        TextColumn("{task.description}", markup=False),
        console=Console(stderr=True, highlight=False),
        auto_refresh=False,
        transient=True,
        # What goes to stdout may be piped, and must not end on stderr.
        redirect_stdout=False,
    )
    progress.add_task(text, completed=done, total=total)
    return progress
