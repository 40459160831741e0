"""The line that names a table's columns, wherever it stands above the numbers."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from sweeplab.files.table.columns import UNITS_HZ, Column, classify
from sweeplab.files.table.complex_cells import whole
from sweeplab.files.table.dialect import COMMENT_MARKS, Dialect, split_fields
from sweeplab.files.text.limits import ROW_LIMIT_CHARACTERS
from sweeplab.finding import Threshold

# A header names columns close above them; a preamble may go on for longer.
_SEARCHED_LINES: Threshold = 40
_OTHER_QUANTITY = re.compile(r"\b(S(?:12|21|22|31|32|33|13|23))\b", re.IGNORECASE)
_PORT_1 = re.compile(r"\bS\(?1,?1\)?", re.IGNORECASE)
_UNIT = re.compile(r"\b([kMG]?Hz)\b", re.IGNORECASE)
_Z0 = re.compile(
    r"\b(?:z0|zo|zref|(?:reference|system|characteristic|nominal) (?:impedance|resistance))\b"
    r"[\s:=(\[,;]*(?:ohms?|Ω)?[\s:=)\],;]*([\d.]+)",
    re.IGNORECASE,
)
_DOUBLE_SPACE = re.compile(r"\s{2,}")
_SPACE_BEFORE_UNIT = re.compile(r"\s+([(\[])")


@dataclass(frozen=True)
class Header:
    """What stands above a table's numbers.

    Parameters
    ----------
    columns : tuple of Column
        Empty where no line names the columns.
    line : int
        One-based line of the names; 0 where there is none.
    fields_named : int
        Where no line names the columns: how many another line would name that reads like a
        header, but has not as many fields as the rows; else 0.
    other : str
        Another quantity the preamble names, such as ``'S21'``, while it does not name S11.
    f_scale_hz : float or None
        The one frequency unit the preamble names, for a column that names none.
    z0_ohm : float or None
        Reference impedance the preamble names [ohm].
    """

    columns: tuple[Column, ...]
    line: int
    fields_named: int
    other: str
    f_scale_hz: float | None
    z0_ohm: float | None


def find_header(lines: Sequence[str], layout: Dialect) -> Header:
    """Return what stands above a table's numbers.

    Parameters
    ----------
    lines : sequence of str
        The file's lines.
    layout : Layout
        Where the numbers begin, and how many columns they have.
    """
    longest = int(ROW_LIMIT_CHARACTERS)
    above = [_unmarked(line[:longest]) for line in lines[: layout.first]]
    columns, line = _names(above, layout)
    near = "\n".join(_nearest(above))
    other = None if _PORT_1.search(near) else _OTHER_QUANTITY.search(near)
    # Units in the header itself belong to its other columns.
    preamble = "\n".join(_nearest(above[:line])[:-1])
    units = {match.lower() for match in _UNIT.findall(preamble)}
    z0 = _Z0.search(near)
    return Header(
        columns=columns,
        line=line,
        fields_named=0 if columns else _fields_of_other_width(above),
        other=other[1].upper() if other else "",
        f_scale_hz=UNITS_HZ[units.pop()] if len(units) == 1 else None,
        z0_ohm=_positive(z0[1]) if z0 else None,
    )


def _nearest(above: list[str]) -> list[str]:
    """Return the lines that are searched: the last ones."""
    return above[-int(_SEARCHED_LINES) :]


def _positive(digits: str) -> float | None:
    try:
        value = float(digits)
    except ValueError:
        return None
    return value if value > 0 else None


def _unmarked(line: str) -> str:
    """Return a line without its comment mark."""
    text = line.strip()
    while text.startswith(COMMENT_MARKS):
        text = text.lstrip("".join(COMMENT_MARKS)).strip()
    return text


def _names(above: list[str], layout: Dialect) -> tuple[tuple[Column, ...], int]:
    """Return the columns' names and their line, looking upwards from the numbers."""
    stop = len(above) - len(_nearest(above))
    best: tuple[tuple[Column, ...], int] = ((), 0)
    for index in range(len(above) - 1, stop - 1, -1):
        for fields in _splits(above[index], layout):
            units_below = _units_below(above, index, layout)
            for labels in (_joined(fields, units_below), fields):
                columns = tuple(_column(label, k, layout) for k, label in enumerate(labels))
                if _is_header(columns):
                    return columns, index + 1
                if not best[0] and any(column.role != "skip" for column in columns):
                    best = (columns, index + 1)
    return best


def _column(label: str, place: int, layout: Dialect) -> Column:
    if place not in layout.pairs:
        return classify(label)
    return replace(whole(classify(f"re {label}")), label=" ".join(label.split()))


def _fields_of_other_width(above: list[str]) -> int:
    for text in reversed(_nearest(above)):
        for separator in ("\t", ";", ",", None):
            columns = tuple(classify(field) for field in split_fields(text, separator))
            if _is_header(columns):
                return len(columns)
    return 0


def _is_header(columns: tuple[Column, ...]) -> bool:
    roles = [column.role for column in columns]
    return "f" in roles and any(role not in ("f", "skip", "angle") for role in roles)


def _splits(text: str, layout: Dialect) -> Iterator[list[str]]:
    """Yield each way of parting a line into as many fields as the table has columns."""
    glued = _SPACE_BEFORE_UNIT.sub(r"\1", text)
    ways = [split_fields(text, separator) for separator in (layout.separator, "\t", ";", ",")]
    ways += [_DOUBLE_SPACE.split(text), glued.split()]
    for fields in ways:
        if len(fields) == layout.width:
            yield fields


def _units_below(above: list[str], index: int, layout: Dialect) -> list[str]:
    """Return the fields of the next line that is not blank, where it may hold the units."""
    for text in above[index + 1 :]:
        if text:
            # The last columns may have none, as an SWR has.
            missing = layout.width - len(split_fields(text, layout.separator))
            return next(_splits(text, layout), []) or _padded(text, layout, missing)
    return []


def _padded(text: str, layout: Dialect, missing: int) -> list[str]:
    fields = split_fields(text, layout.separator)
    is_row = layout.separator is not None and layout.separator in text and missing > 0
    return [*fields, *[""] * missing] if is_row else []


def _joined(fields: list[str], units: list[str]) -> list[str]:
    if len(units) != len(fields):
        return fields
    return [f"{field} {unit}" for field, unit in zip(fields, units, strict=True)]
