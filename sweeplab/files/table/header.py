"""The line that names a table's columns, and what else the preamble states."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from sweeplab.files.table.columns import UNITS_HZ, Column, classify
from sweeplab.files.table.complex_cells import merge_column
from sweeplab.files.table.dialect import COMMENT_MARKS, Dialect, split_fields
from sweeplab.files.text.limits import ROW_LENGTH_LIMIT
from sweeplab.finding import Threshold

# The header is close above the numbers; a preamble may be longer.
_SEARCHED_LINES: Threshold = 40
_OTHER_QUANTITY = re.compile(r"\b(S(?:12|21|22|31|32|33|13|23))\b", re.IGNORECASE)
_PORT_1 = re.compile(r"\bS\(?1,?1\)?", re.IGNORECASE)
_UNIT = re.compile(r"\b([kMG]?Hz)\b", re.IGNORECASE)
_Z0 = re.compile(
    r"\b(?:z0|zo|zref|(?:reference|system|characteristic|nominal) (?:impedance|resistance))\b"
    r"[\s:=(\[,;]*+(?:ohms?|Ω)?[\s:=)\],;]*+([\d.]+)",
    re.IGNORECASE,
)
_DOUBLE_SPACE = re.compile(r"\s{2,}")
_SPACE_BEFORE_UNIT = re.compile(r"(?<!\s)\s+([(\[])")


@dataclass(frozen=True)
class Header:
    """The column names and the preamble of a table.

    Parameters
    ----------
    columns : tuple of Column
        Empty if no line names the columns.
    line : int
        One-based line number of the names; 0 if there are none.
    mismatched_fields : int
        If no line names the columns: number of fields of a line like a header, which differs from
        the number of fields in the rows; 0 if there is no such line.
    other_quantity : str
        Another quantity named in the preamble, such as ``'S21'``, unless it names S11.
    f_scale_hz : float or None
        The only frequency unit named in the preamble, for a column without unit.
    z0_ohm : float or None
        Reference impedance named in the preamble [ohm].
    """

    columns: tuple[Column, ...]
    line: int
    mismatched_fields: int
    other_quantity: str
    f_scale_hz: float | None
    z0_ohm: float | None


def find_header(lines: Sequence[str], dialect: Dialect) -> Header:
    """Return the column names and the preamble of a table.

    Parameters
    ----------
    lines : sequence of str
        The file's lines.
    dialect : Dialect
        Where the numbers begin, and how many columns they have.
    """
    longest = int(ROW_LENGTH_LIMIT)
    above = [_without_comment_marks(line[:longest]) for line in lines[: dialect.first]]
    columns, line = _find_names(above, dialect)
    preamble = "\n".join(_searched(above))
    other_quantity = None if _PORT_1.search(preamble) else _OTHER_QUANTITY.search(preamble)
    # Units in the header line itself belong to its other columns.
    unit_lines = "\n".join(_searched(above[:line])[:-1])
    units = {match.lower() for match in _UNIT.findall(unit_lines)}
    z0 = _Z0.search(preamble)
    return Header(
        columns=columns,
        line=line,
        mismatched_fields=0 if columns else _fields_of_other_width(above),
        other_quantity=other_quantity[1].upper() if other_quantity else "",
        f_scale_hz=UNITS_HZ[units.pop()] if len(units) == 1 else None,
        z0_ohm=_positive_number(z0[1]) if z0 else None,
    )


def _searched(above: list[str]) -> list[str]:
    """Return the lines that are searched: the last ones above the numbers."""
    return above[-int(_SEARCHED_LINES) :]


def _positive_number(digits: str) -> float | None:
    try:
        value = float(digits)
    except ValueError:
        return None
    return value if value > 0 else None


def _without_comment_marks(line: str) -> str:
    """Return a line without comment marks at its start."""
    text = line.strip()
    while text.startswith(COMMENT_MARKS):
        text = text.lstrip("".join(COMMENT_MARKS)).strip()
    return text


def _find_names(above: list[str], dialect: Dialect) -> tuple[tuple[Column, ...], int]:
    """Return the columns and the line that names them, searching upwards from the numbers."""
    stop = len(above) - len(_searched(above))
    best: tuple[tuple[Column, ...], int] = ((), 0)
    for index in range(len(above) - 1, stop - 1, -1):
        for fields in _splits(above[index], dialect):
            units_below = _units_below(above, index, dialect)
            for labels in (_with_units(fields, units_below), fields):
                columns = tuple(_column(label, k, dialect) for k, label in enumerate(labels))
                if _is_header(columns):
                    return columns, index + 1
                if not best[0] and any(column.role != "skip" for column in columns):
                    best = (columns, index + 1)
    return best


def _column(label: str, index: int, dialect: Dialect) -> Column:
    if index not in dialect.complex_columns:
        return classify(label)
    return replace(merge_column(classify(f"re {label}")), label=" ".join(label.split()))


def _fields_of_other_width(above: list[str]) -> int:
    for text in reversed(_searched(above)):
        for separator in ("\t", ";", ",", None):
            columns = tuple(classify(field) for field in split_fields(text, separator))
            if _is_header(columns):
                return len(columns)
    return 0


def _is_header(columns: tuple[Column, ...]) -> bool:
    roles = [column.role for column in columns]
    return "f" in roles and any(role not in ("f", "skip", "angle") for role in roles)


def _splits(text: str, dialect: Dialect) -> Iterator[list[str]]:
    """Yield each split of a line into as many fields as the table has columns."""
    without_spaces = _SPACE_BEFORE_UNIT.sub(r"\1", text)
    splits = [split_fields(text, separator) for separator in (dialect.separator, "\t", ";", ",")]
    splits += [_DOUBLE_SPACE.split(text), without_spaces.split()]
    for fields in splits:
        if len(fields) == dialect.width:
            yield fields


def _units_below(above: list[str], index: int, dialect: Dialect) -> list[str]:
    """Return the fields of the next line that is not blank, which may hold the units."""
    for text in above[index + 1 :]:
        if text:
            # The last columns may have no unit, such as an SWR.
            missing = dialect.width - len(split_fields(text, dialect.separator))
            return next(_splits(text, dialect), []) or _padded_fields(text, dialect, missing)
    return []


def _padded_fields(text: str, dialect: Dialect, missing: int) -> list[str]:
    fields = split_fields(text, dialect.separator)
    is_row = dialect.separator is not None and dialect.separator in text and missing > 0
    return [*fields, *[""] * missing] if is_row else []


def _with_units(fields: list[str], units: list[str]) -> list[str]:
    if len(units) != len(fields):
        return fields
    return [f"{field} {unit}" for field, unit in zip(fields, units, strict=True)]
