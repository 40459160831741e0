"""A fast path for clean one-port Touchstone files; returns None in any doubt.

Most files of a log are of this kind, and there may be thousands. Whatever this module reads, the
full reader reads identically (a test compares them); whatever needs a finding or an error is left
to the full reader.

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
from sweeplab.files.text.decode import RawFile, ports_in_suffix
from sweeplab.files.text.limits import LINE_COUNT_LIMIT, ROW_LENGTH_LIMIT
from sweeplab.files.text.normalize import MAX_MAGNITUDE, MAX_PLAUSIBLE_HZ, MIN_PLAUSIBLE_HZ
from sweeplab.files.text.timestamps import find_time
from sweeplab.files.touchstone.network_parameters import reflection_of, to_complex
from sweeplab.files.touchstone.option_line import OptionLine, parse_option_line
from sweeplab.sweep import FloatArray, Origin, Sweep

_NUMBER_CHARACTERS = b"0123456789+-.eE \t\r\n"
_COMMENTS = rb"(?:[ \t]*\r?\n|![^\r\n]*\r?\n)*+"
_HEAD = re.compile(_COMMENTS + rb"(#[^\r\n!;]*)\r?\n" + _COMMENTS)
_COLUMNS = 3

IndexArray = NDArray[np.intp]
_DECIMAL_CHARACTERS = b"0123456789.- \n"
_SPACE, _MINUS, _DOT, _ZERO, _LINE_END = b" -.0\n"
# Of a number, with its sign and point: no more digits than fit in an integer.
_MAX_CHARACTERS = 17
_EXACT_BELOW = 2**53
_POWERS = 10.0 ** np.arange(_MAX_CHARACTERS)
_NOT_DECIMALS = None, np.zeros(0, np.intp)
# For shorter rows the arrays here take twenty times the file's size, too much for large files.
_MIN_BYTES_PER_ROW, _LARGE_BODY_BYTES = 9, 2**16


@dataclass(frozen=True, eq=False)
class _ParsedHead:
    """A file whose lines above the data rows are parsed."""

    raw_file: RawFile
    options: OptionLine
    comments: tuple[str, ...]
    body: bytes


def read(raw_files: Sequence[RawFile]) -> list[Sweep | None]:
    """Return the sweep of each clean one-port file, None for any other.

    The rows of several files are parsed together if all are plain decimals.
    """
    heads = [_parse_head(raw_file) for raw_file in raw_files]
    tables = iter(_parse_bodies([head.body for head in heads if head is not None]))
    return [None if head is None else _sweep(head, next(tables)) for head in heads]


def _parse_head(raw_file: RawFile) -> _ParsedHead | None:
    match = _HEAD.match(raw_file.data)
    if match is None or len(match[1]) > ROW_LENGTH_LIMIT:
        return None
    if _ports(raw_file.name.rpartition(".")[2]) not in (1, None):
        return None
    try:
        options = _options(match[1])
        text = match[0].decode("utf-8")
    except (ReadError, ValueError):
        return None
    if len(options.references_ohm) > 1:
        return None
    comments = tuple(line for line in text.replace("\r", "").split("\n") if line.startswith("!"))
    return _ParsedHead(raw_file, options, comments, raw_file.data[match.end() :])


@lru_cache(maxsize=64)
def _options(line: bytes) -> OptionLine:
    return parse_option_line(line.decode("ascii"), "", 1)


@lru_cache(maxsize=64)
def _ports(suffix: str) -> int | None:
    return ports_in_suffix(f".{suffix}")


def _parse_bodies(bodies: Sequence[bytes]) -> list[FloatArray | None]:
    plain = parse_decimal_batch(bodies, _COLUMNS)
    return [
        _parse_with_loadtxt(body) if table is None else table
        for body, table in zip(bodies, plain, strict=True)
    ]


def _parse_with_loadtxt(body: bytes) -> FloatArray | None:
    """Return the numbers of a table with exponents, tabs or other line ends."""
    if body.translate(None, _NUMBER_CHARACTERS) or body.count(b"\n") > LINE_COUNT_LIMIT:
        return None
    if b"\r" in body and body.count(b"\r") != body.count(b"\r\n"):
        return None
    if not body.strip():
        return None
    if body.find(b"\n", 0, int(ROW_LENGTH_LIMIT)) < 0:
        return None
    try:
        # Refuses rows of unequal length and words that are no numbers.
        values = np.loadtxt(body.decode("ascii").split("\n"), comments=None, ndmin=2)
    except ValueError:
        return None
    return values if values.shape[1] == _COLUMNS else None


def _sweep(head: _ParsedHead, values: FloatArray | None) -> Sweep | None:
    if values is None:
        return None
    raw_file, options = head.raw_file, head.options
    f_hz = values[:, 0]
    if options.f_scale_hz != 1:
        f_hz = f_hz * options.f_scale_hz
    if not (f_hz[0] >= MIN_PLAUSIBLE_HZ and f_hz[-1] <= MAX_PLAUSIBLE_HZ):
        return None
    if options.pair_format == "MA" and (values[:, 1] < 0).any():
        return None
    gamma = to_complex(values[:, 1], values[:, 2], options.pair_format)
    if options.parameter in ("Z", "Y"):
        gamma = reflection_of(gamma.reshape(-1, 1, 1), options.parameter, np.ones(1))
    elif options.parameter != "S":
        return None
    # The magnitudes of the parts are faster to compute; a doubtful case is left to the full reader.
    if not np.abs(gamma.view(float)).max() <= MAX_MAGNITUDE / 2:
        return None
    taken = find_time(head.comments) or raw_file.modified
    origin = Origin(raw_file.name, raw_file.sha256, taken, head.comments, "touchstone")
    try:
        return Sweep(f_hz, gamma, options.references_ohm[0], origin=origin)
    except SweepError:  # frequencies that do not rise
        return None


def parse_decimal_batch(bodies: Sequence[bytes], columns: int) -> list[FloatArray | None]:
    """Return the result of `parse_decimals` for each of several bodies.

    If all are plain they are parsed together, which saves most of the interpreter's overhead.
    """
    if len(bodies) > 1 and all(body[-1:] == b"\n" for body in bodies):
        table, line_ends = _parse_decimals(b"".join(bodies), columns)
        if table is not None:
            stops = np.searchsorted(line_ends, np.cumsum([len(body) for body in bodies])).tolist()
            return [table[first:stop] for first, stop in pairwise([0, *stops])]
    return [parse_decimals(body, columns) for body in bodies]


def parse_decimals(body: bytes, columns: int) -> FloatArray | None:
    """Return the numbers of a table of plain decimals, None for any other body.

    Parameters
    ----------
    body : bytes
        Lines of `columns` decimals without exponents, one space between them, none around them,
        every line ended by LF.
    columns : int

    Returns
    -------
    ndarray, shape (n, columns), or None
    """
    return _parse_decimals(body, columns)[0]


def _parse_decimals(body: bytes, columns: int) -> tuple[FloatArray | None, IndexArray]:
    """Return the numbers of a plain table, or None, and the indices of its line ends."""
    if len(body) > _LARGE_BODY_BYTES and not _fits_in_memory(body):
        return _NOT_DECIMALS
    if body.translate(None, _DECIMAL_CHARACTERS) or body[-1:] != b"\n":
        return _NOT_DECIMALS
    text = np.frombuffer(body, np.uint8)
    ends = np.flatnonzero(text <= _SPACE)
    if ends.size % columns or (text[ends].reshape(-1, columns) != _row_ends(columns)).any():
        return _NOT_DECIMALS
    minus = np.flatnonzero(text == _MINUS)
    # Index -1, before the first character, is the last one: a line end.
    if (text[minus - 1] > _SPACE).any() or (text[minus + 1] < _ZERO).any():
        return _NOT_DECIMALS
    integers = np.fromstring(body.translate(None, b"."), np.int64, sep=" ")
    longest = max(int(ends[0]), int((ends[1:] - ends[:-1]).max(initial=0)) - 1)
    if integers.size != ends.size or longest > _MAX_CHARACTERS:
        return _NOT_DECIMALS
    if abs(integers).max() >= _EXACT_BELOW:
        return _NOT_DECIMALS
    # An integer has no negative zero.
    if np.count_nonzero(integers < 0) != minus.size:
        return _NOT_DECIMALS
    return _divided(integers, text, ends, columns), ends[columns - 1 :: columns]


def _fits_in_memory(body: bytes) -> bool:
    """Whether rows are long enough, and few enough, for the memory of the arrays here."""
    rows = body.count(b"\n")
    return rows <= min(LINE_COUNT_LIMIT, len(body) / _MIN_BYTES_PER_ROW)


@lru_cache(maxsize=8)
def _row_ends(columns: int) -> NDArray[np.uint8]:
    return np.array([_SPACE] * (columns - 1) + [_LINE_END], np.uint8)


def _divided(
    integers: NDArray[np.int64], text: NDArray[np.uint8], ends: IndexArray, columns: int
) -> FloatArray | None:
    """Return integers divided by the powers of ten given by their decimal points."""
    points = np.flatnonzero(text == _DOT)
    number = np.searchsorted(ends, points)
    if (number[1:] == number[:-1]).any():
        return None
    decimal_places = np.zeros(ends.size, np.intp)
    decimal_places[number] = ends[number] - points - 1
    return np.asarray(integers / _POWERS[decimal_places]).reshape(-1, columns)
