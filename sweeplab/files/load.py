"""The disk's side of reading: paths in, sweeps out, and what a path may turn out to be."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from sweeplab.errors import ReadError
from sweeplab.files.claim import Request
from sweeplab.files.registry import read_bytes
from sweeplab.sweep import Sweep

SIZE_LIMIT_BYTES = 256_000_000
_MEGABYTE = 1_000_000


def read_sweep(
    path: str | os.PathLike[str],
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
) -> Sweep:
    """Read one sweep from a file.

    Parameters
    ----------
    path : str or path-like
        A Touchstone file or a table.
    columns : sequence of str or None
        What a table's columns are, left to right, where its header does not say; the words are
        listed in `sweeplab.files.columns`.
    z0_ohm : float or None
        Reference impedance [ohm], where the file names none or a wrong one.

    Returns
    -------
    Sweep
        Its `origin.taken` is a date and time from the file's comments, else the time the file
        was last written.

    Raises
    ------
    ReadError
        The file could not be opened, or holds no sweep that can be read without guessing.
    """
    name = os.fsdecode(path)
    data, written = _load(name)
    return read_bytes(data, name, Request.checked(name, columns, z0_ohm), _utc(written))


def read_sweeps(paths: Iterable[str | os.PathLike[str]]) -> list[Sweep]:
    """Read several files, in the order given.

    Raises
    ------
    ReadError
        At the first file that could not be read.
    """
    return [read_sweep(path) for path in paths]


def _load(name: str) -> tuple[bytes, float]:
    """Return a regular file's bytes and when it was last written [s since 1970]."""
    try:
        # Looked at before it is opened: opening a pipe would wait for a writer.
        status = os.stat(name)
        _check(name, status)
        with open(name, "rb") as file:
            # Asking for the limit at once would set that much memory aside.
            data = file.read(status.st_size + 1)
            if len(data) > status.st_size:
                data += file.read(SIZE_LIMIT_BYTES)
    except OSError as error:
        raise _refusal(name, error) from error
    except ValueError as error:
        raise ReadError(name, "not a file name", "check the name") from error
    if len(data) > SIZE_LIMIT_BYTES:
        raise _too_large(name, len(data))
    return data, status.st_mtime


def _check(name: str, status: os.stat_result) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise ReadError(name, "is a folder", "name the files in it")
    if not stat.S_ISREG(status.st_mode):
        raise ReadError(name, "is a pipe, socket or device", "copy the sweep to a file first")
    if status.st_size > SIZE_LIMIT_BYTES:
        raise _too_large(name, status.st_size)


def _too_large(name: str, size: int) -> ReadError:
    return ReadError(
        name,
        f"holds {size / _MEGABYTE:.0f} MB, over the limit of {SIZE_LIMIT_BYTES // _MEGABYTE} MB",
        "save one sweep a file",
    )


def _refusal(name: str, error: OSError) -> ReadError:
    if isinstance(error, FileNotFoundError):
        return ReadError(name, "no such file", "check the name and the folder")
    if isinstance(error, PermissionError):
        return ReadError(name, "may not be read (permission denied)", "change its permissions")
    found = (error.strerror or "could not be opened").lower()
    return ReadError(name, found, "check the name and the drive")


def _utc(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
