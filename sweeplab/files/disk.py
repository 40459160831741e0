"""A file's bytes from disk, standard input or an archive."""

from __future__ import annotations

import math
import os
import stat
import sys
from datetime import UTC, datetime

from sweeplab.errors import ReadError
from sweeplab.files import archive
from sweeplab.files.paths import STANDARD_INPUT, split_member
from sweeplab.files.text.decode import RawFile
from sweeplab.files.text.limits import SIZE_LIMIT_BYTES, file_too_large

_CHUNK_BYTES = 2**20
# No translation of line ends; no blocking if a file became a pipe meanwhile. Not every system has
# both.
_OPEN_FLAGS = getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)


def load(name: str) -> RawFile:
    """Return a file as it is.

    Parameters
    ----------
    name : str
        A file; ``-`` for standard input; ``archive.zip/inner.s1p`` for a file in an archive.

    Raises
    ------
    ReadError
        It could not be opened, is no file, or is too large.
    """
    if name == STANDARD_INPUT:
        return RawFile(_standard_input(), name)
    try:
        # Checked before it is opened: opening a pipe would block until there is a writer.
        status = os.stat(name)
        _check_status(name, status)
        data = _read_all(name, status.st_size)
    except OSError as error:
        member = split_member(name)
        if member is not None:
            data, modified = archive.read_member(*member)
            return RawFile(data, name, modified)
        raise _open_error(name, error) from error
    except ValueError as error:
        raise ReadError(name, "not a file name", "check the name") from error
    if len(data) > SIZE_LIMIT_BYTES:
        raise file_too_large(name, len(data))
    return RawFile(data, name, _utc_timestamp(status.st_mtime))


def _read_all(name: str, size: int) -> bytes:
    """Return a file's bytes, with half the system calls of a file object."""
    descriptor = os.open(name, os.O_RDONLY | _OPEN_FLAGS)
    try:
        data = os.read(descriptor, size + 1)
        if len(data) == size:
            return data
        # It grew or shrank meanwhile, or comes in chunks.
        chunks = [data]
        while chunks[-1] and sum(map(len, chunks)) <= SIZE_LIMIT_BYTES:
            chunks.append(os.read(descriptor, _CHUNK_BYTES))
        return b"".join(chunks)
    finally:
        os.close(descriptor)


def _standard_input() -> bytes:
    try:
        if sys.stdin is None:
            raise OSError
        data = sys.stdin.buffer.read(int(SIZE_LIMIT_BYTES) + 1)
    except OSError as error:
        raise ReadError(STANDARD_INPUT, "cannot be read", "pipe a file into it") from error
    if len(data) > SIZE_LIMIT_BYTES:
        raise file_too_large(STANDARD_INPUT, None)
    return data


def _check_status(name: str, status: os.stat_result) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise ReadError(name, "is a folder", "name the files in it")
    if not stat.S_ISREG(status.st_mode):
        raise ReadError(name, "is a pipe, socket or device", "copy the sweep to a file first")
    if status.st_size > SIZE_LIMIT_BYTES:
        raise file_too_large(name, status.st_size)


def _open_error(name: str, error: OSError) -> ReadError:
    if isinstance(error, FileNotFoundError):
        return ReadError(name, "no such file", "check the name and the folder")
    if isinstance(error, PermissionError):
        return ReadError(name, "may not be read (permission denied)", "change its permissions")
    found = (error.strerror or "could not be opened").lower()
    return ReadError(name, found, "check the name and the drive")


def _utc_timestamp(seconds: float) -> str | None:
    try:
        moment = datetime.fromtimestamp(math.floor(seconds), UTC)
    except (ValueError, OverflowError, OSError):  # outside the calendar
        return None
    return f"{moment.replace(tzinfo=None).isoformat()}Z"
