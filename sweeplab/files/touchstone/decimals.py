"""Rows of plain decimals, read as whole numbers over powers of ten, in half the time.

A whole number below 2^53 and a power of ten up to 10^22 are exact in floating point, and their
quotient is then correctly rounded: bit for bit what reading the decimal gives (W. D. Clinger, How
to read floating point numbers accurately, Proc. ACM PLDI 1990).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sweeplab.files.text.limits import LINE_LIMIT
from sweeplab.sweep import FloatArray

IndexArray = NDArray[np.intp]
_PLAIN = b"0123456789.- \n"
_SPACE, _MINUS, _DOT, _ZERO, _LINE_END = b" -.0\n"
# With a sign and a point, or without either: no more digits than a whole number may have here.
_LONGEST = 17
_EXACT_BELOW = 2**53
_POWERS = 10.0 ** np.arange(_LONGEST)
_DECLINED = None, np.zeros(0, np.intp)
# Of shorter rows the arrays here take twenty times the room, which matters where there are many.
_ROOMY_BYTES, _MUCH = 9, 2**16


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
    if body.translate(None, _PLAIN) or body[-1:] != b"\n":
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
