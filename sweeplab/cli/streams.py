"""Standard output and error, so that the work is done whether or not anybody reads what is said.

A reader may go away early (``sweeplab add ... | head -1``), a stream may be closed from the start
(``>&-``) or lead to a full disk. None of these may stop a command half-way: what was asked for is
written to the log and to files all the same, and the exit status tells of that work. A reader who
went away has what was wanted, so nothing is said; it is no failure, as a pipeline such as
``sweeplab list | head -1`` under ``pipefail`` would otherwise be. Output that a disk did not take
is wanted and missing: that is said at the end, with status 1.
"""

from __future__ import annotations

import io
import os
import sys
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer


class Outlet(io.FileIO):
    """A descriptor that takes everything; what it could not pass on is dropped, and why is kept."""

    lost: OSError | None = None

    def write(self, data: ReadableBuffer, /) -> int:
        """Write, or drop what nobody can have."""
        if self.lost is None:
            try:
                return super().write(data)
            except OSError as error:
                self.lost = error
        return memoryview(data).nbytes


def guard() -> None:
    """Let standard output and error take everything, until the program ends."""
    for name, descriptor in (("stdout", 1), ("stderr", 2)):
        _open_if_closed(descriptor)
        setattr(sys, name, _guarded(getattr(sys, name), descriptor))


def what_is_missing() -> str:
    """Return one line on printed output that is wanted and missing; empty where there is none."""
    sys.stdout.flush()
    outlet = _outlet(sys.stdout)
    lost = outlet.lost if isinstance(outlet, Outlet) else None
    if lost is None or isinstance(lost, BrokenPipeError):
        return ""
    said = (lost.strerror or str(lost)).lower()
    return f"standard output: {said}; what was printed is not whole"


def _open_if_closed(descriptor: int) -> None:
    """Lead a closed descriptor nowhere, before a file of ours gets its number."""
    try:
        os.fstat(descriptor)
    except OSError:
        null = os.open(os.devnull, os.O_WRONLY)
        if null != descriptor:
            os.dup2(null, descriptor)
            os.close(null)


def _guarded(stream: TextIO | None, descriptor: int) -> TextIO:
    """Return a stream that takes everything; another than a descriptor's is left as it is."""
    if stream is None:
        stream = open(descriptor, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    if not isinstance(stream, io.TextIOWrapper):
        return stream
    # A name that the terminal's encoding lacks is shown escaped rather than ending the run.
    stream.reconfigure(errors="backslashreplace")
    if type(_outlet(stream)) is not io.FileIO:
        return stream
    return io.TextIOWrapper(
        io.BufferedWriter(Outlet(descriptor, "w", closefd=False)),
        encoding=stream.encoding,
        errors=stream.errors,
        line_buffering=stream.line_buffering or stream.write_through,
    )


def _outlet(stream: TextIO) -> object:
    """Return what a stream writes to in the end, through its buffer where it has one."""
    buffer = getattr(stream, "buffer", None)
    return getattr(buffer, "raw", buffer)
