"""Complex numbers that stand in one cell of a table, such as ``0.5-0.25j`` or ``(35.2 + j12)``.

A table that has them is read twice under one layout: once with each replaced by its real part, once
by its imaginary part.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.columns import Column, Role, how_to_say
from sweeplab.files.text.lines import Lines
from sweeplab.sweep import FloatArray

_EXPONENT = r"(?:[eEdD][+-]?\d+)?"


def _pattern(decimal: str) -> re.Pattern[str]:
    number = rf"(?:\d+(?:{decimal}\d*)?|{decimal}\d+){_EXPONENT}"
    # The left side must not be the tail of a longer number.
    return re.compile(
        rf"(?<![\w{decimal}])\(?\s*([+-]?\s?{number})\s?([+-])\s?(?:[ij]\s?\*?\s?({number})|({number})"
        r"\s?\*?\s?[ij])(?![\w.])\s*\)?",
        re.ASCII | re.IGNORECASE,
    )


_BY_DECIMAL = {".": _pattern(r"\."), ",": _pattern(",")}
_PARTS: dict[Role, tuple[Role, Role]] = {
    "gamma": ("re", "im"),
    "z_ohm": ("r_ohm", "x_ohm"),
    "y_s": ("g_s", "b_s"),
}
_WHOLES = {parts[0]: whole for whole, parts in _PARTS.items()}
# Begins what stands for a complex cell's imaginary part; no other cell can hold it.
MARK = "\x1a"


@dataclass(frozen=True)
class ComplexCells:
    """A table's lines with their complex cells replaced.

    Parameters
    ----------
    real : Lines
        By the real parts.
    imaginary : Lines
        By `MARK` and the imaginary parts.
    """

    real: Lines
    imaginary: Lines


def may_hold_cells(lines: Sequence[str]) -> bool:
    """Whether something that reads like a complex number stands in the lines."""
    likely = (line for line in lines if "j" in line.lower() or "i" in line.lower())
    return any(_search(line) for line in likely)


def unfold(lines: Lines) -> ComplexCells:
    """Return a table's lines with their complex cells replaced."""
    return ComplexCells(
        real=lines.mapped(lambda line: _replaced(line, _real)),
        imaginary=lines.mapped(lambda line: _replaced(line, _imaginary)),
    )


def _real(match: re.Match[str]) -> str:
    return "".join(match[1].split())


def _imaginary(match: re.Match[str]) -> str:
    return f"{MARK}{match[2]}{match[3] or match[4]}"


def _of(line: str) -> re.Pattern[str]:
    return _BY_DECIMAL["," if "." not in line and (";" in line or "\t" in line) else "."]


def _search(line: str) -> re.Match[str] | None:
    return _of(line).search(line)


def _replaced(line: str, by: Callable[[re.Match[str]], str]) -> str:
    return _of(line).sub(by, line)


def whole(column: Column) -> Column:
    """Return what a complex column is, from what its real part would be."""
    role = _WHOLES.get(column.role, "skip")
    return Column(role, column.scale, column.label, column.names_reflection)


def parted(
    columns: tuple[Column, ...], pairs: Sequence[int], real: FloatArray, imaginary: FloatArray
) -> tuple[tuple[Column, ...], FloatArray]:
    """Return columns and values with each complex column parted into two.

    Parameters
    ----------
    columns : tuple of Column
    pairs : sequence of int
        Places of the complex columns.
    real, imaginary : ndarray, shape (n, columns)
    """
    new: list[Column] = []
    values: list[FloatArray] = []
    for place, column in enumerate(columns):
        roles = _PARTS.get(column.role, (column.role,)) if place in pairs else (column.role,)
        new += [Column(role, column.scale, column.label, column.names_reflection) for role in roles]
        values += [real[:, place], imaginary[:, place]][: len(roles)]
    return tuple(new), np.column_stack(values)


def check_complex(columns: tuple[Column, ...], pairs: Sequence[int], path: str) -> None:
    """Raise ReadError where a complex column and its name don't go together."""
    for place, column in enumerate(columns):
        if (place in pairs) != (column.role in _PARTS) and column.role != "skip":
            kind = "complex numbers" if place in pairs else "no complex numbers"
            raise ReadError(
                path,
                f"{kind} in column {quoted(column.label)}",
                "use gamma, z_ohm or y_s for complex cells, skip for others"
                if place in pairs
                else how_to_say((), len(columns)),
            )
