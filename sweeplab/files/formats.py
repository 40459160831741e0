"""Who reads which file: each reader says how sure it is, and why; the surest reads."""

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
        As `Origin.reader` has it.
    kind : str
        What it reads, for a person.
    claim : callable
        How sure the reader is that a text is its own. Looks, and raises nothing.
    read : callable
        The text's rows; raises ReadError.
    """

    name: str
    kind: str
    claim: Callable[[TextFile, ReadOptions], Confidence]
    read: Callable[[TextFile, ReadOptions], ParsedSweep]


READERS = (
    Reader("touchstone", "a Touchstone file", touchstone.claim, touchstone.read),
    Reader("table", "a table", table.claim, table.read),
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
    return read_bytes(RawFile(data, name), ReadOptions.checked(name, columns, z0_ohm, port))


def read_bytes(raw: RawFile, request: ReadOptions) -> Sweep:
    """Read one sweep from a file's bytes.

    Parameters
    ----------
    raw : Raw
    request : Request
        What the person said beyond the file.

    Raises
    ------
    ReadError
        The bytes hold no sweep that can be read without guessing.
    """
    (answer,) = read_together([raw], request)
    if isinstance(answer, ReadError):
        raise answer
    return answer


def read_together(raws: Sequence[RawFile], request: ReadOptions) -> list[Sweep | ReadError]:
    """Read one sweep from each of several files, as `read_bytes` does from one.

    Returns
    -------
    list of Sweep or ReadError
        In the order given; what is wrong with one file matters to no other.
    """
    # What overflows or is undefined comes out as not finite, and is left out or refused.
    with np.errstate(all="ignore"):
        quickly = fast_path.read(raws) if request.is_plain else [None] * len(raws)
        return [
            _carefully(raw, request) if sweep is None else sweep
            for raw, sweep in zip(raws, quickly, strict=True)
        ]


def _carefully(raw: RawFile, request: ReadOptions) -> Sweep | ReadError:
    try:
        source = decode(raw)
        reader = choose(source, request)
        return make_sweep(reader.read(source, request), source, reader.name, raw.written)
    except ReadError as error:
        return error


def choose(source: TextFile, request: ReadOptions) -> Reader:
    """Return the reader that is surest of a text.

    Raises
    ------
    ReadError
        None of them takes it for its own; says why each does not.
    """
    claims: list[tuple[Reader, Confidence]] = []
    for reader in READERS:
        claim = reader.claim(source, request)
        if claim.confidence >= 1:
            return reader
        claims.append((reader, claim))
    reader, claim = max(claims, key=lambda pair: pair[1].confidence)
    if claim.confidence > 0:
        return reader
    reasons = ", ".join(f"not {other.kind} ({why.why})" for other, why in claims)
    raise ReadError(
        source.name,
        f"no sweep in it, {reasons}",
        "give a Touchstone file (.s1p) or a table whose header names its columns",
    )
