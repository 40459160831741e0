"""The short way through a clean one-port Touchstone file; declines at the first doubt.

Most of a log's files are of this kind and there may be thousands. Whatever this module takes, the
careful readers take alike (a test holds them together); whatever needs a finding or an error it
leaves to them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sweeplab.errors import ReadError, SweepError
from sweeplab.files.text.decode import RawFile, ports_named
from sweeplab.files.text.limits import LINE_LIMIT, ROW_LIMIT_CHARACTERS
from sweeplab.files.text.normalize import LARGEST_MAGNITUDE, LEAST_PLAUSIBLE_HZ, MOST_PLAUSIBLE_HZ
from sweeplab.files.text.timestamps import find_time
from sweeplab.files.touchstone.decimals import plain_tables
from sweeplab.files.touchstone.network_parameters import reflection_of, to_complex
from sweeplab.files.touchstone.option_line import OptionLine, parse_option_line
from sweeplab.sweep import FloatArray, Origin, Sweep

_PLAIN = b"0123456789+-.eE \t\r\n"
_COMMENTS = rb"(?:[ \t]*\r?\n|![^\r\n]*\r?\n)*+"
_HEAD = re.compile(_COMMENTS + rb"(#[^\r\n!;]*)\r?\n" + _COMMENTS)
_COLUMNS = 3


@dataclass(frozen=True, eq=False)
class _Begun:
    """A file of which all but the rows is understood."""

    raw: RawFile
    options: OptionLine
    comments: tuple[str, ...]
    body: bytes


def read(raws: Sequence[RawFile]) -> list[Sweep | None]:
    """Return the sweep of each clean one-port file, None for what is not one.

    The rows of several files are read as one, where all are plain.
    """
    begun = [_begun(raw) for raw in raws]
    tables = iter(_tables([one.body for one in begun if one is not None]))
    return [None if one is None else _sweep(one, next(tables)) for one in begun]


def _begun(raw: RawFile) -> _Begun | None:
    head = _HEAD.match(raw.data)
    if head is None or _ports(raw.name.rpartition(".")[2]) not in (1, None):
        return None
    try:
        options = _options(head[1])
        text = head[0].decode("utf-8")
    except (ReadError, ValueError):
        return None
    if len(options.references_ohm) > 1:
        return None
    comments = tuple(line for line in text.replace("\r", "").split("\n") if line.startswith("!"))
    return _Begun(raw, options, comments, raw.data[head.end() :])


@lru_cache(maxsize=64)
def _options(line: bytes) -> OptionLine:
    return parse_option_line(line.decode("ascii"), "", 1)


@lru_cache(maxsize=64)
def _ports(suffix: str) -> int | None:
    return ports_named(f".{suffix}")


def _tables(bodies: Sequence[bytes]) -> list[FloatArray | None]:
    plain = plain_tables(bodies, _COLUMNS)
    return [
        _lenient(body) if table is None else table
        for body, table in zip(bodies, plain, strict=True)
    ]


def _lenient(body: bytes) -> FloatArray | None:
    """Return the numbers of a table with exponents, tabs or other line ends."""
    if body.translate(None, _PLAIN) or body.count(b"\n") > LINE_LIMIT:
        return None
    if b"\r" in body and body.count(b"\r") != body.count(b"\r\n"):
        return None
    if not body.strip():
        return None
    if body.find(b"\n", 0, int(ROW_LIMIT_CHARACTERS)) < 0:
        return None
    try:
        # Refuses rows of unequal length and words that are no numbers.
        values = np.loadtxt(body.decode("ascii").split("\n"), comments=None, ndmin=2)
    except ValueError:
        return None
    return values if values.shape[1] == _COLUMNS else None


def _sweep(begun: _Begun, values: FloatArray | None) -> Sweep | None:
    if values is None:
        return None
    raw, options = begun.raw, begun.options
    f_hz = values[:, 0]
    if options.f_scale_hz != 1:
        f_hz = f_hz * options.f_scale_hz
    if not (f_hz[0] >= LEAST_PLAUSIBLE_HZ and f_hz[-1] <= MOST_PLAUSIBLE_HZ):
        return None
    if options.form == "MA" and (values[:, 1] < 0).any():
        return None
    gamma = to_complex(values[:, 1], values[:, 2], options.form)
    if options.parameter in ("Z", "Y"):
        gamma = reflection_of(gamma.reshape(-1, 1, 1), options.parameter, np.ones(1))
    elif options.parameter != "S":
        return None
    # The parts' sizes are had more quickly, and what they leave open is left to the careful way.
    if not np.abs(gamma.view(float)).max() <= LARGEST_MAGNITUDE / 2:
        return None
    taken = find_time(begun.comments) or raw.written
    origin = Origin(raw.name, raw.sha256, taken, begun.comments, "touchstone")
    try:
        return Sweep(f_hz, gamma, options.references_ohm[0], origin=origin)
    except SweepError:  # frequencies that do not rise
        return None
