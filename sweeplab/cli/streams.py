"""Standard output and error that never stop a command half-way.

The reader may go away early (``sweeplab add ... | head -1``), a stream may be closed from the start
(``>&-``) or redirected to a full disk. The command still finishes its work on the log and on files,
and the exit status is that of the work. A broken pipe is no failure and is not reported, as
``sweeplab list | head -1`` under ``pipefail`` would fail otherwise. Output that a disk did not take
is lost: that is reported at the end, with status 1.
"""

from __future__ import annotations

import io
import os
import sys
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer


class LossyFileIO(io.FileIO):
    """A file descriptor whose writes never fail: after an error, output is dropped."""

    error: OSError | None = None

    def write(self, data: ReadableBuffer, /) -> int:
        """Write, or drop the data after an error."""
        if self.error is None:
            try:
                return super().write(data)
            except OSError as error:
                self.error = error
        return memoryview(data).nbytes


def guard_streams() -> None:
    """Make writes to standard output and error never fail, until the program ends."""
    for name, descriptor in (("stdout", 1), ("stderr", 2)):
        _open_if_closed(descriptor)
        setattr(sys, name, _guarded(getattr(sys, name), descriptor))


def lost_output() -> str:
    """Return one line on standard output that was lost; empty where none was."""
    sys.stdout.flush()
    raw = _raw_of(sys.stdout)
    error = raw.error if isinstance(raw, LossyFileIO) else None
    if error is None or isinstance(error, BrokenPipeError):
        return ""
    reason = (error.strerror or str(error)).lower()
    return f"standard output: {reason}; what was printed is not whole"


def _open_if_closed(descriptor: int) -> None:
    """Open the null device on a closed descriptor, before another file gets its number."""
    try:
        os.fstat(descriptor)
    except OSError:
        null = os.open(os.devnull, os.O_WRONLY)
        if null != descriptor:
            os.dup2(null, descriptor)
            os.close(null)


def _guarded(stream: TextIO | None, descriptor: int) -> TextIO:
    """Return a stream whose writes never fail; one that is no descriptor's is returned as it is."""
    if stream is None:
        stream = open(descriptor, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    if not isinstance(stream, io.TextIOWrapper):
        return stream
    # A name that the terminal's encoding lacks is shown escaped rather than ending the run.
    stream.reconfigure(errors="backslashreplace")
    if type(_raw_of(stream)) is not io.FileIO:
        return stream
    return io.TextIOWrapper(
        io.BufferedWriter(LossyFileIO(descriptor, "w", closefd=False)),
        encoding=stream.encoding,
        errors=stream.errors,
        line_buffering=stream.line_buffering or stream.write_through,
    )


def _raw_of(stream: TextIO) -> object:
    """Return the raw file under a stream's buffer, where it has one."""
    buffer = getattr(stream, "buffer", None)
    return getattr(buffer, "raw", buffer)
