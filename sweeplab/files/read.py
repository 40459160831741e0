"""From paths to sweeps, in batches; several sweeps in a file one by one."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial

from sweeplab.errors import ReadError
from sweeplab.files.disk import load
from sweeplab.files.formats import read_batch, read_bytes
from sweeplab.files.paths import SweepPath, sweep_paths
from sweeplab.files.table.multi_sweep import MultipleSweepsError
from sweeplab.files.text.decode import RawFile, decode
from sweeplab.files.text.reader_protocol import ReadOptions
from sweeplab.sweep import Sweep

# Small files are read in batches whose data fit in a processor's cache.
_BATCH_BYTES = 2**16
_BATCH_FILES = 32
_NAME_WITH_NUMBER = re.compile(r"(.+)#([1-9]\d{0,3})", re.DOTALL)


@dataclass(frozen=True, eq=False)
class ReadResult:
    """The outcome of reading one sweep.

    Parameters
    ----------
    name : str
        The file; of several sweeps in one with a number, as ``log.csv#2``.
    sweep : Sweep or None
    raw : bytes
        What it was read from: the file's bytes, or of several sweeps in a file its own lines.
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
        Its `origin.taken` is from the file's comments, else the file's modification time.

    Raises
    ------
    ReadError
        The file could not be opened, or holds no sweep that can be read without guessing.
    """
    name = os.fsdecode(path)
    options = ReadOptions.validated(name, columns, z0_ohm, port)
    numbered = _split_number(name)
    if numbered is None:
        return read_bytes(load(name), options)
    result = _numbered_sweep(*numbered, name, options)
    if result.sweep is None:
        raise result.error or ReadError(name, "no sweep", "check the name")
    return result.sweep


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
    for result in read_each(sweep_paths(paths), columns=columns, z0_ohm=z0_ohm, port=port):
        if result.error is not None:
            raise result.error
        if result.sweep is not None:
            sweeps.append(result.sweep)
    return sweeps


def read_each(
    paths: Iterable[SweepPath],
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
    port: int | None = None,
) -> Iterator[ReadResult]:
    """Yield the result for every sweep of every file; a failure does not stop the others.

    Parameters
    ----------
    paths : iterable of SweepPath
        As `sweep_paths` returns them.
    columns, z0_ohm, port : optional
        As `read_sweep` takes them.
    """
    options_for = partial(ReadOptions.validated, columns=columns, z0_ohm=z0_ohm, port=port)
    for batch in _batches(_load(path, options_for) for path in paths):
        yield from _batch_results(batch, options_for)


def _load(path: SweepPath, options_for: Callable[[str], ReadOptions]) -> RawFile | list[ReadResult]:
    """Return a file's bytes, or the results if they are known already."""
    try:
        if path.error is not None:
            raise path.error
        options = options_for(path.name)
        numbered = _split_number(path.name)
        if numbered is not None:
            return [_numbered_sweep(*numbered, path.name, options)]
        return load(path.name)
    except ReadError as error:
        return [ReadResult(path.name, error=error)]


def _batches(
    loaded: Iterable[RawFile | list[ReadResult]],
) -> Iterator[list[RawFile | list[ReadResult]]]:
    """Yield what was loaded, a few small files or one large file at a time."""
    batch: list[RawFile | list[ReadResult]] = []
    size = 0
    for entry in loaded:
        length = len(entry.data) if isinstance(entry, RawFile) else 0
        if batch and (size + length > _BATCH_BYTES or len(batch) == _BATCH_FILES):
            yield batch
            batch, size = [], 0
        batch.append(entry)
        size += length
    if batch:
        yield batch


def _batch_results(
    batch: Sequence[RawFile | list[ReadResult]], options_for: Callable[[str], ReadOptions]
) -> Iterator[ReadResult]:
    raw_files = [entry for entry in batch if isinstance(entry, RawFile)]
    # The same options hold for all of them, and were validated for each.
    options = options_for(raw_files[0].name) if raw_files else ReadOptions()
    outcomes = iter(read_batch(raw_files, options))
    for entry in batch:
        if isinstance(entry, RawFile):
            yield from _file_results(entry, next(outcomes), options)
        else:
            yield from entry


def _file_results(
    raw_file: RawFile, outcome: Sweep | ReadError, options: ReadOptions
) -> Iterator[ReadResult]:
    """Yield the results of a file: one, or one for each of its sweeps."""
    if isinstance(outcome, Sweep):
        yield ReadResult(raw_file.name, outcome, raw_file.data)
    elif isinstance(outcome, MultipleSweepsError):
        yield from _slice_results(outcome, raw_file, options)
    else:
        yield ReadResult(raw_file.name, error=outcome)


def _split_number(name: str) -> tuple[str, int] | None:
    """Return the file and the number in a name such as ``log.csv#2``."""
    match = _NAME_WITH_NUMBER.fullmatch(name) if "#" in name else None
    return None if match is None or os.path.lexists(name) else (match[1], int(match[2]))


def _numbered_sweep(file_name: str, number: int, name: str, options: ReadOptions) -> ReadResult:
    """Return one of several sweeps in a file."""
    raw_file = load(file_name)
    (outcome,) = read_batch([raw_file], options)
    results: list[ReadResult] = []
    if isinstance(outcome, MultipleSweepsError):
        results = list(_slice_results(outcome, raw_file, options))
    elif isinstance(outcome, ReadError):
        raise outcome
    if not 1 <= number <= len(results):
        count = len(results) or 1
        raise ReadError(name, f"no sweep {number} in a file of {count}", "check the number")
    return results[number - 1]


def _slice_results(
    multiple: MultipleSweepsError, raw_file: RawFile, options: ReadOptions
) -> Iterator[ReadResult]:
    lines = decode(raw_file).lines
    for number, sweep_slice in enumerate(multiple.slices, start=1):
        data = sweep_slice.text_of(lines).encode()
        slice_file = RawFile(data, f"{raw_file.name}#{number}", raw_file.modified)
        try:
            yield ReadResult(slice_file.name, read_bytes(slice_file, options), slice_file.data)
        except ReadError as error:
            yield ReadResult(slice_file.name, error=sweep_slice.with_file_line(error))
