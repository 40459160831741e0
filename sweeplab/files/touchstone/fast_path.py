"""Clean one-port Touchstone files, read fast; declines at the first doubt.

Most of a log's files are of this kind and there may be thousands. Whatever this module takes, the
careful readers take alike (a test holds them together); whatever needs a finding or an error it
leaves to them.

Plain decimals are read as whole numbers over powers of ten, in half the time. A whole number below
2^53 and a power of ten up to 10^22 are exact in floating point, and their quotient is then
correctly rounded: bit for bit what reading the decimal gives (W. D. Clinger, How to read floating
point numbers accurately, Proc. ACM PLDI 1990).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sweeplab.errors import ReadError, SweepError
from sweeplab.files.text.decode import RawFile, ports_named
from sweeplab.files.text.limits import LINE_LIMIT, ROW_LIMIT_CHARACTERS
from sweeplab.files.text.normalize import LARGEST_MAGNITUDE, LEAST_PLAUSIBLE_HZ, MOST_PLAUSIBLE_HZ
from sweeplab.files.text.timestamps import find_time
from sweeplab.files.touchstone.network_parameters import reflection_of, to_complex
from sweeplab.files.touchstone.option_line import OptionLine, parse_option_line
from sweeplab.sweep import FloatArray, Origin, Sweep

_PLAIN = b"0123456789+-.eE \t\r\n"
_COMMENTS = rb"(?:[ \t]*\r?\n|![^\r\n]*\r?\n)*+"
_HEAD = re.compile(_COMMENTS + rb"(#[^\r\n!;]*)\r?\n" + _COMMENTS)
_COLUMNS = 3

IndexArray = NDArray[np.intp]
_DECIMAL_CHARACTERS = b"0123456789.- \n"
_SPACE, _MINUS, _DOT, _ZERO, _LINE_END = b" -.0\n"
# With a sign and a point, or without either: no more digits than a whole number may have here.
_LONGEST = 17
_EXACT_BELOW = 2**53
_POWERS = 10.0 ** np.arange(_LONGEST)
_DECLINED = None, np.zeros(0, np.intp)
# Of shorter rows the arrays here take twenty times the room, which matters where there are many.
_ROOMY_BYTES, _MUCH = 9, 2**16


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


def plain_tables(bodies: Sequence[bytes], columns: int) -> list[FloatArray | None]:
    """Return what `plain_rows` does of each of several bodies.

    Where all are plain they are read as one, which spares them much of the interpreter's part.
    """
    if len(bodies) > 1 and all(body[-1:] == b"\n" for body in bodies):
        table, line_ends = _read(b"".join(bodies), columns)
        if table is not None:
            stops = np.searchsorted(line_ends, np.cumsum([len(body) for body in bodies])).tolist()
            return [table[first:stop] for first, stop in pairwise([0, *stops])]
    return [plain_rows(body, columns) for body in bodies]


def plain_rows(body: bytes, columns: int) -> FloatArray | None:
    """Return the numbers of a plain table, shape (n, columns), or None where it is not one.

    Parameters
    ----------
    body : bytes
        Lines of `columns` decimals without exponents, one space between them, none around them,
        every line ended by LF.
    columns : int
    """
    return _read(body, columns)[0]


def _read(body: bytes, columns: int) -> tuple[FloatArray | None, IndexArray]:
    """Return the numbers of a plain table, or None, and where its lines end."""
    if len(body) > _MUCH and not _is_roomy(body):
        return _DECLINED
    if body.translate(None, _DECIMAL_CHARACTERS) or body[-1:] != b"\n":
        return _DECLINED
    text = np.frombuffer(body, np.uint8)
    ends = np.flatnonzero(text <= _SPACE)
    if ends.size % columns or (text[ends].reshape(-1, columns) != _ends_of_a_row(columns)).any():
        return _DECLINED
    minus = np.flatnonzero(text == _MINUS)
    # What stands before the first letter here is the last one, a line's end.
    if (text[minus - 1] > _SPACE).any() or (text[minus + 1] < _ZERO).any():
        return _DECLINED
    whole = np.fromstring(body.translate(None, b"."), np.int64, sep=" ")
    longest = max(int(ends[0]), int((ends[1:] - ends[:-1]).max(initial=0)) - 1)
    if whole.size != ends.size or longest > _LONGEST or abs(whole).max() >= _EXACT_BELOW:
        return _DECLINED
    # A whole number has no negative zero.
    if np.count_nonzero(whole < 0) != minus.size:
        return _DECLINED
    return _scaled(whole, text, ends, columns), ends[columns - 1 :: columns]


def _is_roomy(body: bytes) -> bool:
    """Say whether rows are long enough for the arrays here, and not too many."""
    rows = body.count(b"\n")
    return rows <= min(LINE_LIMIT, len(body) / _ROOMY_BYTES)


@lru_cache(maxsize=8)
def _ends_of_a_row(columns: int) -> NDArray[np.uint8]:
    return np.array([_SPACE] * (columns - 1) + [_LINE_END], np.uint8)


def _scaled(
    whole: NDArray[np.int64], text: NDArray[np.uint8], ends: IndexArray, columns: int
) -> FloatArray | None:
    """Return the numbers over the powers of ten that their points ask for."""
    points = np.flatnonzero(text == _DOT)
    number = np.searchsorted(ends, points)
    if (number[1:] == number[:-1]).any():
        return None
    decimals = np.zeros(ends.size, np.intp)
    decimals[number] = ends[number] - points - 1
    return np.asarray(whole / _POWERS[decimals]).reshape(-1, columns)
