"""Who reads which file: each reader says how sure it is, and why; the surest reads."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sweeplab.errors import ReadError
from sweeplab.files import quick, table, touchstone
from sweeplab.files.claim import Claim, Request
from sweeplab.files.mend import Rows, make_sweep
from sweeplab.files.source import Source, decode
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
    claim: Callable[[Source, Request], Claim]
    read: Callable[[Source, Request], Rows]


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
        What a table's columns are; the words are listed in `sweeplab.files.columns`.
    z0_ohm : float or None
        Reference impedance [ohm], where the file names none or a wrong one.
    port : int or None
        Whose reflection a Touchstone file of several ports is read for; port 1 where None.

    Raises
    ------
    ReadError
        The bytes hold no sweep that can be read without guessing.
    """
    return read_bytes(data, name, Request.checked(name, columns, z0_ohm, port))


def read_bytes(data: bytes, name: str, request: Request, written: str | None = None) -> Sweep:
    """Read one sweep from a file's bytes.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        The file as the person named it.
    request : Request
        What the person said beyond the file.
    written : str or None
        When the file was last written, ISO 8601 in UTC: stands in where no comment says when the
        sweep was taken.

    Raises
    ------
    ReadError
        The bytes hold no sweep that can be read without guessing.
    """
    # What overflows or is undefined comes out as not finite, and is left out or refused.
    with np.errstate(all="ignore"):
        return _read(data, name, request, written)


def _read(data: bytes, name: str, request: Request, written: str | None) -> Sweep:
    sha256 = hashlib.sha256(data).hexdigest()
    if request.is_plain:
        sweep = quick.read(data, name, sha256, written)
        if sweep is not None:
            return sweep
    source = decode(data, name, sha256)
    reader = choose(source, request)
    return make_sweep(reader.read(source, request), source, reader.name, written)


def choose(source: Source, request: Request) -> Reader:
    """Return the reader that is surest of a text.

    Raises
    ------
    ReadError
        None of them takes it for its own; says why each does not.
    """
    claims: list[tuple[Reader, Claim]] = []
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
