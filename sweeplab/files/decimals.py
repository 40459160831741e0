"""Rows of plain decimals, read as whole numbers over powers of ten, in half the time.

A whole number below 2^53 and a power of ten up to 10^22 are exact in floating point, and their
quotient is then correctly rounded: bit for bit what reading the decimal gives (W. D. Clinger, How
to read floating point numbers accurately, Proc. ACM PLDI 1990).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise

import numpy as np

from sweeplab.files.limits import LINE_LIMIT
from sweeplab.sweep import FloatArray

_PLAIN = b"0123456789.- \n"
_SPACE, _MINUS, _DOT, _ZERO, _LINE_END = b" -.0\n"
# With a sign and a point, or without either: no more digits than a whole number may have here.
_LONGEST = 17
_EXACT_BELOW = 2**53
_POWERS = 10.0 ** np.arange(_LONGEST)
# Of shorter rows the arrays here take twenty times the room.
_ROOMY_BYTES = 9


def plain_tables(bodies: Sequence[bytes], columns: int) -> list[FloatArray | None]:
    """Return what `plain_rows` does of each of several bodies.

    Where all are plain they are read as one, which spares them much of the interpreter's part.
    """
    if len(bodies) > 1 and all(body[-1:] == b"\n" for body in bodies):
        table = plain_rows(b"".join(bodies), columns)
        if table is not None:
            stops = [0, *accumulate(body.count(b"\n") for body in bodies)]
            return [table[first:stop] for first, stop in pairwise(stops)]
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
    rows = body.count(b"\n")
    if not LINE_LIMIT >= rows > 0 or len(body) < rows * _ROOMY_BYTES:
        return None
    if body.translate(None, _PLAIN) or body[-1] != _LINE_END:
        return None
    text = np.frombuffer(body, np.uint8)
    ends = np.flatnonzero(text <= _SPACE)
    if ends.size != rows * columns or (text[ends[columns - 1 :: columns]] != _LINE_END).any():
        return None
    minus = np.flatnonzero(text == _MINUS)
    # What stands before the first letter here is the last one, a line's end.
    if (text[minus - 1] > _SPACE).any() or (text[minus + 1] < _ZERO).any():
        return None
    whole = np.fromstring(body.translate(None, b"."), np.int64, sep=" ")
    longest = max(int(ends[0]), int((ends[1:] - ends[:-1]).max(initial=0)) - 1)
    if whole.size != ends.size or longest > _LONGEST or abs(whole).max() >= _EXACT_BELOW:
        return None
    # A whole number has no negative zero.
    if np.count_nonzero(whole < 0) != minus.size:
        return None
    return _scaled(whole, text, ends, columns)


def _scaled(
    whole: np.ndarray[tuple[int], np.dtype[np.int64]],
    text: np.ndarray[tuple[int], np.dtype[np.uint8]],
    ends: np.ndarray[tuple[int], np.dtype[np.intp]],
    columns: int,
) -> FloatArray | None:
    """Return the numbers over the powers of ten that their points ask for."""
    points = np.flatnonzero(text == _DOT)
    number = np.searchsorted(ends, points)
    if (number[1:] == number[:-1]).any():
        return None
    decimals = np.zeros(ends.size, np.intp)
    decimals[number] = ends[number] - points - 1
    return np.asarray(whole / _POWERS[decimals]).reshape(-1, columns)
