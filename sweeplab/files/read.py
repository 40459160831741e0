"""Paths in, sweeps out."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from sweeplab.errors import ReadError
from sweeplab.files.disk import load
from sweeplab.files.formats import read_bytes, read_together
from sweeplab.files.paths import SweepPath, sweep_paths
from sweeplab.files.table.multi_sweep import SeveralSweepsError
from sweeplab.files.text.decode import RawFile, decode
from sweeplab.files.text.reader_protocol import ReadOptions
from sweeplab.sweep import Sweep

# Small files are read some at a time; what is held of them stays in a processor's cache.
_TOGETHER_BYTES = 2**16
_TOGETHER = 32
_NUMBERED = re.compile(r"(.+)#([1-9]\d{0,3})", re.DOTALL)


@dataclass(frozen=True, eq=False)
class ReadResult:
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
        listed in `sweeplab.files.table.columns`.
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
    request = ReadOptions.checked(name, columns, z0_ohm, port)
    numbered = _numbered(name)
    if numbered is not None:
        answer = _part(*numbered, name, request)
        if answer.sweep is None:
            raise answer.error or ReadError(name, "no sweep", "check the name")
        return answer.sweep
    return read_bytes(load(name), request)


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
    for answer in read_each(sweep_paths(paths), columns=columns, z0_ohm=z0_ohm, port=port):
        if answer.error is not None:
            raise answer.error
        if answer.sweep is not None:
            sweeps.append(answer.sweep)
    return sweeps


def read_each(
    where: Iterable[SweepPath],
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
    port: int | None = None,
) -> Iterator[ReadResult]:
    """Yield what became of every sweep of every file; one that fails stops no other.

    Parameters
    ----------
    where : iterable of Place
        As `places` gives them.
    columns, z0_ohm, port : optional
        As `read_sweep` takes them.
    """
    asked = partial(ReadOptions.checked, columns=columns, z0_ohm=z0_ohm, port=port)
    for group in _in_groups(_opened(place, asked) for place in where):
        yield from _answers(group, asked)


def _opened(place: SweepPath, asked: Callable[[str], ReadOptions]) -> RawFile | list[ReadResult]:
    """Return a file's bytes, or the answer where that is clear already."""
    try:
        if place.error is not None:
            raise place.error
        request = asked(place.name)
        numbered = _numbered(place.name)
        if numbered is not None:
            return [_part(*numbered, place.name, request)]
        return load(place.name)
    except ReadError as error:
        return [ReadResult(place.name, error=error)]


def _in_groups(
    opened: Iterable[RawFile | list[ReadResult]],
) -> Iterator[list[RawFile | list[ReadResult]]]:
    """Yield what was opened, a few small files or one large one at a time."""
    group: list[RawFile | list[ReadResult]] = []
    size = 0
    for one in opened:
        length = len(one.data) if isinstance(one, RawFile) else 0
        if group and (size + length > _TOGETHER_BYTES or len(group) == _TOGETHER):
            yield group
            group, size = [], 0
        group.append(one)
        size += length
    if group:
        yield group


def _answers(
    group: Sequence[RawFile | list[ReadResult]], asked: Callable[[str], ReadOptions]
) -> Iterator[ReadResult]:
    raws = [one for one in group if isinstance(one, RawFile)]
    # What the person said is the same for all of them, and was found right for each.
    request = asked(raws[0].name) if raws else ReadOptions()
    read = iter(read_together(raws, request))
    for one in group:
        yield from _each(one, next(read), request) if isinstance(one, RawFile) else one


def _each(raw: RawFile, read: Sweep | ReadError, request: ReadOptions) -> Iterator[ReadResult]:
    """Yield the answers that reading a file came to: one, or one for each of its sweeps."""
    if isinstance(read, Sweep):
        yield ReadResult(raw.name, read, raw.data)
    elif isinstance(read, SeveralSweepsError):
        yield from _each_part(read, raw, request)
    else:
        yield ReadResult(raw.name, error=read)


def _numbered(name: str) -> tuple[str, int] | None:
    """Return the file and the number that a name such as ``log.csv#2`` stands for."""
    found = _NUMBERED.fullmatch(name) if "#" in name else None
    return None if found is None or os.path.lexists(name) else (found[1], int(found[2]))


def _part(base: str, number: int, name: str, request: ReadOptions) -> ReadResult:
    """Return one of several sweeps in a file."""
    raw = load(base)
    (read,) = read_together([raw], request)
    several = list(_each(raw, read, request)) if isinstance(read, SeveralSweepsError) else []
    if not several and isinstance(read, ReadError):
        raise read
    if not 1 <= number <= len(several):
        count = len(several) or 1
        raise ReadError(name, f"no sweep {number} in a file of {count}", "check the number")
    return several[number - 1]


def _each_part(
    several: SeveralSweepsError, raw: RawFile, request: ReadOptions
) -> Iterator[ReadResult]:
    lines = decode(raw).lines
    for number, part in enumerate(several.parts, start=1):
        own = RawFile(part.text_of(lines).encode(), f"{raw.name}#{number}", raw.written)
        try:
            yield ReadResult(own.name, read_bytes(own, request), own.data)
        except ReadError as error:
            yield ReadResult(own.name, error=part.placed(error))
