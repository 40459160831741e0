"""A progress bar on a terminal's stderr, shown once the work takes over a second."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.progress import Progress

_DELAY_S = 1.0
_REFRESH_S = 0.1
_BAR_COLUMNS = 24


def with_progress(items: Sequence[str], *, prints_each: bool = False) -> Iterator[str]:
    """Yield the items, with a bar that says how many are done and how long the rest may take.

    Parameters
    ----------
    items : sequence of str
        Files.
    prints_each : bool
        A line is printed for each item, which says as much as a bar where it goes to a terminal.
    """
    visible = sys.stderr.isatty() and not (prints_each and sys.stdout.isatty())
    if not visible or len(items) < 2:
        yield from items
        return
    started = updated = time.monotonic()
    progress: Progress | None = None
    with ExitStack() as stack:
        for done, item in enumerate(items):
            now = time.monotonic()
            if done and now - started > _DELAY_S and now - updated > _REFRESH_S:
                left = time_left((now - started) / done * (len(items) - done))
                text = f"{done} of {len(items)} files, {left}"
                if progress is None:
                    progress = stack.enter_context(_bar(done, len(items), text))
                progress.update(progress.task_ids[0], completed=done, description=text)
                progress.refresh()
                updated = now
            yield item


def time_left(seconds: float) -> str:
    """Return an estimated remaining time as text, rounded to seconds, minutes or hours."""
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
