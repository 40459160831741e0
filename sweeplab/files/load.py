"""The disk's side of reading: paths in, sweeps out, and what a path may turn out to be."""

from __future__ import annotations

import os
import re
import stat
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from sweeplab.errors import ReadError
from sweeplab.files import archive
from sweeplab.files.claim import Request
from sweeplab.files.limits import SIZE_LIMIT_BYTES, too_large
from sweeplab.files.parts import SeveralSweepsError
from sweeplab.files.places import STANDARD_INPUT, Place, places, split_member
from sweeplab.files.registry import read_bytes
from sweeplab.files.source import decode
from sweeplab.sweep import Sweep

_PIECE_BYTES = 2**20
# No changed line ends; no waiting for what became a pipe meanwhile. Not every system has both.
_AS_IT_IS = getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
_NUMBERED = re.compile(r"(.+)#([1-9]\d{0,3})", re.DOTALL)


@dataclass(frozen=True, eq=False)
class Answer:
    """What became of one sweep.

    Parameters
    ----------
    name : str
        The file; of several sweeps in one with a number, as ``log.csv#2``.
    sweep : Sweep or None
    raw : bytes
        What it was read from: the file's bytes, of several sweeps in one its own lines.
    error : ReadError or None
        Why there is none.
    """

    name: str
    sweep: Sweep | None = None
    raw: bytes = b""
    error: ReadError | None = None


def read_sweep(
    path: str | os.PathLike[str],
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
    port: int | None = None,
) -> Sweep:
    """Read one sweep from a file.

    Parameters
    ----------
    path : str or path-like
        A Touchstone file or a table; ``-`` for standard input, ``archive.zip/inner.s1p`` for a
        file in an archive, ``log.csv#2`` for the second of several sweeps in one.
    columns : sequence of str or None
        What a table's columns are, left to right, where its header does not say; the words are
        listed in `sweeplab.files.columns`.
    z0_ohm : float or None
        Reference impedance [ohm], where the file names none or a wrong one.
    port : int or None
        Whose reflection a Touchstone file of several ports is read for; port 1 where None.

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
    request = Request.checked(name, columns, z0_ohm, port)
    if "#" in name and (numbered := _NUMBERED.fullmatch(name)) and not os.path.lexists(name):
        return _numbered(numbered[1], int(numbered[2]), name, request)
    data, written = _load(name)
    return read_bytes(data, name, request, written)


def read_sweeps(
    paths: Iterable[str | os.PathLike[str]],
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
    port: int | None = None,
) -> list[Sweep]:
    """Read several files, in the order given; folders, archives and all sweeps of a file too.

    Parameters are those of `read_sweep`.

    Raises
    ------
    ReadError
        At the first that could not be read.
    """
    sweeps = []
    for answer in read_each(places(paths), columns=columns, z0_ohm=z0_ohm, port=port):
        if answer.error is not None:
            raise answer.error
        if answer.sweep is not None:
            sweeps.append(answer.sweep)
    return sweeps


def read_each(
    where: Iterable[Place],
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
    port: int | None = None,
) -> Iterator[Answer]:
    """Yield what became of every sweep of every file; one that fails stops no other.

    Parameters
    ----------
    where : iterable of Place
        As `places` gives them.
    columns, z0_ohm, port : optional
        As `read_sweep` takes them.
    """
    for place in where:
        try:
            if place.error is not None:
                raise place.error
            request = Request.checked(place.name, columns, z0_ohm, port)
            yield from _answers(place.name, request)
        except ReadError as error:
            yield Answer(place.name, error=error)


def _answers(name: str, request: Request) -> Iterator[Answer]:
    if "#" in name and (numbered := _NUMBERED.fullmatch(name)) and not os.path.lexists(name):
        yield _part(numbered[1], int(numbered[2]), name, request)
        return
    data, written = _load(name)
    try:
        sweep = read_bytes(data, name, request, written)
    except SeveralSweepsError as several:
        yield from _each_part(several, data, name, request, written)
    else:
        yield Answer(name, sweep, data)


def _numbered(base: str, number: int, name: str, request: Request) -> Sweep:
    """Return one of several sweeps in a file."""
    answer = _part(base, number, name, request)
    if answer.sweep is None:
        raise answer.error or ReadError(name, "no sweep", "check the name")
    return answer.sweep


def _part(base: str, number: int, name: str, request: Request) -> Answer:
    answers = list(_answers(base, request))
    several = [answer for answer in answers if answer.name != base]
    if not 1 <= number <= len(several):
        count = len(several) or 1
        raise ReadError(name, f"no sweep {number} in a file of {count}", "check the number")
    return several[number - 1]


def _each_part(
    several: SeveralSweepsError, data: bytes, name: str, request: Request, written: str | None
) -> Iterator[Answer]:
    lines = decode(data, name, "").lines
    for number, part in enumerate(several.parts, start=1):
        own = f"{name}#{number}"
        raw = part.text_of(lines).encode()
        try:
            yield Answer(own, read_bytes(raw, own, request, written), raw)
        except ReadError as error:
            yield Answer(own, error=part.placed(error))


def _load(name: str) -> tuple[bytes, str | None]:
    """Return a file's bytes and when it was last written, ISO 8601 in UTC."""
    if name == STANDARD_INPUT:
        return _standard_input(), None
    try:
        # Looked at before it is opened: opening a pipe would wait for a writer.
        status = os.stat(name)
        _check(name, status)
        data = _bytes_of(name, status.st_size)
    except OSError as error:
        member = split_member(name)
        if member is not None:
            return archive.read_member(*member)
        raise _refusal(name, error) from error
    except ValueError as error:
        raise ReadError(name, "not a file name", "check the name") from error
    if len(data) > SIZE_LIMIT_BYTES:
        raise too_large(name, len(data))
    return data, _utc(status.st_mtime)


def _bytes_of(name: str, size: int) -> bytes:
    """Return a file's bytes; half the system's calls that a file object makes."""
    descriptor = os.open(name, os.O_RDONLY | _AS_IT_IS)
    try:
        data = os.read(descriptor, size + 1)
        if len(data) == size:
            return data
        # It grew or shrank meanwhile, or comes in pieces.
        pieces = [data]
        while pieces[-1] and sum(map(len, pieces)) <= SIZE_LIMIT_BYTES:
            pieces.append(os.read(descriptor, _PIECE_BYTES))
        return b"".join(pieces)
    finally:
        os.close(descriptor)


def _standard_input() -> bytes:
    try:
        if sys.stdin is None:
            raise OSError
        data = sys.stdin.buffer.read(SIZE_LIMIT_BYTES + 1)
    except OSError as error:
        raise ReadError(STANDARD_INPUT, "cannot be read", "pipe a file into it") from error
    if len(data) > SIZE_LIMIT_BYTES:
        raise too_large(STANDARD_INPUT, None)
    return data


def _check(name: str, status: os.stat_result) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise ReadError(name, "is a folder", "name the files in it")
    if not stat.S_ISREG(status.st_mode):
        raise ReadError(name, "is a pipe, socket or device", "copy the sweep to a file first")
    if status.st_size > SIZE_LIMIT_BYTES:
        raise too_large(name, status.st_size)


def _refusal(name: str, error: OSError) -> ReadError:
    if isinstance(error, FileNotFoundError):
        return ReadError(name, "no such file", "check the name and the folder")
    if isinstance(error, PermissionError):
        return ReadError(name, "may not be read (permission denied)", "change its permissions")
    found = (error.strerror or "could not be opened").lower()
    return ReadError(name, found, "check the name and the drive")


def _utc(seconds: float) -> str | None:
    try:
        return time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(seconds))
    except (ValueError, OverflowError, OSError):  # a time no calendar holds
        return None
