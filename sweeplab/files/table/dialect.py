"""A table's dialect: separator, decimal sign, number of columns, where the numbers begin."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile

from sweeplab.files.text.limits import ROW_LENGTH_LIMIT
from sweeplab.files.text.numbers import parse_number
from sweeplab.finding import Threshold

COMMENT_MARKS = ("#", "!", "%", ";", "//")
# Separator (None: white space) and decimal sign, the more likely first, which wins a tie.
_CANDIDATES: tuple[tuple[str | None, str], ...] = (
    ("\t", "."),
    (";", "."),
    (",", "."),
    (None, "."),
    ("\t", ","),
    (";", ","),
    (None, ","),
    (",", ","),  # decimal commas in quotes
)
SEARCHED_LINES: Threshold = 2000
# This many rows of numbers of one width do not occur in a preamble by accident.
_DECISIVE_ROWS: Threshold = 50
# Nor does a run of more than this share of the lines.
_DECISIVE_SHARE: Threshold = 0.5


@dataclass(frozen=True)
class Dialect:
    """How a table's lines are split into fields.

    Parameters
    ----------
    separator : str or None
        None for white space.
    decimal : {'.', ','}
    first : int
        Index of the first line of numbers.
    width : int
        Number of columns.
    complex_columns : tuple of int
        Indices of the columns whose cells hold complex numbers.
    """

    separator: str | None
    decimal: str
    first: int
    width: int
    complex_columns: tuple[int, ...] = ()


def is_comment(line: str, separator: str | None = None) -> bool:
    """Whether a line is a comment, by its first characters.

    A ';' that separates fields may also begin a row whose first field is empty.
    """
    text = line.lstrip()
    if separator == ";" and text.startswith(";"):
        return not any(parse_number(field.strip(), ",") is not None for field in text.split(";"))
    return text.startswith(COMMENT_MARKS)


def split_fields(line: str, separator: str | None) -> list[str]:
    """Return a line's fields without quotes and outer white space.

    A separator at the end of the line begins no further field.
    """
    if separator is None:
        return [field.strip("\"'") for field in line.split()]
    fields = [field.strip() for field in _split_quoted(line, separator) or line.split(separator)]
    while len(fields) > 1 and not fields[-1]:
        fields.pop()
    return fields


def _split_quoted(line: str, separator: str) -> list[str]:
    """Return the fields of a line with quotes, which may contain separators; else none."""
    if '"' not in line:
        return []
    try:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    except csv.Error:
        return []


def parse_fields(fields: Sequence[str], decimal: str) -> list[float | None]:
    """Return each field's value: NaN if empty, None if not a number."""
    return [parse_number(field, decimal) if field else float("nan") for field in fields]


def detect_dialect(lines: Sequence[str]) -> Dialect | None:
    """Return the dialect with the longest run of numeric rows, None if there are no rows.

    Parameters
    ----------
    lines : sequence of str
        The file's lines.
    """
    best: Dialect | None = None
    most = 0
    searched = [
        (index, line)
        for index, line in enumerate(lines[: int(SEARCHED_LINES)])
        if line.strip() and not is_comment(line)
    ]
    for separator, decimal in _CANDIDATES:
        if separator and not any(separator in line for _, line in searched):
            continue
        first, width, count = _longest_run(searched, separator, decimal)
        if count > most:
            best, most = Dialect(separator, decimal, first, width), count
        if most == _DECISIVE_ROWS or most > _DECISIVE_SHARE * len(searched):
            break
    return None if best is None else _with_decimal_comma_if_longer(best, searched)


def _with_decimal_comma_if_longer(dialect: Dialect, lines: Sequence[tuple[int, str]]) -> Dialect:
    """Return the dialect, with a decimal comma if that makes its run of numeric rows longer.

    Rows of integers are the same with either decimal sign; the rows around them decide.
    """
    if dialect.decimal == "," or dialect.separator == ",":
        return dialect

    def run(part: Iterable[tuple[int, str]], decimal: str) -> list[int]:
        """Return the lines of the run that the first of some lines begin."""
        widths = ((index, _numeric_width(line, dialect.separator, decimal)) for index, line in part)
        return [index for index, _ in takewhile(lambda row: row[1] == dialect.width, widths)]

    start = next(position for position, (index, _) in enumerate(lines) if index == dialect.first)
    above = run(reversed(lines[:start]), ",")
    below = run(lines[start:], ",")
    if not below or len(above) + len(below) <= len(run(lines[start:], ".")):
        return dialect
    return replace(dialect, decimal=",", first=above[-1] if above else dialect.first)


def _longest_run(
    lines: Sequence[tuple[int, str]], separator: str | None, decimal: str
) -> tuple[int, int, int]:
    """Return first index, width and length of the longest run of numeric rows of equal width."""
    best = (0, 0, 0)
    first = width = count = 0
    for index, line in lines:
        found = _numeric_width(line, separator, decimal)
        if found and found == width:
            count += 1
        else:
            first, width, count = index, found, 1 if found else 0
        if count > best[2]:
            best = (first, width, count)
        if count == _DECISIVE_ROWS:
            break
    return best


def _numeric_width(line: str, separator: str | None, decimal: str) -> int:
    """Return the number of fields, 0 unless there are two or more, all numbers or missing."""
    if len(line) > ROW_LENGTH_LIMIT:
        return 0
    fields = split_fields(line, separator)
    if len(fields) < 2:
        return 0
    known = 0
    for field in fields:
        value = parse_number(field, decimal) if field else math.nan
        if value is None:
            return 0
        known += value == value
    return len(fields) if known else 0
