"""Output files: which existing files may be replaced, and atomic writing.

A file is replaced only by one of its own kind, recognized by the signature at its beginning; the
log, a sweep and a build's file have none. A file is written under a temporary name in the same
folder and then renamed, so that a full disk or a killed process leaves the old file as it was.
"""

from __future__ import annotations

import errno
import os
import re
import secrets
import stat
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from sweeplab.errors import OutputError

_SIGNATURE_WITHIN = 4096
_OTHER_FILE = "name another file"
_IS_STDERR = "the program's messages go there already"


@dataclass(frozen=True)
class Kind:
    """A kind of file that the program writes.

    Parameters
    ----------
    name : str
        With its article, for a sentence.
    signature : pattern of bytes
        Matches the beginning of every such file.
    """

    name: str
    signature: re.Pattern[bytes]


REPORT = Kind(
    "a report of sweeplab",
    re.compile(rb'\s*<!doctype html>.*?<meta name="generator" content="sweeplab [^"<>]*">', re.S),
)
_BETWEEN_TAGS = rb"(?:\s|<\?.*?\?>|<!--.*?-->|<!DOCTYPE\s+svg[^>]*>)*"
# By the suffix of the name, in lower case.
PLOTS = {
    ".png": Kind("a PNG image", re.compile(rb"\x89PNG\r\n\x1a\n")),
    ".svg": Kind(
        "an SVG image", re.compile(rb"(?:\xef\xbb\xbf)?" + _BETWEEN_TAGS + rb"<svg\b", re.S)
    ),
    ".pdf": Kind("a PDF document", re.compile(rb"%PDF-")),
}


def check(path: Path, kind: Kind, *, never: Iterable[Path] = ()) -> None:
    """Refuse a path that `write` would refuse, before the work is done.

    Parameters
    ----------
    path : Path
    kind : Kind
    never : iterable of Path
        Files that it may not be, whether or not they are there yet.

    Raises
    ------
    OutputError
        A file of another kind exists there, or none can be made.
    """
    with _errors_of(path):
        status = _status(path)
        if any(_is_same(path, other) for other in never):
            raise OutputError(str(path), "belongs to the log", _OTHER_FILE)
        if status is None:
            _check_folder(path)
        elif not (_is_stream(status) or is_standard_output(path)):
            _check_file(path, status, kind)


def write(path: Path, data: bytes, kind: Kind, *, never: Iterable[Path] = ()) -> None:
    """Write a file, replacing an earlier one of its kind; parameters as in `check`.

    Pipes and the null device are written to directly: they hold nothing that could be lost.

    Raises
    ------
    OutputError
        As `check` says, or the file could not be written; the old file is unchanged.
    """
    check(path, kind, never=never)
    with _errors_of(path):
        if is_standard_output(path):
            sys.stdout.flush()
            sys.stdout.buffer.write(data)
            sys.stdout.buffer.flush()
        elif (status := _status(path)) is not None and not stat.S_ISREG(status.st_mode):
            _write_pipe(path, data)
        else:
            # A symbolic link is kept, and its target replaced.
            with replacing(path.resolve()) as partial:
                _write_through(partial, data)
                _keep_mode(partial, status)
                # Checked again: writing may have taken long.
                check(path, kind, never=never)


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Yield a temporary path in the same folder, which replaces the file once it is written.

    The temporary file is removed where anything fails.
    """
    # Random: after a kill, another process of the same number may come upon its file.
    partial = path.with_name(f"sweeplab-{secrets.token_hex(8)}.partial")
    try:
        yield partial
        os.replace(partial, path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def is_standard_output(path: Path) -> bool:
    """Return whether a path is the program's standard output."""
    return _is_descriptor(path, 1)


def _is_descriptor(path: Path, descriptor: int) -> bool:
    try:
        status, of_descriptor = path.stat(), os.fstat(descriptor)
    except OSError:
        return False
    return os.path.samestat(status, of_descriptor)


def _status(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except FileNotFoundError:
        return None


def _is_stream(status: os.stat_result) -> bool:
    return stat.S_ISFIFO(status.st_mode) or (
        stat.S_ISCHR(status.st_mode) and os.path.samestat(status, os.stat(os.devnull))
    )


def _check_folder(path: Path) -> None:
    folder = path.resolve().parent
    if not folder.is_dir():
        raise OutputError(str(path), f"there is no folder {folder}", "make it first")


def _check_file(path: Path, status: os.stat_result, kind: Kind) -> None:
    name = str(path)
    if stat.S_ISDIR(status.st_mode):
        raise OutputError(name, "is a folder", "name a file in it")
    if not stat.S_ISREG(status.st_mode):
        raise OutputError(name, "is a device or socket", "name a file")
    if _is_descriptor(path, 2):
        raise OutputError(name, _IS_STDERR, _OTHER_FILE)
    with path.open("rb") as file:
        start = file.read(_SIGNATURE_WITHIN)
    # An empty file holds nothing to lose; temporary files are often created before they are named.
    if start and not kind.signature.match(start):
        raise OutputError(name, f"is there already and is not {kind.name}", _OTHER_FILE)
    if not os.access(path, os.W_OK):
        raise OutputError(name, "is write-protected", f"{_OTHER_FILE}, or change its permissions")


def _is_same(path: Path, other: Path) -> bool:
    """Return whether two paths are, or would be, one file: by hard link or letter case too."""
    path, other = path.resolve(), other.resolve()
    if path.exists() and other.exists() and path.samefile(other):
        return True
    return path.parent == other.parent and path.name.casefold() == other.name.casefold()


def _write_pipe(path: Path, data: bytes) -> None:
    """Write to a pipe; one without a reader is an error instead of an endless wait."""
    try:
        descriptor = os.open(path, os.O_WRONLY | getattr(os, "O_NONBLOCK", 0))
    except OSError as error:
        if error.errno != errno.ENXIO:
            raise
        raise OutputError(str(path), "nobody reads that pipe", "start its reader first") from error
    with open(descriptor, "wb") as stream:
        os.set_blocking(descriptor, True)
        stream.write(data)


def _write_through(path: Path, data: bytes) -> None:
    """Write a new file and flush it to the disk, since a full disk may show only then."""
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _keep_mode(path: Path, replaced: os.stat_result | None) -> None:
    if replaced is not None:
        with suppress(OSError):  # some file systems know no permissions
            path.chmod(stat.S_IMODE(replaced.st_mode))


@contextmanager
def _errors_of(path: Path) -> Iterator[None]:
    """Turn the system's error into one line that names the file."""
    try:
        yield
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise OutputError(
            str(path),
            f"could not be written: {reason}",
            "check the disk and the folder's permissions",
        ) from error
