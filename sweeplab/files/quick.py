"""The short way through a clean one-port Touchstone file; declines at the first doubt.

Most of a log's files are of this kind and there may be thousands. Whatever this module takes, the
careful readers take alike (a test holds them together); whatever needs a finding or an error it
leaves to them.
"""

from __future__ import annotations

import re
from functools import lru_cache

import numpy as np

from sweeplab.errors import ReadError, SweepError
from sweeplab.files.decimals import plain_rows
from sweeplab.files.limits import LINE_LIMIT, ROW_LIMIT_CHARACTERS
from sweeplab.files.mend import LARGEST_SIZE, PLAUSIBLE_HZ
from sweeplab.files.options import Options, parse_options
from sweeplab.files.parameters import reflection_of, to_complex
from sweeplab.files.source import ports_named
from sweeplab.files.stamp import find_time
from sweeplab.sweep import FloatArray, Origin, Sweep

_PLAIN = b"0123456789+-.eE \t\r\n"
_COMMENTS = rb"(?:[ \t]*\r?\n|![^\r\n]*\r?\n)*+"
_HEAD = re.compile(_COMMENTS + rb"(#[^\r\n!;]*)\r?\n" + _COMMENTS)
_SUFFIX = re.compile(r"\.[^./\\]*$")
_COLUMNS = 3
# Of shorter rows the arrays that read plain decimals take twenty times the room.
_ROOMY_BYTES = 9


def read(data: bytes, name: str, sha256: str, written: str | None = None) -> Sweep | None:
    """Return the sweep of a clean one-port file, else None.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        The file as the person named it.
    sha256 : str
        Hash of the bytes.
    written : str or None
        When the file was last written, for where no comment says when it was measured.
    """
    head = _HEAD.match(data)
    if head is None or _ports(name) not in (1, None):
        return None
    try:
        text = head[0].decode("utf-8")
        options = _options(head[1])
        values = _values(data[head.end() :])
    except (ReadError, ValueError):
        return None
    if values is None or len(options.references_ohm) > 1:
        return None
    comments = tuple(line for line in text.replace("\r", "").split("\n") if line.startswith("!"))
    return _sweep(
        values,
        options,
        Origin(name, sha256, find_time(comments) or written, comments, "touchstone"),
    )


@lru_cache(maxsize=64)
def _options(line: bytes) -> Options:
    return parse_options(line.decode("ascii"), "", 1)


def _ports(name: str) -> int | None:
    suffix = _SUFFIX.search(name)
    return ports_named(suffix[0]) if suffix else None


def _values(body: bytes) -> FloatArray | None:
    rows = body.count(b"\n")
    if rows > LINE_LIMIT:
        return None
    plain = plain_rows(body, _COLUMNS) if len(body) >= rows * _ROOMY_BYTES else None
    if plain is not None:
        return plain
    if body.translate(None, _PLAIN):
        return None
    if b"\r" in body and body.count(b"\r") != body.count(b"\r\n"):
        return None
    if not body.strip():
        return None
    if body.find(b"\n", 0, ROW_LIMIT_CHARACTERS) < 0:
        return None
    # Refuses rows of unequal length and words that are no numbers.
    values = np.loadtxt(body.decode("ascii").split("\n"), comments=None, ndmin=2)
    return values if values.shape[1] == _COLUMNS else None


def _sweep(values: FloatArray, options: Options, origin: Origin) -> Sweep | None:
    f_hz = values[:, 0] * options.f_scale_hz
    if not (PLAUSIBLE_HZ[0] <= f_hz[0] and f_hz[-1] <= PLAUSIBLE_HZ[1]):
        return None
    if options.form == "MA" and (values[:, 1] < 0).any():
        return None
    gamma = to_complex(values[:, 1], values[:, 2], options.form)
    if options.parameter in ("Z", "Y"):
        gamma = reflection_of(gamma.reshape(-1, 1, 1), options.parameter, np.ones(1))
    elif options.parameter != "S":
        return None
    if not np.abs(gamma).max() <= LARGEST_SIZE:
        return None
    try:
        return Sweep(f_hz, gamma, options.references_ohm[0], origin=origin)
    except SweepError:  # frequencies that do not rise
        return None
