"""The readers of all formats: each says how confident it is; the most confident one reads."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sweeplab.errors import ReadError
from sweeplab.files.table import reader as table
from sweeplab.files.text.decode import RawFile, TextFile, decode
from sweeplab.files.text.normalize import ParsedSweep, make_sweep
from sweeplab.files.text.reader_protocol import Confidence, ReadOptions
from sweeplab.files.touchstone import fast_path
from sweeplab.files.touchstone import reader as touchstone
from sweeplab.sweep import Sweep


@dataclass(frozen=True)
class Reader:
    """One format.

    Parameters
    ----------
    name : str
        As in `Origin.reader`.
    kind : str
        What it reads, for a person.
    recognize : callable
        How confident the reader is that a text is in its format. Raises nothing.
    read : callable
        The text's sweep, not yet normalized; raises ReadError.
    """

    name: str
    kind: str
    recognize: Callable[[TextFile, ReadOptions], Confidence]
    read: Callable[[TextFile, ReadOptions], ParsedSweep]


READERS = (
    Reader("touchstone", "a Touchstone file", touchstone.recognize, touchstone.read),
    Reader("table", "a table", table.recognize, table.read),
)


def sweep_from_bytes(
    data: bytes,
    name: str,
    *,
    columns: Sequence[str] | None = None,
    z0_ohm: float | None = None,
    port: int | None = None,
) -> Sweep:
    """Read one sweep from a file's bytes; touches no disk.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        The file as the person named it; its suffix may say the number of ports.
    columns : sequence of str or None
        What a table's columns are; the words are listed in `sweeplab.files.table.columns`.
    z0_ohm : float or None
        Reference impedance [ohm], where the file names none or a wrong one.
    port : int or None
        Whose reflection a Touchstone file of several ports is read for; port 1 where None.

    Raises
    ------
    ReadError
        The bytes hold no sweep that can be read without guessing.
    """
    return read_bytes(RawFile(data, name), ReadOptions.validated(name, columns, z0_ohm, port))


def read_bytes(raw_file: RawFile, options: ReadOptions) -> Sweep:
    """Read one sweep from a file's bytes.

    Parameters
    ----------
    raw_file : RawFile
    options : ReadOptions

    Raises
    ------
    ReadError
        The bytes hold no sweep that can be read without guessing.
    """
    (result,) = read_batch([raw_file], options)
    if isinstance(result, ReadError):
        raise result
    return result


def read_batch(raw_files: Sequence[RawFile], options: ReadOptions) -> list[Sweep | ReadError]:
    """Read one sweep from each of several files, as `read_bytes` does from one.

    Returns
    -------
    list of Sweep or ReadError
        In the order given; an error in one file does not affect the others.
    """
    # Whatever overflows or is undefined becomes non-finite, and is left out or refused.
    with np.errstate(all="ignore"):
        fast = fast_path.read(raw_files) if options.is_default else [None] * len(raw_files)
        return [
            _read_carefully(raw_file, options) if sweep is None else sweep
            for raw_file, sweep in zip(raw_files, fast, strict=True)
        ]


def _read_carefully(raw_file: RawFile, options: ReadOptions) -> Sweep | ReadError:
    try:
        text_file = decode(raw_file)
        reader = choose_reader(text_file, options)
        parsed = reader.read(text_file, options)
        return make_sweep(parsed, text_file, reader.name, raw_file.modified)
    except ReadError as error:
        return error


def choose_reader(text_file: TextFile, options: ReadOptions) -> Reader:
    """Return the reader that is most confident of a text.

    Raises
    ------
    ReadError
        None of them recognizes the text; says why for each.
    """
    candidates: list[tuple[Reader, Confidence]] = []
    for reader in READERS:
        confidence = reader.recognize(text_file, options)
        if confidence.value >= 1:
            return reader
        candidates.append((reader, confidence))
    reader, confidence = max(candidates, key=lambda candidate: candidate[1].value)
    if confidence.value > 0:
        return reader
    reasons = ", ".join(f"not {other.kind} ({least.reason})" for other, least in candidates)
    raise ReadError(
        text_file.name,
        f"no sweep in it, {reasons}",
        "give a Touchstone file (.s1p) or a table whose header names its columns",
    )
