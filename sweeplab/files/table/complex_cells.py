"""Complex numbers in single cells of a table, such as ``0.5-0.25j`` or ``(35.2 + j12)``.

A table with such cells is read twice in the same dialect: once with each replaced by its real part,
once by its imaginary part.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sweeplab.errors import ReadError, quoted
from sweeplab.files.table.columns import Column, Role, columns_advice
from sweeplab.files.text.lines import Lines
from sweeplab.sweep import FloatArray

_EXPONENT = r"(?:[eEdD][+-]?\d+)?"


def _pattern(decimal: str) -> re.Pattern[str]:
    number = rf"(?:\d+(?:{decimal}\d*)?|{decimal}\d+){_EXPONENT}"
    # The left side must not be the tail of a longer number.
    return re.compile(
        rf"(?<![\w{decimal}])(?:\(\s*+)?([+-]?\s?{number})\s?([+-])\s?(?:[ij]\s?\*?\s?({number})|({number})"
        r"\s?\*?\s?[ij])(?![\w.])(?:\s*+\))?",
        re.ASCII | re.IGNORECASE,
    )


_BY_DECIMAL = {".": _pattern(r"\."), ",": _pattern(",")}
_PART_ROLES: dict[Role, tuple[Role, Role]] = {
    "gamma": ("re", "im"),
    "z_ohm": ("r_ohm", "x_ohm"),
    "y_s": ("g_s", "b_s"),
}
_COMPLEX_ROLES = {parts[0]: role for role, parts in _PART_ROLES.items()}
# Marks the imaginary part of a complex cell; no other cell can contain it.
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


def has_complex_cells(lines: Sequence[str]) -> bool:
    """Whether any line contains a complex number."""
    likely = (line for line in lines if "j" in line.lower() or "i" in line.lower())
    return any(_search(line) for line in likely)


def split_cells(lines: Lines) -> ComplexCells:
    """Return a table's lines with their complex cells replaced."""
    return ComplexCells(
        real=lines.map_lines(lambda line: _replaced(line, _real)),
        imaginary=lines.map_lines(lambda line: _replaced(line, _imaginary)),
    )


def _real(match: re.Match[str]) -> str:
    return "".join(match[1].split())


def _imaginary(match: re.Match[str]) -> str:
    return f"{MARK}{match[2]}{match[3] or match[4]}"


def _pattern_for(line: str) -> re.Pattern[str]:
    return _BY_DECIMAL["," if "." not in line and (";" in line or "\t" in line) else "."]


def _search(line: str) -> re.Match[str] | None:
    return _pattern_for(line).search(line)


def _replaced(line: str, replacement: Callable[[re.Match[str]], str]) -> str:
    return _pattern_for(line).sub(replacement, line)


def merge_column(column: Column) -> Column:
    """Return the complex column whose real part would be a given column."""
    role = _COMPLEX_ROLES.get(column.role, "skip")
    return Column(role, column.scale, column.label, column.is_reflection)


def split_complex(
    columns: tuple[Column, ...],
    complex_columns: Sequence[int],
    real: FloatArray,
    imaginary: FloatArray,
) -> tuple[tuple[Column, ...], FloatArray]:
    """Return columns and values with each complex column split into two real ones.

    Parameters
    ----------
    columns : tuple of Column
    complex_columns : sequence of int
        Indices of the complex columns.
    real, imaginary : ndarray, shape (n, columns)
    """
    split: list[Column] = []
    values: list[FloatArray] = []
    for index, column in enumerate(columns):
        roles: tuple[Role, ...] = (column.role,)
        if index in complex_columns:
            roles = _PART_ROLES.get(column.role, roles)
        split += [Column(role, column.scale, column.label, column.is_reflection) for role in roles]
        values += [real[:, index], imaginary[:, index]][: len(roles)]
    return tuple(split), np.column_stack(values)


def check_complex_columns(
    columns: tuple[Column, ...], complex_columns: Sequence[int], path: str
) -> None:
    """Raise ReadError if a column is complex but its name is not, or the reverse."""
    for index, column in enumerate(columns):
        if (index in complex_columns) != (column.role in _PART_ROLES) and column.role != "skip":
            kind = "complex numbers" if index in complex_columns else "no complex numbers"
            raise ReadError(
                path,
                f"{kind} in column {quoted(column.label)}",
                "use gamma, z_ohm or y_s for complex cells, skip for others"
                if index in complex_columns
                else columns_advice((), len(columns)),
            )
